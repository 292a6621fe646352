"""Shortest way from a face through a pore space, around the solid and not along the grid.

A front leaves the first face at unit speed (Sethian 1996, Proc. Natl. Acad. Sci. 93, 1591, for
fast marching). Cells wait in a queue with one bucket for each share of a cell's edge: cells in one
bucket are taken in whatever order they came (Yatziv, Bartesaghi and Sapiro 2006, J. Comput. Phys.
212, 393), which costs less than the upwind differences themselves do. Both from memory.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]

# Buckets to the shortest edge of a cell.
FINENESS = 8


@njit(cache=True)
def _solve(a, b, c, ha, hb, hc):  # type: ignore[no-untyped-def]
    """Return the arrival from the earliest neighbours a, b, c along axes of edges ha, hb, hc."""
    # Sorted so that a <= b <= c.
    if b < a:
        a, b, ha, hb = b, a, hb, ha
    if c < b:
        b, c, hb, hc = c, b, hc, hb
        if b < a:
            a, b, ha, hb = b, a, hb, ha
    t = a + ha
    if t <= b:
        return t
    wa, wb = 1 / (ha * ha), 1 / (hb * hb)
    p, q, r = wa + wb, wa * a + wb * b, wa * a * a + wb * b * b - 1
    t = (q + np.sqrt(max(q * q - p * r, 0.0))) / p
    if t <= c:
        return t
    wc = 1 / (hc * hc)
    p, q, r = p + wc, q + wc * c, r + wc * c * c
    return (q + np.sqrt(max(q * q - p * r, 0.0))) / p


@njit(cache=True)
def _neighbour(at, step, n, wraps):  # type: ignore[no-untyped-def]
    """Return the offset in cells to the neighbour at a step along an axis; 0 for none."""
    k = at + step
    if 0 <= k < n:
        return step
    if wraps:
        return step - n if k >= n else step + n
    return 0


@njit(cache=True)
def _upwind(flat, done, j, stride, at, n, wraps, h):  # type: ignore[no-untyped-def]
    """Return the arrival and the distance that a one-sided difference along an axis stands for.

    Of second order, 3 t - 4 t1 + t2 over 2 h, where the two cells upwind have both been reached
    in turn; else of first order.
    """
    best = np.inf
    side = 0
    for step in (-1, 1):
        k = _neighbour(at, step, n, wraps)
        if k != 0 and done[j + k * stride] and flat[j + k * stride] < best:
            best = flat[j + k * stride]
            side = step
    if side == 0:
        return best, h
    k = _neighbour(at, 2 * side, n, wraps)
    if k != 0 and done[j + k * stride]:
        two = flat[j + k * stride]
        if two <= best:
            return (4 * best - two) / 3, 2 * h / 3
    return best, h


@njit(cache=True, nogil=True)
def _march(free, steps, time, done, width, wraps, first):  # type: ignore[no-untyped-def]
    nz, ny, nx = free.shape
    plane = ny * nx
    far = np.float32(np.inf)
    # A new arrival is at most the longest edge later than the one it follows.
    span = int(np.ceil(max(steps[0], max(steps[1], steps[2])) / width)) + 3
    head = np.full(span, -1, np.int32)
    following = np.full(free.size, -1, np.int32)
    before = np.full(free.size, -1, np.int32)
    flat = time.reshape(-1)
    flat_done = done.reshape(-1)
    flat_free = free.reshape(-1)
    start = np.int64(0.5 * steps[0] / width)
    waiting = 0
    for y in range(ny):
        for x in range(nx):
            if free[0, y, x]:
                p = y * nx + x
                flat[p] = np.float32(0.5 * steps[0])
                q = head[start % span]
                following[p] = q
                before[p] = -1
                if q >= 0:
                    before[q] = p
                head[start % span] = p
                waiting += 1
    k = start
    while waiting > 0:
        p = np.int64(head[k % span])
        if p < 0:
            k += 1
            continue
        n = following[p]
        head[k % span] = n
        if n >= 0:
            before[n] = -1
        waiting -= 1
        flat_done[p] = True
        z = p // plane
        if first and z == nz - 1:
            return
        y = (p // nx) % ny
        x = p % nx
        for side in range(6):
            zz, yy, xx = z, y, x
            if side == 0:
                zz = z - 1
            elif side == 1:
                zz = z + 1
            elif side == 2:
                yy = y - 1
            elif side == 3:
                yy = y + 1
            elif side == 4:
                xx = x - 1
            else:
                xx = x + 1
            if zz < 0 or zz >= nz:
                continue
            if yy < 0 or yy >= ny:
                if not wraps:
                    continue
                yy = (yy + ny) % ny
            if xx < 0 or xx >= nx:
                if not wraps:
                    continue
                xx = (xx + nx) % nx
            j = zz * plane + yy * nx + xx
            if flat_done[j] or not flat_free[j]:
                continue
            a, ha = _upwind(flat, flat_done, j, plane, zz, nz, False, steps[0])
            b, hb = _upwind(flat, flat_done, j, nx, yy, ny, wraps, steps[1])
            c, hc = _upwind(flat, flat_done, j, 1, xx, nx, wraps, steps[2])
            t = np.float32(_solve(a, b, c, ha, hb, hc))
            old = flat[j]
            if t >= old:
                continue
            at = max(np.int64(t / width), k)
            if old < far:
                was = max(np.int64(old / width), start)
                q, n = before[j], following[j]
                # It may have been put into the bucket then open.
                if q >= 0:
                    following[q] = n
                elif head[was % span] == j:
                    head[was % span] = n
                else:
                    for m in range(span):
                        if head[m] == j:
                            head[m] = n
                            break
                if n >= 0:
                    before[n] = q
                waiting -= 1
            flat[j] = t
            n = head[at % span]
            following[j] = n
            before[j] = -1
            if n >= 0:
                before[n] = j
            head[at % span] = np.int32(j)
            waiting += 1


def arrival(
    free: NDArray[np.bool_],
    *,
    steps_um: tuple[float, float, float],
    periodic: bool = False,
    first: bool = False,
) -> F32:
    """Return the length of the shortest way from the first face across z to each free cell.

    Parameters
    ----------
    free
        Cells (z, y, x) that may be passed; the face lies half a cell before the first ones.
    steps_um
        Edges of a cell.
    periodic
        Whether the sides along y and x are joined.
    first
        Stop where the last face is first reached: cells that are farther are inf or too long.

    Returns
    -------
    ndarray
        Length in µm at the cells' centres, float32; inf where no way leads.

    Notes
    -----
    Second-order upwind differences where the front is smooth, of first order around corners:
    ways around an edge read long by a few tenths of a cell.
    Memory: 14 bytes a cell.

    Examples
    --------
    >>> import numpy as np
    >>> arrival(np.ones((3, 1, 1), bool), steps_um=(2.0, 1.0, 1.0)).ravel().tolist()
    [1.0, 3.0, 5.0]
    """
    time = np.full(free.shape, np.inf, np.float32)
    if free.size:
        _march(
            np.ascontiguousarray(free),
            np.asarray(steps_um, dtype=np.float64),
            time,
            np.zeros(free.shape, bool),
            min(steps_um) / FINENESS,
            periodic,
            first,
        )
    return time
