"""Relative diffusivity: Laplace's equation in the pores between two faces of a box."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from volscan.kernels.cutcells import open_shares
from volscan.kernels.multigrid import dot, make_links, residual, solve

F32 = NDArray[np.float32]
Sides = Literal["closed", "periodic"]

# Residual over right-hand side at which the solver stops: the flux then errs by its square.
TOLERANCE = 1e-5


@dataclass(frozen=True)
class Flux:
    """What passes a box between two faces a unit of concentration apart.

    Parameters
    ----------
    relative
        Flux over that of the empty box, 0..1.
    imbalance
        Difference of what enters and what leaves, over the flux: how far the solution is from
        solved.
    rounds
        Rounds of the solver.
    """

    relative: float
    imbalance: float
    rounds: int


def relative_flux(
    corners: F32,
    *,
    steps_um: tuple[float, float, float],
    sides: Sides = "closed",
    solid_ratio: float = 0.0,
    guess: F32 | None = None,
    tolerance: float = TOLERANCE,
) -> tuple[Flux, F32]:
    """Solve Laplace's equation along the first axis of a box and return the flux through it.

    The concentration is 1 on the first face and 0 on the last; nothing passes the walls (unless
    the solid conducts) nor the sides of the box, which are symmetry planes, or periodic.

    Parameters
    ----------
    corners
        Level set at the corners of cells, above 0 in the pores; the flow's axis first.
    steps_um
        Edges of a cell.
    sides
        "closed": nothing passes the sides; "periodic": they are joined.
    solid_ratio
        Diffusivity of the solid over that of the pores.
    guess
        A first guess at the cells.
    tolerance
        Relative residual at which to stop.

    Returns
    -------
    tuple
        The flux, and the concentration at the cells.

    Notes
    -----
    A link between two cells conducts as the open share of the face between them (Ng, Min and
    Gibou 2009, J. Comput. Phys. 228, 8807). With a solid that conducts too, the cell around the
    face is a laminate: shares in parallel along the surface, in series across it.
    """
    lower, upper, cy, cx = _links(corners, steps_um, sides, solid_ratio)
    cz = lower
    # Between the faces and the first cells lies half a step.
    sink = np.zeros_like(cz)
    entry, exit_ = 2 * cz[0], 2 * upper
    sink[0] += entry
    sink[-1] += exit_
    cz[0] = 0
    grid = make_links(cz, cy, cx, sink)
    b = np.zeros_like(cz)
    b[0] = entry
    n = cz.shape[0]
    if guess is None:
        guess = np.empty_like(cz)
        guess[...] = (1 - (np.arange(n, dtype=np.float32) + 0.5) / n)[:, None, None]
    guess[grid.inverse == 0] = 0
    u, _, rounds = solve(grid, b, start=guess, tolerance=tolerance)
    into = float(np.sum(entry * (1 - u[0]), dtype=np.float64))
    out = float(np.sum(exit_ * u[-1], dtype=np.float64))
    # First order in the residual; what is left is of second order.
    total = float(entry.sum(dtype=np.float64)) - dot(b, u) - dot(u, residual(grid, u, b))
    hz, hy, hx = steps_um
    empty = cz.shape[1] * hy * cz.shape[2] * hx / (n * hz)
    relative = total / empty
    imbalance = abs(into - out) / max(into, out, 1e-30)
    if relative < 1e-7 or (relative < 10 * tolerance and imbalance > 0.1):
        # Nothing passes; what is left is the solver's rest.
        return Flux(0.0, 0.0, rounds), u
    return Flux(min(relative, max(1.0, solid_ratio)), imbalance, rounds), u


def _links(
    corners: F32, steps_um: tuple[float, float, float], sides: Sides, solid_ratio: float
) -> tuple[F32, F32, F32, F32]:
    """Return links to the lower neighbour along z, those of the last face, and along y and x."""
    hz, hy, hx = steps_um
    if solid_ratio > 0:
        az, ay, ax = _laminates(corners, solid_ratio)
    else:
        az, ay, ax = open_shares(corners)
    az *= np.float32(hy * hx / hz)
    ay *= np.float32(hz * hx / hy)
    ax *= np.float32(hz * hy / hx)
    for axis, a in ((1, ay), (2, ax)):
        first = a.take(0, axis=axis)
        joined = 0.5 * (first + a.take(-1, axis=axis)) if sides == "periodic" else 0 * first
        if axis == 1:
            a[:, 0] = joined
        else:
            a[:, :, 0] = joined
    return (
        np.ascontiguousarray(az[:-1]),
        az[-1].copy(),
        np.ascontiguousarray(ay[:, :-1]),
        np.ascontiguousarray(ax[:, :, :-1]),
    )


def _laminates(corners: F32, ratio: float) -> tuple[F32, F32, F32]:
    """Return the conductance of the cell around each face, pore 1 and solid `ratio`.

    The share of pore is told from the level set over its slope, as of a plane cut.
    """
    p = corners.astype(np.float32)
    slope = np.gradient(p)
    found = []
    for axis in range(3):
        others = [k for k in range(3) if k != axis]

        def at_faces(a: F32, pair: list[int] = others) -> F32:
            for k in pair:
                a = np.float32(0.5) * (
                    a.take(range(a.shape[k] - 1), axis=k) + a.take(range(1, a.shape[k]), axis=k)
                )
            return a

        g = [at_faces(np.asarray(s, dtype=np.float32)) for s in slope]
        size = np.sqrt(g[0] ** 2 + g[1] ** 2 + g[2] ** 2) + np.float32(1e-12)
        along = (g[axis] / size) ** 2
        reach = sum(np.abs(c) for c in g) + np.float32(1e-12)
        share = np.clip(np.float32(0.5) + at_faces(p) / reach, 0, 1)
        parallel = share + (1 - share) * np.float32(ratio)
        series = 1 / (share + (1 - share) / np.float32(ratio))
        found.append((1 / (along / series + (1 - along) / parallel)).astype(np.float32))
    return found[0], found[1], found[2]
