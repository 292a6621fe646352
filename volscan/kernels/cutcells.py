"""Cells cut by a surface between their corners: open shares of faces, area of the cut.

The surface is where a level set, told at the corners of cells, is 0; the pore is where it is
above. What a straight cut leaves open of a face keeps the surface at its sub-voxel place: a
staircase of whole cells would be half a cell off and would not converge with the square of the
cell (Ng, Min and Gibou 2009, J. Comput. Phys. 228, 8807, use such shares for walls that nothing
flows through; from memory).
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

F32 = NDArray[np.float32]


@njit(cache=True)
def _mirrored(i, n):  # type: ignore[no-untyped-def]
    """Return an index with the array mirrored at its edges, half a voxel beyond the last one."""
    if i < 0:
        i = -1 - i
    if i >= n:
        i = 2 * n - 1 - i
    return min(max(i, 0), n - 1)


@njit(cache=True)
def _weights(t, w):  # type: ignore[no-untyped-def]
    """Set the four weights of a cubic through its two middle points (Catmull and Rom)."""
    t2 = t * t
    t3 = t2 * t
    w[0] = 0.5 * (-t + 2 * t2 - t3)
    w[1] = 0.5 * (2 - 5 * t2 + 3 * t3)
    w[2] = 0.5 * (t + 4 * t2 - 3 * t3)
    w[3] = 0.5 * (t3 - t2)


@njit(cache=True, parallel=True, nogil=True)
def _sample(f, level, origin, axes, out):  # type: ignore[no-untyped-def]
    nz, ny, nx = f.shape
    for kz in prange(out.shape[0]):
        wz = np.empty(4)
        wy = np.empty(4)
        wx = np.empty(4)
        for ky in range(out.shape[1]):
            for kx in range(out.shape[2]):
                pz = origin[0] + kz * axes[0, 0] + ky * axes[1, 0] + kx * axes[2, 0]
                py = origin[1] + kz * axes[0, 1] + ky * axes[1, 1] + kx * axes[2, 1]
                px = origin[2] + kz * axes[0, 2] + ky * axes[1, 2] + kx * axes[2, 2]
                iz = int(np.floor(pz + 1e-9))
                iy = int(np.floor(py + 1e-9))
                ix = int(np.floor(px + 1e-9))
                # Deep in solid or in void the middle points alone tell it.
                low = np.float32(np.inf)
                high = np.float32(-np.inf)
                for k in range(8):
                    v = f[
                        _mirrored(iz + (k & 1), nz),
                        _mirrored(iy + ((k >> 1) & 1), ny),
                        _mirrored(ix + (k >> 2), nx),
                    ]
                    low = min(low, v)
                    high = max(high, v)
                if high < level * np.float32(0.2) or low > level + np.float32(0.8) * (1 - level):
                    out[kz, ky, kx] = level - np.float32(0.5) * (low + high)
                    continue
                _weights(pz - iz, wz)
                _weights(py - iy, wy)
                _weights(px - ix, wx)
                total = 0.0
                for a in range(4):
                    z = _mirrored(iz - 1 + a, nz)
                    for b in range(4):
                        y = _mirrored(iy - 1 + b, ny)
                        wzy = wz[a] * wy[b]
                        for c in range(4):
                            total += wzy * wx[c] * f[z, y, _mirrored(ix - 1 + c, nx)]
                out[kz, ky, kx] = level - total


def level_set_on_grid(
    fraction: F32,
    *,
    level: float,
    spacing_um: tuple[float, float, float],
    origin_um: NDArray[np.float64],
    axes: NDArray[np.float64],
    steps_um: tuple[float, float, float],
    shape: tuple[int, int, int],
) -> F32:
    """Return level minus polymer fraction at the corners of a turned grid: above 0 in the pores.

    Cubic interpolation through the voxels: unlike a linear one it has no second moment, so that
    between voxels curved faces stay where they are.

    Parameters
    ----------
    fraction
        Polymer fraction (z, y, x); mirrored at its edges, half a voxel beyond the last centre.
    level
        Fraction at the surface.
    spacing_um
        Voxel spacing; voxel (0, 0, 0) lies at 0.
    origin_um, axes, steps_um, shape
        Scan position of corner (0, 0, 0), unit vectors [z, y, x] of the grid's axes, distance and
        number of corners along each.

    Returns
    -------
    ndarray
        float32, of `shape`.
    """
    s = np.asarray(spacing_um)
    out = np.empty(shape, np.float32)
    _sample(
        np.ascontiguousarray(fraction, dtype=np.float32),
        np.float32(level),
        np.asarray(origin_um, dtype=np.float64) / s,
        np.asarray(axes, dtype=np.float64) * np.asarray(steps_um)[:, None] / s[None, :],
        out,
    )
    return out


@njit(cache=True, error_model="numpy")
def _triangle(p, q, r):  # type: ignore[no-untyped-def]
    """Return the share of a triangle where the linear function through its corners is above 0."""
    count = (p > 0) + (q > 0) + (r > 0)
    if count == 3:
        return 1.0
    if count == 0:
        return 0.0
    # Turn so that p is the odd one out.
    if (q > 0) == (count == 1):
        p, q, r = q, r, p
    elif (r > 0) == (count == 1):
        p, q, r = r, p, q
    corner = p * p / ((p - q) * (p - r))
    return corner if count == 1 else 1.0 - corner


@njit(cache=True, error_model="numpy")
def _open_share(a, b, c, d):  # type: ignore[no-untyped-def]
    """Return the open share of a face with corners a, b, c, d in turn."""
    if a > 0 and b > 0 and c > 0 and d > 0:
        return 1.0
    if a <= 0 and b <= 0 and c <= 0 and d <= 0:
        return 0.0
    m = 0.25 * (a + b + c + d)
    return 0.25 * (
        _triangle(a, b, m) + _triangle(b, c, m) + _triangle(c, d, m) + _triangle(d, a, m)
    )


@njit(cache=True, parallel=True, nogil=True)
def _shares(p, az, ay, ax):  # type: ignore[no-untyped-def]
    nz, ny, nx = p.shape
    for zu in prange(nz):
        z = np.int64(zu)
        for y in range(ny):
            for x in range(nx):
                if y < ny - 1 and x < nx - 1:
                    az[z, y, x] = _open_share(
                        p[z, y, x], p[z, y, x + 1], p[z, y + 1, x + 1], p[z, y + 1, x]
                    )
                if z < nz - 1 and x < nx - 1:
                    ay[z, y, x] = _open_share(
                        p[z, y, x], p[z, y, x + 1], p[z + 1, y, x + 1], p[z + 1, y, x]
                    )
                if z < nz - 1 and y < ny - 1:
                    ax[z, y, x] = _open_share(
                        p[z, y, x], p[z, y + 1, x], p[z + 1, y + 1, x], p[z + 1, y, x]
                    )


def open_shares(corners: F32) -> tuple[F32, F32, F32]:
    """Return the open share of every face across z, y and x.

    Parameters
    ----------
    corners
        Level set (nz + 1, ny + 1, nx + 1) at the corners of the cells, above 0 in the pores.

    Returns
    -------
    tuple
        Arrays (nz + 1, ny, nx), (nz, ny + 1, nx), (nz, ny, nx + 1), 0 to 1.

    Examples
    --------
    >>> import numpy as np
    >>> corners = np.broadcast_to(np.float32([-1, -1, 3, 3]), (2, 2, 4)).copy()
    >>> open_shares(corners)[0][0].tolist()
    [[0.0, 0.75, 1.0]]
    """
    nz, ny, nx = (n - 1 for n in corners.shape)
    az = np.empty((nz + 1, ny, nx), np.float32)
    ay = np.empty((nz, ny + 1, nx), np.float32)
    ax = np.empty((nz, ny, nx + 1), np.float32)
    _shares(np.ascontiguousarray(corners, dtype=np.float32), az, ay, ax)
    return az, ay, ax


@njit(cache=True, parallel=True, nogil=True)
def _cut_area(f, level, weights, has_weights, open_void, has_open, spacing, axis, bins, out):  # type: ignore[no-untyped-def]
    """Sum the cut's area over cells between eight voxel centres, by height, one row a slice."""
    nz, ny, nx = f.shape
    hz, hy, hx = spacing[0], spacing[1], spacing[2]
    for zu in prange(nz - 1):
        z = np.int64(zu)
        c = np.empty(8)
        for y in range(ny - 1):
            for x in range(nx - 1):
                above = 0
                for k in range(8):
                    v = level - f[z + (k >> 2), y + ((k >> 1) & 1), x + (k & 1)]
                    c[k] = v
                    if v > 0:
                        above += 1
                if above == 0 or above == 8:
                    continue
                share = 1.0
                if has_weights:
                    share = 0.0
                    for k in range(8):
                        share += weights[z + (k >> 2), y + ((k >> 1) & 1), x + (k & 1)]
                    share *= 0.125
                    if share <= 0:
                        continue
                ez = _open_share(c[4], c[5], c[7], c[6]) - _open_share(c[0], c[1], c[3], c[2])
                ey = _open_share(c[2], c[3], c[7], c[6]) - _open_share(c[0], c[1], c[5], c[4])
                ex = _open_share(c[1], c[3], c[7], c[5]) - _open_share(c[0], c[2], c[6], c[4])
                vz, vy, vx = ez * hy * hx, ey * hz * hx, ex * hz * hy
                area = share * np.sqrt(vz * vz + vy * vy + vx * vx)
                h = axis[0] * (z + 0.5) + axis[1] * (y + 0.5) + axis[2] * (x + 0.5) + axis[3]
                b = min(max(int(np.floor((h - bins[0]) / bins[1])), 0), out.shape[1] - 1)
                out[z, b, 0] += area
                reached = not has_open
                if has_open:
                    for k in range(8):
                        if open_void[z + (k >> 2), y + ((k >> 1) & 1), x + (k & 1)]:
                            reached = True
                if reached:
                    out[z, b, 1] += area


def cut_area_by_height(
    fraction: F32,
    *,
    level: float,
    spacing_um: tuple[float, float, float],
    weights: F32 | None,
    open_void: NDArray[np.bool_] | None,
    height_axis: tuple[float, float, float, float],
    base_um: float,
    slab_um: float,
    slabs: int,
) -> NDArray[np.float64]:
    """Return the area of the surface `fraction == level` by height, without a staircase.

    In each cell between eight voxel centres the cut is a plane patch whose three projections are
    the differences of the open shares of opposite faces: its area is the length of that vector.

    Parameters
    ----------
    fraction, level, spacing_um
        Polymer fraction (z, y, x), its value at the surface, voxel spacing.
    weights
        Share of each voxel that counts; None for all.
    open_void
        Void voxels that are open to the outside; None for all.
    height_axis
        (a, b, c, d): the height of index (z, y, x) is a z + b y + c x + d, µm.
    base_um, slab_um, slabs
        Where the slabs start, their height and number; what lies beyond falls into the outer ones.

    Returns
    -------
    ndarray
        (slabs, 2): area in µm² of all surface, and of that on open void.
    """
    f = np.ascontiguousarray(fraction, dtype=np.float32)
    rows = np.zeros((f.shape[0], slabs, 2))
    _cut_area(
        f,
        float(level),
        np.zeros((1, 1, 1), np.float32) if weights is None else weights,
        weights is not None,
        np.zeros((1, 1, 1), bool) if open_void is None else open_void,
        open_void is not None,
        np.asarray(spacing_um, dtype=np.float64),
        np.asarray(height_axis, dtype=np.float64),
        np.array([base_um, slab_um]),
        rows,
    )
    total: NDArray[np.float64] = rows.sum(axis=0)
    return total
