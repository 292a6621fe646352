"""From the material map to fibres: the stage's main road.

Directions first, then walls as leaning lines in the cross-section seen along each direction, then
the layers in the mean wall, and last a fit of blurred discs to every wall's own cross-section,
gathered from voxels that no other family's fibre comes near. The fit gives the polymer anchor and
the blur as well, and the heights of the fibres give the base plane's normal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from volscan.fibres.columns import family_axes, find_walls
from volscan.fibres.count import SURE, WELDED, likeliest_count
from volscan.fibres.credible import accounts_for, credible_walls, relative_misfit
from volscan.fibres.crosssection import (
    Column,
    Optics,
    Priors,
    ScanGrid,
    fit_discs,
    fit_from_starts,
    fit_shared,
    moved_segment,
    scan_grid,
)
from volscan.fibres.directions import find_directions
from volscan.fibres.field import FibreField
from volscan.fibres.gather import (
    MOST_FAMILIES,
    FamilyTrack,
    column_of,
    gather_walls,
    mark_families,
    track_family,
)
from volscan.fibres.layers import find_stack
from volscan.fibres.lines import FittedWall, field_from_walls, refined_frame
from volscan.fibres.threads import on_each
from volscan.frame.plate import level_frame, solid_points_um
from volscan.geometry import BuildFrame
from volscan.prepare.ct import FWHM_PER_SIGMA
from volscan.prepare.material import MaterialMap
from volscan.progress import Progress, no_progress
from volscan.quantity import Notice, Quantity

_POINTS = 300_000
# A family's stack must be explained by discs to within this share of its peak.
_WORST_STACK = 0.12
# Number of fibres in a wall is sure when the next best misfit is this many times the best.
_CLEAR_LEAD = 2.0
# Bins of a wall's section for each disc, at least: a disc has three unknowns.
_FEWEST_BINS = 12
# Parts are joined until each has this share of the fullest part's voxels away from crossings, or
# a sixth of the wall's.
_LEAST_SEEN = 0.6
# Walls that take part in the fit of contrast and blur: enough to average, few enough to be quick.
_SHARED_WALLS = 8
# Walls are followed in this many parts, so that their scatter tells the uncertainty.
_FEWEST_SEGMENTS, _MOST_SEGMENTS = 5, 12


@dataclass(frozen=True)
class FibreStage:
    """What `find_fibres` hands on: the fibres, and frame and map as bettered by them."""

    field: FibreField
    frame: BuildFrame
    material: MaterialMap


def find_fibres(
    material: MaterialMap, frame: BuildFrame, *, progress: Progress = no_progress
) -> FibreStage:
    """Find every fibre of a straight print, with sub-voxel centre and diameter.

    Parameters
    ----------
    material
        The material map; its polymer anchor may be a first guess.
    frame
        Rough build frame, good to about a degree.

    Returns
    -------
    FibreStage
        `field` is empty, with a notice, for a scan without parallel fibres; `frame` is refined
        from the layers; `material` has the polymer anchor and blur of the fitted cross-sections.

    Notes
    -----
    Assumes fibres straight along each wall; a wall is followed in parts, so bends show as scatter
    and enter u. Diameters are of the circle of equal area.
    """
    points = solid_points_um(material, limit=_POINTS)
    progress("fibres", 0.05)
    families = _rough_families(material, frame, points)
    progress("fibres", 0.3)
    if not families:
        return _nothing_found(material, frame)
    # One thread for the many small solves: faster than waking others, and the same bits whatever
    # the number of threads.
    with threadpool_limits(1, user_api="blas"):
        return _fitted(material, frame, families, progress)


def _fitted(
    material: MaterialMap, frame: BuildFrame, families: list[FamilyTrack], progress: Progress
) -> FibreStage:
    """Fit all walls of the families found."""
    optics = _first_optics(material)
    families, open_counts = _settle_counts(material, families, optics)
    for last in (False, True):
        columns = _columns(material, families, optics, segments=_segments(families))
        families, columns = _well_seen(families, columns)
        if not families:
            return _nothing_found(material, frame)
        chosen = _spread([c for group in columns for c in group.columns], _SHARED_WALLS)
        shared = (
            fit_shared(chosen, optics, columns[0].grid, priors=Priors())
            if last
            else fit_from_starts(chosen, optics, columns[0].grid, priors=Priors())
        )
        optics = shared.optics
        families, walls = _fit_families(families, columns, optics, last=last, progress=progress)
    walls, dropped = credible_walls(walls)
    if not walls or not accounts_for(material, walls, optics.contrast):
        return _nothing_found(material, frame)
    progress("fibres", 0.9)
    material = _better_material(material, optics, shared.u_contrast, shared.u_sigma_um)
    frame = refined_frame(frame, walls)
    field = field_from_walls(walls, frame, families=[f.axes for f in families])
    if dropped:
        notice = Notice(
            "walls_dropped",
            "lines of solid that are not stacks of round fibres were left out",
            dropped,
        )
        field = replace(field, notices=(*field.notices, notice))
    if open_counts:
        notice = Notice(
            "layer_count_unsure",
            "families whose welded walls show no clear scallops: their number of layers is the "
            "likeliest, the next number fits nearly as well",
            open_counts,
        )
        field = replace(field, notices=(*field.notices, notice))
    progress("fibres", 1.0)
    return FibreStage(field, frame, material)


@dataclass(frozen=True)
class _Gathered:
    """A family's cross-sections: a column a wall, the same by segments, and where those lie."""

    columns: list[Column]
    parts: list[list[Column]]
    stations: list[NDArray[np.float64]]
    grid: ScanGrid


def _rough_families(
    material: MaterialMap, frame: BuildFrame, points: NDArray[np.float64]
) -> list[FamilyTrack]:
    """Find directions, walls and layers; drop directions that hold no stack of fibres."""
    bin_um = max(material.spacing_um)
    thickness = max(material.rough_thickness_um, 2.0 * bin_um)
    blur = _first_optics(material).sigma_um[1]
    tracks = []
    for along in find_directions(points, frame.h, bin_um=bin_um)[:MOST_FAMILIES]:
        axes = family_axes(along, frame.h)
        rough = find_walls(material, axes, points=points, thickness_um=thickness)
        if rough is None:
            continue
        stack = find_stack(
            rough.height_um,
            rough.profile,
            diameter_um=thickness,
            blur_um=math.hypot(blur, 0.3 * bin_um),
        )
        if stack is None or stack.residual > _WORST_STACK:
            continue
        track = track_family(
            material,
            rough,
            heights_um=stack.heights_um,
            diameter_um=stack.diameter_um,
            points=points,
        )
        if track is not None:
            sure = stack.runner_up > _CLEAR_LEAD * stack.residual
            tracks.append(replace(track, sure_count=sure))
    return tracks


def _first_optics(material: MaterialMap) -> Optics:
    """Return where the fit of optics starts: the blur seen at edges."""
    fwhm = (
        material.blur_um.value if material.blur_um is not None else 2.0 * max(material.spacing_um)
    )
    sigma = max(fwhm / FWHM_PER_SIGMA, 0.25 * max(material.spacing_um))
    return Optics(1.0, (sigma, sigma, sigma), 0.02, 1.0)


def _settle_counts(
    material: MaterialMap, families: list[FamilyTrack], optics: Optics
) -> tuple[list[FamilyTrack], int]:
    """Settle how many fibres welded walls hold; return how many families stay open."""
    welded = [
        i
        for i, f in enumerate(families)
        if f.walls[0].height_um.size > 1
        and float(np.diff(f.walls[0].height_um).mean()) < WELDED * 2.0 * f.walls[0].radius_um.mean()
    ]
    # Where the profile of the mean wall shows every fibre there is nothing to settle.
    welded = [i for i in welded if not families[i].sure_count]
    if not welded:
        return families, 0
    groups = _columns(material, families, optics, segments=1)
    if any(c.n.size < _FEWEST_BINS * c.radius.size for g in groups for c in g.columns):
        return families, len(welded)
    settled, unsure = list(families), 0
    for alike in _alike(families, welded):
        count, size, lead = likeliest_count(
            [c for i in alike for c in groups[i].columns], optics, groups[alike[0]].grid
        )
        unsure += len(alike) * (lead < SURE)
        for i in alike:
            settled[i] = _restacked(families[i], count, size)
    return settled, unsure


def _alike(families: list[FamilyTrack], welded: list[int]) -> list[list[int]]:
    """Group welded families whose walls are equally tall to half a radius: they share layers."""
    groups: list[list[int]] = []
    for i in welded:
        for group in groups:
            a, b = families[i].walls[0], families[group[0]].walls[0]
            if abs(np.ptp(a.height_um) - np.ptp(b.height_um)) < a.radius_um.mean():
                group.append(i)
                break
        else:
            groups.append([i])
    return groups


def _restacked(family: FamilyTrack, count: int, diameter_um: float) -> FamilyTrack:
    """Return the family with `count` even layers between its base and its top."""
    walls = []
    for wall in family.walls:
        low = float(wall.height_um[0] - wall.radius_um[0]) + 0.5 * diameter_um
        high = float(wall.height_um[-1] + wall.radius_um[-1]) - 0.5 * diameter_um
        walls.append(
            replace(
                wall,
                height_um=np.linspace(low, high, count),
                offset_um=np.zeros(count),
                radius_um=np.full(count, 0.5 * diameter_um),
                present=np.ones(count, np.bool_),
            )
        )
    return replace(family, walls=tuple(walls))


def _segments(families: list[FamilyTrack]) -> int:
    """Return how many parts a wall is followed in: about one a crossing."""
    most = max(len(f.walls) for f in families)
    return int(min(max(most + 1, _FEWEST_SEGMENTS), _MOST_SEGMENTS))


def _columns(
    material: MaterialMap, families: list[FamilyTrack], optics: Optics, *, segments: int
) -> list[_Gathered]:
    """Gather the cross-sections of all families, away from each other's fibres."""
    spacing = material.spacing_um
    fwhm = FWHM_PER_SIGMA * max(optics.sigma_um)
    coarse = max(spacing)
    near = mark_families(material, families, margin_um=1.2 * fwhm + 0.5 * coarse)
    noise = material.noise_air / (material.polymer - material.air)
    noise *= math.sqrt(material.noise_correlation_vox)
    gathered = []
    for number, family in enumerate(families):
        radius = max(float(w.radius_um.max()) for w in family.walls)
        bin_um = max(0.5 * coarse, radius / 8.0)
        bins = gather_walls(
            material,
            near,
            family,
            number=number,
            segments=segments,
            half_width_um=radius + 1.6 * fwhm + coarse,
            bin_um=bin_um,
            trim_um=1.5 * radius,
        )
        columns, parts, stations = [], [], []
        for w, wall in enumerate(family.walls):
            columns.append(column_of(bins[w].sum(axis=0), wall, family.axes))
            parts.append([column_of(bins[w, k], wall, family.axes) for k in range(segments)])
            count = bins[w, ..., 0].sum(axis=(1, 2))
            along = bins[w, ..., 4].sum(axis=(1, 2))
            stations.append(np.where(count > 0, along / np.maximum(count, 1.0), np.nan))
        gathered.append(
            _Gathered(columns, parts, stations, scan_grid(spacing, noise=noise, bin_um=bin_um))
        )
    return gathered


def _well_seen(
    families: list[FamilyTrack], gathered: list[_Gathered]
) -> tuple[list[FamilyTrack], list[_Gathered]]:
    """Leave out walls with too few bins away from other fibres to fit their discs."""
    kept_families, kept_groups = [], []
    for family, group in zip(families, gathered, strict=True):
        seen = [
            i
            for i, c in enumerate(group.columns)
            if c.radius.size > 0 and c.n.size >= _FEWEST_BINS * c.radius.size
        ]
        if seen:
            kept_families.append(replace(family, walls=tuple(family.walls[i] for i in seen)))
            kept_groups.append(
                replace(
                    group,
                    columns=[group.columns[i] for i in seen],
                    parts=[group.parts[i] for i in seen],
                    stations=[group.stations[i] for i in seen],
                )
            )
    return kept_families, kept_groups


def _spread(columns: list[Column], limit: int) -> list[Column]:
    """Pick at most `limit` columns evenly over all families."""
    if len(columns) <= limit:
        return columns
    return [columns[i] for i in np.unique(np.linspace(0, len(columns) - 1, limit).astype(int))]


def _fit_families(
    families: list[FamilyTrack],
    gathered: list[_Gathered],
    optics: Optics,
    *,
    last: bool,
    progress: Progress,
) -> tuple[list[FamilyTrack], list[FittedWall]]:
    """Fit every wall; return the tracks bettered and, the last time, the walls by segments."""
    tracks, fitted = [], []
    for number, (family, group) in enumerate(zip(families, gathered, strict=True)):
        fit = partial(fit_discs, optics=optics, grid=group.grid, priors=Priors())
        columns = [c for c, _ in on_each(fit, group.columns)]
        if not last:
            tracks.append(_retracked(family, columns))
        else:
            # Second round: unresolved heights and radii are drawn to what the family shows.
            columns = _redrawn(family, columns)
            results = on_each(fit, columns)
            tracks.append(_retracked(family, [r[0] for r in results]))
            follow = partial(_followed, number, family=family, group=group, optics=optics)
            fitted += on_each(follow, list(enumerate(results)))
        progress("fibres", (0.6 if last else 0.3) + 0.3 * (number + 1) / len(families))
    return tracks, fitted


def _redrawn(family: FamilyTrack, columns: list[Column]) -> list[Column]:
    """Return the columns with priors at the family's own mean heights and radius."""
    layers = family.walls[0].height_um.size
    heights = np.full((len(columns), layers), np.nan)
    for w, (wall, column) in enumerate(zip(family.walls, columns, strict=True)):
        heights[w, wall.present] = column.centre_h
    # Walls stand at slightly different heights while the frame is rough: compare layers with
    # each wall's own middle taken out.
    level = np.nanmean(heights, axis=1, keepdims=True)
    common = np.nanmean(heights - level, axis=0) + np.nanmean(level)
    radius = float(np.mean(np.concatenate([c.radius for c in columns])))
    return [
        replace(c, prior_h=common[w.present], prior_r=np.full(c.radius.size, radius))
        for w, c in zip(family.walls, columns, strict=True)
    ]


def _retracked(family: FamilyTrack, columns: list[Column]) -> FamilyTrack:
    """Return the family with its walls where the fits put them."""
    walls = []
    for wall, column in zip(family.walls, columns, strict=True):
        slope, start = (
            np.polyfit(column.centre_h, column.centre_n, 1)
            if column.centre_h.size > 1
            else (wall.slope, float(column.centre_n[0] - wall.slope * column.centre_h[0]))
        )
        height = wall.height_um.copy()
        radius = wall.radius_um.copy()
        offset = np.zeros_like(height)
        height[wall.present] = column.centre_h
        radius[wall.present] = column.radius
        offset[wall.present] = column.centre_n - (start + slope * column.centre_h)
        walls.append(
            replace(
                wall,
                position_um=wall.position_um + float(start),
                slope=float(slope),
                offset_um=offset,
                height_um=height,
                radius_um=radius,
            )
        )
    return replace(family, walls=tuple(walls))


def _followed(
    number: int,
    fitted: tuple[int, tuple[Column, NDArray[np.float64]]],
    *,
    family: FamilyTrack,
    group: _Gathered,
    optics: Optics,
) -> FittedWall:
    """Fit the wall's parts one by one and return its fibres' centres along it."""
    w, (column, covariance) = fitted
    wall = family.walls[w]
    across, up, along = [], [], []
    for part, station in _even_parts(group.parts[w], group.stations[w]):
        moved, _ = moved_segment(column, part, optics, group.grid, priors=Priors())
        across.append(moved.centre_n + wall.position_um)
        up.append(moved.centre_h)
        along.append(station)
    return FittedWall(
        family=number,
        axes=family.axes,
        present=wall.present,
        along_um=np.array(along),
        across_um=np.array(across).reshape(len(along), -1),
        up_um=np.array(up).reshape(len(along), -1),
        radius_um=column.radius * math.sqrt(optics.flatness),
        u_radius_um=np.sqrt(np.diag(covariance)[2::3]),
        height_over_width=optics.flatness,
        start_um=wall.start_um,
        end_um=wall.end_um,
        misfit=relative_misfit(column, optics, group.grid),
    )


def _even_parts(parts: list[Column], stations: NDArray[np.float64]) -> list[tuple[Column, float]]:
    """Join neighbouring parts until each has a fair number of voxels; return them with stations.

    A part that is nearly all crossings says more about the crossing fibres than about its own.
    """
    seen = np.array([float(p.count.sum()) for p in parts])
    least = max(30.0, min(_LEAST_SEEN * float(seen.max(initial=0.0)), float(seen.sum()) / 6.0))
    groups: list[list[int]] = [[]]
    for i in np.flatnonzero(seen > 0):
        if groups[-1] and seen[groups[-1]].sum() >= least:
            groups.append([])
        groups[-1].append(int(i))
    if len(groups) > 1 and seen[groups[-1]].sum() < least:
        short = groups.pop()
        groups[-1].extend(short)
    return [
        (_joined([parts[i] for i in g]), float(np.average(stations[g], weights=seen[g])))
        for g in groups
        if g
    ]


def _joined(parts: list[Column]) -> Column:
    """Return one column with the bins of all, sorted by height."""
    h = np.concatenate([p.h for p in parts])
    order = np.argsort(h, kind="stable")
    return replace(
        parts[0],
        n=np.concatenate([p.n for p in parts])[order],
        h=h[order],
        value=np.concatenate([p.value for p in parts])[order],
        count=np.concatenate([p.count for p in parts])[order],
    )


def _better_material(
    material: MaterialMap, optics: Optics, u_contrast: float, u_sigma_um: float
) -> MaterialMap:
    """Rescale the map to the fitted polymer anchor and put the fitted blur in."""
    span = material.polymer - material.air
    fraction = material.fraction
    fraction /= np.float32(optics.contrast)
    polymer = material.air + optics.contrast * span
    # The shape of a real point spread is never quite the model's: 0.5 % of the contrast.
    u_polymer = span * math.hypot(u_contrast, 0.005)
    blur = tuple(FWHM_PER_SIGMA * _effective(s, optics.share) for s in optics.sigma_um)
    mean = float(np.mean(blur))
    return replace(
        material,
        fraction=fraction,
        polymer=polymer,
        u_polymer=u_polymer,
        threshold=material.air + material.level * (polymer - material.air)
        if material.threshold_rule == "half-max"
        else material.threshold,
        level=material.level
        if material.threshold_rule == "half-max"
        else (material.threshold - material.air) / (polymer - material.air),
        anchors_from="air: mean of voxels away from solid; polymer: fit of blurred cross-sections",
        blur_um=Quantity(
            mean, FWHM_PER_SIGMA * math.hypot(u_sigma_um, 0.03 * optics.sigma_um[1]), "µm", 1
        ),
        blur_axes_um=(blur[0], blur[1], blur[2]),
    )


def _effective(sigma: float, share: float) -> float:
    """Return the standard deviation of a Gaussian as wide at half maximum as the mixture."""
    from scipy.optimize import brentq

    from volscan.fibres.crosssection import WIDENING

    peak = (1 - share) + share / WIDENING**3

    def below(x: float) -> float:
        return (
            (1 - share) * math.exp(-0.5 * x * x)
            + share / WIDENING**3 * math.exp(-0.5 * (x / WIDENING) ** 2)
            - 0.5 * peak
        )

    half = float(brentq(below, 0.5, 3.0))
    return sigma * 2.0 * half / FWHM_PER_SIGMA


def _nothing_found(material: MaterialMap, frame: BuildFrame) -> FibreStage:
    up = frame.up if frame.up_confirmed else None
    level = level_frame(material, up=up, mirrored=False if frame.mirrored_confirmed else None)
    notice = Notice(
        "no_fibres",
        "no parallel fibres laid in layers were found: fibres, walls and shift are null",
    )
    return FibreStage(FibreField(notices=(notice,)), level, material)
