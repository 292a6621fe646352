"""First sight of walls that are not straight: paths from above, their lean, their stack.

From the view from above come the paths; from the mean cross-section along each path its lean, and
how many fibres stand on each other. The median over stations keeps crossings out without knowing
yet where they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.columns import FamilyAxes
from volscan.fibres.gather import MOST_FAMILIES, FamilyTrack, WallTrack, mark_families, run_of
from volscan.fibres.layers import Stack, find_stack
from volscan.fibres.paths import WallPath, smoothed, turned_at
from volscan.fibres.plan import trace_paths
from volscan.geometry import BuildFrame, FloatArray
from volscan.kernels.paths import path_sections, plan_sums
from volscan.kernels.sections import sums_along_lines
from volscan.prepare.ct import FWHM_PER_SIGMA
from volscan.prepare.material import MaterialMap

# The view from above takes in this many diameters of height about the middle: leans of 10 degrees
# stay within a diameter.
_VIEW_DIAMETERS = 5.0
# Paths whose chords differ by less than this are one family.
_ONE_FAMILY_DEG = 14.0
# A family with less than this share of the longest family's length is debris.
_LEAST_FAMILY = 0.12
# Steepest lean looked for, dn/dh.
_STEEPEST = 0.45
# A stack is likely when discs explain its profile to within this share of the peak.
_WORST_STACK = 0.15
# Walls wave when their paths stray by this many radii from straight lines (1.48 times the median).
_STRAY_RADII = 0.12
# A wall seen at fewer stations than this is taken for straight.
_FEWEST_SEEN = 8
# A station tells the path when it shows at least this share of the usual voxels.
_SEEN = 0.4


def curved_families(
    material: MaterialMap, frame: BuildFrame, points: FloatArray, *, blur_um: float
) -> list[FamilyTrack]:
    """Return families of walls that follow paths in plan view.

    Parameters
    ----------
    material
        The material map.
    frame
        The build frame; its h must be good to a degree.
    points
        Scan positions (n, 3) of solid voxels.
    blur_um
        Standard deviation of the blur across.
    """
    thickness = max(material.rough_thickness_um, 2.0 * max(material.spacing_um))
    families = []
    for axes, paths in _paths_by_family(material, frame, points, thickness):
        track = _track(material, axes, paths, points, thickness_um=thickness, blur_um=blur_um)
        if track is not None:
            families.append(track)
    if not families:
        return []
    return recentred(material, families, blur_um=blur_um, times=3)


def recentred(
    material: MaterialMap, families: list[FamilyTrack], *, blur_um: float, times: int
) -> list[FamilyTrack]:
    """Return the families with curved walls' paths moved onto the middle of their walls."""
    if not any(f.curved for f in families):
        return families
    margin = 1.2 * FWHM_PER_SIGMA * blur_um + 0.5 * max(material.spacing_um)
    for _ in range(times):
        near = mark_families(material, families, margin_um=margin, strays_too=False)
        families = [
            _recentred(material, near, f, number=j) if f.curved else f
            for j, f in enumerate(families)
        ]
    return families


def waving_families(
    material: MaterialMap, families: list[FamilyTrack], *, blur_um: float
) -> list[FamilyTrack]:
    """Return the families, those whose walls wave about their straight lines with paths instead.

    A few walls of each family are followed station by station; the family waves when these stray
    from straight by more than a share of the radius. Local cubics over three diameters keep
    noise below that.
    """
    if not families:
        return families
    margin = 1.2 * FWHM_PER_SIGMA * blur_um + 0.5 * max(material.spacing_um)
    near = mark_families(material, families, margin_um=margin, strays_too=False)
    found = []
    for number, family in enumerate(families):
        with_paths = replace(family, walls=tuple(_pathed(w) for w in family.walls))
        pick = sorted({0, len(family.walls) // 2, len(family.walls) - 1})
        few = replace(with_paths, walls=tuple(with_paths.walls[i] for i in pick))
        shifts = _station_shifts(material, near, few, number=number)
        radius = float(np.mean([w.radius_um.mean() for w in few.walls]))
        waves = float(np.median([_stray_from_line(s) for s in shifts])) > _STRAY_RADII * radius
        found.append(with_paths if waves else family)
    if not any(f.curved for f in found):
        return families
    return recentred(material, found, blur_um=blur_um, times=2)


def _pathed(wall: WallTrack) -> WallTrack:
    """Return a straight wall told along a path."""
    ends = np.array([[wall.start_um, wall.position_um], [wall.end_um, wall.position_um]])
    path = WallPath(ends).resampled(0.5 * float(wall.radius_um.mean()))
    return replace(wall, path=path, position_um=0.0, start_um=0.0, end_um=path.length_um)


def _stray_from_line(shifts: _Shifts) -> float:
    """Return how far a wall strays from straight where it is seen: 1.48 times the median.

    Between crossings that hide it a path is drawn out, and what is drawn out is no evidence; nor
    are a few stations beside a crossing whose wall was taken for this one.
    """
    seen = shifts.seen & np.isfinite(shifts.smooth_um)
    if np.count_nonzero(seen) < _FEWEST_SEEN:
        return 0.0
    arc, off = shifts.arc_um[seen], shifts.smooth_um[seen]
    rest = off - np.polyval(np.polyfit(arc, off, 1), arc)
    return 1.4826 * float(np.median(np.abs(rest)))


def _paths_by_family(
    material: MaterialMap, frame: BuildFrame, points: FloatArray, thickness: float
) -> list[tuple[FamilyAxes, list[WallPath]]]:
    """Trace paths from above and sort them into families by the direction of their chords."""
    step = _plan_step(material, frame)
    a, b, h = points @ frame.x, points @ frame.y, points @ frame.h
    low, high = float(np.percentile(h, 0.5)), float(np.percentile(h, 99.5))
    middle, half = 0.5 * (low + high), 0.5 * _VIEW_DIAMETERS * thickness
    pad = (math.ceil(3.0 * thickness / step) + 0.5) * step
    a0, b0 = float(a.min()) - pad, float(b.min()) - pad
    shape = (int((b.max() + pad - b0) / step) + 1, int((a.max() + pad - a0) / step) + 1)
    view = plan_sums(
        material.fraction,
        np.array(material.spacing_um),
        frame.rotation,
        max(low - pad, middle - half),
        min(high + pad, middle + half),
        a0,
        b0,
        step,
        shape,
    )
    pieces = []
    for pixels in trace_paths(view, width=1.2 * thickness / step):
        xy = np.stack([a0 + (pixels[:, 1] + 0.5) * step, b0 + (pixels[:, 0] + 0.5) * step], axis=1)
        path = _evened(xy, 0.5 * thickness)
        for piece in turned_at(path):
            if _length(piece) > 3.0 * thickness:
                pieces.append(piece)
    return _sorted_by_direction(pieces, frame)


def _plan_step(material: MaterialMap, frame: BuildFrame) -> float:
    """Return the voxel's size seen from above, which may be finer than its height."""
    spacing = np.array(material.spacing_um)
    return float(max(np.linalg.norm(spacing * frame.x), np.linalg.norm(spacing * frame.y)))


def _length(path: FloatArray) -> float:
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())


def _evened(xy: FloatArray, step: float) -> FloatArray:
    """Return a path of pixels without its staircase, corners `step` apart."""
    fine = WallPath(xy).resampled(0.25 * step).points_um
    smooth = smoothed(fine, 0.25 * step, 3.0 * step)
    return WallPath(smooth).resampled(step).points_um


def _sorted_by_direction(
    pieces: list[FloatArray], frame: BuildFrame
) -> list[tuple[FamilyAxes, list[WallPath]]]:
    groups: list[list[FloatArray]] = []
    totals: list[complex] = []
    for piece in sorted(pieces, key=_length, reverse=True):
        chord = piece[-1] - piece[0]
        size = float(np.linalg.norm(chord))
        if size < 0.3 * _length(piece):
            continue
        double = 2.0 * math.atan2(chord[1], chord[0])
        for k, total in enumerate(totals):
            off = np.angle(np.exp(1j * double) / (total / abs(total)))
            if abs(off) < 2.0 * math.radians(_ONE_FAMILY_DEG):
                groups[k].append(piece)
                totals[k] += size * np.exp(1j * double)
                break
        else:
            groups.append([piece])
            totals.append(complex(size * np.exp(1j * double)))
    if not groups:
        return []
    lengths = [sum(_length(p) for p in g) for g in groups]
    found = []
    for group, total, length in zip(groups, totals, lengths, strict=True):
        if length < _LEAST_FAMILY * max(lengths):
            continue
        angle = 0.5 * math.atan2(total.imag, total.real)
        axes = plane_family(frame, angle)
        turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
        paths = []
        for piece in group:
            turned = piece @ turn.T
            paths.append(WallPath(turned if turned[-1, 0] > turned[0, 0] else turned[::-1]))
        found.append((axes, sorted(paths, key=lambda p: float(p.points_um[:, 1].mean()))))
    return found[:MOST_FAMILIES]


def plane_family(frame: BuildFrame, angle: float) -> FamilyAxes:
    """Return the axes of a family that runs at `angle` (radians) in the frame's plane."""
    along = math.cos(angle) * frame.x + math.sin(angle) * frame.y
    across = -math.sin(angle) * frame.x + math.cos(angle) * frame.y
    return FamilyAxes(along, across, frame.h)


def _track(
    material: MaterialMap,
    axes: FamilyAxes,
    paths: list[WallPath],
    points: FloatArray,
    *,
    thickness_um: float,
    blur_um: float,
) -> FamilyTrack | None:
    """Find lean and stack of a family's walls, and where along its path each one is there."""
    step = max(material.spacing_um)
    h = points @ axes.up
    pad = 1.5 * thickness_um
    low, high = float(np.percentile(h, 0.2)) - pad, float(np.percentile(h, 99.8)) + pad
    middle = 0.5 * (low + high)
    reach = thickness_um + min(0.5 * _STEEPEST * (high - low), 2.5 * thickness_um)
    paths = [p.lengthened(thickness_um).resampled(0.5 * thickness_um) for p in paths]
    # Nothing is hidden yet: where other walls are is not known.
    unmarked = np.zeros(material.fraction.shape, np.uint8)
    sections = path_bins(
        material,
        unmarked,
        np.uint8(0),
        axes,
        paths,
        np.zeros(len(paths)),
        half_width_um=reach,
        h_range=(low, high),
        segment_um=max(thickness_um, 2.0 * step),
        bin_um=step,
    )
    count, total = sections[..., 0], sections[..., 1]
    with np.errstate(invalid="ignore"):
        mean = np.where(count > 0, total / np.maximum(count, 1.0), np.nan)
    heights = np.asarray(low + (np.arange(mean.shape[2]) + 0.5) * step, dtype=np.float64)
    rows_um = np.asarray(heights - middle, dtype=np.float64)
    slopes = []
    profiles = []
    for w in range(len(paths)):
        image = _median(mean[w])
        slope, profile = _lean(image, rows_um, step=step, thickness=thickness_um)
        slopes.append(slope)
        profiles.append(profile)
    stack = _stack(heights, profiles, thickness_um=thickness_um, blur_um=blur_um)
    if stack is None:
        return None
    walls = []
    for path, slope in zip(paths, slopes, strict=True):
        # Paths are told at the middle height, tracks at height 0.
        foot = WallPath(path.points_um - np.array([0.0, slope * middle]))
        walls.append(_wall(foot, slope, stack))
    kept = [
        w
        for w in (
            followed_wall(material, unmarked, axes, w, diameter_um=stack.diameter_um) for w in walls
        )
        if w is not None
    ]
    return FamilyTrack(axes, tuple(kept)) if kept else None


def _median(stations: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median over stations (stations, heights, across); 0 where nothing was seen."""
    seen = np.isfinite(stations)
    filled = np.where(seen, stations, np.inf)
    ordered = np.sort(filled, axis=0)
    counts = seen.sum(axis=0)
    middle = (
        np.take_along_axis(ordered, np.maximum(counts // 2, 0)[None], axis=0)[0]
        if len(stations)
        else np.zeros(stations.shape[1:])
    )
    return np.where(counts > 0, np.where(np.isfinite(middle), middle, 0.0), 0.0)


def _lean(
    image: NDArray[np.float64], rows: FloatArray, *, step: float, thickness: float
) -> tuple[float, FloatArray]:
    """Return the lean through the middle of a section that holds most, and the width by height."""
    tall = float(np.ptp(rows))
    most = max(1, int(_STEEPEST * tall / step))
    slopes = np.arange(-most, most + 1) * step / tall
    width = max(1, round(thickness / step))
    lines = sums_along_lines(np.ascontiguousarray(image), rows / step, slopes)
    kernel = np.ones(width) / width
    held = np.stack([np.convolve(line, kernel, mode="same") for line in lines])
    centre = image.shape[1] // 2
    near = slice(max(0, centre - width), centre + width + 1)
    best = np.max(held[:, near] * (1.0 - 0.5 * np.abs(slopes))[:, None], axis=1)
    slope = float(slopes[int(np.argmax(best))])
    across = (np.arange(image.shape[1]) + 0.5) * step - 0.5 * image.shape[1] * step
    profile = np.empty(rows.size)
    for i, row in enumerate(rows):
        profile[i] = image[i, np.abs(across - slope * row) < 1.2 * thickness].sum() * step
    return slope, profile


def _stack(
    heights: FloatArray, profiles: list[FloatArray], *, thickness_um: float, blur_um: float
) -> Stack | None:
    stack = find_stack(
        heights,
        np.mean(profiles, axis=0),
        diameter_um=thickness_um,
        blur_um=math.hypot(blur_um, 0.3 * float(heights[1] - heights[0])),
    )
    return None if stack is None or stack.residual > _WORST_STACK else stack


def _wall(path: WallPath, slope: float, stack: Stack) -> WallTrack:
    n = stack.heights_um.size
    return WallTrack(
        position_um=0.0,
        slope=slope,
        offset_um=np.zeros(n),
        height_um=stack.heights_um.copy(),
        radius_um=np.full(n, 0.5 * stack.diameter_um),
        present=np.ones(n, np.bool_),
        start_um=0.0,
        end_um=path.length_um,
        path=path,
    )


def path_bins(
    material: MaterialMap,
    near: NDArray[np.uint8],
    other_bits: np.uint8,
    axes: FamilyAxes,
    paths: list[WallPath],
    slopes: FloatArray,
    *,
    half_width_um: float,
    h_range: tuple[float, float],
    segment_um: float,
    bin_um: float,
) -> NDArray[np.float64]:
    """Gather sections in segments of even length along whole paths; see `path_sections`."""
    lengths = np.array([p.length_um for p in paths])
    segments = max(1, int(np.ceil(lengths.max() / segment_um)))
    starts = np.concatenate([[0], np.cumsum([len(p.points_um) for p in paths])])
    return np.asarray(
        path_sections(
            material.fraction,
            near,
            other_bits,
            np.array(material.spacing_um),
            axes.matrix,
            np.concatenate([p.points_um for p in paths]),
            starts,
            np.asarray(slopes, dtype=np.float64),
            half_width_um,
            np.array(h_range, dtype=np.float64),
            np.zeros(len(paths)),
            np.full(len(paths), segment_um),
            segments,
            bin_um,
        )
    )


def followed_wall(
    material: MaterialMap,
    unmarked: NDArray[np.uint8],
    axes: FamilyAxes,
    wall: WallTrack,
    *,
    diameter_um: float,
) -> WallTrack | None:
    """Return the wall from where it starts to where it ends, with the fibres that are there."""
    assert wall.path is not None
    step = max(material.spacing_um)
    core = max(0.4 * diameter_um, 0.75 * step)
    levels = []
    for height in wall.height_um:
        bins = path_bins(
            material,
            unmarked,
            np.uint8(0),
            axes,
            [wall.path],
            np.array([wall.slope]),
            half_width_um=core,
            h_range=(float(height) - core, float(height) + core),
            segment_um=step,
            bin_um=2.0 * core,
        )[0]
        seen = bins[..., 0].sum(axis=(1, 2))
        levels.append(np.where(seen > 0, bins[..., 1].sum(axis=(1, 2)) / np.maximum(seen, 1), 0.0))
    span, present = run_of(np.array(levels), diameter_um=diameter_um, step_um=step)
    if span is None:
        return None
    path = wall.path.cut(span[0] * step, span[1] * step)
    return replace(wall, path=path, present=present, start_um=0.0, end_um=path.length_um)


def _recentred(
    material: MaterialMap, near: NDArray[np.uint8], family: FamilyTrack, *, number: int
) -> FamilyTrack:
    """Move every path onto the middle of its wall, station by station, crossings left out."""
    radius = float(np.mean([w.radius_um.mean() for w in family.walls]))
    walls = []
    for wall, shift in zip(
        family.walls, _station_shifts(material, near, family, number=number), strict=True
    ):
        assert wall.path is not None
        smooth = shift.smooth_um
        if not np.isfinite(smooth).all():
            walls.append(wall)
            continue
        path = wall.path.moved(shift.arc_um, smooth).resampled(0.5 * radius)
        path = WallPath(smoothed(path.points_um, 0.5 * radius, 4.0 * radius))
        walls.append(replace(wall, path=path, start_um=0.0, end_um=path.length_um))
    return replace(family, walls=tuple(walls))


@dataclass(frozen=True)
class _Shifts:
    """How far stations (m,) of a wall stand beside its path, smoothed; `seen` where they show."""

    arc_um: FloatArray
    smooth_um: FloatArray
    seen: NDArray[np.bool_]


def _station_shifts(
    material: MaterialMap, near: NDArray[np.uint8], family: FamilyTrack, *, number: int
) -> list[_Shifts]:
    """Return how far every wall's stations stand beside its path.

    The shift of a station is that which best moves the family's mean profile onto its own, to
    first order (the matched filter for a small shift): a centroid would gather noise from air.
    Heights at which a crossing wall hides part of the width say nothing and are left out.
    """
    step = max(material.spacing_um)
    radius = float(np.mean([w.radius_um.mean() for w in family.walls]))
    segment = max(radius, step)
    profiles = [
        _station_profiles(
            material, near, family, w, number=number, segment_um=segment, radius_um=radius
        )
        for w in family.walls
    ]
    pooled = np.concatenate([p for p, _ in profiles])
    weight = np.concatenate([v for _, v in profiles])
    template = np.zeros(pooled.shape[1])
    if weight.sum() > 0:
        template = np.average(pooled, axis=0, weights=weight)
    template = 0.5 * (template + template[::-1])
    steep = np.gradient(template, step)
    power = max(float(template @ template), 1e-12)
    found = []
    for own, seen in profiles:
        scale = own @ template / power
        with np.errstate(invalid="ignore", divide="ignore"):
            off = -(own @ steep) / (scale * float(steep @ steep))
        good = (seen > _SEEN * seen.max(initial=0.0)) & (scale > 0.4)
        off = np.clip(np.where(good, off, np.nan), -radius, radius)
        arc = np.asarray((np.arange(off.size) + 0.5) * segment, dtype=np.float64)
        found.append(_Shifts(arc, smoothed(off[:, None], segment, 6.0 * radius)[:, 0], good))
    return found


def _station_profiles(
    material: MaterialMap,
    near: NDArray[np.uint8],
    family: FamilyTrack,
    wall: WallTrack,
    *,
    number: int,
    segment_um: float,
    radius_um: float,
) -> tuple[FloatArray, FloatArray]:
    """Return each station's mean profile across (stations, bins) and how many heights it shows."""
    assert wall.path is not None
    step = max(material.spacing_um)
    others = np.uint8(255 ^ (1 << number))
    seen, hidden = (
        path_bins(
            material,
            near,
            bits,
            family.axes,
            [wall.path],
            np.array([wall.slope]),
            half_width_um=(math.ceil((radius_um + step) / step) + 0.5) * step,
            h_range=(float(wall.height_um[0]) - radius_um, float(wall.height_um[-1]) + radius_um),
            segment_um=segment_um,
            bin_um=step,
        )[0]
        for bits in (others, np.uint8(0))
    )
    whole = (seen[..., 0].sum(axis=2) >= 0.98 * hidden[..., 0].sum(axis=2))[..., None]
    count = np.where(whole, seen[..., 0], 0.0).sum(axis=1)
    total = np.where(whole, seen[..., 1], 0.0).sum(axis=1)
    filled = (count > 0).all(axis=1)
    profile = np.where(filled[:, None], total / np.maximum(count, 1.0), 0.0)
    return profile, np.where(filled, whole[..., 0].sum(axis=1), 0).astype(np.float64)
