"""How far each voxel of a scan lies beyond a tube's shell."""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Newton's steps for the foot of a perpendicular on a slightly bent axis: each squares the error.
_STEPS = 4


def beyond_shell(
    shape: tuple[int, int, int],
    spacing_um: tuple[float, float, float],
    *,
    point_um: FloatArray,
    basis: FloatArray,
    slope: float,
    angle: float,
    radii_um: tuple[float, float, float, float],
    along_um: tuple[float, float],
) -> NDArray[np.float32]:
    """Return how far each voxel centre lies outside a tube's shell along the radius.

    Parameters
    ----------
    shape, spacing_um
        Of the scan (z, y, x).
    point_um
        A point of the axis, scan position [z, y, x].
    basis
        Rows: the axis there, the direction it bends to, and the normal of both.
    slope
        Growth of the axis' slope per µm.
    angle
        From where angles are 0 to the direction of the bend.
    radii_um
        Inner and outer mean radius, and the cosine and sine part of their second harmonic.
    along_um
        Start and end as arc lengths from the point.

    Returns
    -------
    numpy.ndarray
        Array (z, y, x), float32: negative inside, infinite past the ends.
    """
    out = np.empty(shape, np.float32)
    _fill(
        out,
        np.asarray(spacing_um, dtype=np.float64),
        np.ascontiguousarray(point_um),
        np.ascontiguousarray(basis),
        slope,
        angle,
        np.array(radii_um),
        np.array(along_um),
    )
    return out


@njit(cache=True, parallel=True, nogil=True)
def _fill(out, spacing, point, basis, k, angle, radii, ends):  # type: ignore[no-untyped-def]  # pragma: no cover
    n_z, n_y, n_x = out.shape
    for q in prange(n_z):
        for r in range(n_y):
            for c in range(n_x):
                z = q * spacing[0] - point[0]
                y = r * spacing[1] - point[1]
                x = c * spacing[2] - point[2]
                along = z * basis[0, 0] + y * basis[0, 1] + x * basis[0, 2]
                w = z * basis[1, 0] + y * basis[1, 1] + x * basis[1, 2]
                v = z * basis[2, 0] + y * basis[2, 1] + x * basis[2, 2]
                t, arc, side = along, along, w
                if k > 0:
                    for _ in range(_STEPS):
                        off = t - along - k * t * w + 0.5 * k * k * t**3
                        t -= off / (1.0 - k * w + 1.5 * (k * t) ** 2)
                    m = k * t
                    root = math.sqrt(1.0 + m * m)
                    side = (w - 0.5 * k * t * t - m * (along - t)) / root
                    arc = 0.5 * (t * root + math.asinh(m) / k)
                if arc < ends[0] or arc > ends[1]:
                    out[q, r, c] = np.inf
                    continue
                turn = 2.0 * (math.atan2(v, side) + angle)
                radius = math.hypot(side, v)
                radius -= radii[2] * math.cos(turn) + radii[3] * math.sin(turn)
                out[q, r, c] = max(radii[0] - radius, radius - radii[1])
