"""The lay-down directions of a print, before any fibre is known.

Seen exactly along the fibres of one family, a scaffold's cross-section is a field of sharp
discs, however the walls lean; seen along any other direction it is blurred. The sum of squares
of the cross-section's density therefore peaks at each family's direction.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

from volscan.geometry import FloatArray, turn_between_deg

# Directions looked at, degrees: fine enough to meet a fibre of 5 voxels over 600 voxels of length.
_STEP_DEG = 0.25
# A direction is sharpened until its steps are no finer than this.
_FINEST_DEG = 0.01
# Families closer than this are one.
_APART_DEG = 6.0
# A direction counts when its cross-section is sharper than the middle of all directions by this
# share: six welded families at a spacing of eight diameters reach 0.11, foams and roots 0.02.
_SHARPER = 0.045


def find_directions(points: FloatArray, h: FloatArray, *, bin_um: float) -> list[FloatArray]:
    """Return unit vectors [z, y, x] along which the solid's cross-section is sharpest.

    Parameters
    ----------
    points
        Scan positions (n, 3) [z, y, x] of solid voxels.
    h
        Rough normal of the base plane, unit vector [z, y, x].
    bin_um
        Size of the cross-section's bins, about one voxel.

    Returns
    -------
    list
        One vector a family, the sharpest first; empty when no direction stands out.
    """
    x, y = plane_axes(h)
    middle = points - points.mean(axis=0)
    px, py, ph = (np.ascontiguousarray(middle @ v) for v in (x, y, h))
    angles = np.arange(0.0, 180.0, _STEP_DEG)
    scores = np.array([_seen_along(px, py, ph, math.radians(a), 0.0, bin_um) for a in angles])
    floor = float(np.median(scores))
    if floor <= 0:
        return []
    excess = scores / floor - 1.0
    found: list[tuple[float, float]] = []
    for i in np.argsort(excess)[::-1]:
        if excess[i] < _SHARPER:
            break
        if all(_apart(angles[i], a) > _APART_DEG for a, _ in found):
            window = [(i + k) % angles.size for k in range(-6, 7)]
            # A peak, not the shoulder of one.
            if excess[i] >= max(excess[w] for w in window):
                found.append((float(angles[i]), float(excess[i])))
    strongest = max((e for _, e in found), default=0.0)
    kept = [a for a, e in found if e > 0.15 * strongest]
    return [_refined(px, py, ph, x, y, h, a, bin_um) for a in kept]


def plane_axes(h: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return two unit vectors [z, y, x] in the plane normal to `h`, right-handed with it."""
    lead = np.array([0.0, 0.0, 1.0]) if abs(h[2]) < 0.8 else np.array([0.0, 1.0, 0.0])
    x = lead - (lead @ h) * h
    x /= np.linalg.norm(x)
    return x, left_normal(h, x)


def left_normal(h: FloatArray, u: FloatArray) -> FloatArray:
    """Return h × u, the cross product taken in (x, y, z); all vectors stored [z, y, x]."""
    n = np.cross(h[::-1], u[::-1])[::-1]
    return np.asarray(n / np.linalg.norm(n))


def _apart(a: float, b: float) -> float:
    return abs(turn_between_deg(b, a))


def _refined(
    px: FloatArray,
    py: FloatArray,
    ph: FloatArray,
    x: FloatArray,
    y: FloatArray,
    h: FloatArray,
    angle_deg: float,
    bin_um: float,
) -> FloatArray:
    """Sharpen a direction in the plane and out of it; return its unit vector [z, y, x]."""
    halvings = math.floor(math.log2(_STEP_DEG / _FINEST_DEG))
    finest = math.radians(_STEP_DEG) / 2**halvings

    @cache
    def score(turned: int, raised: int) -> float:
        angle = math.radians(angle_deg) + turned * finest
        return float(_seen_along(px, py, ph, angle, raised * finest, 0.7 * bin_um))

    best = (0, 0)
    for step in (2**k for k in range(halvings, -1, -1)):
        for _ in range(20):
            around = [
                (best[0] + i * step, best[1] + j * step) for i in (-1, 0, 1) for j in (-1, 0, 1)
            ]
            sharpest = max(around, key=lambda place: score(*place))
            if sharpest == best:
                break
            best = sharpest
    angle = math.radians(angle_deg) + best[0] * finest
    u = math.cos(angle) * x + math.sin(angle) * y + math.tan(best[1] * finest) * h
    return np.asarray(u / np.linalg.norm(u))


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _seen_along(
    px: NDArray[np.float64],
    py: NDArray[np.float64],
    ph: NDArray[np.float64],
    angle: float,
    slope: float,
    step: float,
) -> float:
    """Return the pairs of points that share a bin of the cross-section seen along a direction."""
    c, s = math.cos(angle), math.sin(angle)
    n = px.size
    rise = math.tan(slope)
    lo_a = lo_b = 1e30
    hi_a = hi_b = -1e30
    for i in range(n):
        a = -s * px[i] + c * py[i]
        b = ph[i] - rise * (c * px[i] + s * py[i])
        lo_a, hi_a = min(lo_a, a), max(hi_a, a)
        lo_b, hi_b = min(lo_b, b), max(hi_b, b)
    na = int((hi_a - lo_a) / step) + 2
    nb = int((hi_b - lo_b) / step) + 2
    counts = np.zeros((na, nb), np.float32)
    for i in range(n):
        a = (-s * px[i] + c * py[i] - lo_a) / step
        b = (ph[i] - rise * (c * px[i] + s * py[i]) - lo_b) / step
        # Shared between four bins, so that the alignment of bins and voxels drops out.
        ia, ib = int(a), int(b)
        fa, fb = a - ia, b - ib
        counts[ia, ib] += (1 - fa) * (1 - fb)
        counts[ia + 1, ib] += fa * (1 - fb)
        counts[ia, ib + 1] += (1 - fa) * fb
        counts[ia + 1, ib + 1] += fa * fb
    total = 0.0
    for i in range(na):
        for j in range(nb):
            total += counts[i, j] * counts[i, j]
    return total
