"""The largest sphere centred in each node's box: sub-voxel peaks of the distance field."""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from volscan.kernels.distance import disc_distance

F32 = NDArray[np.float32]
I8 = NDArray[np.int8]
I32 = NDArray[np.int32]

# A centre may sit anywhere in its node's box; its place is kept in steps of 1/254 of the edge.
OFFSET_STEPS = 254.0
# Directions to the feet closer than this (cosine) make no peak: the nearest surface then lies to
# one side, and the largest sphere of the box sits on the box's border, shared with a neighbour.
PEAK_COSINE = 0.5
ASCENT_STEPS = 24


@njit(cache=True, parallel=True, nogil=True)
def _peaks(  # type: ignore[no-untyped-def]
    dist, ids, centres, normals, disc, spacing, low, high, without, radius, offsets
):
    nz, ny, nx = dist.shape
    hz, hy, hx = spacing[0], spacing[1], spacing[2]
    diagonal = np.sqrt(hz * hz + hy * hy + hx * hx)
    again = without.size > 0
    for zu in prange(nz):
        z = np.int64(zu)
        near = np.empty(27, np.int32)
        pz = z * hz
        plane = min(pz - low, high - pz)
        for y in range(ny):
            for x in range(nx):
                d0 = dist[z, y, x]
                offsets[z, y, x, 0] = 0
                offsets[z, y, x, 1] = 0
                offsets[z, y, x, 2] = 0
                r0 = min(d0, plane)
                if r0 <= 0:
                    radius[z, y, x] = 0.0
                    continue
                if again and plane > d0 + diagonal:
                    # No sphere of this box reaches a plane: it stays as it was found without.
                    radius[z, y, x] = without[z, y, x]
                    continue
                radius[z, y, x] = r0
                by_plane = plane < d0 + hz
                py = y * hy
                px = x * hx
                count = 0
                own = ids[z, y, x]
                uz = (pz - centres[own, 0]) / d0
                uy = (py - centres[own, 1]) / d0
                ux = (px - centres[own, 2]) / d0
                if plane < d0:
                    uz = 1.0 if pz - low < high - pz else -1.0
                    uy = 0.0
                    ux = 0.0
                lowest = 1.0
                if by_plane:
                    lowest = min(uz, -uz) if pz - low == high - pz else lowest
                    lowest = min(lowest, uz if pz - low < high - pz else -uz)
                peak = lowest <= PEAK_COSINE
                if not peak:
                    # Most nodes see one side only: looked through before any list is made.
                    last = np.int32(-1)
                    for zz in range(max(z - 1, 0), min(z + 2, nz)):  # type: ignore[call-overload]
                        for yy in range(max(y - 1, 0), min(y + 2, ny)):
                            for xx in range(max(x - 1, 0), min(x + 2, nx)):
                                j = ids[zz, yy, xx]
                                if j < 0 or j == last:
                                    continue
                                last = j
                                vz = pz - centres[j, 0]
                                vy = py - centres[j, 1]
                                vx = px - centres[j, 2]
                                dot = uz * vz + uy * vy + ux * vx
                                square = vz * vz + vy * vy + vx * vx
                                if dot <= 0 or dot * dot <= PEAK_COSINE**2 * square:
                                    peak = True
                                    break
                            if peak:
                                break
                        if peak:
                            break  # type: ignore[unreachable]
                if not peak:
                    continue
                for zz in range(max(z - 1, 0), min(z + 2, nz)):  # type: ignore[call-overload]
                    for yy in range(max(y - 1, 0), min(y + 2, ny)):
                        for xx in range(max(x - 1, 0), min(x + 2, nx)):
                            j = ids[zz, yy, xx]
                            if j < 0:
                                continue
                            known = False
                            for k in range(count):
                                if near[k] == j:
                                    known = True
                                    break
                            if not known:
                                near[count] = j
                                count += 1
                # Within the box no distance changes by more than half a diagonal: discs farther
                # than a whole one beyond the nearest never matter.
                kept = 0
                for k in range(count):
                    d = disc_distance(pz, py, px, centres, normals, near[k], disc)
                    if d <= r0 + diagonal:
                        near[kept] = near[k]
                        kept += 1
                count = kept
                # Climb away from whichever face is nearest, in ever smaller steps.
                best = r0
                bz = 0.0
                by = 0.0
                bx = 0.0
                oz = 0.0
                oy = 0.0
                ox = 0.0
                for step in range(ASCENT_STEPS):
                    value = np.inf
                    pick = -1
                    for k in range(count):
                        d = disc_distance(
                            pz + oz, py + oy, px + ox, centres, normals, near[k], disc
                        )
                        if d < value:
                            value = d
                            pick = near[k]
                    side = min(pz + oz - low, high - pz - oz)
                    if side < value:
                        value = side
                        pick = -1
                    if value > best:
                        best = value
                        bz = oz
                        by = oy
                        bx = ox
                    if pick >= 0:
                        vz = pz + oz - centres[pick, 0]
                        vy = py + oy - centres[pick, 1]
                        vx = px + ox - centres[pick, 2]
                    else:
                        vz = 1.0 if pz + oz - low < high - pz - oz else -1.0
                        vy = 0.0
                        vx = 0.0
                    size = np.sqrt(vz * vz + vy * vy + vx * vx)
                    if size == 0:
                        break
                    reach = 0.5 / (step + 1) / size
                    tz = min(max(oz + reach * hz * vz, -0.5 * hz), 0.5 * hz)
                    ty = min(max(oy + reach * hy * vy, -0.5 * hy), 0.5 * hy)
                    tx = min(max(ox + reach * hx * vx, -0.5 * hx), 0.5 * hx)
                    if tz == oz and ty == oy and tx == ox:
                        break
                    oz = tz
                    oy = ty
                    ox = tx
                radius[z, y, x] = best
                offsets[z, y, x, 0] = np.int8(np.rint(bz / hz * OFFSET_STEPS))
                offsets[z, y, x, 1] = np.int8(np.rint(by / hy * OFFSET_STEPS))
                offsets[z, y, x, 2] = np.int8(np.rint(bx / hx * OFFSET_STEPS))


def peak_spheres(
    dist_um: F32,
    ids: I32,
    centres_um: F32,
    normals: F32,
    *,
    spacing_um: tuple[float, float, float],
    disc_radius_um: float,
    planes_um: tuple[float, float] = (-math.inf, math.inf),
    without_planes_um: F32 | None = None,
) -> tuple[F32, I8]:
    """Find the largest sphere whose centre lies in each node's box.

    A grid of centres misses the ridge of the distance field by up to half a voxel diagonal, so a
    channel's sphere reads small by up to a voxel and more. At ridge nodes the centre is moved
    within its own box to where the nearest discs of the 27 nodes around balance.

    Parameters
    ----------
    dist_um, ids
        Distance to the surface and nearest disc at each node (z, y, x); distance 0 = blocked.
    centres_um, normals
        The discs (n, 3), in the grid's own coordinates: node index times spacing.
    spacing_um
        Node spacing (z, y, x).
    disc_radius_um
        Radius of the discs.
    planes_um
        Two planes across the first axis that count as solid (low, high).
    without_planes_um
        Radii found without the planes: kept, with no offset told, where no plane matters.

    Returns
    -------
    tuple
        Radius (z, y, x) in µm, float32, and the centre's offset (z, y, x, 3), int8, in 1/254 of
        the node spacing.
    """
    radius = np.empty(dist_um.shape, np.float32)
    offsets = np.empty((*dist_um.shape, 3), np.int8)
    _peaks(
        dist_um,
        ids,
        centres_um,
        normals,
        disc_radius_um,
        np.asarray(spacing_um, dtype=np.float64),
        float(planes_um[0]),
        float(planes_um[1]),
        np.empty((0, 0, 0), np.float32) if without_planes_um is None else without_planes_um,
        radius,
        offsets,
    )
    return radius, offsets


@njit(cache=True, parallel=True, nogil=True)
def _thin(radius, offsets, factor, out, out_offsets):  # type: ignore[no-untyped-def]
    nz, ny, nx = radius.shape
    mz, my, mx = out.shape
    middle = 0.5 * (factor - 1)
    for zu in prange(mz):
        z = np.int64(zu)
        for y in range(my):
            for x in range(mx):
                best = np.float32(0.0)
                az = z * factor
                ay = y * factor
                ax = x * factor
                for zz in range(z * factor, min(z * factor + factor, nz)):
                    for yy in range(y * factor, min(y * factor + factor, ny)):
                        for xx in range(x * factor, min(x * factor + factor, nx)):
                            if radius[zz, yy, xx] > best:
                                best = radius[zz, yy, xx]
                                az = zz
                                ay = yy
                                ax = xx
                out[z, y, x] = best
                for k in range(3):
                    place = (az - z * factor, ay - y * factor, ax - x * factor)[k] - middle
                    steps = (place * OFFSET_STEPS + offsets[az, ay, ax, k]) / factor
                    out_offsets[z, y, x, k] = np.int8(np.rint(min(max(steps, -127.0), 127.0)))


def thinned_spheres(radius_um: F32, offsets: I8, *, factor: int) -> tuple[F32, I8]:
    """Keep the largest sphere of each cube of nodes, at its place, on a grid of those cubes.

    Parameters
    ----------
    radius_um, offsets
        Spheres as `peak_spheres` gives them.
    factor
        Nodes along the cube's edge.

    Returns
    -------
    tuple
        Radius and centre offsets on the coarser grid; its nodes are the cubes' centres.
    """
    shape = tuple(-(-n // factor) for n in radius_um.shape)
    out = np.empty(shape, np.float32)
    out_offsets = np.empty((*shape, 3), np.int8)
    _thin(radius_um, offsets, factor, out, out_offsets)
    return out, out_offsets
