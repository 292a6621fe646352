"""A pore space split into bodies at its throats.

Voxels are taken in falling order of the sphere centred there. One without a taken neighbour
starts a body; others join the neighbour whose sphere is largest. Where two bodies first meet, the
sphere there is the throat between them: the smaller body is taken into the larger one when the
throat is nearly as wide as itself, so that a rough wall does not split a pore.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

U16 = NDArray[np.uint16]
I32 = NDArray[np.int32]


@dataclass(frozen=True)
class Bodies:
    """Bodies and the throats between them.

    Parameters
    ----------
    labels
        Body of each voxel (z, y, x), from 1; 0 where blocked.
    peaks
        Flat index of the largest sphere's voxel of bodies 1, 2, ...
    pairs, places
        The two bodies (n, 2) each throat joins, and the flat index of its voxel.
    """

    labels: I32
    peaks: NDArray[np.int64]
    pairs: NDArray[np.int32]
    places: NDArray[np.int64]


@njit(cache=True)
def _root(parent, k):  # type: ignore[no-untyped-def]
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = parent[k]
    return k


@njit(cache=True)
def _neighbour_index(p, k, z, y, x, shape):  # type: ignore[no-untyped-def]
    nz, ny, nx = shape
    if k == 0:
        return p - ny * nx if z > 0 else -1
    if k == 1:
        return p + ny * nx if z < nz - 1 else -1
    if k == 2:
        return p - nx if y > 0 else -1
    if k == 3:
        return p + nx if y < ny - 1 else -1
    if k == 4:
        return p - 1 if x > 0 else -1
    return p + 1 if x < nx - 1 else -1


@njit(cache=True, nogil=True)
def _grow(level, order, ratio, least, labels, parent, peaks):  # type: ignore[no-untyped-def]
    """Label the voxels in the order given; return the number of bodies begun."""
    shape = level.shape
    ny, nx = shape[1], shape[2]
    flat = level.reshape(-1)
    label = labels.reshape(-1)
    count = 0
    for i in range(order.size):
        p = np.int64(order[i])
        z = p // (ny * nx)
        y = (p // nx) % ny
        x = p % nx
        chosen = np.int64(0)
        widest = np.int64(-1)
        for k in range(6):
            q = _neighbour_index(p, k, z, y, x, shape)
            if q < 0 or label[q] == 0:
                continue
            if np.int64(flat[q]) > widest:
                widest = np.int64(flat[q])
                chosen = label[q]
        if chosen == 0:
            count += 1
            parent[count] = count
            peaks[count] = p
            label[p] = count
            continue
        label[p] = chosen
        own = _root(parent, chosen)
        for k in range(6):
            q = _neighbour_index(p, k, z, y, x, shape)
            if q < 0 or label[q] == 0:
                continue
            other = _root(parent, np.int64(label[q]))
            if other == own:
                continue
            a, b = own, other
            if flat[peaks[b]] > flat[peaks[a]] or (
                flat[peaks[b]] == flat[peaks[a]] and peaks[b] < peaks[a]
            ):
                a, b = b, a
            peak = np.int64(flat[peaks[b]])
            if flat[p] >= ratio * peak or peak - np.int64(flat[p]) < least:
                parent[b] = a
                own = _root(parent, own)
    return count


@njit(cache=True, nogil=True)
def _meet(level, labels, heads, following, others, width, place):  # type: ignore[no-untyped-def]
    """Find for each pair of bodies that touch the widest place; return the number of pairs, or -1.

    Pairs are kept in a list for each lower body.
    """
    shape = level.shape
    ny, nx = shape[1], shape[2]
    flat = level.reshape(-1)
    label = labels.reshape(-1)
    found = 0
    for p in range(flat.size):
        a = label[p]
        if a == 0:
            continue
        z = p // (ny * nx)
        y = (p // nx) % ny
        x = p % nx
        for k in (1, 3, 5):
            q = _neighbour_index(p, k, z, y, x, shape)
            if q < 0:
                continue
            b = label[q]
            if b == 0 or b == a:
                continue
            # The narrower of the two spheres is what passes.
            w = min(flat[p], flat[q])
            at = p if flat[p] <= flat[q] else q
            lo, hi = min(a, b), max(a, b)
            e = heads[lo]
            while e >= 0 and others[e] != hi:
                e = following[e]
            if e < 0:
                if found >= others.size:
                    return -1
                e = found
                found += 1
                others[e] = hi
                following[e] = heads[lo]
                heads[lo] = e
                width[e] = 0
            if w > width[e]:
                width[e] = w
                place[e] = at
    return found


def split_bodies(level: U16, *, ratio: float, least: int = 0) -> Bodies:
    """Split a pore space at its throats.

    Parameters
    ----------
    level
        Diameter of the sphere centred in each voxel (z, y, x), in whole steps; 0 is blocked.
    ratio
        A body whose throat is at least so wide, as a share of its own largest sphere, is part of
        its larger neighbour.
    least
        So is one whose largest sphere is wider than its throat by less than so many steps.

    Returns
    -------
    Bodies
        Numbered by falling size of their largest sphere, then by place.

    Examples
    --------
    >>> import numpy as np
    >>> split_bodies(np.array([[[5, 2, 9]]], np.uint16), ratio=0.9).labels.tolist()
    [[[2, 2, 1]]]
    """
    level = np.ascontiguousarray(level, dtype=np.uint16)
    flat = level.reshape(-1)
    passable = np.flatnonzero(flat)
    # Stable: equal spheres in raster order, so that the outcome is one.
    order = passable[np.argsort(65535 - flat[passable], kind="stable")].astype(np.int32)
    labels = np.zeros(level.shape, np.int32)
    most = order.size + 1
    parent = np.zeros(most, np.int32)
    peaks = np.zeros(most, np.int64)
    count = _grow(level, order, ratio, least, labels, parent, peaks)
    roots = np.array([_root.py_func(parent, k) for k in range(count + 1)], np.int64)
    kept = np.unique(roots[1:])
    rank = kept[np.lexsort((peaks[kept], -flat[peaks[kept]].astype(np.int64)))]
    number = np.zeros(count + 1, np.int32)
    number[rank] = np.arange(rank.size) + 1
    labels = number[roots][labels]
    room = 64
    while True:
        heads = np.full(rank.size + 1, -1, np.int32)
        following = np.full(room, -1, np.int32)
        others = np.zeros(room, np.int32)
        width = np.zeros(room, np.uint16)
        place = np.zeros(room, np.int64)
        found = int(_meet(level, labels, heads, following, others, width, place))
        if found >= 0:
            break
        room *= 8
    pairs = np.zeros((found, 2), np.int32)
    for lo in range(1, rank.size + 1):
        e = heads[lo]
        while e >= 0:
            pairs[e] = lo, others[e]
            e = following[e]
    sort = np.lexsort((pairs[:, 1], pairs[:, 0])) if found else np.zeros(0, np.int64)
    return Bodies(labels, peaks[rank], pairs[sort], place[:found][sort])
