"""The largest sphere that crosses a box between fibres, from distances to their axes.

The clearance D (distance to the nearest fibre surface) is computed analytically at the centres
of a lattice of cells. Cells are then opened in order of falling clearance until they connect the
two faces. Cells whose centre lies within half a cell diagonal of that level get the largest
clearance inside them instead (found by halving, an eighth of the cell fine), and the search is
repeated, so that a ridge of D that passes between centres is not missed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_BLOCK = 8
# Halvings of a cell edge where a cell decides: parts are an eighth of a cell.
_HALVINGS = 3


@dataclass(frozen=True)
class Throat:
    """Diameter of the largest crossing sphere, None when nothing crosses, and its error bound."""

    diameter_um: float | None
    error_um: float


@dataclass(frozen=True)
class Box:
    """A box standing on the base: `corner` (x, y, h), `axes` rows are its unit axes in plan."""

    corner: FloatArray
    size: FloatArray
    axes: FloatArray


def throats(
    segments: FloatArray,
    *,
    width: float,
    height: float,
    box: Box,
    cell: float,
    most_cells: int = 3_000_000,
) -> dict[str, Throat]:
    """Return the throats of a box along its x, y and h.

    Parameters
    ----------
    segments
        Centrelines (n, 2, 3) [X, Y, H] in µm; level where `width` differs from `height`.
    width, height
        Axes of the fibres' cross-section.
    box
        Where the sphere's centre stays. Along x and y its base and top count as solid.
    cell
        Edge of the lattice's cells, made to fit the box, and enlarged past `most_cells`.

    Returns
    -------
    dict
        "x", "y", "h", each with a bound on its error.
    """
    cell = max(cell, float(np.prod(box.size) / most_cells) ** (1 / 3))
    shape = np.maximum(2, np.ceil(box.size / cell)).astype(np.int64)
    step = box.size / shape
    args = (
        np.ascontiguousarray(segments, dtype=np.float64),
        width / 2, height / 2, box.corner, step, box.axes,
    )  # fmt: skip
    sharpest = min(width, height) / 2
    half_diagonal = float(np.linalg.norm(step)) / 2
    # A sample lies within a part's half diagonal of every point; the clearance along a path
    # through a gap between round fibres rises by x² / (2 r) at x from the narrowest place.
    error = 2 * (half_diagonal / 2**_HALVINGS + (step.max() / 2) ** 2 / (2 * sharpest))
    centres = np.empty(tuple(shape), dtype=np.float32)
    _clearance_at_centres(centres, *args)
    k = (np.arange(shape[2]) + 0.5) * step[2]
    capped = np.minimum(centres, np.minimum(k, box.size[2] - k).astype(np.float32))
    out: dict[str, Throat] = {}
    for axis, name in enumerate("xyh"):
        cap = name != "h"
        field = capped if cap else centres
        # The true level lies at most half a cell diagonal above the one found at centres.
        level = _widest(field, axis, -half_diagonal)
        radius = None
        if level is not None:
            refined = field.copy()
            _refine_cells(refined, *args, cap, level - half_diagonal, level + half_diagonal)
            radius = _widest(refined, axis, 0.0)
        # What is narrower than the error is no passage: a fibre's crown touches the top plane.
        if radius is not None and 2 * radius <= error:
            radius = None
        out[name] = Throat(None if radius is None else 2 * radius, float(error))
    return out


def _widest(field: NDArray[np.float32], axis: int, floor: float) -> float | None:
    """Highest level above `floor` at which cells connect the two faces across an axis."""
    turned = np.ascontiguousarray(np.moveaxis(field, axis, 0))
    flat = turned.ravel()
    usable = np.flatnonzero(flat > floor)
    order = usable[np.argsort(-flat[usable], kind="stable")]
    level = _connect(flat, order, *turned.shape)
    return None if math.isnan(level) else float(level)


@njit(cache=True)
def _root(parent, i):  # type: ignore[no-untyped-def]
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True)
def _connect(flat, order, n0, n1, n2):  # type: ignore[no-untyped-def]
    """Open cells in order; the level at which first face and last face join."""
    parent = np.full(flat.shape[0], -1, dtype=np.int64)
    touches = np.zeros(flat.shape[0], dtype=np.uint8)
    for o in order:
        i, j, k = o // (n1 * n2), o // n2 % n1, o % n2
        parent[o] = o
        if i == 0:
            touches[o] |= 1
        if i == n0 - 1:
            touches[o] |= 2
        for side in range(6):
            a = i + (side == 0) - (side == 1)
            b = j + (side == 2) - (side == 3)
            c = k + (side == 4) - (side == 5)
            if a < 0 or b < 0 or c < 0 or a >= n0 or b >= n1 or c >= n2:
                continue
            m = (a * n1 + b) * n2 + c
            if parent[m] < 0:
                continue
            p, q = _root(parent, o), _root(parent, m)
            if p != q:
                parent[p] = q
                touches[q] |= touches[p]
        if touches[_root(parent, o)] == 3:
            return flat[o]
    return math.nan


@njit(cache=True)
def _ellipse_distance(x, y, a, b):  # type: ignore[no-untyped-def]
    """Signed distance of (x, y) >= 0 to an ellipse with half axes a, b (negative inside)."""
    if a == b:
        return math.hypot(x, y) - a
    inside = (x / a) ** 2 + (y / b) ** 2 < 1.0
    if inside:
        # Only its sign matters: no sphere's centre lies in solid.
        return (math.hypot(x / a, y / b) - 1.0) * min(a, b)
    # The nearest point is (a² x / (t + a²), b² y / (t + b²)); t >= 0 solves a convex falling
    # function, so Newton's steps from t = 0 rise to the root without passing it.
    t = 0.0
    for _ in range(60):
        p, q = a * x / (t + a * a), b * y / (t + b * b)
        value = p * p + q * q - 1.0
        slope = -2.0 * (p * p / (t + a * a) + q * q / (t + b * b))
        change = value / slope
        t -= change
        if abs(change) <= 1e-10 * (t + a * a):
            break
    px, py = a * a * x / (t + a * a), b * b * y / (t + b * b)
    return math.hypot(x - px, y - py)


@njit(cache=True)
def _clearance(segment, a, b, px, py, ph):  # type: ignore[no-untyped-def]
    """Signed distance of a point to a fibre's surface; exact for level or round fibres."""
    ax, ay, ah = segment[0, 0], segment[0, 1], segment[0, 2]
    ex, ey, eh = segment[1, 0] - ax, segment[1, 1] - ay, segment[1, 2] - ah
    vx, vy, vh = px - ax, py - ay, ph - ah
    t = (vx * ex + vy * ey + vh * eh) / (ex * ex + ey * ey + eh * eh)
    t = min(1.0, max(0.0, t))
    vx, vy, vh = vx - t * ex, vy - t * ey, vh - t * eh
    return _ellipse_distance(math.hypot(vx, vy), abs(vh), a, b)


@njit(cache=True)
def _near(segments, a, b, q, reach, around):  # type: ignore[no-untyped-def]
    """List the segments that can be nearest to some point within reach of q."""
    best = math.inf
    for s in range(segments.shape[0]):
        best = min(best, _clearance(segments[s], a, b, q[0], q[1], q[2]))
    best = max(best, 0.0)
    n = 0
    for s in range(segments.shape[0]):
        if _clearance(segments[s], a, b, q[0], q[1], q[2]) <= best + 2 * reach:
            around[n] = s
            n += 1
    return n


@njit(cache=True)
def _position(corner, step, axes, i, j, k, q):  # type: ignore[no-untyped-def]
    """Point at lattice coordinates (i, j, k), whole numbers on cell faces."""
    u, v = i * step[0], j * step[1]
    q[0] = corner[0] + u * axes[0, 0] + v * axes[1, 0]
    q[1] = corner[1] + u * axes[0, 1] + v * axes[1, 1]
    q[2] = corner[2] + k * step[2]


@njit(cache=True)
def _least(segments, a, b, around, n, q, cap, bottom, top):  # type: ignore[no-untyped-def]
    best = math.inf
    if cap:
        best = min(q[2] - bottom, top - q[2])
    for s in range(n):
        best = min(best, _clearance(segments[around[s]], a, b, q[0], q[1], q[2]))
    return best


@njit(cache=True)
def _blocks(n):  # type: ignore[no-untyped-def]
    return (n + _BLOCK - 1) // _BLOCK


@njit(parallel=True, cache=True)
def _clearance_at_centres(out, segments, a, b, corner, step, axes):  # type: ignore[no-untyped-def]
    nx, ny, nh = out.shape
    bx, by, bh = _blocks(nx), _blocks(ny), _blocks(nh)
    reach = 0.5 * _BLOCK * math.sqrt(step[0] ** 2 + step[1] ** 2 + step[2] ** 2)
    half = 0.5 * _BLOCK
    for block in prange(bx * by * bh):
        i0, j0, k0 = block // (by * bh) * _BLOCK, block // bh % by * _BLOCK, block % bh * _BLOCK
        q = np.empty(3)
        around = np.empty(segments.shape[0], dtype=np.int64)
        _position(corner, step, axes, i0 + half, j0 + half, k0 + half, q)
        n = _near(segments, a, b, q, reach, around)
        for i in range(i0, min(i0 + _BLOCK, nx)):
            for j in range(j0, min(j0 + _BLOCK, ny)):
                for k in range(k0, min(k0 + _BLOCK, nh)):
                    _position(corner, step, axes, i + 0.5, j + 0.5, k + 0.5, q)
                    out[i, j, k] = _least(segments, a, b, around, n, q, False, 0.0, 0.0)


@njit(cache=True)
def _largest_in_cell(  # type: ignore[no-untyped-def]
    segments, a, b, around, n, corner, step, axes, i, j, k, cap, bottom, top, enough, near, stack
):
    """Largest clearance at the centres of a cell's parts, halved `_HALVINGS` times each way.

    Clearance changes by at most the distance moved, so a part whose centre lies below the best
    by more than its half diagonal cannot better it.
    """
    half_diagonal = 0.5 * math.sqrt(step[0] ** 2 + step[1] ** 2 + step[2] ** 2)
    q = np.empty(3)
    _position(corner, step, axes, i + 0.5, j + 0.5, k + 0.5, q)
    here = math.inf
    for s in range(n):
        here = min(here, _clearance(segments[around[s]], a, b, q[0], q[1], q[2]))
    n_near = 0
    for s in range(n):
        if _clearance(segments[around[s]], a, b, q[0], q[1], q[2]) <= here + 2 * half_diagonal:
            near[n_near] = around[s]
            n_near += 1
    best = -math.inf
    stack[0, 0], stack[0, 1], stack[0, 2], stack[0, 3] = i + 0.5, j + 0.5, k + 0.5, 0.0
    height = 1
    while height > 0:
        height -= 1
        u, v, w, depth = stack[height, 0], stack[height, 1], stack[height, 2], stack[height, 3]
        _position(corner, step, axes, u, v, w, q)
        value = _least(segments, a, b, near, n_near, q, cap, bottom, top)
        best = max(best, value)
        if best >= enough:
            break
        if depth < _HALVINGS and value + half_diagonal / 2.0**depth > best:
            quarter = 0.25 / 2.0**depth
            for side in range(8):
                stack[height, 0] = u + (quarter if side & 1 else -quarter)
                stack[height, 1] = v + (quarter if side & 2 else -quarter)
                stack[height, 2] = w + (quarter if side & 4 else -quarter)
                stack[height, 3] = depth + 1.0
                height += 1
    return best


@njit(parallel=True, cache=True)
def _refine_cells(  # type: ignore[no-untyped-def]
    field, segments, a, b, corner, step, axes, cap, low, high
):
    """Replace values in (low, high) by the largest clearance in their cell, in place."""
    nx, ny, nh = field.shape
    bx, by, bh = _blocks(nx), _blocks(ny), _blocks(nh)
    reach = 0.5 * _BLOCK * math.sqrt(step[0] ** 2 + step[1] ** 2 + step[2] ** 2)
    bottom, top = corner[2], corner[2] + nh * step[2]
    for block in prange(bx * by * bh):
        i0, j0, k0 = block // (by * bh) * _BLOCK, block // bh % by * _BLOCK, block % bh * _BLOCK
        q = np.empty(3)
        stack = np.empty((8 * _HALVINGS + 1, 4))
        around = np.empty(segments.shape[0], dtype=np.int64)
        near = np.empty(segments.shape[0], dtype=np.int64)
        half = 0.5 * _BLOCK
        n = -1
        for i in range(i0, min(i0 + _BLOCK, nx)):
            for j in range(j0, min(j0 + _BLOCK, ny)):
                for k in range(k0, min(k0 + _BLOCK, nh)):
                    if not low < field[i, j, k] < high:
                        continue
                    if n < 0:
                        _position(corner, step, axes, i0 + half, j0 + half, k0 + half, q)
                        n = _near(segments, a, b, q, reach, around)
                    field[i, j, k] = _largest_in_cell(
                        segments, a, b, around, n, corner, step, axes, i, j, k,
                        cap, bottom, top, high, near, stack,
                    )  # fmt: skip
