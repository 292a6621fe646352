"""A convex body bounded by planes, as the share of every voxel that lies inside it."""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Parts of a voxel along each axis where two or more planes cross it (edges of the body only).
_EDGE_DIVISIONS = 6
# A plane's share of a box is a ratio of small differences when a component of the normal is
# tiny; below this share of the largest it is left out, which moves the plane by at most half a
# thousandth of a voxel, up as often as down.
_LEAST_COMPONENT = 1e-3


def inside_share(
    planes: FloatArray,
    *,
    shape: tuple[int, int, int],
    spacing_um: tuple[float, float, float],
    first_slice: int = 0,
) -> NDArray[np.float32]:
    """Return the share of each voxel that lies inside all half-spaces.

    Parameters
    ----------
    planes
        Array (k, 4): unit normal pointing inward (z, y, x) and offset; inside is where
        normal · position >= offset, position in µm.
    shape
        Shape (z, y, x) of the result.
    spacing_um
        Voxel spacing (z, y, x); a voxel's centre is at index × spacing.
    first_slice
        Index of the result's first slice in the scan.

    Returns
    -------
    numpy.ndarray
        Array (z, y, x), float32. Exact where one plane crosses a voxel; where more do, counted
        on 6³ points.

    Examples
    --------
    >>> inside_share(np.array([[0, 0, 1, 1.25]]), shape=(1, 1, 4), spacing_um=(1, 1, 1))
    array([[[0.  , 0.25, 1.  , 1.  ]]], dtype=float32)
    """
    out = np.zeros(shape, dtype=np.float32)
    _fill(
        out,
        np.ascontiguousarray(planes, dtype=np.float64),
        np.asarray(spacing_um, dtype=np.float64),
        first_slice,
    )
    return out


@njit(cache=True, nogil=True)
def _square(v):  # type: ignore[no-untyped-def]  # pragma: no cover
    return v * v if v > 0 else 0.0


@njit(cache=True, nogil=True)
def _cube(v):  # type: ignore[no-untyped-def]  # pragma: no cover
    return v * v * v if v > 0 else 0.0


@njit(cache=True, nogil=True)
def _plane_share(distance, ez, ey, ex):  # type: ignore[no-untyped-def]  # pragma: no cover
    # Share of a box on the inner side of a plane. `distance`: of the box's centre from the plane,
    # inward; e: half the box's extent along the normal, by axis. The share is the distribution
    # function of a sum of up to three uniform variables of widths 2e.
    low, high = min(ez, ey, ex), max(ez, ey, ex)
    a, b, c = 2.0 * high, 2.0 * (ez + ey + ex - low - high), 2.0 * low
    least = _LEAST_COMPONENT * a
    if b < least:
        return min(max((distance + 0.5 * a) / a, 0.0), 1.0)
    if c < least:
        t = distance + 0.5 * (a + b)
        total = _square(t) - _square(t - a) - _square(t - b) + _square(t - a - b)
        return min(max(total / (2.0 * a * b), 0.0), 1.0)
    t = distance + 0.5 * (a + b + c)
    total = (
        _cube(t)
        - _cube(t - a)
        - _cube(t - b)
        - _cube(t - c)
        + _cube(t - a - b)
        + _cube(t - a - c)
        + _cube(t - b - c)
        - _cube(t - a - b - c)
    )
    return min(max(total / (6.0 * a * b * c), 0.0), 1.0)


@njit(cache=True, parallel=True, nogil=True)
def _fill(out, planes, spacing, first_slice):  # type: ignore[no-untyped-def]  # pragma: no cover
    n_z, n_y, n_x = out.shape
    k_n = planes.shape[0]
    half = np.empty((k_n, 3))
    for k in range(k_n):
        for axis in range(3):
            half[k, axis] = 0.5 * abs(planes[k, axis]) * spacing[axis]
    for q in prange(n_z):
        z = (q + first_slice) * spacing[0]
        for r in range(n_y):
            y = r * spacing[1]
            # Along a row the distance from each plane is linear: find where the row is wholly
            # inside and where it is inside at all.
            full0, full1, some0, some1 = 0.0, n_x - 1.0, 0.0, n_x - 1.0
            for k in range(k_n):
                at0 = planes[k, 0] * z + planes[k, 1] * y - planes[k, 3]
                slope = planes[k, 2] * spacing[2]
                e = half[k, 0] + half[k, 1] + half[k, 2]
                if abs(slope) < 1e-12 * spacing[2]:
                    if at0 < e:
                        full1 = -1.0
                    if at0 <= -e:
                        some1 = -1.0
                elif slope > 0:
                    full0 = max(full0, math.ceil((e - at0) / slope))
                    some0 = max(some0, math.ceil((-e - at0) / slope))
                else:
                    full1 = min(full1, math.floor((e - at0) / slope))
                    some1 = min(some1, math.floor((-e - at0) / slope))
            if some1 < some0:
                continue
            for v in range(int(some0), int(some1) + 1):
                if full0 <= v <= full1:
                    out[q, r, v] = 1.0
                else:
                    out[q, r, v] = _cut_share(planes, half, z, y, v * spacing[2], spacing)


@njit(cache=True, nogil=True)
def _cut_share(planes, half, z, y, x, spacing):  # type: ignore[no-untyped-def]  # pragma: no cover
    crossing = 0
    which = 0
    for k in range(planes.shape[0]):
        distance = planes[k, 0] * z + planes[k, 1] * y + planes[k, 2] * x - planes[k, 3]
        if distance < half[k, 0] + half[k, 1] + half[k, 2]:
            crossing += 1
            which = k
    if crossing == 0:
        return 1.0
    if crossing == 1:
        k = which
        distance = planes[k, 0] * z + planes[k, 1] * y + planes[k, 2] * x - planes[k, 3]
        return _plane_share(distance, half[k, 0], half[k, 1], half[k, 2])
    n = _EDGE_DIVISIONS
    count = 0
    for a in range(n):
        sz = z + ((a + 0.5) / n - 0.5) * spacing[0]
        for b in range(n):
            sy = y + ((b + 0.5) / n - 0.5) * spacing[1]
            for c in range(n):
                sx = x + ((c + 0.5) / n - 0.5) * spacing[2]
                inside = True
                for k in range(planes.shape[0]):
                    if planes[k, 0] * sz + planes[k, 1] * sy + planes[k, 2] * sx < planes[k, 3]:
                        inside = False
                        break
                if inside:
                    count += 1
    return count / (n * n * n)
