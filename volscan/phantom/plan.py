"""Plan-view geometry of the truth: the envelope's outline and the largest box inside it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from volscan.errors import SettingsError

FloatArray = NDArray[np.float64]

# A strip: unit normal and the positions of its two edges along it.
Strip = tuple[FloatArray, float, float]


def strips_outline(strips: Sequence[Strip]) -> FloatArray:
    """Return the polygon (n, 2), counter-clockwise, that all strips share.

    Raises
    ------
    SettingsError
        If it is unbounded or empty.
    """
    reach = 10 * max(max(abs(low), abs(high)) for _, low, high in strips) + 1
    polygon = np.array([[-reach, -reach], [reach, -reach], [reach, reach], [-reach, reach]])
    for normal, low, high in strips:
        polygon = _cut(polygon, normal, high)
        polygon = _cut(polygon, -normal, -low)
    if len(polygon) < 3 or np.abs(polygon).max() >= reach * 0.999:
        raise SettingsError("the walls enclose no area: give two directions of three walls each")
    return polygon


def _cut(polygon: FloatArray, normal: FloatArray, limit: float) -> FloatArray:
    """Keep the part of a convex polygon with p · normal <= limit (Sutherland-Hodgman)."""
    kept: list[FloatArray] = []
    for p, q in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        dp, dq = float(p @ normal) - limit, float(q @ normal) - limit
        if dp <= 0:
            kept.append(p)
        if (dp < 0 < dq) or (dq < 0 < dp):
            kept.append(p + (q - p) * (dp / (dp - dq)))
    return np.array(kept).reshape(-1, 2)


def polygon_area(polygon: FloatArray) -> float:
    """Area by the shoelace formula."""
    x, y = polygon.T
    return float(0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))


def length_inside(polygon: FloatArray, a: FloatArray, b: FloatArray) -> float:
    """Length of the plan segment a-b that lies inside a convex counter-clockwise polygon."""
    low, high = 0.0, 1.0
    along = b - a
    for p, q in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        outward = np.array([q[1] - p[1], p[0] - q[0]])
        start, rate = float((a - p) @ outward), float(along @ outward)
        if rate == 0:
            if start > 0:
                return 0.0
        elif rate > 0:
            high = min(high, -start / rate)
        else:
            low = max(low, -start / rate)
    return max(0.0, high - low) * float(np.linalg.norm(along))


def largest_rectangle(polygon: FloatArray, direction_deg: float) -> tuple[FloatArray, FloatArray]:
    """Largest rectangle with a side along a direction inside a convex polygon.

    Returns
    -------
    corner
        Its corner of least x and y along its own axes, in the polygon's coordinates (2,).
    size
        Its extent along and across the direction (2,).

    Notes
    -----
    With the outward normals turned into the rectangle's axes, being inside is linear in the four
    edge positions and log(area) is concave, so the maximum is the only one.
    """
    a = math.radians(direction_deg)
    axes = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    turned = polygon @ axes.T
    edges = np.roll(turned, -1, axis=0) - turned
    outward = np.column_stack([edges[:, 1], -edges[:, 0]])
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    limits = (outward * turned).sum(axis=1)
    scale = float(np.ptp(turned, axis=0).max())
    # Unknowns (x0, x1, y0, y1): the corner farthest along each outward normal must stay inside.
    rows = np.zeros((len(outward), 4))
    rows[np.arange(len(outward)), (outward[:, 0] > 0).astype(int)] = outward[:, 0]
    rows[np.arange(len(outward)), 2 + (outward[:, 1] > 0).astype(int)] = outward[:, 1]
    middle = turned.mean(axis=0)
    inner = float((limits - outward @ middle).min()) / 2
    start = np.array([middle[0] - inner, middle[0] + inner, middle[1] - inner, middle[1] + inner])

    def cost(v: FloatArray) -> float:
        return -math.log(max(v[1] - v[0], 1e-12)) - math.log(max(v[3] - v[2], 1e-12))

    def slope(v: FloatArray) -> FloatArray:
        w, h = max(v[1] - v[0], 1e-12), max(v[3] - v[2], 1e-12)
        return np.array([1 / w, -1 / w, 1 / h, -1 / h])

    found = minimize(
        cost,
        start / scale,
        jac=slope,
        method="SLSQP",
        constraints={
            "type": "ineq",
            "fun": lambda v: limits / scale - rows @ v,
            "jac": lambda v: -rows,
        },
        options={"ftol": 1e-14, "maxiter": 500},
    )
    x0, x1, y0, y1 = found.x * scale
    return np.array([x0, y0]) @ axes, np.array([x1 - x0, y1 - y0])
