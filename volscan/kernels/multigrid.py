"""Conjugate gradients with a multigrid preconditioner for networks of links between cells.

The matrix is never built: A u at a cell is the sum over its six links of conductance times
difference, plus a sink times the cell's own value. Links run to the next lower index of each
axis, the first one to the last cell (0 where the side is closed), so that closed and periodic
sides are the same code.

The coarse grids are clusters of 2 x 2 x 2 cells and keep the sum of the links between them, halved
since clusters lie twice as far apart; a cluster that a wall cuts in two needs no special case.
Every step is a plain sweep over rows of float32, in which no cell waits for its neighbour: the
result does not depend on the number of threads.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

F32 = NDArray[np.float32]

# Two damped steps whose error polynomial is smallest over eigenvalues 0.5 to 2 of the scaled
# matrix (Chebyshev's roots): what is slower, the coarse grid takes.
STEPS = (0.5617, 1.3886)
# Below so many cells one thread is quicker than two that have to be woken.
SMALL = 40_000
# The coarsest grid is swept so many times instead of being solved.
LAST_SWEEPS = 8
COARSEST = 64


@dataclass(frozen=True)
class Links:
    """One grid: links to the lower neighbour along z, y, x, sinks, and 1 / diagonal."""

    cz: F32
    cy: F32
    cx: F32
    sink: F32
    inverse: F32

    @property
    def shape(self) -> tuple[int, int, int]:
        """Cells along z, y, x."""
        return self.cz.shape[0], self.cz.shape[1], self.cz.shape[2]


@njit(cache=True)
def _row(cz, cy, cx, sink, inv, u, b, z, y, mode, step, out):  # type: ignore[no-untyped-def]
    """Do one row: mode 0: out = A u; 1: out = b - A u; 2: out = u + step (b - A u) / diagonal."""
    nz, ny, nx = u.shape
    zm = z - 1 if z > 0 else nz - 1
    zp = z + 1 if z < nz - 1 else 0
    ym = y - 1 if y > 0 else ny - 1
    yp = y + 1 if y < ny - 1 else 0
    r, rzm, rzp, rym, ryp = u[z, y], u[zm, y], u[zp, y], u[z, ym], u[z, yp]
    az, bz, ay, by, ax = cz[z, y], cz[zp, y], cy[z, y], cy[z, yp], cx[z, y]
    s, o, iv, bb = sink[z, y], out[z, y], inv[z, y], b[z, y]
    last = nx - 1
    for x in range(nx):
        v = r[x]
        o[x] = (
            s[x] * v
            + az[x] * (v - rzm[x])
            + bz[x] * (v - rzp[x])
            + ay[x] * (v - rym[x])
            + by[x] * (v - ryp[x])
        )
    if last > 0:
        for x in range(1, nx):
            o[x] += ax[x] * (r[x] - r[x - 1])
        for x in range(last):
            o[x] += ax[x + 1] * (r[x] - r[x + 1])
        o[0] += ax[0] * (r[0] - r[last])
        o[last] += ax[0] * (r[last] - r[0])
    if mode == 1:
        for x in range(nx):
            o[x] = bb[x] - o[x]
    elif mode == 2:
        for x in range(nx):
            o[x] = r[x] + step * iv[x] * (bb[x] - o[x])


@njit(cache=True, parallel=True, nogil=True)
def _sweep_many(cz, cy, cx, sink, inv, u, b, mode, step, out):  # type: ignore[no-untyped-def]
    for zu in prange(u.shape[0]):
        z = np.int64(zu)
        for y in range(u.shape[1]):
            _row(cz, cy, cx, sink, inv, u, b, z, y, mode, step, out)


@njit(cache=True, nogil=True)
def _sweep_one(cz, cy, cx, sink, inv, u, b, mode, step, out):  # type: ignore[no-untyped-def]
    for z in range(u.shape[0]):
        for y in range(u.shape[1]):
            _row(cz, cy, cx, sink, inv, u, b, z, y, mode, step, out)


def _sweep(g: Links, u: F32, b: F32, mode: int, step: float, out: F32) -> None:
    run = _sweep_many if u.size > SMALL else _sweep_one
    run(g.cz, g.cy, g.cx, g.sink, g.inverse, u, b, mode, np.float32(step), out)


@njit(cache=True)
def _gather_plane(r, z, out):  # type: ignore[no-untyped-def]
    nz, ny, nx = r.shape
    for y in range(out.shape[1]):
        o = out[z, y]
        for x in range(o.size):
            o[x] = np.float32(0)
        for k in range(2 * z, min(2 * z + 2, nz)):
            for j in range(2 * y, min(2 * y + 2, ny)):
                row = r[k, j]
                for x in range(nx):
                    o[x // 2] += row[x]


@njit(cache=True, parallel=True, nogil=True)
def _to_coarse_many(r, out):  # type: ignore[no-untyped-def]
    for zu in prange(out.shape[0]):
        _gather_plane(r, np.int64(zu), out)


@njit(cache=True, nogil=True)
def _to_coarse_one(r, out):  # type: ignore[no-untyped-def]
    for z in range(out.shape[0]):
        _gather_plane(r, z, out)


@njit(cache=True)
def _spread_plane(e, z, u):  # type: ignore[no-untyped-def]
    for y in range(u.shape[1]):
        row = u[z, y]
        c = e[z // 2, y // 2]
        for x in range(row.size):
            row[x] += c[x // 2]


@njit(cache=True, parallel=True, nogil=True)
def _add_coarse_many(e, u):  # type: ignore[no-untyped-def]
    for zu in prange(u.shape[0]):
        _spread_plane(e, np.int64(zu), u)


@njit(cache=True, nogil=True)
def _add_coarse_one(e, u):  # type: ignore[no-untyped-def]
    for z in range(u.shape[0]):
        _spread_plane(e, z, u)


@njit(cache=True, nogil=True)
def _coarsened(cz, cy, cx, sink, oz, oy, ox, osink):  # type: ignore[no-untyped-def]
    nz, ny, nx = cz.shape
    for z in range(nz):
        for y in range(ny):
            for x in range(nx):
                a, b, c = z // 2, y // 2, x // 2
                osink[a, b, c] += sink[z, y, x]
                if z % 2 == 0:
                    oz[a, b, c] += np.float32(0.5) * cz[z, y, x]
                if y % 2 == 0:
                    oy[a, b, c] += np.float32(0.5) * cy[z, y, x]
                if x % 2 == 0:
                    ox[a, b, c] += np.float32(0.5) * cx[z, y, x]


def make_links(cz: F32, cy: F32, cx: F32, sink: F32) -> Links:
    """Return a grid with the inverse of its diagonal, 0 where a cell has no link at all.

    Links along an axis of one cell are dropped: they would run from a cell to itself.
    """
    for axis, c in enumerate((cz, cy, cx)):
        if c.shape[axis] == 1:
            c[...] = 0
    diagonal = sink + cz + cy + cx
    diagonal += np.roll(cz, -1, axis=0)
    diagonal += np.roll(cy, -1, axis=1)
    diagonal += np.roll(cx, -1, axis=2)
    inverse = np.zeros_like(diagonal)
    np.divide(np.float32(1), diagonal, out=inverse, where=diagonal > 0)
    return Links(cz, cy, cx, sink, inverse)


class Multigrid:
    """A pyramid of grids over the given one, and room to work in.

    Memory: about 48 bytes a cell with the solver's own vectors.
    """

    def __init__(self, finest: Links) -> None:
        self.grids = [finest]
        while self.grids[-1].cz.size > COARSEST:
            g = self.grids[-1]
            shape = tuple(-(-n // 2) for n in g.shape)
            oz, oy, ox, osink = (np.zeros(shape, np.float32) for _ in range(4))
            _coarsened(g.cz, g.cy, g.cx, g.sink, oz, oy, ox, osink)
            self.grids.append(make_links(oz, oy, ox, osink))
        self._room = [[np.zeros(g.shape, np.float32) for _ in range(2)] for g in self.grids]
        self._right = [np.zeros(g.shape, np.float32) for g in self.grids[1:]]

    def cycle(self, b: F32, out: F32, level: int = 0) -> None:
        """Set `out` to about A⁻¹ b: one symmetric cycle from nothing."""
        g = self.grids[level]
        one, two = self._room[level]
        if level == len(self.grids) - 1:
            np.multiply(g.inverse, b, out=out)
            for _ in range(LAST_SWEEPS):
                _sweep(g, out, b, 2, 0.8, one)
                out[...] = one
            return
        np.multiply(g.inverse, b, out=one)
        one *= np.float32(STEPS[0])
        _sweep(g, one, b, 2, STEPS[1], out)
        self._correct(level, b, out, one, two)
        _sweep(g, out, b, 2, STEPS[1], one)
        _sweep(g, one, b, 2, STEPS[0], out)

    def _correct(self, level: int, b: F32, u: F32, one: F32, two: F32) -> None:
        """Add what the coarse grid finds of the error; small grids are asked twice."""
        g = self.grids[level]
        right = self._right[level]
        _sweep(g, u, b, 1, 0.0, one)
        (_to_coarse_many if u.size > SMALL else _to_coarse_one)(one, right)
        e = np.empty_like(right)
        self.cycle(right, e, level + 1)
        if level >= 1 and level + 1 < len(self.grids) - 1:
            below = self.grids[level + 1]
            rest = np.empty_like(right)
            _sweep(below, e, right, 1, 0.0, rest)
            more = np.empty_like(right)
            self.cycle(rest, more, level + 1)
            e += more
        (_add_coarse_many if u.size > SMALL else _add_coarse_one)(e, u)


@njit(cache=True)
def _dot_plane(a, b, z):  # type: ignore[no-untyped-def]
    total = 0.0
    for y in range(a.shape[1]):
        p, q = a[z, y], b[z, y]
        part = np.float32(0)
        for x in range(p.size):
            part += p[x] * q[x]
        total += float(part)
    return total


@njit(cache=True, parallel=True, nogil=True)
def _dots_many(a, b, rows):  # type: ignore[no-untyped-def]
    for z in prange(a.shape[0]):
        rows[z] = _dot_plane(a, b, z)


@njit(cache=True, nogil=True)
def _dots_one(a, b, rows):  # type: ignore[no-untyped-def]
    for z in range(a.shape[0]):
        rows[z] = _dot_plane(a, b, z)


def dot(a: F32, b: F32) -> float:
    """Return the sum of products of two arrays (z, y, x), rows in float32, their sum in float64."""
    rows = np.zeros(a.shape[0])
    (_dots_many if a.size > SMALL else _dots_one)(a, b, rows)
    return float(rows.sum())


def solve(
    grid: Links, b: F32, *, start: F32 | None = None, tolerance: float = 1e-5, most: int = 200
) -> tuple[F32, float, int]:
    """Solve A u = b.

    Parameters
    ----------
    grid
        Links and sinks.
    b
        Right-hand side (z, y, x), float32.
    start
        A first guess, overwritten by the answer.
    tolerance
        Residual over right-hand side (Euclidean norms) at which to stop.
    most
        Most rounds.

    Returns
    -------
    tuple
        u, the relative residual reached, and the rounds it took.
    """
    u = np.zeros_like(b) if start is None else start
    r = np.empty_like(b)
    _sweep(grid, u, b, 1, 0.0, r)
    size = dot(b, b)
    if size <= 0:
        return np.zeros_like(b), 0.0, 0
    pyramid = Multigrid(grid)
    z = np.empty_like(b)
    p = np.zeros_like(b)
    ap = np.empty_like(b)
    old = 1.0
    rounds = 0
    left = (dot(r, r) / size) ** 0.5
    best = left
    for k in range(most):
        if left <= tolerance:
            break
        pyramid.cycle(r, z)
        new = dot(r, z)
        if new <= 0:
            break
        if k > 0:
            p *= np.float32(new / old)
        p += z
        _sweep(grid, p, b, 0, 0.0, ap)
        step = new / dot(p, ap)
        (_advance_many if u.size > SMALL else _advance_one)(u, p, r, ap, np.float32(step))
        old = new
        left = (dot(r, r) / size) ** 0.5
        rounds = k + 1
        best = min(best, left)
        if left > 1e3 * best:
            break
    return u, left, rounds


@njit(cache=True)
def _advance_plane(u, p, r, ap, step, z):  # type: ignore[no-untyped-def]
    for y in range(u.shape[1]):
        a, b, c, d = u[z, y], p[z, y], r[z, y], ap[z, y]
        for x in range(a.size):
            a[x] += step * b[x]
            c[x] -= step * d[x]


@njit(cache=True, parallel=True, nogil=True)
def _advance_many(u, p, r, ap, step):  # type: ignore[no-untyped-def]
    for zu in prange(u.shape[0]):
        _advance_plane(u, p, r, ap, step, np.int64(zu))


@njit(cache=True, nogil=True)
def _advance_one(u, p, r, ap, step):  # type: ignore[no-untyped-def]
    for z in range(u.shape[0]):
        _advance_plane(u, p, r, ap, step, z)


def residual(grid: Links, u: F32, b: F32) -> F32:
    """Return b - A u, computed anew."""
    out = np.empty_like(b)
    _sweep(grid, u, b, 1, 0.0, out)
    return out
