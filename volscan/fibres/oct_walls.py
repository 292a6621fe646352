"""Walls of a prepared OCT scan: seen from above, their fibres fitted in each wall's section."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.columns import FamilyAxes, family_axes
from volscan.fibres.lines import FittedWall
from volscan.fibres.oct_index import Told, index_of
from volscan.fibres.oct_plan import (
    PlanFamily,
    PlanWall,
    clear_of,
    columns_of,
    covered_columns,
    find_plan,
    open_stretches,
    spacing_of,
)
from volscan.fibres.oct_section import (
    Section,
    SectionOptics,
    Stack,
    fit_section,
    misfit_of,
    section_of,
)
from volscan.fibres.oct_seen import present_fibres
from volscan.fibres.oct_stack import (
    best_lean,
    count_of,
    even_stack,
    family_steps,
    line_sigma_um,
    resting_steps,
    top_fibre,
)
from volscan.fibres.threads import on_each
from volscan.geometry import BuildFrame, FloatArray
from volscan.kernels.oct_section import gather_columns
from volscan.prepare.oct import OctMap
from volscan.progress import Progress

# Rows of a section are at least half a row of the scan (columns start at any part of one), and at
# most this part of the beam's spread: finer ones cost time and tell nothing.
_FINEST_ROW, _ROW_SIGMAS = 0.5, 0.75
# Walls of each family whose sections tell what is common to a print.
_SHARED_WALLS = 3
_SHARED = (
    "sigma_v", "half_angle_deg", "underside", "rough", "inside", "flank",
    "loss_per_um", "floor_rough", "body", "decay_um",
    "crossing",
)  # fmt: skip


@dataclass(frozen=True)
class OctWalls:
    """The walls of a scan, each with its family's number in `axes`, and what they tell of optics.

    `told` are indices and flatnesses by wall, `unseen` counts fibres that shadow hides, `echoes`
    are intensities of the walls' level tops.
    """

    walls: list[FittedWall]
    axes: list[FamilyAxes]
    optics: SectionOptics
    told: list[Told]
    unseen: int
    echoes: list[float]


@dataclass(frozen=True)
class _Seen:
    """A wall with its pooled section and the stretches it is pooled from."""

    wall: PlanWall
    stretches: tuple[tuple[float, float], ...]
    section: Section
    row_step: float
    columns: tuple[NDArray[np.int64], NDArray[np.int64], FloatArray, FloatArray]


def walls_of(
    scan: OctMap,
    frame: BuildFrame,
    start: SectionOptics,
    *,
    progress: Progress,
) -> OctWalls | None:
    """Return the walls of a scan, fitted from first guesses of the optics; None without any."""
    families = find_plan(scan, covered_columns(scan))
    progress("fibres", 0.1)
    walls: list[FittedWall] = []
    axes: list[FamilyAxes] = []
    optics: SectionOptics | None = None
    told: list[Told] = []
    echoes: list[float] = []
    unseen = 0
    for n, family in enumerate(families):
        others = [f for f in families if f is not family]
        found = _family_walls(scan, frame, family, others, optics or start, known=optics)
        progress("fibres", 0.1 + 0.85 * (n + 1) / len(families))
        if found is None:
            continue
        axes.append(found.axes)
        walls += [replace(w, family=len(axes) - 1) for w in found.walls]
        told += found.met
        unseen += found.unseen
        echoes += found.echoes
        optics = found.optics
    if not walls or optics is None:
        return None
    return OctWalls(walls, axes, optics, told, unseen, echoes)


@dataclass(frozen=True)
class _FamilyWalls:
    axes: FamilyAxes
    walls: list[FittedWall]
    optics: SectionOptics
    met: list[Told]
    unseen: int
    echoes: list[float]


def _family_walls(
    scan: OctMap,
    frame: BuildFrame,
    family: PlanFamily,
    others: list[PlanFamily],
    optics: SectionOptics,
    *,
    known: SectionOptics | None,
) -> _FamilyWalls | None:
    seen = _seen_walls(scan, family, others)
    if not seen:
        return None
    beam = optics.sigma_um[1]
    if known is None:
        beam = float(np.median([line_sigma_um(w.section) for w in seen]))
    across = _sigma_across(scan, family)
    optics = replace(optics, sigma_um=(across or 1.2 * beam, beam))
    shared = _SHARED if across else ("sigma_u", *_SHARED)
    rough = optics
    tops = on_each(lambda w: top_fibre(w.section, rough), seen)
    pairs = [(w, t) for w, t in zip(seen, tops, strict=True) if t is not None]
    if not pairs:
        return None
    seen = [w for w, _ in pairs]
    firsts = [t[0] for _, t in pairs]
    if known is None:
        optics = _median_optics([t[1] for _, t in pairs], optics)
    half = float(np.median([f.half_width_um[0] for f in firsts]))
    firsts = [replace(f, half_width_um=np.array([half])) for f in firsts]
    chosen = _spread(len(seen), _SHARED_WALLS)
    starts = _starts(seen, firsts, optics, chosen[:2])
    usual = starts[0].across_um.size
    if known is None and usual > 1:
        optics = _with_cone([(seen[i].section, starts[i]) for i in chosen], optics, free=shared)
    begun = optics

    def common_of(i: int) -> tuple[Stack, SectionOptics, Told]:
        """Fit a wall with all that is common to the print, then its index and flatness too."""
        stack, own = fit_section(
            seen[i].section, starts[i], begun, free=shared, one_width=True, evaluations=25
        )
        return stack, own, index_of(seen[i].section, stack, own, shared=shared)

    common = on_each(common_of, chosen)
    fits = [(stack, own) for stack, own, _ in common]
    optics = _median_optics([o for _, o in fits], optics)
    agreed = optics

    def fitted(i: int) -> Stack:
        w = seen[i]
        begin = (
            fits[chosen.index(i)][0]
            if i in chosen
            else best_lean(w.section, _like(fits, starts[i]), agreed)
        )
        return fit_section(w.section, begin, agreed, evaluations=20)[0]

    stacks = on_each(fitted, list(range(len(seen))))
    present, unseen = present_fibres(stacks, agreed)
    axes = _axes(scan, frame, family)

    def traced(i: int) -> FittedWall | None:
        if not present[i].any():
            return None
        return _fitted_wall(scan, family, seen[i], stacks[i], present[i], agreed, axes)

    walls = [w for w in on_each(traced, list(range(len(seen)))) if w is not None]
    # Intensity of a level top that nothing lies above.
    echoes = [float(np.exp(2.0 * s.level[0])) for s in stacks]
    return (
        _FamilyWalls(axes, walls, optics, [t for _, _, t in common], unseen, echoes)
        if walls
        else None
    )


def _starts(
    seen: list[_Seen], firsts: list[Stack], optics: SectionOptics, tried: list[int]
) -> list[Stack]:
    """Return first guesses of all walls, with the step between fibres that explains some best."""
    rises = family_steps([w.section for w in seen], firsts, optics)
    rises = resting_steps(rises, firsts, optics)

    def guesses(rise: float, which: list[int]) -> list[Stack]:
        tops = [firsts[i] for i in which]
        counts = [
            count_of(float(t.height_um[0]), rise, float(t.half_width_um[0]) * optics.flatness)
            for t in tops
        ]
        usual = int(np.median(counts))
        return [
            best_lean(seen[i].section, even_stack(t, usual, rise), optics)
            for i, t in zip(which, tops, strict=True)
        ]

    begun = [guesses(rise, tried) for rise in rises]

    def left(k: int) -> float:
        total = 0.0
        for i, start in zip(tried, begun[k], strict=True):
            stack, own = fit_section(
                seen[i].section, start, optics, free=("loss_per_um", "floor_rough", "inside"),
                one_width=True, evaluations=6,
            )  # fmt: skip
            total += misfit_of(seen[i].section, stack, own)
        return total

    scores = on_each(left, list(range(len(rises))))
    return guesses(rises[int(np.argmin(scores))], list(range(len(seen))))


# Half-angles of the cone of light that are tried, as tangents: a numerical aperture of 0.02 to 0.2
# is what OCT objectives have (common practice, no published source).
_CONES = (0.02, 0.05, 0.09, 0.15)


def _with_cone(
    walls: list[tuple[Section, Stack]], optics: SectionOptics, *, free: tuple[str, ...]
) -> SectionOptics:
    """Return the optics with the cone of light that explains the walls' shadows best.

    Left free in one fit it runs into the fibres' lean, which dims one side of a fibre too.
    """
    scores, fitted = [], []
    for cone in _CONES:
        found = [
            (section, *fit_section(
                section, stack, replace(optics, cone=cone), free=free, one_width=True,
                evaluations=12,
            ))
            for section, stack in walls[:2]
        ]  # fmt: skip
        scores.append(sum(misfit_of(section, s, o) for section, s, o in found))
        fitted.append([o for _, _, o in found])
    best = int(np.argmin(scores))
    return replace(_median_optics(fitted[best], optics), cone=_CONES[best])


def _sigma_across(scan: OctMap, family: PlanFamily) -> float | None:
    """Return the amplitude's spread across a family's walls, as the speckle tells it."""
    sy, sx = scan.lateral_sigma_um
    if sy is None or sx is None:
        return None
    return float(math.hypot(family.across[0] * sx, family.across[1] * sy))


def _spread(count: int, most: int) -> list[int]:
    return sorted({round(v) for v in np.linspace(0, count - 1, min(count, most))})


def _like(fits: list[tuple[Stack, SectionOptics]], start: Stack) -> Stack:
    """Return a first guess whose fibres lie under its topmost like those of fitted walls."""
    first = fits[0][0]
    if first.across_um.size != start.across_um.size:
        return start
    across = np.mean([s.across_um - s.across_um[0] for s, _ in fits], axis=0)
    heights = np.mean([s.height_um - s.height_um[0] for s, _ in fits], axis=0)
    return Stack(
        start.across_um[0] + across,
        start.height_um[0] + heights,
        np.mean([s.half_width_um for s, _ in fits], axis=0),
        np.mean([s.level for s, _ in fits], axis=0),
    )


def _median_optics(several: list[SectionOptics], like: SectionOptics) -> SectionOptics:
    """Return each optical constant's median over the walls that told it."""
    names = [
        "half_angle_deg", "underside", "rough", "inside", "flank", "loss_per_um", "floor_rough",
        "body", "decay_um", "cone", "crossing",
    ]  # fmt: skip
    values = {n: float(np.median([getattr(o, n) for o in several])) for n in names}
    sigma = np.median([o.sigma_um for o in several], axis=0)
    return replace(like, sigma_um=(float(sigma[0]), float(sigma[1])), **values)


def _seen_walls(scan: OctMap, family: PlanFamily, others: list[PlanFamily]) -> list[_Seen]:
    """Return the walls with their pooled sections."""
    step = max(scan.spacing_um)
    gap = spacing_of(family)
    clear = clear_of(scan, others, margin_um=step)
    found: list[_Seen] = []
    row_step = _FINEST_ROW
    for wall in family.walls:
        reach = min(0.5 * gap, 0.5 * wall.width_um + 25.0)
        iy, ix, s, u = columns_of(scan, family, wall, reach_um=reach, clear=clear)
        stretches = open_stretches(family, wall, others, margin_um=1.0 * step, step_um=step)
        if not stretches:
            continue
        inside = np.zeros(s.size, bool)
        for a, b in stretches:
            inside |= (s >= a) & (s <= b)
        columns = (iy[inside], ix[inside], u[inside], reach)
        section = _section(scan, *columns, row_step)
        if not found:
            row_step = _row_step(line_sigma_um(section) / scan.step_um)
            section = _section(scan, *columns, row_step)
        found.append(_Seen(wall, tuple(stretches), section, row_step, (iy, ix, s, u)))
    return found


def _row_step(sigma_rows: float) -> float:
    """Return the height of a section's rows, in the scan's, for a beam's spread of so many."""
    halves = math.floor(_ROW_SIGMAS * sigma_rows / _FINEST_ROW)
    return _FINEST_ROW * max(1, halves)


def _section(
    scan: OctMap,
    iy: NDArray[np.int64],
    ix: NDArray[np.int64],
    u: FloatArray,
    reach: float,
    row_step: float,
) -> Section:
    du = 0.5 * min(scan.spacing_um)
    nu = max(4, math.ceil(2.0 * reach / du))
    path = scan.sheet.path_um / scan.step_um
    rows = scan.intensity.shape[0]
    above = float(path[iy, ix].max())
    below = float(rows - 1 - path[iy, ix].min())
    nv = int((above + below) / row_step) + 1
    total, count, place = gather_columns(
        scan.intensity, path, iy.astype(np.int64), ix.astype(np.int64), u, -reach, du, -above,
        row_step, (nv, nu),
    )  # fmt: skip
    section = section_of(
        total, count, place, u0_um=-reach, du_um=du, v0_um=-above * scan.step_um,
        dv_um=row_step * scan.step_um, looks=scan.compression.looks, independent=0.25,
    )  # fmt: skip
    return _trimmed(section)


def _trimmed(section: Section) -> Section:
    """Return the section without the empty rows far above and below all echoes."""
    smooth = section.mean.max(axis=1)
    lit = np.flatnonzero((smooth > 6.0) & (section.weight.max(axis=1) > 0))
    if lit.size == 0:
        return section
    pad = 8
    a, b = max(0, int(lit[0]) - pad), min(smooth.size, int(lit[-1]) + pad)
    return replace(
        section, v_um=section.v_um[a:b], mean=section.mean[a:b], weight=section.weight[a:b]
    )


def _axes(scan: OctMap, frame: BuildFrame, family: PlanFamily) -> FamilyAxes:
    """Return a family's axes in the scan as stored, its fibres parallel to the collector."""
    along = scan.axes.direction_to_scan(np.array([0.0, family.along[1], family.along[0]]))
    along = along - (along @ frame.h) * frame.h
    return family_axes(along / np.linalg.norm(along), frame.h)


def _fitted_wall(
    scan: OctMap,
    family: PlanFamily,
    seen: _Seen,
    stack: Stack,
    there: NDArray[np.bool_],
    optics: SectionOptics,
    axes: FamilyAxes,
) -> FittedWall | None:
    """Fit a wall stretch by stretch, and tell its fibres from the lowest in the family's axes."""
    iy, ix, s, u = seen.columns
    kept = Stack(
        stack.across_um[there], stack.height_um[there], stack.half_width_um[there],
        stack.level[there], None if stack.u_um is None else stack.u_um[there], stack.misfit,
    )  # fmt: skip
    reach = float(np.abs(u).max())
    middles, stations, spreads = [], [], []
    for a, b in seen.stretches:
        inside = (s >= a) & (s <= b)
        if inside.sum() < 4 * kept.across_um.size:
            continue
        section = _section(scan, iy[inside], ix[inside], u[inside], reach, seen.row_step)
        section = replace(section, collector=seen.section.collector)
        part, _ = fit_section(section, kept, optics, widths=False, evaluations=10)
        middles.append(0.5 * (a + b))
        stations.append(part)
        assert part.u_um is not None
        spreads.append(part.u_um[:, :2])
    # A single station tells no direction.
    if len(stations) < 2:
        return None
    at = np.array(middles)
    across = np.array([p.across_um for p in stations])[:, ::-1]
    height = np.array([p.height_um for p in stations])[:, ::-1]
    scan_um = _positions(scan, family, seen.wall, at, across, height, optics.medium)
    places = scan_um @ axes.matrix.T
    radius = kept.half_width_um[::-1] * math.sqrt(optics.flatness)
    u_radius = np.zeros(radius.size) if kept.u_um is None else kept.u_um[::-1, 2]
    ends = _positions(
        scan, family, seen.wall, np.array([seen.wall.start_um, seen.wall.end_um]),
        np.tile(across.mean(axis=0), (2, 1)), np.tile(height.mean(axis=0), (2, 1)), optics.medium,
    ) @ axes.matrix.T  # fmt: skip
    along_ends = np.sort(ends[..., 0].mean(axis=1))
    order = np.argsort(places[..., 0].mean(axis=1))
    places = places[order]
    return FittedWall(
        family=0,
        axes=axes,
        present=np.asarray(there[::-1]),
        along_um=places[..., 0].mean(axis=1),
        across_um=places[..., 1],
        up_um=places[..., 2],
        radius_um=radius,
        u_radius_um=u_radius,
        height_over_width=optics.flatness,
        start_um=float(along_ends[0]),
        end_um=float(along_ends[1]),
        misfit=stack.misfit,
        places_um=places,
        u_places_um=np.array(spreads)[order][:, ::-1],
    )


def _positions(
    scan: OctMap,
    family: PlanFamily,
    wall: PlanWall,
    along: FloatArray,
    across: FloatArray,
    height: FloatArray,
    medium: float,
) -> FloatArray:
    """Return scan positions (m, k, 3) [z, y, x] of places along, across and above the collector."""
    s, u = along[:, None], wall.position_um + across
    x = family.along[0] * s - family.along[1] * u
    y = family.along[1] * s + family.along[0] * u
    p = scan.sheet.plane_um
    plane = (p[0] + p[1] * y / scan.spacing_um[0] + p[2] * x / scan.spacing_um[1]) / medium
    return scan.axes.to_scan(np.stack([plane - height, y, x], axis=-1), scan.step_um / medium)
