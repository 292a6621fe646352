"""Transport through the domain along X, Y and H: ways, diffusion and, when asked for, flow."""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.threads import on_each
from volscan.kernels.arrival import arrival
from volscan.kernels.cutcells import level_set_on_grid
from volscan.pores.diffusion import relative_flux
from volscan.pores.domain import AXES, Axis
from volscan.pores.flow import BYTES_PER_CELL as FLOW_BYTES
from volscan.pores.flow import permeability
from volscan.pores.solid import Solid
from volscan.pores.throats import DomainGrid
from volscan.quantity import Notice, Quantity, combine_u

F32 = NDArray[np.float32]
# Working memory of the solvers, measured: level set, links, four vectors, coarser grids.
BYTES_PER_CELL = 56
MEMORY_BYTES = 2 * 1024**3
# More cells than this do not pay: the two-grid difference is then below the surface's own u.
MOST_CELLS = 256**3
MOST_FLOW_CELLS = 100**3
# Effective shift of the whole surface that cutting cells leaves, in cells: largest found on the
# arrays of docs/validation/pores.md (0.04), rounded up.
U_CUT = 0.05
HISTOGRAM_BINS = 40

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Transport:
    """What passes the domain along x, y and h; None where it was not measured.

    `tortuosity_histogram` holds (upper edge, share of the exit face) rows along each axis.
    `imbalance` is the difference of what enters and leaves over the flux, the solvers' residual.
    """

    tortuosity: dict[Axis, Quantity | None] = field(default_factory=dict)
    tortuosity_deciles: dict[Axis, tuple[float, ...]] = field(default_factory=dict)
    tortuosity_histogram: dict[Axis, NDArray[np.float64]] = field(default_factory=dict)
    diffusivity: dict[Axis, Quantity | None] = field(default_factory=dict)
    permeability_um2: dict[Axis, Quantity | None] = field(default_factory=dict)
    imbalance: dict[Axis, float] = field(default_factory=dict)
    flow_imbalance: dict[Axis, float] = field(default_factory=dict)
    cells: tuple[int, int, int] | None = None
    cell_um: float | None = None
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True)
class _Box:
    """The level set at the corners of the domain's cells (h, y, x), and a cell's edges."""

    corners: F32
    steps_um: tuple[float, float, float]
    slope_per_um: float

    def along(self, axis: Axis) -> tuple[F32, tuple[float, float, float]]:
        """Return corners and edges with the flow's axis first."""
        k = AXES[axis]
        order = (k, *(j for j in range(3) if j != k))
        a, b, c = (self.steps_um[j] for j in order)
        return np.ascontiguousarray(self.corners.transpose(order)), (a, b, c)

    def coarse(self) -> _Box:
        """Return the box with cells of twice the edge."""
        a, b, c = (2 * s for s in self.steps_um)
        return _Box(np.ascontiguousarray(self.corners[::2, ::2, ::2]), (a, b, c), self.slope_per_um)

    def thinned(self, by_um: float) -> _Box:
        """Return the box with the solid's surface moved back into the solid."""
        shift = np.float32(by_um * self.slope_per_um)
        return _Box(self.corners + shift, self.steps_um, self.slope_per_um)


@dataclass(frozen=True)
class TransportChoice:
    """How transport is measured.

    Parameters
    ----------
    permeability
        Whether to solve Stokes' equation too.
    sides
        Side faces of the box: "closed" (symmetry planes: no flux, no shear) or "periodic".
    solid_diffusivity
        Diffusivity in the solid over that in the pores; 0 where nothing passes the solid.
    memory_bytes
        What the solvers may take; a larger box gets larger cells, and a notice.
    """

    permeability: bool = False
    sides: Literal["closed", "periodic"] = "closed"
    solid_diffusivity: float = 0.0
    memory_bytes: int = MEMORY_BYTES


def measure_transport(
    solid: Solid,
    grid: DomainGrid,
    choice: TransportChoice,
    *,
    along: Sequence[Axis] = ("x", "y", "h"),
) -> Transport:
    """Measure shortest ways, relative diffusivity and permeability along x, y and h.

    Parameters
    ----------
    solid
        The solid on the working grid.
    grid
        The domain.
    choice
        What to solve, and with which sides.
    along
        Axes to measure along.

    Returns
    -------
    Transport
        Each number's u holds a third (second order: diffusion, flow) or the whole (first order:
        ways) of the difference to cells of twice the edge, and what the surface's own u moves it
        by. See docs/theory/transport.md.
    """
    notices: list[Notice] = []
    sides, memory_bytes = choice.sides, choice.memory_bytes
    box = _box(solid, grid, BYTES_PER_CELL, min(memory_bytes, MOST_CELLS * BYTES_PER_CELL))
    _state("diffusion", box, BYTES_PER_CELL, solid, memory_bytes, notices)
    shift = _surface_shift(solid, box)
    half = box.coarse()
    thin = half.thinned(shift)
    out = Transport(
        cells=(box.corners.shape[0] - 1, box.corners.shape[1] - 1, box.corners.shape[2] - 1),
        cell_um=max(box.steps_um),
    )
    # A front marches on one thread: ways along several axes run side by side.
    asked = [(part, axis) for axis in along for part in (box, half)]
    ways = on_each(lambda w: _way_ratios(*w, sides == "periodic"), asked)
    for axis, found, coarse in zip(along, ways[::2], ways[1::2], strict=True):
        _ways(axis, box, found, coarse[0], out, notices)
        _diffusion(axis, box, half, thin, sides, choice.solid_diffusivity, out, notices)
    if choice.permeability:
        most = min(memory_bytes, MOST_FLOW_CELLS * FLOW_BYTES)
        box = _box(solid, grid, FLOW_BYTES, most)
        _state("flow", box, FLOW_BYTES, solid, memory_bytes, notices)
        half = box.coarse()
        thin = half.thinned(_surface_shift(solid, box))
        for axis in along:
            _flow(axis, box, half, thin, sides, out, notices)
    return replace(out, notices=tuple(notices))


def _box(solid: Solid, grid: DomainGrid, bytes_per_cell: int, memory_bytes: int) -> _Box:
    size = np.array(grid.domain.size_um)[::-1]
    most = max(memory_bytes / bytes_per_cell, 64.0)
    step = max(min(solid.spacing_um), float(np.prod(size) / most) ** (1 / 3))
    # Even counts: the coarser grid's corners are every other one.
    counts = np.maximum(2, 2 * np.rint(size / (2 * step))).astype(int)
    steps = size / counts
    steps_um = (float(steps[0]), float(steps[1]), float(steps[2]))
    corners = level_set_on_grid(
        solid.fraction,
        level=solid.level,
        spacing_um=solid.spacing_um,
        origin_um=grid.corner_um - solid.origin_um,
        axes=grid.axes,
        steps_um=steps_um,
        shape=(int(counts[0]) + 1, int(counts[1]) + 1, int(counts[2]) + 1),
    )
    slope = solid.surface.slope_per_um
    return _Box(corners, steps_um, slope if math.isfinite(slope) else 0.5 / min(solid.spacing_um))


def _state(
    what: str,
    box: _Box,
    bytes_per_cell: int,
    solid: Solid,
    memory_bytes: int,
    notices: list[Notice],
) -> None:
    """Say what the solver will take before it starts, and that cells were made larger."""
    cells = math.prod(n - 1 for n in box.corners.shape)
    gib = cells * bytes_per_cell / 1024**3
    _log.info("%s: %d cells, about %.2f GiB of working memory", what, cells, gib)
    if max(box.steps_um) > 1.3 * min(solid.spacing_um):
        notices.append(
            Notice(
                f"{what}_coarsened",
                f"{what} was solved on cells of {max(box.steps_um):.4g} µm, coarser than the "
                f"voxels, to stay within {memory_bytes / 1024**3:.3g} GiB and a time worth "
                "waiting for; its u holds what that may change",
            )
        )


def _surface_shift(solid: Solid, box: _Box) -> float:
    """Return the standard uncertainty of the surface's place as a whole, in µm.

    Of the diameter's u, the part of voxelisation differs from place to place and averages out;
    what cutting cells leaves takes its place.
    """
    return combine_u([0.5 * solid.u_shared_um, U_CUT * max(box.steps_um)])


def _free(corners: F32) -> NDArray[np.bool_]:
    """Return the cells whose middle lies in the pores."""
    out = np.empty(tuple(n - 1 for n in corners.shape), bool)
    for z in range(out.shape[0]):
        p = corners[z] + corners[z + 1]
        out[z] = p[1:, 1:] + p[1:, :-1] + p[:-1, 1:] + p[:-1, :-1] > 0
    return out


def _way_ratios(box: _Box, axis: Axis, periodic: bool) -> tuple[NDArray[np.float64], int]:
    """Return shortest way over face distance at the exit face, sorted, and cells out of reach."""
    corners, steps = box.along(axis)
    free = _free(corners)
    way = arrival(free, steps_um=steps, periodic=periodic)[-1]
    ends = way[free[-1]].astype(np.float64)
    reached = np.isfinite(ends)
    length = free.shape[0] * steps[0]
    return np.sort((ends[reached] + 0.5 * steps[0]) / length), int((~reached).sum())


def _ways(
    axis: Axis,
    box: _Box,
    found: tuple[NDArray[np.float64], int],
    coarse: NDArray[np.float64],
    out: Transport,
    notices: list[Notice],
) -> None:
    ratios, lost = found
    if ratios.size == 0:
        out.tortuosity[axis] = None
        notices.append(
            Notice("no_way", f"geodesic_tortuosity.{axis} is null: no way leads through the pores")
        )
        return
    if lost > 0.01 * (ratios.size + lost):
        notices.append(
            Notice(
                "exit_out_of_reach",
                f"along {axis} {lost / (ratios.size + lost):.1%} of the exit face's pores is out "
                "of reach from the entry face and not in geodesic_tortuosity",
            )
        )
    mean = float(ratios.mean())
    error = abs(mean - float(coarse.mean())) if coarse.size else mean - 1
    length = (box.corners.shape[AXES[axis]] - 1) * box.steps_um[AXES[axis]]
    u = combine_u([error, U_CUT * max(box.steps_um) / length])
    sd = float(ratios.std(ddof=1)) if ratios.size > 1 else 0.0
    out.tortuosity[axis] = Quantity(mean, u, "1", 1, sd)
    out.tortuosity_deciles[axis] = tuple(float(q) for q in np.quantile(ratios, (0.1, 0.5, 0.9)))
    edges = np.linspace(1.0, max(float(ratios[-1]), 1.0 + 1e-6), HISTOGRAM_BINS + 1)
    shares = np.diff(np.searchsorted(ratios, edges[1:], side="right"), prepend=0) / ratios.size
    out.tortuosity_histogram[axis] = np.column_stack([edges[1:], shares])


def _diffusion(
    axis: Axis,
    box: _Box,
    half: _Box,
    thin: _Box,
    sides: Literal["closed", "periodic"],
    solid_ratio: float,
    out: Transport,
    notices: list[Notice],
) -> None:
    corners, steps = half.along(axis)
    coarse, u = relative_flux(corners, steps_um=steps, sides=sides, solid_ratio=solid_ratio)
    corners, _ = thin.along(axis)
    moved, _ = relative_flux(
        corners, steps_um=steps, sides=sides, solid_ratio=solid_ratio, guess=u.copy()
    )
    corners, steps = box.along(axis)
    fine, _ = relative_flux(
        corners, steps_um=steps, sides=sides, solid_ratio=solid_ratio, guess=_finer(u)
    )
    if fine.imbalance > 0.01:
        out.diffusivity[axis] = None
        notices.append(
            Notice(
                "diffusion_unsolved",
                f"relative_diffusivity.{axis} is null: what enters and what leaves still differ "
                f"by {fine.imbalance:.1%} of the flux",
            )
        )
        return
    u_value = combine_u(
        [
            (fine.relative - coarse.relative) / 3,
            moved.relative - coarse.relative,
            0.5 * fine.imbalance * fine.relative,
        ]
    )
    out.diffusivity[axis] = Quantity(fine.relative, u_value, "1", 1)
    out.imbalance[axis] = fine.imbalance
    if fine.relative <= 0:
        notices.append(
            Notice("no_diffusion", f"relative_diffusivity.{axis} is 0: no open way was resolved")
        )


def _finer(u: F32) -> F32:
    """Return a first guess on cells of half the edge: the coarse one with its mean slope kept."""
    n = u.shape[0]
    line = (1 - (np.arange(n, dtype=np.float32) + 0.5) / n)[:, None, None]
    out = (u - line).repeat(2, axis=0).repeat(2, axis=1).repeat(2, axis=2)
    out += (1 - (np.arange(2 * n, dtype=np.float32) + 0.5) / (2 * n))[:, None, None]
    return np.asarray(out, dtype=np.float32)


def _flow(
    axis: Axis,
    box: _Box,
    half: _Box,
    thin: _Box,
    sides: Literal["closed", "periodic"],
    out: Transport,
    notices: list[Notice],
) -> None:
    corners, steps = half.along(axis)
    coarse = permeability(corners, steps_um=steps, sides=sides)
    corners, _ = thin.along(axis)
    moved = permeability(corners, steps_um=steps, sides=sides)
    corners, steps = box.along(axis)
    fine = permeability(corners, steps_um=steps, sides=sides)
    if fine.imbalance > 0.02:
        out.permeability_um2[axis] = None
        notices.append(
            Notice(
                "flow_unsolved",
                f"permeability_um2.{axis} is null: the flow through the cross-sections still "
                f"differs by {fine.imbalance:.1%}",
            )
        )
        return
    u_value = combine_u(
        [
            (fine.value_um2 - coarse.value_um2) / 3,
            moved.value_um2 - coarse.value_um2,
            fine.imbalance * fine.value_um2,
        ]
    )
    out.permeability_um2[axis] = Quantity(fine.value_um2, u_value, "µm²", 1)
    out.flow_imbalance[axis] = fine.imbalance
