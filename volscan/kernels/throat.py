"""Widest paths through a pore space, and the distance field on a turned grid.

The widest path to a voxel is the path whose narrowest place is widest. Voxels are flooded from
the sources in falling order of width through a queue with one bucket a level, so each voxel is
visited once and the first visit is the best one (the max-min form of Dijkstra's method; Pollack
1960, Operations Research 8, 733, from memory). Widths are integers: the caller chooses the step.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from volscan.kernels.distance import F32, I32, disc_distance, walk
from volscan.kernels.surface import Surface

U16 = NDArray[np.uint16]


@njit(cache=True, nogil=True)
def _flood(level, width, head, following, top, sink_axis):  # type: ignore[no-untyped-def]
    """Flood from the queued sources; stop at the far face of `sink_axis` unless it is -1."""
    nz, ny, nx = level.shape
    flat_level = level.reshape(-1)
    flat_width = width.reshape(-1)
    for w in range(top, 0, -1):
        while head[w] >= 0:
            p = head[w]
            head[w] = following[p]
            z = p // (ny * nx)
            y = (p // nx) % ny
            x = p % nx
            if (
                (sink_axis == 0 and z == nz - 1)
                or (sink_axis == 1 and y == ny - 1)
                or (sink_axis == 2 and x == nx - 1)
            ):
                return w
            for k in range(6):
                if k == 0:
                    inside = z > 0
                    q = p - ny * nx
                elif k == 1:
                    inside = z < nz - 1
                    q = p + ny * nx
                elif k == 2:
                    inside = y > 0
                    q = p - nx
                elif k == 3:
                    inside = y < ny - 1
                    q = p + nx
                elif k == 4:
                    inside = x > 0
                    q = p - 1
                else:
                    inside = x < nx - 1
                    q = p + 1
                if not inside or flat_width[q] > 0 or flat_level[q] == 0:
                    continue
                v = min(w, np.int64(flat_level[q]))
                flat_width[q] = v
                following[q] = head[v]
                head[v] = q
    return 0


@njit(cache=True, nogil=True)
def _queue_faces(level, width, head, following, axis):  # type: ignore[no-untyped-def]
    """Queue passable voxels of the first face across `axis`, the last (3 + axis) or all (-1)."""
    nz, ny, nx = level.shape
    for z in range(nz):
        for y in range(ny):
            for x in range(nx):
                if axis == 0:
                    chosen = z == 0
                elif axis == 1:
                    chosen = y == 0
                elif axis == 2:
                    chosen = x == 0
                elif axis == 3:
                    chosen = z == nz - 1
                elif axis == 4:
                    chosen = y == ny - 1
                elif axis == 5:
                    chosen = x == nx - 1
                else:
                    chosen = z == 0 or z == nz - 1 or y == 0 or y == ny - 1 or x == 0 or x == nx - 1
                v = level[z, y, x]
                if chosen and v > 0:
                    p = (z * ny + y) * nx + x
                    width[z, y, x] = v
                    following[p] = head[v]
                    head[v] = p


def _queue(level: U16, axis: int) -> tuple[U16, I32, I32, int]:
    top = int(level.max(initial=0))
    width = np.zeros(level.shape, np.uint16)
    head = np.full(top + 1, -1, np.int32)
    following = np.empty(level.size, np.int32)
    _queue_faces(level, width, head, following, axis)
    return width, head, following, top


def widest_crossing(level: U16, *, axis: int) -> int:
    """Return the width of the widest face-connected path between two opposite faces.

    Parameters
    ----------
    level
        Width of each voxel (z, y, x) in whole steps; 0 is blocked.
    axis
        Axis that the path crosses, first to last index.

    Returns
    -------
    int
        Largest w such that voxels of level >= w connect the two faces; 0 when nothing does.

    Examples
    --------
    >>> import numpy as np
    >>> widest_crossing(np.array([[[5, 2, 9]], [[5, 4, 3]]], np.uint16), axis=2)
    3
    """
    if 0 in level.shape:
        return 0
    level = np.ascontiguousarray(level, dtype=np.uint16)
    width, head, following, top = _queue(level, axis)
    return int(_flood(level, width, head, following, top, axis))


def widest_from_faces(level: U16) -> U16:
    """Return for each voxel the width of the widest path to it from any of the six faces.

    Parameters
    ----------
    level
        Width of each voxel (z, y, x) in whole steps; 0 is blocked.

    Returns
    -------
    ndarray
        Width (z, y, x), uint16; 0 where no path leads.
    """
    if 0 in level.shape:
        return np.zeros(level.shape, np.uint16)
    level = np.ascontiguousarray(level, dtype=np.uint16)
    width, head, following, top = _queue(level, -1)
    _flood(level, width, head, following, top, -1)
    return width


def widest_from_face(level: U16, *, axis: int, last: bool) -> U16:
    """Return for each voxel the width of the widest path to it from one face alone.

    Parameters
    ----------
    level
        Width of each voxel (z, y, x) in whole steps; 0 is blocked.
    axis, last
        The face: across which axis, and whether it is the one at the last index.

    Returns
    -------
    ndarray
        Width (z, y, x), uint16; 0 where no path leads.
    """
    level = np.ascontiguousarray(level, dtype=np.uint16)
    width, head, following, top = _queue(level, axis + 3 * int(last))
    _flood(level, width, head, following, top, -1)
    return width


@njit(cache=True, parallel=True, nogil=True)
def _sample(  # type: ignore[no-untyped-def]
    f, level, ids, spacing, origin, axes, steps, centres, normals, voxels, disc, dist, found
):
    nz, ny, nx = dist.shape
    mz, my, mx = f.shape
    for zu in prange(nz):
        z = np.int64(zu)
        for y in range(ny):
            previous = -1
            for x in range(nx):
                dist[z, y, x] = 0.0
                found[z, y, x] = -1
                p0 = origin[0] + z * steps[0] * axes[0, 0]
                p1 = origin[1] + z * steps[0] * axes[0, 1]
                p2 = origin[2] + z * steps[0] * axes[0, 2]
                p0 += y * steps[1] * axes[1, 0] + x * steps[2] * axes[2, 0]
                p1 += y * steps[1] * axes[1, 1] + x * steps[2] * axes[2, 1]
                p2 += y * steps[1] * axes[1, 2] + x * steps[2] * axes[2, 2]
                iz = int(np.rint(p0 / spacing[0]))
                iy = int(np.rint(p1 / spacing[1]))
                ix = int(np.rint(p2 / spacing[2]))
                if iz < 0 or iy < 0 or ix < 0 or iz >= mz or iy >= my or ix >= mx:
                    # Outside the scan nothing is known: half a voxel of overhang takes the
                    # nearest voxel's word, more is blocked.
                    iz = min(max(iz, 0), mz - 1)
                    iy = min(max(iy, 0), my - 1)
                    ix = min(max(ix, 0), mx - 1)
                    if (
                        abs(p0 - iz * spacing[0]) > spacing[0]
                        or abs(p1 - iy * spacing[1]) > spacing[1]
                        or abs(p2 - ix * spacing[2]) > spacing[2]
                    ):
                        previous = -1
                        continue
                # The discs nearest to the eight voxels around hold the nearest one's patch: the
                # walk alone cannot cross from one face of a pore to the other.
                start = -1
                d = np.inf
                fz = int(np.floor(p0 / spacing[0]))
                fy = int(np.floor(p1 / spacing[1]))
                fx = int(np.floor(p2 / spacing[2]))
                for k in range(9):
                    if k < 8:
                        kz = min(max(fz + (k & 1), 0), mz - 1)
                        ky = min(max(fy + ((k >> 1) & 1), 0), my - 1)
                        kx = min(max(fx + (k >> 2), 0), mx - 1)
                        j = ids[kz, ky, kx]
                    else:
                        j = previous
                    if j >= 0:
                        dj = disc_distance(p0, p1, p2, centres, normals, j, disc)
                        if dj < d:
                            d = dj
                            start = j
                if start < 0:
                    previous = -1
                    continue
                best, d = walk(p0, p1, p2, start, ids, centres, normals, voxels, disc)
                if f[iz, iy, ix] >= level:
                    # The centre of this voxel is solid, this node may be just outside.
                    side = (
                        (p0 - centres[best, 0]) * normals[best, 0]
                        + (p1 - centres[best, 1]) * normals[best, 1]
                        + (p2 - centres[best, 2]) * normals[best, 2]
                    )
                    if side <= 0:
                        previous = -1
                        continue
                dist[z, y, x] = d
                found[z, y, x] = best
                previous = best


def distance_on_grid(
    fraction: F32,
    ids: I32,
    surface: Surface,
    *,
    level: float,
    origin_um: NDArray[np.float64],
    axes: NDArray[np.float64],
    steps_um: tuple[float, float, float],
    shape: tuple[int, int, int],
) -> tuple[F32, I32]:
    """Measure the distance to the surface on a turned grid, without resampling the scan.

    Parameters
    ----------
    fraction, ids, surface, level
        The scan's fraction, and the discs found in it.
    origin_um
        Scan position [z, y, x] of node (0, 0, 0), µm, voxel (0, 0, 0) of `fraction` at 0.
    axes
        Unit vectors (3, 3) of the grid's axes, each [z, y, x].
    steps_um, shape
        Node spacing and number of nodes along each axis.

    Returns
    -------
    tuple
        Distance in µm, float32, 0 in solid; and the nearest disc, int32, -1 where blocked.
    """
    dist = np.empty(shape, np.float32)
    found = np.empty(shape, np.int32)
    _sample(
        np.ascontiguousarray(fraction, dtype=np.float32),
        np.float32(level),
        ids,
        np.asarray(surface.spacing_um, dtype=np.float64),
        np.asarray(origin_um, dtype=np.float64),
        np.ascontiguousarray(axes, dtype=np.float64),
        np.asarray(steps_um, dtype=np.float64),
        surface.centres_um,
        surface.normals,
        surface.voxels,
        surface.disc_radius_um,
        dist,
        found,
    )
    return dist, found
