"""Fitted walls become fibres in the build frame, with families and layers."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.columns import FamilyAxes
from volscan.fibres.field import FibreField, WallStations
from volscan.geometry import BuildFrame, Family, Fibre, FloatArray, Wave, left_normal_xy
from volscan.quantity import Notice, Quantity, combine_u

# Heights closer than this share of a diameter are one layer.
_ONE_LAYER = 0.3
# Places of missing fibres that a notice names.
_PLACES_TOLD = 20
# A disc under this share of its wall's usual radius is what is left of a missing fibre.
_SLIVER = 0.5
# Radii share the contrast's and the blur's error, which does not average out over fibres: as a
# share of the diameter, from the phantoms of docs/validation.
_SHARED_DIAMETER_ERROR = 0.0045


@dataclass(frozen=True)
class FineTrack:
    """A wall's fibres at short stations: `along_um` (m,), places (m, fibres, 3) and u (.., 2)."""

    along_um: FloatArray
    places_um: FloatArray
    u_um: FloatArray


@dataclass(frozen=True)
class SizeTrack:
    """Radii (parts, fibres) in a few parts of a wall, with what noise makes of them."""

    along_um: FloatArray
    radius_um: FloatArray
    u_radius_um: FloatArray


@dataclass(frozen=True)
class FittedWall:
    """A wall's fibres as fitted: centres (parts, fibres) in the family's axes, µm.

    `along_um` and `across_um` are told along and across the wall's path where it is `curved`;
    `places_um` (parts, fibres, 3) are the same centres along, across and up in straight axes, and
    `dense_um` has them at even places over the whole path. `misfit` is what the disc model leaves
    of the section, beyond noise, as a share of its own root mean square; `u_places_um` what noise
    makes of places across and up (parts, fibres, 2), `of_scan` (fibres,) of which scan of a growing
    print each is.
    """

    family: int
    axes: FamilyAxes
    present: NDArray[np.bool_]
    along_um: FloatArray
    across_um: FloatArray
    up_um: FloatArray
    radius_um: FloatArray
    u_radius_um: FloatArray
    height_over_width: float
    start_um: float
    end_um: float
    misfit: float
    places_um: FloatArray
    u_places_um: FloatArray
    curved: bool = False
    dense_um: FloatArray | None = None
    fine: FineTrack | None = None
    sizes: SizeTrack | None = None
    of_scan: NDArray[np.int64] | None = None

    def centres(self) -> FloatArray:
        """Return scan positions (parts, fibres, 3) [z, y, x]."""
        return np.asarray(self.places_um @ self.axes.matrix)

    def without_slivers(self) -> FittedWall:
        """Return the wall without discs far thinner than its others: those fibres are missing.

        In a welded wall the place of a missing fibre is filled from above and below; what is left
        of its disc is a sliver.
        """
        keep = self.radius_um > _SLIVER * float(np.median(self.radius_um))
        if keep.all():
            return self
        present = self.present.copy()
        present[np.flatnonzero(present)[~keep]] = False
        fine, sizes = self.fine, self.sizes
        return replace(
            self,
            present=present,
            across_um=self.across_um[:, keep],
            up_um=self.up_um[:, keep],
            radius_um=self.radius_um[keep],
            u_radius_um=self.u_radius_um[keep],
            places_um=self.places_um[:, keep],
            u_places_um=self.u_places_um[:, keep],
            dense_um=None if self.dense_um is None else self.dense_um[:, keep],
            fine=None
            if fine is None
            else replace(fine, places_um=fine.places_um[:, keep], u_um=fine.u_um[:, keep]),
            sizes=None
            if sizes is None
            else replace(
                sizes,
                radius_um=sizes.radius_um[:, keep],
                u_radius_um=sizes.u_radius_um[:, keep],
            ),
        )


@dataclass(frozen=True)
class MeanLines:
    """The wave of a family, and the directions (walls,) in degrees of the lines it waves about.

    `corner_share` is the share of a period over which a zigzag's corners are rounded, `blur_um` the
    standard deviation of the blur along the walls.
    """

    wave: Wave
    directions_deg: FloatArray
    corner_share: float
    blur_um: float


def field_from_walls(
    walls: list[FittedWall],
    frame: BuildFrame,
    *,
    families: list[FamilyAxes],
    waves: dict[int, MeanLines],
    u_contrast_share: float = 0.0,
) -> tuple[FibreField, list[FittedWall]]:
    """Return the fibres in build coordinates, sorted into families, walls and layers.

    Beside the field stand the walls in the order of their numbers. `u_contrast_share` is the
    contrast's standard uncertainty as a share of it: a section tells radius² times contrast, so
    that half of it is every diameter's.
    """
    shared = math.hypot(_SHARED_DIAMETER_ERROR, 0.5 * u_contrast_share)
    order, directions = _sorted_families(walls, frame, families, waves)
    rank = {family: i for i, family in enumerate(order)}
    ordered = sorted(walls, key=lambda w: (rank[w.family], _place(w, frame, directions[w.family])))
    diameter = 2.0 * float(np.mean(np.concatenate([w.radius_um for w in ordered])))
    heights = [
        float(v) for w in ordered for v in (frame.to_build(w.centres())[..., 2]).mean(axis=0)
    ]
    levels = _clusters(np.array(heights), _ONE_LAYER * diameter)
    fibres: list[Fibre] = []
    stations: list[WallStations] = []
    for number, wall in enumerate(ordered):
        built = frame.to_build(wall.centres())
        own = heights[len(fibres) : len(fibres) + built.shape[1]]
        layers = np.array([int(np.argmin(np.abs(levels - h))) for h in own], dtype=np.int64)
        stations.append(
            WallStations(
                number,
                rank[wall.family],
                layers,
                built,
                wall.u_places_um[..., 0],
                wall.radius_um,
                wall.curved,
            )
        )
        for k in range(built.shape[1]):
            points = (
                _to_ends(built[:, k], wall)
                if wall.dense_um is None
                else frame.to_build(wall.dense_um[:, k] @ wall.axes.matrix)
            )
            d = 2.0 * float(wall.radius_um[k])
            fibres.append(
                Fibre(
                    id=len(fibres),
                    family=rank[wall.family],
                    layer=int(layers[k]),
                    wall=number,
                    points_um=points,
                    diameters_um=np.full(points.shape[0], d),
                    diameter_um=Quantity(
                        d,
                        combine_u([2.0 * wall.u_radius_um[k], shared * d]),
                        "µm",
                        1,
                    ),
                    direction_deg=directions[wall.family],
                )
            )
    table = tuple(
        _family(
            rank[f],
            [w for w in ordered if w.family == f],
            fibres,
            frame,
            directions[f],
            waves.get(f),
            shared,
        )
        for f in order
    )
    field = _field(tuple(fibres), table, levels, ordered, frame, shared)
    return replace(field, stations=tuple(stations)), ordered


def _sorted_families(
    walls: list[FittedWall],
    frame: BuildFrame,
    families: list[FamilyAxes],
    waves: dict[int, MeanLines],
) -> tuple[list[int], dict[int, float]]:
    """Return the families in order of direction, and each one's direction in degrees."""
    directions = {}
    for f in sorted({w.family for w in walls}):
        along = families[f].along
        vectors = []
        for wall in walls:
            if wall.family != f or wall.along_um.size < 2:
                continue
            built = frame.to_build(wall.centres())
            for k in range(built.shape[1]):
                v = slope_vector(built[:, k], wall.along_um)
                vectors.append(v[:2])
        reference = frame.rotation[:2] @ along
        mean = np.mean(vectors, axis=0) if vectors else reference
        angle = math.degrees(math.atan2(mean[1], mean[0])) % 180.0
        if f in waves:
            angle = float(np.mean(waves[f].directions_deg)) % 180.0
        # Within half a degree of 180 a direction is folded, so that a family has one normal.
        directions[f] = angle - 180.0 if angle > 179.5 else angle
    order = sorted(directions, key=lambda f: directions[f])
    return order, directions


def slope_vector(points: FloatArray, along: FloatArray) -> FloatArray:
    """Return the change of position for each µm along, by least squares."""
    s = along - along.mean()
    return np.asarray((s @ (points - points.mean(axis=0))) / (s @ s))


def _place(wall: FittedWall, frame: BuildFrame, direction_deg: float) -> float:
    """Return the wall's mean place along its left normal.

    A curved wall is told by its whole path: what crossings hide may lie all to one side.
    """
    scan = wall.centres() if wall.dense_um is None else wall.dense_um @ wall.axes.matrix
    return float((frame.to_build(scan)[..., :2] @ left_normal_xy(direction_deg)).mean())


def _to_ends(points: FloatArray, wall: FittedWall) -> FloatArray:
    """Return the centreline carried on straight to where the fibre ends."""
    if points.shape[0] < 2:
        return points
    slope = slope_vector(points, wall.along_um)
    first = points[0] + slope * (wall.start_um - wall.along_um[0])
    last = points[-1] + slope * (wall.end_um - wall.along_um[-1])
    return np.vstack([first, points, last])


def _clusters(values: FloatArray, gap: float) -> FloatArray:
    """Return the means of groups of values that lie no farther apart than `gap`."""
    ordered = np.sort(values)
    breaks = np.flatnonzero(np.diff(ordered) > gap) + 1
    return np.array([part.mean() for part in np.split(ordered, breaks)])


def _family(
    number: int,
    walls: list[FittedWall],
    fibres: list[Fibre],
    frame: BuildFrame,
    direction_deg: float,
    mean_lines: MeanLines | None,
    shared: float,
) -> Family:
    """Sum up one family."""
    own = [f for f in fibres if f.family == number]
    angles = []
    if mean_lines is not None:
        angles = [
            (float(a) - direction_deg + 90.0) % 180.0 - 90.0 for a in mean_lines.directions_deg
        ]
    for wall in walls if mean_lines is None else []:
        built = frame.to_build(wall.centres())
        for k in range(built.shape[1]):
            v = slope_vector(built[:, k], wall.along_um)
            a = math.degrees(math.atan2(v[1], v[0]))
            angles.append((a - direction_deg + 90.0) % 180.0 - 90.0)
    u_angle = max(float(np.std(angles)) / math.sqrt(len(angles)), 0.005)
    if mean_lines is None and any(w.curved for w in walls):
        strays = [_chord_doubt_deg(w, frame, direction_deg) for w in walls if w.curved]
        u_angle = math.hypot(u_angle, float(np.mean(strays)) / math.sqrt(len(strays)))
    places = np.array([_place(w, frame, direction_deg) for w in walls])
    gaps = np.diff(places)
    spacing = None
    rms = largest = None
    if gaps.size:
        index = np.arange(places.size)
        residual = places - np.polyval(np.polyfit(index, places, 1), index)
        u_place = 0.02 * max(w.radius_um.mean() for w in walls)
        spacing = Quantity(
            float(gaps.mean()),
            float(math.sqrt(2.0) * u_place / gaps.size),
            "µm",
            gaps.size,
            float(gaps.std(ddof=1)) if gaps.size > 1 else None,
        )
        rms, largest = float(np.sqrt(np.mean(residual**2))), float(np.abs(residual).max())
    layers = len({f.layer for f in own})
    d = np.array([f.diameter_um.value for f in own])
    return Family(
        id=number,
        direction_deg=Quantity(
            direction_deg,
            u_angle,
            "deg",
            len(angles),
            float(np.std(angles, ddof=1)) if len(angles) > 1 else None,
        ),
        spacing_um=spacing,
        diameter_um=_mean_diameter(d, [f.diameter_um.u or 0.0 for f in own], shared),
        count=len(own),
        layers=layers,
        walls=len(walls),
        rise_per_fibre_um=_rise(walls, frame),
        placement_rms_um=rms,
        placement_max_um=largest,
        wave=None if mean_lines is None else mean_lines.wave,
    )


def _chord_doubt_deg(wall: FittedWall, frame: BuildFrame, direction_deg: float) -> float:
    """Return how well a straight line through a winding wall tells its direction, degrees.

    A line through n periods of amplitude a over a length L leans by up to 6 a / (π n L), by where
    the wave begins (expanded for n >= 1): in the root mean square 1.9 of its residual's over n L.
    """
    normal = left_normal_xy(direction_deg)
    built = frame.to_build(wall.centres())[..., :2].mean(axis=1)
    s, n = built @ np.array([normal[1], -normal[0]]), built @ normal
    if s.size < 3 or np.ptp(s) == 0:
        return 0.0
    rest = n - np.polyval(np.polyfit(s, n, 1), s)
    periods = max(1.0, 0.5 * float(np.count_nonzero(rest[1:] * rest[:-1] < 0)))
    return math.degrees(1.9 * float(np.sqrt(np.mean(rest**2))) / (periods * float(np.ptp(s))))


def _mean_diameter(d: FloatArray, u: list[float], shared: float) -> Quantity:
    mean = float(d.mean())
    own = float(np.mean(u)) / math.sqrt(d.size)
    return Quantity(
        mean,
        combine_u([own, shared * mean]),
        "µm",
        d.size,
        float(d.std(ddof=1)) if d.size > 1 else None,
    )


def _rise(walls: list[FittedWall], frame: BuildFrame) -> Quantity | None:
    """Return the step between successive fibres of a wall: the slope of height on number."""
    slopes = []
    for wall in walls:
        number = np.flatnonzero(wall.present)
        if number.size > 1:
            heights = frame.to_build(wall.centres())[..., 2].mean(axis=0)
            slopes.append(float(np.polyfit(number, heights, 1)[0]))
    if not slopes:
        return None
    sd = float(np.std(slopes, ddof=1)) if len(slopes) > 1 else 0.0
    u = max(sd / math.sqrt(len(slopes)), 0.002 * abs(float(np.mean(slopes))))
    return Quantity(float(np.mean(slopes)), u, "µm", len(slopes), sd or None)


def missing_places(walls: list[FittedWall], frame: BuildFrame, levels_um: FloatArray) -> list[str]:
    """Return the wall and layer of every fibre that is missing from its wall.

    The height of a missing fibre lies on the line of its wall's others against their number; the
    layer is the nearest of the print's `levels_um`. A wall of one fibre tells only its number.
    """
    told = []
    for number, wall in enumerate(walls):
        absent, there = np.flatnonzero(~wall.present), np.flatnonzero(wall.present)
        if absent.size == 0:
            continue
        if there.size < 2 or levels_um.size == 0:
            told += [f"wall {number}"] * absent.size
            continue
        heights = frame.to_build(wall.centres())[..., 2].mean(axis=0)
        line = np.polyfit(there, heights, 1)
        for height in np.polyval(line, absent):
            layer = int(np.argmin(np.abs(levels_um - height)))
            off = abs(float(levels_um[layer]) - float(height))
            # Where no wall holds a fibre there is no layer to name.
            near = off < 0.5 * abs(float(line[0]))
            told.append(
                f"wall {number}, layer {layer}" if near else f"wall {number}, {height:.3g} µm up"
            )
    return told


def _field(
    fibres: tuple[Fibre, ...],
    families: tuple[Family, ...],
    levels: FloatArray,
    walls: list[FittedWall],
    frame: BuildFrame,
    shared: float,
) -> FibreField:
    d = np.array([f.diameter_um.value for f in fibres])
    notices = []
    places = missing_places(walls, frame, levels)
    if places:
        where = "; ".join(places[:_PLACES_TOLD])
        text = f"fibres missing from their walls ({where})"
        notices.append(Notice("missing_fibres", text, len(places)))
    step = None
    if levels.size > 1:
        gaps = np.diff(levels)
        # Where a film, or a layer that no wall shows, lies between, a gap is no layer's height.
        gaps = gaps[gaps < 1.5 * np.median(gaps)]
        mean = float(gaps.mean())
        step = Quantity(
            mean,
            max(0.05 * float(d.mean()) / gaps.size, 0.002 * mean),
            "µm",
            gaps.size,
            float(gaps.std(ddof=1)) if gaps.size > 1 else None,
        )
    half = 0.5 * float(d.mean()) * math.sqrt(float(np.mean([w.height_over_width for w in walls])))
    return FibreField(
        fibres=fibres,
        families=families,
        diameter_um=_mean_diameter(d, [f.diameter_um.u or 0.0 for f in fibres], shared),
        layer_count=int(levels.size),
        layer_heights_um=tuple(float(v) for v in levels),
        layer_height_um=step,
        scaffold_height_um=Quantity(
            float(levels[-1] - levels[0]) + 2.0 * half, 0.05 * float(d.mean()), "µm", 1
        ),
        height_over_width=float(np.mean([w.height_over_width for w in walls])),
        notices=tuple(notices),
    )
