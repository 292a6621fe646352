"""Largest spheres in a pore space: where their centres peak between nodes, and what they cover.

Painting is exact and its cost hardly grows with the sphere's size. Each sphere is painted only
where it sticks out of one larger neighbouring sphere (its *cover*): whatever lies in both gets
the larger value from the cover anyway. Covers are strictly ordered by (radius, index), so by
induction every voxel of every sphere ends with the largest diameter that holds it, in whatever
order spheres are painted.
"""

from __future__ import annotations

import math

import numpy as np
from numba import get_num_threads, njit, prange
from numpy.typing import NDArray

from volscan.kernels.distance import disc_distance

F32 = NDArray[np.float32]
I8 = NDArray[np.int8]
I32 = NDArray[np.int32]

# A centre may sit anywhere in its node's box; its place is kept in steps of 1/254 of the edge.
OFFSET_STEPS = 254.0
# Where |grad D|² exceeds this, the nearest surface lies to one side only and the largest sphere
# of the box sits on the box's border: no peak. Two faces whose feet stand 60° apart, with the
# ridge within the box, give at most cos² 30° + sin² 30° / 4 = 0.81.
PEAK_GRADIENT2 = 0.85
# Directions to the feet closer than this (cosine) make no peak.
PEAK_COSINE = 0.5
ASCENT_STEPS = 24


@njit(cache=True, parallel=True, nogil=True)
def _peaks(dist, ids, centres, normals, disc, spacing, low, high, radius, offsets):  # type: ignore[no-untyped-def]
    nz, ny, nx = dist.shape
    hz, hy, hx = spacing[0], spacing[1], spacing[2]
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
                radius[z, y, x] = r0
                by_plane = plane < d0 + hz
                inner = 0 < z < nz - 1 and 0 < y < ny - 1 and 0 < x < nx - 1
                if inner and not by_plane:
                    gz = (dist[z + 1, y, x] - dist[z - 1, y, x]) / (2 * hz)
                    gy = (dist[z, y + 1, x] - dist[z, y - 1, x]) / (2 * hy)
                    gx = (dist[z, y, x + 1] - dist[z, y, x - 1]) / (2 * hx)
                    if gz * gz + gy * gy + gx * gx > PEAK_GRADIENT2:
                        continue
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
                for zz in range(max(z - 1, 0), min(z + 2, nz)):
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
                            if known:
                                continue
                            near[count] = j
                            count += 1
                            vz = pz - centres[j, 0]
                            vy = py - centres[j, 1]
                            vx = px - centres[j, 2]
                            size = np.sqrt(vz * vz + vy * vy + vx * vx)
                            if size > 0:
                                c = (uz * vz + uy * vy + ux * vx) / size
                                lowest = min(lowest, c)
                if lowest > PEAK_COSINE:
                    continue
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
                    oz = min(max(oz + reach * hz * vz, -0.5 * hz), 0.5 * hz)
                    oy = min(max(oy + reach * hy * vy, -0.5 * hy), 0.5 * hy)
                    ox = min(max(ox + reach * hx * vx, -0.5 * hx), 0.5 * hx)
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
        radius,
        offsets,
    )
    return radius, offsets


@njit(cache=True, inline="always")
def _centre(offsets, spacing, z, y, x):  # type: ignore[no-untyped-def]
    cz = (z + offsets[z, y, x, 0] / OFFSET_STEPS) * spacing[0]
    cy = (y + offsets[z, y, x, 1] / OFFSET_STEPS) * spacing[1]
    cx = (x + offsets[z, y, x, 2] / OFFSET_STEPS) * spacing[2]
    return cz, cy, cx


@njit(cache=True, inline="always")
def _score(cz, cy, cx, r, a, qz, qy, qx, rq, b, slack2):  # type: ignore[no-untyped-def]
    """Tell how well sphere b covers sphere a: 1 = wholly, -2 = cannot be its cover."""
    if rq < r or (rq == r and b >= a):
        return -2.0
    dz = cz - qz
    dy = cy - qy
    dx = cx - qx
    apart2 = dz * dz + dy * dy + dx * dx
    apart = np.sqrt(apart2)
    if apart == 0:
        return 1.0
    reach = np.sqrt(r * r + slack2)
    height = (rq * rq - r * r - apart2) / (2 * apart)
    return min(height / reach, 1.0)


@njit(cache=True, parallel=True, nogil=True)
def _find_covers(radius, offsets, spacing, slack2, cover):  # type: ignore[no-untyped-def]
    """Choose for each sphere the larger neighbour that hides most of it."""
    nz, ny, nx = radius.shape
    for zu in prange(nz):
        z = np.int64(zu)
        for y in range(ny):
            for x in range(nx):
                r = radius[z, y, x]
                if r <= 0:
                    continue
                a = (z * ny + y) * nx + x
                cz, cy, cx = _centre(offsets, spacing, z, y, x)
                best = -2.0
                choice = -1
                for zz in range(max(z - 1, 0), min(z + 2, nz)):
                    for yy in range(max(y - 1, 0), min(y + 2, ny)):
                        for xx in range(max(x - 1, 0), min(x + 2, nx)):
                            b = (zz * ny + yy) * nx + xx
                            rq = radius[zz, yy, xx]
                            if b == a or rq < r:
                                continue
                            sz, sy, sx = _centre(offsets, spacing, zz, yy, xx)
                            s = _score(cz, cy, cx, r, a, sz, sy, sx, rq, b, slack2)
                            if s > best:
                                best = s
                                choice = b
                cover[z, y, x] = choice


@njit(cache=True, inline="always")
def _interval(c, reach2, off2, h):  # type: ignore[no-untyped-def]
    """Return the first and last index of a row inside a sphere; first > last when none."""
    left = reach2 - off2
    if left < 0:
        return 1, 0
    half = np.sqrt(left)
    return int(np.ceil((c - half) / h)), int(np.floor((c + half) / h))


@njit(cache=True, inline="always")
def _cap_range(c, reach, pole, height, ring):  # type: ignore[no-untyped-def]
    """Return the extent along one axis of the part of a sphere beyond a plane."""
    side = ring * np.sqrt(max(1.0 - pole * pole, 0.0))
    top = reach if reach * pole >= height else height * pole + side
    bottom = -reach if -reach * pole >= height else height * pole - side
    return c + bottom, c + top


@njit(cache=True, parallel=True, nogil=True)
def _paint(radius, offsets, cover, spacing, slack2, pore, out, slabs):  # type: ignore[no-untyped-def]
    nz, ny, nx = radius.shape
    hz, hy, hx = spacing[0], spacing[1], spacing[2]
    tallest = np.float32(0.0)
    for v in radius.flat:
        tallest = max(tallest, v)
    margin = int(np.sqrt(tallest * tallest + slack2) / hz) + 2
    # Each thread owns a slab of the output, so that no two write the same voxel.
    for s in prange(slabs):
        z_from = np.int64(s) * nz // slabs
        z_to = (np.int64(s) + 1) * nz // slabs
        for z in range(max(z_from - margin, 0), min(z_to + margin, nz)):
            for y in range(ny):
                for x in range(nx):
                    r = radius[z, y, x]
                    if r <= 0:
                        continue
                    reach2 = r * r + slack2
                    reach = np.sqrt(reach2)
                    if (z + 0.5) * hz + reach < z_from * hz or (z - 0.5) * hz - reach > z_to * hz:
                        continue
                    cz, cy, cx = _centre(offsets, spacing, z, y, x)
                    b = cover[z, y, x]
                    z0 = cz - reach
                    z1 = cz + reach
                    y0 = cy - reach
                    y1 = cy + reach
                    qz = 0.0
                    qy = 0.0
                    qx = 0.0
                    cover2 = -1.0
                    if b >= 0:
                        iz = b // (ny * nx)
                        iy = (b // nx) % ny
                        ix = b % nx
                        qz, qy, qx = _centre(offsets, spacing, iz, iy, ix)
                        rq = radius[iz, iy, ix]
                        cover2 = rq * rq + slack2
                        dz = cz - qz
                        dy = cy - qy
                        dx = cx - qx
                        apart2 = dz * dz + dy * dy + dx * dx
                        if apart2 == 0:
                            continue
                        apart = np.sqrt(apart2)
                        height = (rq * rq - r * r - apart2) / (2 * apart)
                        # Rounding must not lose a voxel on the rim: look a little wider.
                        height -= 1e-4 * reach
                        if height >= reach:
                            continue
                        if height > -reach:
                            ring = np.sqrt(max(reach2 - height * height, 0.0))
                            z0, z1 = _cap_range(cz, reach, dz / apart, height, ring)
                            y0, y1 = _cap_range(cy, reach, dy / apart, height, ring)
                    slack = 1e-4 * reach
                    first = max(int(np.ceil((z0 - slack) / hz)), z_from)
                    last = min(int(np.floor((z1 + slack) / hz)), z_to - 1)
                    row0 = max(int(np.ceil((y0 - slack) / hy)), 0)
                    row1 = min(int(np.floor((y1 + slack) / hy)), ny - 1)
                    value = np.float32(2.0) * r
                    for zz in range(first, last + 1):
                        oz = (zz * hz - cz) * (zz * hz - cz)
                        coz = (zz * hz - qz) * (zz * hz - qz)
                        for yy in range(row0, row1 + 1):
                            off2 = oz + (yy * hy - cy) * (yy * hy - cy)
                            a0, a1 = _interval(cx, reach2, off2, hx)
                            if a0 > a1:
                                continue
                            a0 = max(a0, 0)
                            a1 = min(a1, nx - 1)
                            b0 = a1 + 1
                            b1 = a1
                            if cover2 >= 0:
                                off2 = coz + (yy * hy - qy) * (yy * hy - qy)
                                b0, b1 = _interval(qx, cover2, off2, hx)
                                if b0 > b1:
                                    b0 = a1 + 1
                                    b1 = a1
                            for xx in range(a0, min(a1 + 1, b0)):
                                if out[zz, yy, xx] < value and pore[zz, yy, xx]:
                                    out[zz, yy, xx] = value
                            for xx in range(max(a0, b1 + 1), a1 + 1):
                                if out[zz, yy, xx] < value and pore[zz, yy, xx]:
                                    out[zz, yy, xx] = value


def paint_spheres(
    radius_um: F32,
    offsets: I8,
    *,
    spacing_um: tuple[float, float, float],
    pore: NDArray[np.bool_],
) -> F32:
    """Give each pore voxel the diameter of the largest sphere that holds its centre.

    A voxel counts as held when its centre lies within sqrt(r² + q²) of the sphere's centre, q
    half a voxel diagonal: centres are kept one to a node, so a row of touching spheres leaves
    gaps of up to q² / 2r along the wall that the spheres between the nodes would fill.

    Parameters
    ----------
    radius_um
        Radius of the sphere centred in each node's box (z, y, x); 0 where there is none.
    offsets
        Centre offsets (z, y, x, 3), int8, in 1/254 of the spacing.
    spacing_um
        Voxel spacing (z, y, x).
    pore
        Voxels (z, y, x) that may be given a value.

    Returns
    -------
    ndarray
        Diameter (z, y, x) in µm, float32; 0 outside `pore` and where no sphere reaches.

    Notes
    -----
    Exact: equal voxel by voxel to trying every sphere on every voxel. Memory: 8 bytes a voxel
    beside the inputs. Grids of up to 2³¹ - 1 nodes.
    """
    spacing = np.asarray(spacing_um, dtype=np.float64)
    slack2 = float((spacing**2).sum() / 4)
    cover = np.full(radius_um.shape, -1, np.int32)
    _find_covers(radius_um, offsets, spacing, slack2, cover)
    out = np.zeros(radius_um.shape, np.float32)
    slabs = max(1, min(get_num_threads() * 2, radius_um.shape[0]))
    _paint(radius_um, offsets, cover, spacing, slack2, pore, out, slabs)
    return out
