"""First sight of walls that are not straight: paths from above, their lean, their stack.

From the view from above come the paths; from the mean cross-section along each path its lean, and
how many fibres stand on each other. The median over stations keeps crossings out without knowing
yet where they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.alike import Alike, alike_walls
from volscan.fibres.columns import FamilyAxes
from volscan.fibres.gather import MOST_FAMILIES, FamilyTrack, WallTrack
from volscan.fibres.layers import Stack, find_stack
from volscan.fibres.paths import WallPath, legs_of, smoothed, turned_at
from volscan.fibres.plan import trace_paths
from volscan.fibres.recentre import followed_wall, path_bins, recentred
from volscan.geometry import BuildFrame, FloatArray
from volscan.kernels.paths import plan_sums
from volscan.kernels.sections import sums_along_lines
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
# Paths show a straight family when they have its direction, lie on its walls in this share, and
# its walls are nearly as long in all.
_SAME_DEG, _SAME_SHARE, _AS_LONG = 5.0, 0.7, 0.9
# Directions tried about that of the pieces' chords, the likeliest first, and by how much more has
# to be alike.
_ASKEW_DEG = (0.0, -3.0, 3.0, -6.0, 6.0, -9.0, 9.0, -12.0, 12.0)
_CLEARLY_MORE = 1.05
# A path of which more than this lies on straight walls runs along them.
_HELD = 0.6


def curved_families(
    material: MaterialMap,
    frame: BuildFrame,
    points: FloatArray,
    *,
    straight: list[FamilyTrack],
    blur_um: float,
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
    straight
        Families found as straight lines: where paths show the same walls, these are taken.
    blur_um
        Standard deviation of the blur across.
    """
    thickness = max(material.rough_thickness_um, 2.0 * max(material.spacing_um))
    lines = _Lines(tuple(s for s in straight if not s.curved), _middle(points @ frame.h))
    view = _plan_view(material, frame, points, thickness)
    families, unknown = lines.parted(view.paths(frame, thickness), thickness)
    if families and unknown:
        # Where a straight wall is known to run on, the other ends of a crossing are the others'.
        lines = replace(lines, families=tuple(families))
        known = lines.ends(frame)
        families, unknown = lines.parted(view.paths(frame, thickness, known), thickness)
    lines = replace(lines, families=tuple(families))
    unknown = [
        (axes, [p for p in paths if not lines.hold(axes, p, thickness)]) for axes, paths in unknown
    ]
    unknown = sorted(unknown, key=lambda u: -sum(p.length_um for p in u[1]))
    for k, (axes, pieces) in enumerate(unknown):
        if not pieces:
            continue
        # Pieces of a wave may run another way than its mean line.
        later = [(j, p) for j in range(k + 1, len(unknown)) for p in unknown[j][1]]
        strangers = [(unknown[j][0], p) for j, p in later]
        axes, alike = _most_alike(axes, pieces, strangers, lines, thickness)
        for i in alike.joined:
            j, piece = later[i]
            unknown[j] = (unknown[j][0], [p for p in unknown[j][1] if p is not piece])
        track = _track(material, axes, alike.walls, points, thickness_um=thickness, blur_um=blur_um)
        if track is not None:
            families.append(track)
    if not families:
        return []
    return recentred(material, families, blur_um=blur_um, times=3)


def _most_alike(
    axes: FamilyAxes,
    pieces: list[WallPath],
    strangers: list[tuple[FamilyAxes, WallPath]],
    lines: _Lines,
    thickness_um: float,
) -> tuple[FamilyAxes, Alike]:
    """Return the direction in which most pieces are alike, and the walls they make in it.

    Chords of pieces of a wave run askew, so directions about theirs are tried.
    """
    best: tuple[FamilyAxes, Alike] | None = None
    for off in _ASKEW_DEG:
        trial = _rotated(axes, math.radians(off))
        alike = alike_walls(
            [_turned(p, axes, trial) for p in pieces],
            partial(lines.clear, trial, beyond_um=thickness_um),
            thickness_um=thickness_um,
            strangers=[_turned(p, own, trial) for own, p in strangers],
        )
        if best is None or alike.places > _CLEARLY_MORE * best[1].places:
            best = trial, alike
    assert best is not None
    return best


def _rotated(axes: FamilyAxes, angle: float) -> FamilyAxes:
    """Return a family's axes turned about its up, radians."""
    c, s = math.cos(angle), math.sin(angle)
    return FamilyAxes(c * axes.along + s * axes.across, c * axes.across - s * axes.along, axes.up)


def _turned(path: WallPath, own: FamilyAxes, other: FamilyAxes) -> WallPath:
    """Return a path told in another family's axes, running its way."""
    points = path.points_um @ _turn(own, other)
    return WallPath(points if points[-1, 0] > points[0, 0] else points[::-1])


def _turn(own: FamilyAxes, other: FamilyAxes) -> FloatArray:
    """Return the matrix (2, 2) that takes rows (along, across) into another family's axes."""
    return np.stack([own.along, own.across]) @ np.stack([other.along, other.across], axis=1)


def _middle(heights: FloatArray) -> float:
    """Return the height half-way between bottom and top, at which paths are told."""
    return 0.5 * float(np.percentile(heights, 0.5) + np.percentile(heights, 99.5))


@dataclass(frozen=True)
class _Lines:
    """Straight families seen from above at a height."""

    families: tuple[FamilyTrack, ...]
    height_um: float

    def same(
        self, axes: FamilyAxes, paths: list[WallPath], thickness_um: float
    ) -> FamilyTrack | None:
        """Return the straight family whose walls these paths show, if there is one.

        Where another wall crosses at a slant a path strays to it; straight lines do not.
        """
        lengths = sum(float(np.ptp(p.points_um[:, 0])) for p in paths)
        for family in self.families:
            only = _Lines((family,), self.height_um)
            points = np.concatenate([p.points_um for p in paths])
            if (
                abs(float(axes.along @ family.axes.along)) > math.cos(math.radians(_SAME_DEG))
                and only.near(axes, points, thickness_um).mean() > _SAME_SHARE
                and sum(w.end_um - w.start_um for w in family.walls) > _AS_LONG * lengths
            ):
                return family
        return None

    def parted(
        self, found: list[tuple[FamilyAxes, list[WallPath]]], thickness_um: float
    ) -> tuple[list[FamilyTrack], list[tuple[FamilyAxes, list[WallPath]]]]:
        """Return the straight families that paths show, and the paths that show none."""
        families: list[FamilyTrack] = []
        unknown = []
        for axes, paths in found:
            same = self.same(axes, paths, thickness_um)
            if same is None:
                unknown.append((axes, paths))
            elif not any(same is f for f in families):
                families.append(same)
        return families, unknown

    def ends(self, frame: BuildFrame) -> FloatArray:
        """Return both ends of every wall (walls, 2, 2), [x, y] of the frame."""
        plane = np.stack([frame.x, frame.y], axis=1)
        ends = []
        for family in self.families:
            turn = np.stack([family.axes.along, family.axes.across]) @ plane
            for wall in family.walls:
                across = wall.position_um + wall.slope * self.height_um
                ends.append(np.array([[wall.start_um, across], [wall.end_um, across]]) @ turn)
        return np.array(ends)

    def near(self, axes: FamilyAxes, points_um: FloatArray, within_um: float) -> NDArray[np.bool_]:
        """Tell of places (m, 2) in a family's plane whether a straight wall is near."""
        near = np.zeros(len(points_um), np.bool_)
        for family in self.families:
            places = points_um @ _turn(axes, family.axes)
            for wall in family.walls:
                off = places[:, 1] - wall.position_um - wall.slope * self.height_um
                over = np.maximum(wall.start_um - places[:, 0], places[:, 0] - wall.end_um)
                near |= (np.abs(off) < within_um) & (over < within_um)
        return near

    def clear(
        self, axes: FamilyAxes, points_um: FloatArray, *, beyond_um: float
    ) -> NDArray[np.bool_]:
        """Tell of places whether no straight wall is near."""
        return ~self.near(axes, points_um, beyond_um)

    def hold(self, axes: FamilyAxes, path: WallPath, thickness_um: float) -> bool:
        """Whether a path runs along straight walls, and not across them."""
        return bool(self.near(axes, path.points_um, 0.6 * thickness_um).mean() > _HELD)


@dataclass(frozen=True)
class _PlanView:
    """Polymer seen from above: rows along the frame's y from `b0`, columns along x from `a0`."""

    seen: NDArray[np.float64]
    a0_um: float
    b0_um: float
    step_um: float

    def paths(
        self, frame: BuildFrame, thickness_um: float, known_um: FloatArray | None = None
    ) -> list[tuple[FamilyAxes, list[WallPath]]]:
        """Trace paths and sort them into families by the direction of their chords.

        `known_um` are straight walls' ends (walls, 2, 2), [x, y] of the frame.
        """
        step = self.step_um
        start = np.array([self.b0_um, self.a0_um])
        lines = None if known_um is None else (known_um[..., ::-1] - start) / step - 0.5
        paths = [
            _evened((pixels + 0.5)[:, ::-1] * step + start[::-1], 0.5 * thickness_um)
            for pixels in trace_paths(self.seen, width=1.2 * thickness_um / step, lines=lines)
        ]
        # A path that takes a wrong turn may seem to have a leg; where cells have legs, most paths
        # do.
        legged = sum(_length(p) for p in paths if legs_of(p) > 1)
        legs = 2.0 * legged > sum(_length(p) for p in paths)
        pieces = [
            piece
            for path in paths
            for piece in turned_at(path, legs=legs)
            if _length(piece) > 3.0 * thickness_um
        ]
        return _sorted_by_direction(pieces, frame)


def _plan_view(
    material: MaterialMap, frame: BuildFrame, points: FloatArray, thickness: float
) -> _PlanView:
    """Add up what stands about the middle height."""
    step = _plan_step(material, frame)
    a, b, h = points @ frame.x, points @ frame.y, points @ frame.h
    low, high = float(np.percentile(h, 0.5)), float(np.percentile(h, 99.5))
    middle, half = 0.5 * (low + high), 0.5 * _VIEW_DIAMETERS * thickness
    pad = (math.ceil(3.0 * thickness / step) + 0.5) * step
    a0, b0 = float(a.min()) - pad, float(b.min()) - pad
    shape = (int((b.max() + pad - b0) / step) + 1, int((a.max() + pad - a0) / step) + 1)
    seen = plan_sums(
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
    return _PlanView(seen, a0, b0, step)


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
    _merge_near(groups, totals)
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


def _merge_near(groups: list[list[FloatArray]], totals: list[complex]) -> None:
    """Merge groups of pieces whose mean directions (doubled angles) came to be one family's.

    The first piece of a group may run askew, at the end of a wall or along a turning loop.
    """
    k = 0
    while k < len(groups):
        for j in range(k):
            if abs(np.angle(totals[k] / totals[j])) < 2.0 * math.radians(_ONE_FAMILY_DEG):
                groups[j] += groups.pop(k)
                totals[j] += totals.pop(k)
                k = j
                break
        else:
            k += 1


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
