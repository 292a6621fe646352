"""Where the solid's surface lies between the voxel centres.

The surface is tiled with small discs, one for each solid voxel that has an air neighbour, placed
by the grey map. Kernels that measure distances measure to these discs.

All coordinates are µm, index times spacing, ordered (z, y, x).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

F32 = NDArray[np.float32]
I32 = NDArray[np.int32]

# Discs are this share of the finest voxel edge in radius: neighbouring discs then meet.
DISC_RADIUS_VOX = 0.5


@dataclass(frozen=True)
class Surface:
    """Discs that tile a solid's surface, in raster order of the voxels that carry them.

    Parameters
    ----------
    centres_um, normals
        Arrays (n, 3) float32, ordered (z, y, x); normals are unit vectors out of the solid.
    voxels
        Flat index (n,) int64 of the solid voxel that carries each disc; a solid one voxel thin
        carries two discs in a row.
    shape, spacing_um
        Of the grid the voxels live on.
    slope_per_um
        Mean slope of the fraction across the surface, 1/µm: how far the surface moves when the
        level does.
    area_um2
        Rough area: one voxel face over the largest component of each normal.
    """

    centres_um: F32
    normals: F32
    voxels: NDArray[np.int64]
    shape: tuple[int, int, int]
    spacing_um: tuple[float, float, float]
    slope_per_um: float
    area_um2: float

    @property
    def disc_radius_um(self) -> float:
        """Radius of each disc."""
        return DISC_RADIUS_VOX * min(self.spacing_um)


@njit(cache=True)
def _sides(f, level, z, y, x):  # type: ignore[no-untyped-def]
    """Return (air neighbours, axes with air on exactly one side)."""
    nz, ny, nx = f.shape
    air = 0
    single = 0
    for axis in range(3):
        here = 0
        for step in (-1, 1):
            zz = z + step if axis == 0 else z
            yy = y + step if axis == 1 else y
            xx = x + step if axis == 2 else x
            inside = 0 <= zz < nz and 0 <= yy < ny and 0 <= xx < nx
            if inside and f[zz, yy, xx] < level:
                here += 1
        air += here
        if here == 1:
            single += 1
    return air, single


@njit(cache=True, parallel=True, nogil=True)
def _count_discs(f, level):  # type: ignore[no-untyped-def]
    nz, ny, nx = f.shape
    counts = np.zeros(nz, np.int64)
    for zu in prange(nz):
        z = np.int64(zu)  # prange counts unsigned, which mixed with int64 turns into float
        total = 0
        for y in range(ny):
            for x in range(nx):
                if f[z, y, x] >= level:
                    air, single = _sides(f, level, z, y, x)
                    if air > 0:
                        total += 1 if single > 0 else 2
        counts[z] = total
    return counts


@njit(cache=True)
def _gradient(f, spacing, z, y, x):  # type: ignore[no-untyped-def]
    """Return the 3 x 3 x 3 smoothed central-difference gradient, edges repeated."""
    nz, ny, nx = f.shape
    gz = 0.0
    gy = 0.0
    gx = 0.0
    for dz in range(-1, 2):
        zz = min(max(z + dz, 0), nz - 1)
        for dy in range(-1, 2):
            yy = min(max(y + dy, 0), ny - 1)
            for dx in range(-1, 2):
                xx = min(max(x + dx, 0), nx - 1)
                v = f[zz, yy, xx]
                wz = 2 - abs(dz)
                wy = 2 - abs(dy)
                wx = 2 - abs(dx)
                gz += dz * wy * wx * v
                gy += dy * wz * wx * v
                gx += dx * wz * wy * v
    return gz / (32.0 * spacing[0]), gy / (32.0 * spacing[1]), gx / (32.0 * spacing[2])


@njit(cache=True)
def _crossing(f, level, spacing, z, y, x, axis, step):  # type: ignore[no-untyped-def]
    """Return the way in µm from a solid centre to the level along an axis, or -1."""
    zz = z + step if axis == 0 else z
    yy = y + step if axis == 1 else y
    xx = x + step if axis == 2 else x
    nz, ny, nx = f.shape
    if not (0 <= zz < nz and 0 <= yy < ny and 0 <= xx < nx):
        return -1.0
    other = f[zz, yy, xx]
    if other >= level:
        return -1.0
    here = f[z, y, x]
    return spacing[axis] * (here - level) / (here - other)


@njit(cache=True, parallel=True, nogil=True)
def _fill_discs(f, level, spacing, starts, centres, normals, voxels, slopes, areas):  # type: ignore[no-untyped-def]
    nz, ny, nx = f.shape
    for zu in prange(nz):
        z = np.int64(zu)
        k = starts[z]
        n = np.zeros(3)
        for y in range(ny):
            for x in range(nx):
                if f[z, y, x] < level:
                    continue
                air, single = _sides(f, level, z, y, x)
                if air == 0:
                    continue
                flat = (z * ny + y) * nx + x
                if single == 0:
                    # One voxel thin: both faces along the first open axis, no gradient to trust.
                    axis = 0
                    while _crossing(f, level, spacing, z, y, x, axis, 1) < 0:
                        axis += 1
                    for step in (-1, 1):
                        t = _crossing(f, level, spacing, z, y, x, axis, step)
                        for a in range(3):
                            normals[k, a] = 0.0
                        normals[k, axis] = step
                        centres[k, 0] = z * spacing[0]
                        centres[k, 1] = y * spacing[1]
                        centres[k, 2] = x * spacing[2]
                        centres[k, axis] += step * t
                        voxels[k] = flat
                        slopes[k] = np.nan
                        areas[k] = spacing[0] * spacing[1] * spacing[2] / spacing[axis]
                        k += 1
                    continue
                gz, gy, gx = _gradient(f, spacing, z, y, x)
                size = np.sqrt(gz * gz + gy * gy + gx * gx)
                depth = -1.0
                if size > 0:
                    n[0] = -gz / size
                    n[1] = -gy / size
                    n[2] = -gx / size
                    # The axis nearest to the normal gives the crossing with the least lever.
                    best = 0.0
                    for a in range(3):
                        if abs(n[a]) > best:
                            t = _crossing(f, level, spacing, z, y, x, a, 1 if n[a] > 0 else -1)
                            if t >= 0:
                                best = abs(n[a])
                                depth = t * best
                if depth < 0:
                    depth = np.inf
                    for a in range(3):
                        for step in (-1, 1):
                            t = _crossing(f, level, spacing, z, y, x, a, step)
                            if 0 <= t < depth:
                                depth = t
                                n[:] = 0.0
                                n[a] = step
                centres[k, 0] = z * spacing[0] + depth * n[0]
                centres[k, 1] = y * spacing[1] + depth * n[1]
                centres[k, 2] = x * spacing[2] + depth * n[2]
                largest = 0
                for a in range(3):
                    normals[k, a] = n[a]
                    if abs(n[a]) > abs(n[largest]):
                        largest = a
                voxels[k] = flat
                slopes[k] = size
                face = spacing[0] * spacing[1] * spacing[2] / spacing[largest]
                # A voxel whose nearest axis is closed lies behind another one of the same face.
                open_axis = _crossing(
                    f, level, spacing, z, y, x, largest, 1 if n[largest] > 0 else -1
                )
                areas[k] = face / abs(n[largest]) if open_axis >= 0 else 0.0
                k += 1


def surface_discs(
    fraction: F32, *, level: float, spacing_um: tuple[float, float, float]
) -> Surface:
    """Locate the surface `fraction == level` between the voxel centres.

    Each solid voxel with an air face-neighbour carries one disc: its normal is the gradient's,
    its depth the linear crossing of the level along the axis nearest to the normal.

    Parameters
    ----------
    fraction
        Polymer fraction (z, y, x), float32.
    level
        Fraction at the surface.
    spacing_um
        Voxel spacing (z, y, x).

    Returns
    -------
    Surface
        The discs; empty when there is no surface.

    Examples
    --------
    >>> import numpy as np
    >>> f = np.zeros((8, 3, 3), np.float32); f[:3] = 1; f[3] = 0.7
    >>> surface_discs(f, level=0.5, spacing_um=(1.0, 1.0, 1.0)).centres_um[0, 0].round(3)
    np.float32(3.286)
    """
    f = np.ascontiguousarray(fraction, dtype=np.float32)
    spacing = np.asarray(spacing_um, dtype=np.float64)
    counts = _count_discs(f, np.float32(level))
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)
    n = int(counts.sum())
    centres = np.empty((n, 3), np.float32)
    normals = np.empty((n, 3), np.float32)
    voxels = np.empty(n, np.int64)
    slopes = np.empty(n, np.float32)
    areas = np.empty(n, np.float32)
    _fill_discs(f, np.float32(level), spacing, starts, centres, normals, voxels, slopes, areas)
    good = slopes[np.isfinite(slopes)]
    return Surface(
        centres,
        normals,
        voxels,
        (f.shape[0], f.shape[1], f.shape[2]),
        (float(spacing[0]), float(spacing[1]), float(spacing[2])),
        float(good.mean(dtype=np.float64)) if good.size else float("nan"),
        float(areas.sum(dtype=np.float64)),
    )
