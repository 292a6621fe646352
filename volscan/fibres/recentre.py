"""Paths moved onto the middle of their walls, station by station; and whether a wall waves at all.

The shift of a station is told by a matched filter against the family's mean profile, where no
crossing hides it, and smoothed along the path.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.columns import FamilyAxes
from volscan.fibres.gather import (
    STRAY,
    FamilyTrack,
    WallTrack,
    blurred_margin,
    gather_paths,
    mark_families,
    runs_of,
)
from volscan.fibres.paths import WallPath, smoothed
from volscan.geometry import FloatArray
from volscan.prepare.material import MaterialMap

# Walls wave when their paths stray by this many radii from straight lines (1.48 times the median);
# beyond the larger number it is never noise.
_STRAY_RADII, _STRAY_SURELY = 0.12, 0.4
# Stations two apart share at most this part of noise that is correlated over two voxels.
_NOISE_SHARED = 0.1
# A wall seen at fewer stations than this is taken for straight.
_FEWEST_SEEN = 8
# So many radii a path is carried on at both ends, to see whether its wall goes on there.
_CARRIED_ON_RADII = 6.0
# A station tells the path when it shows at least this share of the usual voxels.
_SEEN = 0.4


def recentred(
    material: MaterialMap, families: list[FamilyTrack], *, blur_um: float, times: int
) -> list[FamilyTrack]:
    """Return the families with curved walls' paths moved onto the middle of their walls."""
    if not any(f.curved for f in families):
        return families
    margin = blurred_margin(material, blur_um)
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
    margin = blurred_margin(material, blur_um)
    near = mark_families(material, families, margin_um=margin, strays_too=False)
    found = []
    for number, family in enumerate(families):
        with_paths = replace(family, walls=tuple(_pathed(w) for w in family.walls))
        pick = sorted({0, len(family.walls) // 2, len(family.walls) - 1})
        few = replace(with_paths, walls=tuple(with_paths.walls[i] for i in pick))
        shifts = _station_shifts(material, near, few, number=number)
        radius = float(np.mean([w.radius_um.mean() for w in few.walls]))
        stray = float(np.median([_stray_from_line(s) for s in shifts])) / radius
        waves = stray > _STRAY_SURELY or (stray > _STRAY_RADII and _beyond_noise(shifts))
        found.append(with_paths if waves else family)
    if not any(f.curved for f in found):
        return families
    found = recentred(material, found, blur_um=blur_um, times=2)
    longer = [_lengthened(f) if f.curved else f for f in found]
    longer = recentred(material, longer, blur_um=blur_um, times=1)
    return [
        _to_its_ends(material, f, more) if f.curved else f
        for f, more in zip(found, longer, strict=True)
    ]


def _lengthened(family: FamilyTrack) -> FamilyTrack:
    """Return a family whose paths are carried on: a bent wall leaves its straight line early."""
    radius = float(np.mean([w.radius_um.mean() for w in family.walls]))
    walls = []
    for wall in family.walls:
        assert wall.path is not None
        path = wall.path.lengthened(_CARRIED_ON_RADII * radius).resampled(0.5 * radius)
        walls.append(replace(wall, path=path, start_um=0.0, end_um=path.length_um))
    return replace(family, walls=tuple(walls))


def _to_its_ends(material: MaterialMap, family: FamilyTrack, longer: FamilyTrack) -> FamilyTrack:
    """Return the family's walls from where each starts to where it ends on its longer path."""
    unmarked = np.zeros(material.fraction.shape, np.uint8)
    walls = []
    for wall, more in zip(family.walls, longer.walls, strict=True):
        diameter = 2.0 * float(wall.radius_um.mean())
        whole = followed_wall(material, unmarked, family.axes, more, diameter_um=diameter)
        gained = whole is not None and whole.end_um > wall.end_um
        walls.append(whole if whole is not None and gained else wall)
    return replace(family, walls=tuple(walls))


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


def _beyond_noise(shifts: list[_Shifts]) -> bool:
    """Whether stations two apart stray together more than noise makes them.

    Their product leaves noise out that is white, or correlated over one station.
    """
    together = alone = 0.0
    pairs = 0
    for s in shifts:
        off = np.where(s.seen & np.isfinite(s.off_um), s.off_um, np.nan)
        told = np.isfinite(off)
        if np.count_nonzero(told) < _FEWEST_SEEN:
            continue
        rest = off - np.polyval(np.polyfit(s.arc_um[told], off[told], 1), s.arc_um)
        products = rest[2:] * rest[:-2]
        together += float(np.nansum(products))
        alone += float(np.nansum(0.5 * (rest[2:] - rest[:-2]) ** 2))
        pairs += int(np.count_nonzero(np.isfinite(products)))
    if pairs < _FEWEST_SEEN:
        return False
    common, noise = together / pairs, alone / pairs
    return common > noise * (_NOISE_SHARED + 3.0 / math.sqrt(pairs))


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
    """How far stations (m,) of a wall stand beside its path, also smoothed; `seen` where told."""

    arc_um: FloatArray
    off_um: FloatArray
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
    pooled = np.concatenate([p.across for p in profiles])
    weight = np.concatenate([p.seen for p in profiles])
    template = np.zeros(pooled.shape[1])
    if weight.sum() > 0:
        template = np.average(pooled, axis=0, weights=weight)
    template = 0.5 * (template + template[::-1])
    steep = np.gradient(template, step)
    power = max(float(template @ template), 1e-12)
    found = []
    for own in profiles:
        scale = own.across @ template / power
        with np.errstate(invalid="ignore", divide="ignore"):
            off = -(own.across @ steep) / (scale * float(steep @ steep))
        good = (own.seen > _SEEN * own.seen.max(initial=0.0)) & (scale > 0.4)
        off = np.clip(np.where(good, off, np.nan), -radius, radius)
        # Side by side with another wall the path from above is all there is to go by.
        off[own.beside & ~good] = 0.0
        arc = np.asarray((np.arange(off.size) + 0.5) * segment, dtype=np.float64)
        # Drawn out over what is not seen, a cubic may run off.
        smooth = np.clip(smoothed(off[:, None], segment, 6.0 * radius)[:, 0], -radius, radius)
        found.append(_Shifts(arc, off, smooth, good))
    return found


@dataclass(frozen=True)
class _Profiles:
    """Stations' mean profiles `across` (stations, bins), how many heights each shows, and whether
    its own family's next wall, or a stray, hides it."""

    across: FloatArray
    seen: FloatArray
    beside: NDArray[np.bool_]


def _station_profiles(
    material: MaterialMap,
    near: NDArray[np.uint8],
    family: FamilyTrack,
    wall: WallTrack,
    *,
    number: int,
    segment_um: float,
    radius_um: float,
) -> _Profiles:
    """Gather the sections at each station of a wall."""
    assert wall.path is not None
    step = max(material.spacing_um)
    others = np.uint8(255 ^ (1 << number))
    seen, hidden, unstrayed = (
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
        for bits in (others, np.uint8(0), STRAY)
    )
    alone = unstrayed[..., 0].sum(axis=(1, 2)) < 0.5 * hidden[..., 0].sum(axis=(1, 2))
    whole = (seen[..., 0].sum(axis=2) >= 0.98 * hidden[..., 0].sum(axis=2))[..., None]
    count = np.where(whole, seen[..., 0], 0.0).sum(axis=1)
    total = np.where(whole, seen[..., 1], 0.0).sum(axis=1)
    filled = (count > 0).all(axis=1)
    profile = np.where(filled[:, None], total / np.maximum(count, 1.0), 0.0)
    heights = np.where(filled, whole[..., 0].sum(axis=1), 0).astype(np.float64)
    return _Profiles(profile, heights, alone)


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
    return gather_paths(
        material,
        near,
        other_bits,
        axes,
        paths,
        slopes,
        half_width_um=half_width_um,
        h_range=h_range,
        start_um=np.zeros(len(paths)),
        segment_um=np.full(len(paths), segment_um),
        segments=segments,
        bin_um=bin_um,
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
    runs = runs_of(np.array(levels), diameter_um=diameter_um, step_um=step)
    if not runs:
        return None
    span, present = runs[0]
    path = wall.path.cut(span[0] * step, span[1] * step)
    return replace(wall, path=path, present=present, start_um=0.0, end_um=path.length_um)
