"""Convex polygons in plan view: hull, clipping by a line, pulling in.

A polygon is an array (n, 2) of corners, counter-clockwise, not repeated at the end; empty when
nothing is left.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

FloatArray = NDArray[np.float64]
EMPTY: FloatArray = np.empty((0, 2))


def area(polygon: FloatArray) -> float:
    """Return the area (shoelace formula); 0 for fewer than three corners.

    >>> area(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0]]))
    2.0
    """
    if len(polygon) < 3:
        return 0.0
    x, y = polygon.T
    return float(0.5 * (np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))


def hull(points: FloatArray) -> FloatArray:
    """Return the convex hull of points (n, 2); empty where they lie on a line."""
    if len(points) < 3:
        return EMPTY
    try:
        return np.asarray(points[ConvexHull(points).vertices], dtype=np.float64)
    except QhullError:
        return EMPTY


def clip(polygon: FloatArray, normal: FloatArray, offset: float) -> FloatArray:
    """Return the part of a polygon where normal · point >= offset (Sutherland and Hodgman).

    >>> square = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])
    >>> area(clip(square, np.array([1.0, 0.0]), 0.5))
    3.0
    """
    if len(polygon) < 3:
        return EMPTY
    side = polygon @ np.asarray(normal) - offset
    kept = []
    for k in range(len(polygon)):
        j = (k + 1) % len(polygon)
        if side[k] >= 0:
            kept.append(polygon[k])
        if (side[k] > 0 > side[j]) or (side[k] < 0 < side[j]):
            t = side[k] / (side[k] - side[j])
            kept.append(polygon[k] + t * (polygon[j] - polygon[k]))
    return np.asarray(kept) if len(kept) >= 3 else EMPTY


def edges(polygon: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return inward unit normals (n, 2) and offsets (n,) of the sides."""
    step = np.roll(polygon, -1, axis=0) - polygon
    length = np.linalg.norm(step, axis=1)
    good = length > 0
    step, start = step[good] / length[good, None], polygon[good]
    normals = np.stack([-step[:, 1], step[:, 0]], axis=1)
    return normals, np.einsum("ij,ij->i", normals, start)


def pull_in(polygon: FloatArray, distance: float) -> FloatArray:
    """Return the polygon with every side moved inward by a distance.

    >>> square = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]])
    >>> area(pull_in(square, 1.0))
    4.0
    """
    result = polygon
    for normal, offset in zip(*edges(polygon), strict=True):
        result = clip(result, normal, offset + distance)
    return result


def intersect(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the common part of two convex polygons."""
    result = one
    for normal, offset in zip(*edges(other), strict=True):
        result = clip(result, normal, offset)
    return result


def farthest_outside(polygon: FloatArray, points: FloatArray) -> float:
    """Return how far the farthest of the points lies outside the polygon; 0 when all are in."""
    if len(polygon) < 3 or not len(points):
        return 0.0
    normals, offsets = edges(polygon)
    return float(max(0.0, (offsets - points @ normals.T).max()))


def counter_clockwise_box(low: FloatArray, high: FloatArray) -> FloatArray:
    """Return the corners of a box along the axes."""
    return np.array(
        [[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]], dtype=float
    )
