"""Plan polygons of any shape: which edges cross which heights, and lengths of lines inside."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def is_convex(outline: FloatArray) -> bool:
    """Whether a counter-clockwise polygon (n, 2) turns left at every corner (or goes straight)."""
    edges = np.roll(outline, -1, axis=0) - outline
    following = np.roll(edges, -1, axis=0)
    turns = edges[:, 0] * following[:, 1] - edges[:, 1] * following[:, 0]
    size = float(np.abs(edges).max())
    return bool(turns.min() >= -1e-9 * size**2)


def edge_bands(
    outline: FloatArray, *, bands: int = 256
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return which edges touch which of `bands` equal bands of y, as starts and members."""
    low, size = float(outline[:, 1].min()), float(np.ptp(outline[:, 1]))
    at = (np.stack([outline[:, 1], np.roll(outline[:, 1], -1)]) - low) / size * bands
    # One band more on either side: a point is put into its band by another rounding.
    first = np.clip(np.floor(at.min(axis=0)).astype(np.int64) - 1, 0, bands - 1)
    last = np.clip(np.floor(at.max(axis=0)).astype(np.int64) + 1, 0, bands - 1)
    rows = [np.flatnonzero((first <= b) & (b <= last)) for b in range(bands)]
    starts = np.concatenate([[0], np.cumsum([len(r) for r in rows])]).astype(np.int64)
    return starts, np.concatenate(rows).astype(np.int64)


@njit(cache=True)
def shares_inside(outline, plan):  # type: ignore[no-untyped-def]
    """Return the share of each plan segment (n, 2, 2) that lies inside a polygon (m, 2)."""
    n_edges = outline.shape[0]
    out = np.zeros(plan.shape[0])
    cuts = np.empty(n_edges + 2)
    for s in range(plan.shape[0]):
        ax, ay = plan[s, 0, 0], plan[s, 0, 1]
        ex, ey = plan[s, 1, 0] - ax, plan[s, 1, 1] - ay
        cuts[0], cuts[1] = 0.0, 1.0
        n = 2
        for e in range(n_edges):
            px, py = outline[e, 0], outline[e, 1]
            f = (e + 1) % n_edges
            fx, fy = outline[f, 0] - px, outline[f, 1] - py
            cross = ex * fy - ey * fx
            if cross != 0.0:
                t = ((px - ax) * fy - (py - ay) * fx) / cross
                u = ((px - ax) * ey - (py - ay) * ex) / cross
                if 0.0 < t < 1.0 and 0.0 <= u <= 1.0:
                    cuts[n] = t
                    n += 1
        ordered = np.sort(cuts[:n])
        for i in range(n - 1):
            t = 0.5 * (ordered[i] + ordered[i + 1])
            if _behind(outline, ax + t * ex, ay + t * ey):
                out[s] += ordered[i + 1] - ordered[i]
    return out


@njit(cache=True)
def inside(outline, points):  # type: ignore[no-untyped-def]
    """Return which of the points (n, 2) lie inside a polygon (m, 2)."""
    out = np.zeros(points.shape[0], dtype=np.bool_)
    for i in range(points.shape[0]):
        out[i] = _behind(outline, points[i, 0], points[i, 1])
    return out


@njit(cache=True)
def _behind(outline, px, py):  # type: ignore[no-untyped-def]
    odd = False
    for e in range(outline.shape[0]):
        f = (e + 1) % outline.shape[0]
        y0, y1 = outline[e, 1], outline[f, 1]
        if (y0 > py) != (y1 > py):
            x = outline[e, 0] + (outline[f, 0] - outline[e, 0]) * (py - y0) / (y1 - y0)
            if px < x:
                odd = not odd
    return odd


def length_within(
    outline: FloatArray, segments: FloatArray, weights: FloatArray | float = 1.0
) -> float:
    """Summed length of segments (n, 2, 3) [X, Y, H] whose plan lies inside any polygon (m, 2).

    With `weights` (n,) each length counts that many times.

    >>> square = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])
    >>> length_within(square, np.array([[[-1.0, 1.0, 0.0], [1.0, 1.0, 0.0]]]))
    1.0
    """
    lengths = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)
    inside = shares_inside(
        np.ascontiguousarray(outline, dtype=np.float64),
        np.ascontiguousarray(segments[..., :2], dtype=np.float64),
    )
    return math.fsum(lengths * inside * weights)
