"""Cross-sections of every wall, gathered, fitted in parts, and turned back into where walls run."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.credible import relative_misfit
from volscan.fibres.crosssection import (
    Column,
    Optics,
    Priors,
    ScanGrid,
    fit_discs,
    moved_segment,
    scan_grid,
)
from volscan.fibres.gather import (
    FamilyTrack,
    WallTrack,
    blurred_margin,
    column_of,
    gather_walls,
    mark_families,
)
from volscan.fibres.lines import FineTrack, FittedWall, SizeTrack
from volscan.fibres.paths import smoothed
from volscan.geometry import FloatArray
from volscan.prepare.ct import FWHM_PER_SIGMA
from volscan.prepare.material import MaterialMap

# Bins of a wall's section for each disc, at least: a disc has three unknowns.
FEWEST_BINS = 12
# Parts are joined until each has this share of the fullest part's voxels away from crossings, or
# a sixth of the wall's.
_LEAST_SEEN = 0.6
# Parts of curved walls with less than this share of the fullest part's voxels are half hidden.
_HALF_HIDDEN = 0.5
# Straight walls are followed in this many parts, so that their scatter tells the uncertainty.
_FEWEST_SEGMENTS, _MOST_SEGMENTS = 5, 12
# Curved walls have a station about every diameter, but no more than this.
_MOST_STATIONS = 150
# A short station counts when it shows this share of the voxels that the fullest shows.
_FINE_SEEN = 0.4
# Parts in which radii are fitted anew.
_MOST_SIZES = 8


@dataclass(frozen=True)
class Gathered:
    """A family's cross-sections: a column a wall, the same by segments, and where those lie."""

    columns: list[Column]
    parts: list[list[Column]]
    stations: list[NDArray[np.float64]]
    grid: ScanGrid
    fine: list[list[Column]] | None = None
    fine_stations: list[NDArray[np.float64]] | None = None


def segments(families: list[FamilyTrack]) -> list[int]:
    """Return in how many parts each family's walls are followed.

    About one a crossing for straight walls, one a diameter of path for curved ones.
    """
    crossings = int(
        min(max(max(len(f.walls) for f in families) + 1, _FEWEST_SEGMENTS), _MOST_SEGMENTS)
    )
    counts = []
    for family in families:
        length = max(w.end_um - w.start_um for w in family.walls)
        diameter = 2.0 * float(family.walls[0].radius_um.mean())
        stations = int(min(max(length / diameter, _FEWEST_SEGMENTS), _MOST_STATIONS))
        counts.append(stations if family.curved else crossings)
    return counts


def gathered_columns(
    material: MaterialMap,
    families: list[FamilyTrack],
    optics: Optics,
    *,
    segments: list[int],
    fine: bool = False,
) -> list[Gathered]:
    """Gather the cross-sections of all families, in segments, away from each other's fibres."""
    spacing = material.spacing_um
    fwhm = FWHM_PER_SIGMA * max(optics.sigma_um)
    coarse = max(spacing)
    margin = blurred_margin(material, max(optics.sigma_um))
    near = mark_families(material, families, margin_um=margin)
    noise = material.noise_air / (material.polymer - material.air)
    noise *= math.sqrt(material.noise_correlation_vox)
    gathered = []
    for number, family in enumerate(families):
        turn = partial(column_of, axes=family.axes, unrolled=material.unrolled)
        radius = max(float(w.radius_um.max()) for w in family.walls)
        bin_um = max(0.5 * coarse, radius / 8.0)
        bins = gather_walls(
            material,
            near,
            family,
            number=number,
            segments=segments[number],
            half_width_um=radius + 1.6 * fwhm + coarse,
            bin_um=bin_um,
            trim_um=1.5 * radius,
        )
        columns, parts, stations = [], [], []
        for w, wall in enumerate(family.walls):
            columns.append(turn(bins[w].sum(axis=0), wall))
            if family.curved:
                short = _halved(bins[w])
                parts.append([turn(b, wall, fewest=1) for b in short])
            else:
                parts.append([turn(b, wall) for b in bins[w]])
            stations.append(_stations(bins[w]))
        group = Gathered(columns, parts, stations, scan_grid(spacing, noise=noise, bin_um=bin_um))
        if fine and not family.curved:
            length = max(w.end_um - w.start_um for w in family.walls)
            count = int(min(max(length / (2.5 * radius), segments[number]), _MOST_STATIONS))
            bins = gather_walls(
                material,
                near,
                family,
                number=number,
                segments=count,
                half_width_um=radius + 1.6 * fwhm + coarse,
                bin_um=2.0 * bin_um,
                trim_um=1.5 * radius,
            )
            group = replace(
                group,
                fine=[
                    [turn(b, wall, fewest=1) for b in bins[w]]
                    for w, wall in enumerate(family.walls)
                ],
                fine_stations=[_stations(b) for b in bins],
            )
        gathered.append(group)
    return gathered


def _stations(bins: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean place along of each segment's voxels; NaN where there are none."""
    count = bins[..., 0].sum(axis=(1, 2))
    along = bins[..., 4].sum(axis=(1, 2))
    return np.asarray(np.where(count > 0, along / np.maximum(count, 1.0), np.nan))


def _halved(bins: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return bins (segments, heights, across, channels) joined two by two: short stations."""
    heights, across = (bins.shape[1] + 1) // 2, (bins.shape[2] + 1) // 2
    padded = np.zeros((bins.shape[0], 2 * heights, 2 * across, bins.shape[3]))
    padded[:, : bins.shape[1], : bins.shape[2]] = bins
    shape = (bins.shape[0], heights, 2, across, 2, bins.shape[3])
    return np.asarray(padded.reshape(shape).sum(axis=(2, 4)))


def well_seen(
    families: list[FamilyTrack], gathered: list[Gathered]
) -> tuple[list[FamilyTrack], list[Gathered]]:
    """Leave out walls with too few bins away from other fibres to fit their discs."""
    kept_families, kept_groups = [], []
    for family, group in zip(families, gathered, strict=True):
        seen = [
            i
            for i, c in enumerate(group.columns)
            if c.radius.size > 0 and c.n.size >= FEWEST_BINS * c.radius.size
        ]
        if seen:
            kept_families.append(replace(family, walls=tuple(family.walls[i] for i in seen)))
            kept_groups.append(
                replace(
                    group,
                    columns=[group.columns[i] for i in seen],
                    parts=[group.parts[i] for i in seen],
                    stations=[group.stations[i] for i in seen],
                    fine=None if group.fine is None else [group.fine[i] for i in seen],
                    fine_stations=None
                    if group.fine_stations is None
                    else [group.fine_stations[i] for i in seen],
                )
            )
    return kept_families, kept_groups


def spread(columns: list[Column], limit: int) -> list[Column]:
    """Pick at most `limit` columns evenly over all families."""
    if len(columns) <= limit:
        return columns
    return [columns[i] for i in np.unique(np.linspace(0, len(columns) - 1, limit).astype(int))]


def redrawn(family: FamilyTrack, columns: list[Column]) -> list[Column]:
    """Return the columns with priors at the family's own mean heights and radius."""
    layers = family.walls[0].height_um.size
    heights = np.full((len(columns), layers), np.nan)
    for w, (wall, column) in enumerate(zip(family.walls, columns, strict=True)):
        heights[w, wall.present] = column.centre_h
    # Walls stand at slightly different heights while the frame is rough: compare layers with
    # each wall's own middle taken out.
    level = np.nanmean(heights, axis=1, keepdims=True)
    told = np.isfinite(heights).any(axis=0)
    common = np.full(layers, np.nan)
    common[told] = np.nanmean((heights - level)[:, told], axis=0) + np.nanmean(level)
    radius = float(np.mean(np.concatenate([c.radius for c in columns])))
    return [
        replace(c, prior_h=common[w.present], prior_r=np.full(c.radius.size, radius))
        for w, c in zip(family.walls, columns, strict=True)
    ]


def retracked(family: FamilyTrack, columns: list[Column]) -> FamilyTrack:
    """Return the family with its walls where the fits put them."""
    walls = []
    for wall, column in zip(family.walls, columns, strict=True):
        slope, start = (
            np.polyfit(column.centre_h, column.across_um, 1)
            if column.centre_h.size > 1
            else (wall.slope, float(column.across_um[0] - wall.slope * column.centre_h[0]))
        )
        height = wall.height_um.copy()
        radius = wall.radius_um.copy()
        offset = np.zeros_like(height)
        height[wall.present] = column.centre_h
        radius[wall.present] = column.radius
        offset[wall.present] = column.across_um - (start + slope * column.centre_h)
        path = wall.path
        if path is not None:
            path = path.moved(path.arc_um[[0, -1]], np.full(2, float(start)))
            start = 0.0
        walls.append(
            replace(
                wall,
                path=path,
                position_um=wall.position_um + float(start),
                slope=float(slope),
                offset_um=offset,
                height_um=height,
                radius_um=radius,
            )
        )
    return replace(family, walls=tuple(walls))


def followed(
    number: int,
    fitted: tuple[int, tuple[Column, NDArray[np.float64]]],
    *,
    family: FamilyTrack,
    group: Gathered,
    optics: Optics,
) -> FittedWall:
    """Fit the wall's parts one by one and return its fibres' centres along it."""
    w, (column, covariance) = fitted
    wall = family.walls[w]
    across, up, along, noise, misfits = [], [], [], [], []
    curved = wall.path is not None
    for part, station in _even_parts(group.parts[w], group.stations[w], apart=curved):
        moved, covariance_part = moved_segment(column, part, optics, group.grid, priors=Priors())
        across.append(moved.across_um + wall.position_um)
        up.append(moved.centre_h)
        noise.append(_u_places(covariance_part))
        along.append(station)
        misfits.append(relative_misfit(moved, optics, group.grid))
    stations = np.array(along)
    # Where fibres of a curved wall wave out of phase, the mean section along its one path blurs.
    misfit = relative_misfit(column, optics, group.grid)
    if curved and misfits:
        misfit = min(misfit, float(np.median(misfits)))
    across_um = np.array(across).reshape(len(along), column.radius.size)
    up_um = np.array(up).reshape(len(along), column.radius.size)
    return FittedWall(
        family=number,
        axes=family.axes,
        present=wall.present,
        along_um=stations,
        across_um=across_um,
        up_um=up_um,
        places_um=wall.places(stations, across_um, up_um),
        curved=curved,
        dense_um=_dense(wall, stations, across_um, up_um),
        u_places_um=np.array(noise).reshape(len(along), column.radius.size, 2),
        fine=_fine(group, w, wall, column, optics),
        sizes=_sizes(group, w, column, optics),
        radius_um=column.radius * math.sqrt(optics.flatness),
        u_radius_um=np.sqrt(np.diag(covariance)[2::3]),
        height_over_width=optics.flatness,
        start_um=wall.start_um,
        end_um=wall.end_um,
        misfit=misfit,
    )


def _even_parts(
    parts: list[Column], stations: NDArray[np.float64], *, apart: bool
) -> list[tuple[Column, float]]:
    """Join neighbouring parts until each has a fair number of voxels; return them with stations.

    A part that is nearly all crossings says more about the crossing fibres than about its own.
    Where a crossing lies between, parts of a curved wall stay `apart`: their mean would cut a
    corner that the crossing hides.
    """
    seen = np.array([float(p.count.sum()) for p in parts])
    least = max(30.0, min(_LEAST_SEEN * float(seen.max(initial=0.0)), float(seen.sum()) / 6.0))
    told = np.flatnonzero(seen > 0)
    if apart:
        # A part that a crossing half hides shows one side of a bend.
        whole = np.flatnonzero(seen >= _HALF_HIDDEN * float(seen.max(initial=0.0)))
        apart = whole.size >= _FEWEST_SEGMENTS
        told = whole if apart else told
    groups: list[list[int]] = [[]]
    for i in told:
        full = groups[-1] and seen[groups[-1]].sum() >= least
        if full or (apart and groups[-1] and i - groups[-1][-1] > 1):
            groups.append([])
        groups[-1].append(int(i))
    if not apart and len(groups) > 1 and seen[groups[-1]].sum() < least:
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


def _dense(
    wall: WallTrack, stations: FloatArray, across_um: FloatArray, up_um: FloatArray
) -> FloatArray | None:
    """Return a curved wall's fibres at even places (m, fibres, 3), over what crossings hide too."""
    if wall.path is None or stations.size < _FEWEST_SEGMENTS:
        return None
    radius = float(wall.radius_um.mean())
    step = 0.5 * radius
    count = max(2, math.ceil((wall.end_um - wall.start_um) / step) + 1)
    even = np.linspace(wall.start_um, wall.end_um, count)
    step = float(even[1] - even[0])
    rows = np.clip(np.round((stations - even[0]) / step).astype(int), 0, count - 1)
    leant = across_um - wall.slope * up_um
    values = np.full((count, 2 * leant.shape[1]), np.nan)
    values[rows] = np.hstack([leant, up_um])
    smooth = smoothed(values, step, 8.0 * radius)
    if not np.isfinite(smooth).all():
        return None
    across, up = np.split(smooth, 2, axis=1)
    return wall.places(even, across + wall.slope * up, up)


def _u_places(covariance: NDArray[np.float64]) -> FloatArray:
    """Return (fibres, 2): uncertainty of each centre across and up."""
    u = np.sqrt(np.diag(covariance)).reshape(-1, 3)
    return np.asarray(u[:, :2])


def _fine(
    group: Gathered, w: int, wall: WallTrack, column: Column, optics: Optics
) -> FineTrack | None:
    """Follow a straight wall's fibres at short stations, those that crossings hide left out."""
    if group.fine is None or group.fine_stations is None:
        return None
    seen = np.array([float(p.count.sum()) for p in group.fine[w]])
    least = _FINE_SEEN * float(seen.max(initial=0.0))
    along, across, up, noise = [], [], [], []
    grid = replace(group.grid, bin_um=2.0 * group.grid.bin_um)
    for k in np.flatnonzero((seen > 0) & (seen >= least)):
        moved, covariance = moved_segment(
            column, group.fine[w][k], optics, grid, priors=Priors(height=1.0)
        )
        along.append(float(group.fine_stations[w][k]))
        across.append(moved.across_um + wall.position_um)
        up.append(moved.centre_h)
        noise.append(_u_places(covariance))
    if len(along) < _FEWEST_SEGMENTS:
        return None
    stations = np.array(along)
    places = wall.places(stations, np.array(across), np.array(up))
    return FineTrack(stations, places, np.array(noise))


def _sizes(group: Gathered, w: int, column: Column, optics: Optics) -> SizeTrack | None:
    """Fit the radii anew in a few parts of the wall, to tell trends along it."""
    parts, stations = group.parts[w], group.stations[w]
    usable = [i for i, p in enumerate(parts) if p.count.sum() > 0]
    along, radius, noise = [], [], []
    for several in np.array_split(np.array(usable, dtype=int), min(_MOST_SIZES, len(usable) or 1)):
        if several.size == 0:
            continue
        joined = _joined([parts[i] for i in several])
        if joined.n.size < FEWEST_BINS * column.radius.size:
            continue
        start = replace(
            joined,
            centre_n=column.centre_n,
            centre_h=column.centre_h,
            radius=column.radius,
            prior_h=column.centre_h,
            prior_r=column.radius,
        )
        fitted, covariance = fit_discs(
            start, optics, group.grid, Priors(radius=0.2, height=0.1), iterations=4
        )
        weight = np.array([float(parts[i].count.sum()) for i in several])
        along.append(float(np.average(stations[several], weights=weight)))
        radius.append(fitted.radius * math.sqrt(optics.flatness))
        noise.append(np.sqrt(np.diag(covariance)[2::3]))
    if len(along) < 3:
        return None
    return SizeTrack(np.array(along), np.array(radius), np.array(noise))
