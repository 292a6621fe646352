"""The largest of many spheres that covers each voxel.

Painting is exact and its cost hardly grows with the sphere's size. Each sphere is painted only
where it sticks out of one larger neighbouring sphere (its *cover*): whatever lies in both gets
the larger value from the cover anyway. Covers are strictly ordered by (radius, index), so by
induction every voxel of every sphere ends with the largest diameter that holds it, in whatever
order spheres are painted.
"""

from __future__ import annotations

import numpy as np
from numba import get_num_threads, njit, prange
from numpy.typing import NDArray

from volscan.kernels.peaks import OFFSET_STEPS

F32 = NDArray[np.float32]
I8 = NDArray[np.int8]
I32 = NDArray[np.int32]

# Edge of the blocks in which full regions are passed by, in voxels: eight bits to a byte.
BLOCK = 8
# Blocks are passed by in groups of 4 x 4 x 4 where a whole group is full or out of reach.
GROUP = 4
# Spheres whose visible part touches more rows than this are painted in order, the others as they
# come: a sphere that touches a few rows is cheaper to paint than to sort.
LARGE_ROWS = 64


@njit(cache=True)
def _centre(offsets, spacing, z, y, x):  # type: ignore[no-untyped-def]
    cz = (z + offsets[z, y, x, 0] / OFFSET_STEPS) * spacing[0]
    cy = (y + offsets[z, y, x, 1] / OFFSET_STEPS) * spacing[1]
    cx = (x + offsets[z, y, x, 2] / OFFSET_STEPS) * spacing[2]
    return cz, cy, cx


@njit(cache=True)
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
                for zz in range(max(z - 1, 0), min(z + 2, nz)):  # type: ignore[call-overload]
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


@njit(cache=True)
def _interval(c, reach2, off2, h):  # type: ignore[no-untyped-def]
    """Return the first and last index of a row inside a sphere; first > last when none."""
    left = reach2 - off2
    if left < 0:
        return 1, 0
    half = np.sqrt(left)
    return int(np.ceil((c - half) / h)), int(np.floor((c + half) / h))


@njit(cache=True)
def _cap_range(c, reach, pole, height, ring):  # type: ignore[no-untyped-def]
    """Return the extent along one axis of the part of a sphere beyond a plane."""
    side = ring * np.sqrt(max(1.0 - pole * pole, 0.0))
    top = reach if reach * pole >= height else height * pole + side
    bottom = -reach if -reach * pole >= height else height * pole - side
    return c + bottom, c + top


@njit(cache=True)
def _part(radius, offsets, cover, spacing, slack2, z, y, x):  # type: ignore[no-untyped-def]
    """Return what of a sphere its cover leaves.

    (z0, z1, y0, y1) bounds it in µm, z0 > z1 when nothing is left; then come the sphere's centre
    and squared reach and the cover's, the latter's reach -1 without a cover.
    """
    _, ny, nx = radius.shape
    r = radius[z, y, x]
    reach2 = r * r + slack2
    reach = np.sqrt(reach2)
    cz, cy, cx = _centre(offsets, spacing, z, y, x)
    z0 = cz - reach
    z1 = cz + reach
    y0 = cy - reach
    y1 = cy + reach
    qz = 0.0
    qy = 0.0
    qx = 0.0
    cover2 = -1.0
    b = cover[z, y, x]
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
        # The two surfaces meet in a plane at this height beyond the sphere's centre; what is left
        # lies farther out. Rounding must not lose a voxel on the rim: look a little wider.
        height = np.inf
        apart = 1.0
        if apart2 > 0:
            apart = np.sqrt(apart2)
            height = (rq * rq - r * r - apart2) / (2 * apart) - 1e-4 * reach
        if height >= reach:
            z1 = z0 - 1.0
        elif height > -reach:
            ring = np.sqrt(max(reach2 - height * height, 0.0))
            z0, z1 = _cap_range(cz, reach, dz / apart, height, ring)
            y0, y1 = _cap_range(cy, reach, dy / apart, height, ring)
    return z0, z1, y0, y1, cz, cy, cx, reach2, qz, qy, qx, cover2


@njit(cache=True, parallel=True, nogil=True)
def _count_rows(radius, offsets, cover, spacing, slack2, rows):  # type: ignore[no-untyped-def]
    """Count the rows of voxels that each sphere's visible part may touch, up to 65535."""
    nz, ny, nx = radius.shape
    for zu in prange(nz):
        z = np.int64(zu)
        for y in range(ny):
            for x in range(nx):
                rows[z, y, x] = 0
                if radius[z, y, x] <= 0:
                    continue
                part = _part(radius, offsets, cover, spacing, slack2, z, y, x)
                if part[0] > part[1]:
                    continue
                tall = np.floor((part[1] - part[0]) / spacing[0]) + 2
                deep = np.floor((part[3] - part[2]) / spacing[1]) + 2
                rows[z, y, x] = np.uint16(min(tall * deep, 65535.0))


@njit(cache=True)
def _paint_rows(part, spacing, value, z_from, z_to, y_from, y_to, x_from, x_to, pore, out):  # type: ignore[no-untyped-def]
    """Paint the visible part of a sphere within a box of voxels."""
    z0, z1, y0, y1, cz, cy, cx, reach2, qz, qy, qx, cover2 = part
    hz, hy, hx = spacing[0], spacing[1], spacing[2]
    slack = 1e-4 * np.sqrt(reach2)
    first = max(int(np.ceil((z0 - slack) / hz)), z_from)
    last = min(int(np.floor((z1 + slack) / hz)), z_to - 1)
    row0 = max(int(np.ceil((y0 - slack) / hy)), y_from)
    row1 = min(int(np.floor((y1 + slack) / hy)), y_to - 1)
    for zz in range(first, last + 1):
        oz = (zz * hz - cz) * (zz * hz - cz)
        coz = (zz * hz - qz) * (zz * hz - qz)
        for yy in range(row0, row1 + 1):
            off2 = oz + (yy * hy - cy) * (yy * hy - cy)
            a0, a1 = _interval(cx, reach2, off2, hx)
            a0 = max(a0, x_from)
            a1 = min(a1, x_to - 1)
            if a0 > a1:
                continue
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


@njit(cache=True)
def _bits(first, last, start):  # type: ignore[no-untyped-def]
    """Return a byte with the bits of indices first..last set, bit 0 standing for `start`."""
    low = max(first - start, 0)
    high = min(last - start, BLOCK - 1)
    if low > high:
        return 0
    return (1 << (high + 1)) - (1 << low)


@njit(cache=True, nogil=True)
def _paint_block(part, spacing, value, todo, z_start, y_start, x_start, out):  # type: ignore[no-untyped-def]
    """Give a block's open voxels in the visible part of a sphere their value; count them."""
    _, _, _, _, cz, cy, cx, reach2, qz, qy, qx, cover2 = part
    hz, hy, hx = spacing[0], spacing[1], spacing[2]
    done = 0
    for i in range(BLOCK):
        z = z_start + i
        oz = (z * hz - cz) * (z * hz - cz)
        if oz > reach2:
            continue
        coz = (z * hz - qz) * (z * hz - qz)
        for j in range(BLOCK):
            open_bits = np.int64(todo[i, j])
            if open_bits == 0:
                continue
            y = y_start + j
            off2 = oz + (y * hy - cy) * (y * hy - cy)
            a0, a1 = _interval(cx, reach2, off2, hx)
            bits = open_bits & _bits(a0, a1, x_start)
            if bits == 0:
                continue
            if cover2 >= 0:
                off2 = coz + (y * hy - qy) * (y * hy - qy)
                b0, b1 = _interval(qx, cover2, off2, hx)
                if b0 <= b1:
                    bits &= ~_bits(b0, b1, x_start)
            if bits == 0:
                continue
            todo[i, j] = open_bits & ~bits
            for k in range(BLOCK):
                if bits & (1 << k):
                    out[z, y, x_start + k] = value
                    done += 1
    return done


@njit(cache=True)
def _passes_by(part, spacing, z, y, x, edge):  # type: ignore[no-untyped-def]
    """Tell whether a cube of voxels lies outside a sphere or wholly inside its cover."""
    _, _, _, _, cz, cy, cx, reach2, qz, qy, qx, cover2 = part
    near2 = 0.0
    far2 = 0.0
    for k in range(3):
        low = (z, y, x)[k] * spacing[k]
        high = low + (edge - 1) * spacing[k]
        c = (cz, cy, cx)[k]
        q = (qz, qy, qx)[k]
        gap = max(low - c, c - high, 0.0)
        near2 += gap * gap
        deep = max(high - q, q - low)
        far2 += deep * deep
    # Rounding must neither lose a voxel on the rim nor leave one to a cover that lacks it.
    return near2 > reach2 * (1 + 1e-9) or (cover2 >= 0 and far2 < cover2 * (1 - 1e-9))


@njit(cache=True, parallel=True, nogil=True)
def _paint_large(order, radius, offsets, cover, spacing, slack2, pore, out, bounds):  # type: ignore[no-untyped-def]
    """Paint spheres in falling order: the first value a voxel gets is its largest.

    Voxels still without a value are bits, eight of a row to a byte and a block to 64 bytes in a
    row, so that a block is passed by after one look. Each thread owns slabs of the output, so
    that no two write the same voxel.
    """
    _, ny, nx = radius.shape
    hz, hy, hx = spacing[0], spacing[1], spacing[2]
    by = (ny + BLOCK - 1) // BLOCK
    bx = (nx + BLOCK - 1) // BLOCK
    for s in prange(bounds.size - 1):
        z_from = bounds[s]
        z_to = bounds[s + 1]
        bz = (z_to - z_from + BLOCK - 1) // BLOCK
        left = np.zeros((bz, by, bx), np.int32)
        todo = np.zeros((bz, by, bx, BLOCK, BLOCK), np.uint8)
        for z in range(z_from, z_to):
            a = (z - z_from) // BLOCK
            i = (z - z_from) % BLOCK
            for y in range(ny):
                for x in range(nx):
                    if pore[z, y, x]:
                        left[a, y // BLOCK, x // BLOCK] += 1
                        bits = np.int64(todo[a, y // BLOCK, x // BLOCK, i, y % BLOCK])
                        todo[a, y // BLOCK, x // BLOCK, i, y % BLOCK] = bits | (1 << (x % BLOCK))
        group_left = np.zeros((bz // GROUP + 1, by // GROUP + 1, bx // GROUP + 1), np.int64)
        for a in range(bz):
            for b in range(by):
                for c in range(bx):
                    group_left[a // GROUP, b // GROUP, c // GROUP] += left[a, b, c]
        for k in range(order.size):
            p = order[k]
            z = p // (ny * nx)
            y = (p // nx) % ny
            x = p % nx
            part = _part(radius, offsets, cover, spacing, slack2, z, y, x)
            reach = np.sqrt(part[7])
            i0 = max(int(np.floor(part[0] / hz)), z_from)
            i1 = min(int(np.ceil(part[1] / hz)), z_to - 1)
            if i0 > i1:
                continue
            j0 = max(int(np.floor(part[2] / hy)), 0)
            j1 = min(int(np.ceil(part[3] / hy)), ny - 1)
            k0 = max(int(np.floor((part[6] - reach) / hx)), 0)
            k1 = min(int(np.ceil((part[6] + reach) / hx)), nx - 1)
            value = np.float32(2.0) * radius[z, y, x]
            a0 = (i0 - z_from) // BLOCK
            a1 = (i1 - z_from) // BLOCK
            for ha in range(a0 // GROUP, a1 // GROUP + 1):
                for hb in range(j0 // BLOCK // GROUP, j1 // BLOCK // GROUP + 1):
                    for hc in range(k0 // BLOCK // GROUP, k1 // BLOCK // GROUP + 1):
                        if group_left[ha, hb, hc] == 0 or _passes_by(
                            part,
                            spacing,
                            z_from + ha * BLOCK * GROUP,
                            hb * BLOCK * GROUP,
                            hc * BLOCK * GROUP,
                            BLOCK * GROUP,
                        ):
                            continue
                        for a in range(max(a0, ha * GROUP), min(a1, ha * GROUP + GROUP - 1) + 1):
                            for b in range(
                                max(j0 // BLOCK, hb * GROUP),
                                min(j1 // BLOCK, hb * GROUP + GROUP - 1) + 1,
                            ):
                                for c in range(
                                    max(k0 // BLOCK, hc * GROUP),
                                    min(k1 // BLOCK, hc * GROUP + GROUP - 1) + 1,
                                ):
                                    if left[a, b, c] == 0:
                                        continue
                                    zs = z_from + a * BLOCK
                                    ys = b * BLOCK
                                    xs = c * BLOCK
                                    if _passes_by(part, spacing, zs, ys, xs, BLOCK):
                                        continue
                                    done = _paint_block(
                                        part, spacing, value, todo[a, b, c], zs, ys, xs, out
                                    )
                                    left[a, b, c] -= done
                                    group_left[ha, hb, hc] -= done


@njit(cache=True, parallel=True, nogil=True)
def _paint_small(rows, radius, offsets, cover, spacing, slack2, pore, out, bounds, margin):  # type: ignore[no-untyped-def]
    """Paint the spheres of which little is visible, in raster order."""
    nz, ny, nx = radius.shape
    hz = spacing[0]
    for s in prange(bounds.size - 1):
        z_from = bounds[s]
        z_to = bounds[s + 1]
        for z in range(max(z_from - margin, 0), min(z_to + margin, nz)):
            for y in range(ny):
                for x in range(nx):
                    if rows[z, y, x] == 0 or rows[z, y, x] > LARGE_ROWS:
                        continue
                    part = _part(radius, offsets, cover, spacing, slack2, z, y, x)
                    if part[0] > z_to * hz or part[1] < (z_from - 1) * hz:
                        continue
                    value = np.float32(2.0) * radius[z, y, x]
                    _paint_rows(part, spacing, value, z_from, z_to, 0, ny, 0, nx, pore, out)


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
    Exact: equal voxel by voxel to trying every sphere on every voxel. Memory: 10 bytes a voxel
    beside the inputs. Grids of up to 2³¹ - 1 nodes.
    """
    spacing = np.asarray(spacing_um, dtype=np.float64)
    slack2 = float((spacing**2).sum() / 4)
    cover = np.full(radius_um.shape, -1, np.int32)
    _find_covers(radius_um, offsets, spacing, slack2, cover)
    rows = np.empty(radius_um.shape, np.uint16)
    _count_rows(radius_um, offsets, cover, spacing, slack2, rows)
    out = np.zeros(radius_um.shape, np.float32)
    tall = radius_um.shape[0]
    # Slabs of whole blocks, two a thread so that an uneven share of pores evens out.
    slab = BLOCK * max(1, -(-tall // (BLOCK * 2 * get_num_threads())))
    bounds = np.append(np.arange(0, tall, slab), tall).astype(np.int64)
    order = np.flatnonzero(rows.reshape(-1) > LARGE_ROWS)
    order = order[np.argsort(-radius_um.reshape(-1)[order], kind="stable")]
    _paint_large(order, radius_um, offsets, cover, spacing, slack2, pore, out, bounds)
    margin = int((float(radius_um.max(initial=0.0)) + slack2**0.5) / spacing[0]) + 2
    _paint_small(rows, radius_um, offsets, cover, spacing, slack2, pore, out, bounds, margin)
    return out
