"""From rough walls to the cross-sections that are fitted: where fibres run, what to leave out."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cc3d
import edt
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.ndimage import uniform_filter1d
from scipy.spatial import cKDTree

from volscan.fibres.columns import FamilyAxes, RoughWalls
from volscan.fibres.crosssection import Column, Stretch
from volscan.fibres.paths import WallPath
from volscan.geometry import FloatArray
from volscan.kernels.paths import path_sections
from volscan.kernels.sections import mark_near_polyline, wall_sections
from volscan.prepare.ct import FWHM_PER_SIGMA
from volscan.prepare.material import MaterialMap, Unrolled

# A station belongs to a wall while the wall's core holds this share of its usual fraction.
_PRESENT = 0.5
# A wall's own usual level counts as no less than this share of its family's.
_LEAST_FILLING = 0.6
# A fibre whose core holds less than this share along its wall is missing.
_MISSING = 0.4
# A fibre of a layer that few walls have is there at this share of the places along.
_NEARLY_ALL = 0.85
# A run beside the longest one is a wall of its own when it is this share as long.
_OWN_WALL = 0.35
# ... and when a corridor of this many diameters either side of the line holds, somewhere between
# them, less than this share of what it holds along the wall.
_CORRIDOR, _EMPTY = 1.5, 0.25
# Solid away from all fibres counts as a stray from this many voxels on; less is noise.
_SMALLEST_STRAY_VOX = 64
# The bit of `mark_families` that says so; families have the bits below.
STRAY = np.uint8(128)
MOST_FAMILIES = 7
# Bins with fewer voxels than this say too little to keep.
_FEWEST_VOXELS = 3


@dataclass(frozen=True)
class WallTrack:
    """A wall as it is followed.

    `position_um` is its place across at height 0 and `slope` its lean dn/dh; `offset_um`,
    `height_um`, `radius_um` describe the fibres (across relative to the leaning line, up, radius),
    from the lowest; `present` tells which are there; it runs from `start_um` to `end_um`.

    A curved wall has a `path` (at height 0), from which places across are told along its own
    normals; `position_um` is 0 then and start and end are arc lengths.
    """

    position_um: float
    slope: float
    offset_um: FloatArray
    height_um: FloatArray
    radius_um: FloatArray
    present: NDArray[np.bool_]
    start_um: float
    end_um: float
    path: WallPath | None = None

    def places(self, along_um: FloatArray, across_um: FloatArray, up_um: FloatArray) -> FloatArray:
        """Return places (m, k, 3) along, across and up in the family's axes.

        Parameters
        ----------
        along_um
            (m,) stations.
        across_um, up_um
            (m, k): place across, the lean included, and height.
        """
        if self.path is None:
            along = np.broadcast_to(along_um[:, None], up_um.shape)
            return np.stack([along, across_um, up_um], axis=-1)
        leant = self.slope * up_um
        place, normal = self.path.at(along_um)
        off = (across_um - leant)[..., None] * normal[:, None, :]
        plan = place[:, None, :] + off
        return np.stack([plan[..., 0], plan[..., 1] + leant, up_um], axis=-1)

    def centreline(self, k: int) -> FloatArray:
        """Return fibre `k` as a polyline (m, 3) in the family's axes."""
        height = self.height_um[k]
        across = self.position_um + self.slope * height + self.offset_um[k]
        if self.path is None:
            return np.array([[self.start_um, across, height], [self.end_um, across, height]])
        inside = self.path.arc_um
        inside = inside[(inside > self.start_um) & (inside < self.end_um)]
        along = np.concatenate([[self.start_um], inside, [self.end_um]])
        ones = np.ones((along.size, 1))
        return self.places(along, across * ones, height * ones)[:, 0]


@dataclass(frozen=True)
class FamilyTrack:
    """A family as it is followed: its axes and its walls.

    `sure_count` tells whether the mean wall's own profile left no doubt how many fibres stand on
    each other.
    """

    axes: FamilyAxes
    walls: tuple[WallTrack, ...]
    sure_count: bool = False

    @property
    def curved(self) -> bool:
        """Whether the walls follow paths."""
        return any(w.path is not None for w in self.walls)


def track_family(
    material: MaterialMap,
    rough: RoughWalls,
    *,
    heights_um: FloatArray,
    diameter_um: float,
    points: FloatArray,
) -> FamilyTrack | None:
    """Follow each rough wall along its fibres and note which fibres are there.

    Returns None when no wall runs on for at least three diameters.
    """
    spacing = np.array(material.spacing_um)
    step = float(spacing.max())
    radius = 0.5 * diameter_um
    s = points @ rough.axes.along
    s0 = float(np.percentile(s, 0.02)) - 2.0 * step
    s1 = float(np.percentile(s, 99.98)) + 2.0 * step
    stations = max(4, int((s1 - s0) / step))
    base = rough.position_um - rough.slope * rough.middle_h_um
    n_walls = rough.position_um.size
    core = max(0.4 * radius, 0.75 * step)
    unmarked = np.zeros(material.fraction.shape, np.uint8)

    def held(half_width: float, low: float, high: float) -> FloatArray:
        """Return the mean fraction at each station (walls, stations) of a band about the walls."""
        sums = wall_sections(
            material.fraction,
            unmarked,
            np.uint8(0),
            spacing,
            rough.axes.matrix,
            base,
            rough.slope,
            half_width,
            np.array([low - core, high + core]),
            np.full(n_walls, s0),
            np.full(n_walls, step),
            stations,
            2.0 * core,
        ).sum(axis=(2, 3))
        return np.asarray(sums[..., 1] / np.maximum(sums[..., 0], 1.0))

    fibres = np.stack([held(core, h, h) for h in heights_um], axis=1)
    beside = held(_CORRIDOR * diameter_um, heights_um[0], heights_um[-1])
    walls, numbers = [], []
    # A short wall in a corner of the scan is told from the family's usual filling, not its own.
    usual = float(np.median([_usual_level(f.mean(axis=0)) for f in fibres]))
    for w in range(n_walls):
        for (a, b), present in runs_of(
            fibres[w],
            diameter_um=diameter_um,
            step_um=step,
            least=_LEAST_FILLING * usual,
            beside=beside[w],
        ):
            numbers.append(w)
            walls.append(
                WallTrack(
                    position_um=float(base[w]),
                    slope=float(rough.slope[w]),
                    offset_um=np.zeros(heights_um.size),
                    height_um=heights_um.copy(),
                    radius_um=np.full(heights_um.size, radius),
                    present=present,
                    start_um=s0 + a * step,
                    end_um=s0 + b * step,
                )
            )
    if not walls:
        return None
    if heights_um.size > 1 and material.hidden is None:
        rise = float(np.diff(heights_um).mean())
        for height, at in (heights_um[0] - rise, 0), (heights_um[-1] + rise, heights_um.size):
            rows = held(core, float(height), float(height))[numbers]
            walls = _with_fibres_at(walls, rows, float(height), at, usual, s0, step)
    return FamilyTrack(rough.axes, tuple(walls))


def _with_fibres_at(
    walls: list[WallTrack],
    rows: FloatArray,
    height_um: float,
    at: int,
    usual: float,
    s0_um: float,
    step_um: float,
) -> list[WallTrack]:
    """Return the walls with fibres of one more layer, where a few have one.

    The layers are counted in the mean wall, in which a layer of a few fibres does not show. A fibre
    fills its core nearly all along; what crosses there does not.
    """
    there = []
    for wall, level in zip(walls, rows, strict=True):
        a, b = (round((v - s0_um) / step_um) for v in (wall.start_um, wall.end_um))
        there.append(float(np.quantile(level[a:b], 1.0 - _NEARLY_ALL)) > _MISSING * usual)
    if not any(there):
        return walls
    return [
        replace(
            w,
            offset_um=np.insert(w.offset_um, at, 0.0),
            height_um=np.insert(w.height_um, at, height_um),
            radius_um=np.insert(w.radius_um, at, w.radius_um.mean()),
            present=np.insert(w.present, at, here),
        )
        for w, here in zip(walls, there, strict=True)
    ]


def runs_of(
    fibres: FloatArray,
    *,
    diameter_um: float,
    step_um: float,
    least: float = 0.0,
    beside: FloatArray | None = None,
) -> list[tuple[tuple[int, int], NDArray[np.bool_]]]:
    """Return where walls on one line run, from the longest, and which of their fibres are there.

    Parameters
    ----------
    fibres
        (fibres, stations): mean fraction in each fibre's core.
    least
        Its usual level is at least this.
    beside
        (stations,): mean fraction in a corridor about the line; without it only the longest run
        is returned.

    Returns
    -------
    For each run of three diameters or more: first and last station, and (fibres,) bool. A run
    beside the longest one is a wall of its own when it is no crossing fibre or loop beyond the
    wall's end, and the corridor is empty in between: a wall that waves leaves the line, not the
    corridor.
    """
    smoothing = max(3, round(diameter_um / step_um))
    wall = uniform_filter1d(fibres.mean(axis=0), smoothing, mode="nearest")
    spans = _runs(wall, longest_gap=smoothing, least=least)
    if not spans:
        return []
    shortest = max(3.0 * diameter_um / step_um, _OWN_WALL * (spans[0][1] - spans[0][0]))
    found: list[tuple[tuple[int, int], NDArray[np.bool_]]] = []
    for first, last in spans:
        if (last - first) * step_um < 3.0 * diameter_um:
            continue
        if found:
            if beside is None or last - first < shortest:
                continue
            a, b = sorted([(first, last), spans[0]])
            usual = float(np.median(beside[spans[0][0] : spans[0][1]]))
            if beside[a[1] : b[0]].min(initial=math.inf) > _EMPTY * usual:
                continue
        inside = fibres[:, first:last].mean(axis=1)
        found.append(((first, last), inside > _MISSING * float(np.median(inside))))
    return found


def _usual_level(wall: FloatArray) -> float:
    """Return the usual level of a wall's fuller half."""
    top = float(np.median(np.sort(wall)[wall.size // 2 :]))
    return max(top, float(np.percentile(wall, 75)))


def _runs(wall: FloatArray, *, longest_gap: int, least: float) -> list[tuple[int, int]]:
    """Return where walls start and end, from the longest; their level is that of the fuller half.

    Gaps up to `longest_gap` stations, about a diameter, are bridged; a longer one would carry the
    wall on to the turning loops and crossing fibres beyond its end.
    """
    top = max(_usual_level(wall), least)
    on = np.flatnonzero(wall > _PRESENT * top)
    if on.size == 0 or top <= 0:
        return []
    breaks = np.flatnonzero(np.diff(on) > longest_gap)
    starts = on[np.concatenate([[0], breaks + 1])]
    ends = on[np.concatenate([breaks, [on.size - 1]])] + 1
    order = np.argsort(starts - ends, kind="stable")
    return [(int(starts[k]), int(ends[k])) for k in order]


def blurred_margin(material: MaterialMap, blur_um: float) -> float:
    """Return how far beyond a fibre's radius its blur counts, for `mark_families`."""
    return 1.2 * FWHM_PER_SIGMA * blur_um + 0.5 * max(material.spacing_um)


def mark_families(
    material: MaterialMap,
    families: list[FamilyTrack],
    *,
    margin_um: float,
    strays_too: bool = True,
) -> NDArray[np.uint8]:
    """Return (z, y, x) uint8: bit j is set near any fibre of family j, the top bit near strays.

    Strays are solid that no family's fibre comes near: turning loops, debris, films. What lies near
    them is left out of every wall. So are stretches where a family's walls run side by side, as in
    closed cells: a section there holds two fibres.

    `margin_um` is added to each fibre's radius: beyond it a fibre's blur no longer counts.
    """
    near = np.zeros(material.fraction.shape, np.uint8)
    spacing = np.array(material.spacing_um)
    for j, family in enumerate(families):
        bit = np.uint8(1 << j)
        basis = family.axes.matrix
        for wall in family.walls:
            for k in np.flatnonzero(wall.present):
                line = wall.centreline(int(k)) @ basis
                reach = wall.radius_um[k] + margin_um
                mark_near_polyline(near, bit, spacing, line, reach)
        for line, reach in _side_by_side(family, margin_um):
            mark_near_polyline(near, STRAY, spacing, line @ basis, reach)
    if material.hidden is not None:
        near[material.hidden] |= STRAY
    if not strays_too:
        return near
    stray = left_over(material, near)
    if stray.any():
        # A strand that passes through a fibre's own margin is a stray only on either side of it:
        # from there the reach spans the margin's middle and the strand's blur along the fibre.
        radius = max(float(w.radius_um.max()) for f in families for w in f.walls)
        reach = math.hypot(radius + margin_um, margin_um)
        distance = edt.edt(~stray, anisotropy=material.spacing_um, parallel=2)
        near[distance < reach] |= STRAY
    return near


def _side_by_side(family: FamilyTrack, margin_um: float) -> list[tuple[FloatArray, float]]:
    """Return the stretches (m, 3) of curved walls' fibres that another wall runs beside.

    They are told in the family's axes, each with the reach of its radius and margin.
    """
    if not family.curved or len(family.walls) < 2:
        return []
    found = []
    for k in range(family.walls[0].height_um.size):
        there = [w for w in family.walls if k < w.present.size and w.present[k]]
        lines = [w.centreline(k) for w in there]
        trees = [cKDTree(line[:, :2]) for line in lines]
        for i, (wall, line) in enumerate(zip(there, lines, strict=True)):
            beside = np.zeros(len(line), np.bool_)
            for j, tree in enumerate(trees):
                if j != i:
                    limit = wall.radius_um[k] + there[j].radius_um[k] + margin_um
                    beside |= np.isfinite(tree.query(line[:, :2], distance_upper_bound=limit)[0])
            labels, count = ndimage.label(beside)
            for part in range(1, count + 1):
                at = np.flatnonzero(labels == part)
                ends = line[max(at[0] - 1, 0) : at[-1] + 2]
                found.append((ends, float(wall.radius_um[k]) + margin_um))
    return found


def left_over(material: MaterialMap, near: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return (z, y, x) bool: solid that nothing marked in `near`, without specks of noise."""
    stray = np.asarray(material.solid & (near == 0))
    cc3d.dust(stray, threshold=_SMALLEST_STRAY_VOX, connectivity=26, in_place=True)
    return stray


def gather_paths(
    material: MaterialMap,
    near: NDArray[np.uint8],
    other_bits: np.uint8,
    axes: FamilyAxes,
    paths: list[WallPath],
    slopes: FloatArray,
    *,
    half_width_um: float,
    h_range: tuple[float, float],
    start_um: FloatArray,
    segment_um: FloatArray,
    segments: int,
    bin_um: float,
) -> NDArray[np.float64]:
    """Gather sections along paths; see `path_sections`."""
    return np.asarray(
        path_sections(
            material.fraction,
            near,
            other_bits,
            np.array(material.spacing_um),
            axes.matrix,
            np.concatenate([p.points_um for p in paths]),
            np.concatenate([[0], np.cumsum([len(p.points_um) for p in paths])]),
            np.asarray(slopes, dtype=np.float64),
            half_width_um,
            np.array(h_range, dtype=np.float64),
            start_um,
            segment_um,
            segments,
            bin_um,
        )
    )


def gather_walls(
    material: MaterialMap,
    near: NDArray[np.uint8],
    family: FamilyTrack,
    *,
    number: int,
    segments: int,
    half_width_um: float,
    bin_um: float,
    trim_um: float,
) -> NDArray[np.float64]:
    """Return (walls, segments, heights, across, channels) as `wall_sections` gathers it."""
    low = min(float(w.height_um[0] - w.radius_um[0]) for w in family.walls)
    high = max(float(w.height_um[-1] + w.radius_um[-1]) for w in family.walls)
    reach = half_width_um - max(float(w.radius_um.max()) for w in family.walls)
    start = np.array([w.start_um + trim_um for w in family.walls])
    end = np.array([w.end_um - trim_um for w in family.walls])
    paths = [w.path for w in family.walls if w.path is not None]
    slopes = np.array([w.slope for w in family.walls])
    others = np.uint8(255 ^ (1 << number))
    if paths:
        return gather_paths(
            material,
            near,
            others,
            family.axes,
            paths,
            slopes,
            half_width_um=half_width_um,
            h_range=(low - reach, high + reach),
            start_um=start,
            segment_um=(end - start) / segments,
            segments=segments,
            bin_um=bin_um,
        )
    return np.asarray(
        wall_sections(
            material.fraction,
            near,
            others,
            np.array(material.spacing_um),
            family.axes.matrix,
            np.array([w.position_um for w in family.walls]),
            slopes,
            half_width_um,
            np.array([low - reach, high + reach]),
            start,
            (end - start) / segments,
            segments,
            bin_um,
        )
    )


def column_of(
    bins: NDArray[np.float64],
    wall: WallTrack,
    axes: FamilyAxes,
    *,
    fewest: int = _FEWEST_VOXELS,
    unrolled: Unrolled | None = None,
) -> Column:
    """Turn gathered bins (heights, across, channels) of one wall into a column to fit.

    Positions across are told from the wall's place at height 0, not from its leaning line, and at
    their own width where the map was `unrolled`.
    """
    flat = bins.reshape(-1, bins.shape[-1])
    flat = flat[flat[:, 0] >= fewest]
    count = flat[:, 0]
    h = flat[:, 3] / count
    n = flat[:, 2] / count + wall.slope * h
    order = np.argsort(h, kind="stable")
    there = wall.present
    height = wall.height_um[there]
    radius = wall.radius_um[there]
    centre_n = wall.slope * height + wall.offset_um[there]
    stretch = None if unrolled is None else _stretch(wall, axes, unrolled)
    if stretch is not None:
        n, centre_n = stretch.own(n, h), stretch.own(centre_n, height)
    return Column(
        axes=axes,
        n=n[order],
        h=h[order],
        value=(flat[:, 1] / count)[order],
        count=count[order],
        centre_n=centre_n,
        centre_h=height.copy(),
        radius=radius.copy(),
        prior_h=height.copy(),
        prior_r=radius.copy(),
        stretch=stretch,
    )


def _stretch(wall: WallTrack, axes: FamilyAxes, unrolled: Unrolled) -> Stretch:
    """Return how a tube's sheet, z outward and x along the axis, stretches a wall's sections."""
    _, around, along = axes.along
    return Stretch(
        wall.slope,
        float(along),
        float(around),
        unrolled.lowest_um / unrolled.radius_um,
        1.0 / unrolled.radius_um,
    )
