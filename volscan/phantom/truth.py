"""What a perfect measurement of a scaffold would say, from its geometry alone.

Words, frame, signs and envelope are those of the results file, so that a measured value and its
truth stand under the same key. Nothing here looks at a voxel.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.phantom.integrate import mean_solid_height
from volscan.phantom.mounting import Mounting
from volscan.phantom.outline import curved_outline
from volscan.phantom.pieces import BuiltWall
from volscan.phantom.plan import (
    Strip,
    largest_rectangle,
    length_inside,
    polygon_area,
    strips_outline,
)
from volscan.phantom.polygon import length_within
from volscan.phantom.scaffold import Scaffold
from volscan.phantom.truth_fibres import (
    beside_truth,
    defects_truth,
    family_numbers,
    fibre_rows,
    wave_truth,
)
from volscan.phantom.widest import Box, throats

FloatArray = NDArray[np.float64]

# A direction this close to 180° is told as its neighbour of 0°.
_FOLD_DEG = 0.5
# Cells of the throat's lattice across a diameter; each is cut in eight along every edge where it
# decides.
_CELLS_A_DIAMETER = 8
# Heights closer than this share of a diameter are one layer.
_SAME_LAYER = 1e-6


@dataclass(frozen=True)
class _Wall:
    """A wall in the measured frame."""

    built: BuiltWall
    family: int
    direction_deg: float
    normal: FloatArray
    along: FloatArray
    positions_um: FloatArray
    ends_um: FloatArray
    number: int
    bow_um: float

    @property
    def middle_um(self) -> float:
        """Position along the normal at half height: heights are evenly spaced.

        Of a bent wall it is that of the straight line fitted through its fibres.
        """
        if self.bow_um:
            return float(self.positions_um.mean())
        return float(self.positions_um[0] + self.positions_um[-1]) / 2

    @property
    def sense(self) -> float:
        """-1 where the measured direction runs against that of writing."""
        return (
            1.0 if float((self.ends_um[0, 1] - self.ends_um[0, 0])[:2] @ self.along) > 0 else -1.0
        )

    @property
    def offset_per_fibre_um(self) -> float:
        n = len(self.positions_um)
        return float(self.positions_um[-1] - self.positions_um[0]) / (n - 1) if n > 1 else math.nan

    @property
    def rise_um(self) -> float:
        h = self.built.heights_um
        return float(h[-1] - h[0]) / (len(h) - 1) if len(h) > 1 else math.nan

    @property
    def slope(self) -> float:
        """tan(tilt)."""
        return self.offset_per_fibre_um / self.rise_um


def scaffold_truth(
    scaffold: Scaffold,
    mounting: Mounting | None = None,
    *,
    throats_too: bool = True,
    lines: int | None = None,
) -> dict[str, Any]:
    """Tell the truth about a scaffold in the frame in which it would be measured.

    Parameters
    ----------
    scaffold
        What was built.
    mounting
        Where it lies in the scan; by default level, its own axes being the measured ones.
    throats_too
        False leaves the throats out (they take most of the time). Where walls wind, sag or
        change their diameter there are none: `pores` is None.
    lines
        Vertical lines cast for the porosity; by default 2²⁰, or 2¹⁸ for other than plain grids,
        whose fibres have many times the segments.

    Returns
    -------
    dict
        JSON-able; `frame`, `envelope`, `porosity`, `pores`, `fibres`, `walls` as in the results
        file, each number plain, with `*_error` beside what is found numerically.

    Notes
    -----
    `spacing_um` is the mean gap between neighbouring walls at half height;
    `spacing_fit_um` the slope of position against wall number. They differ when walls are
    displaced or lean differently.
    """
    place = Mounting.none() if mounting is None else mounting
    walls = _measured_walls(scaffold, place)
    outline = _outline(walls, scaffold, place)
    area = polygon_area(outline)
    top = scaffold.top_um
    segments = place.to_measured(scaffold.segments_um())
    radius = scaffold.radii_um()
    solid, error = mean_solid_height(
        segments,
        radius=radius,
        stretch=scaffold.stretch,
        outline=outline,
        base=0.0,
        top=top,
        slabs=scaffold.slabs_um,
        lines=lines or (2**20 if scaffold.spec.form.is_plain else 2**18),
    )
    laid = _laid_volume_um3(scaffold, place, outline)
    rank = {w.built.family: w.family for w in walls}
    wall_ids = {(w.built.family, w.number): i for i, w in enumerate(walls)}
    sense = {w.built.family: w.sense for w in walls}
    rows = fibre_rows(scaffold, rank, wall_ids, sense)
    truth: dict[str, Any] = {
        "format": "volscan-phantom-truth",
        "version": 1,
        "frame": _frame(place),
        "envelope": {
            "base_um": 0.0,
            "top_um": top,
            "outline_um": outline.tolist(),
            "area_um2": area,
            "volume_um3": area * top,
        },
        "porosity": {
            "total": 1 - solid / top,
            "total_error": error / top,
            "union": 1 - solid / top,
            "mass_conserving": 1 - laid / (area * top),
        },
        "fibres": _fibres(scaffold, walls, rows),
        "defects": defects_truth(scaffold, place, rank, wall_ids, sense),
        **beside_truth(scaffold, place),
        "walls": [_wall(i, w, scaffold, place) for i, w in enumerate(walls)],
        # Lists for tuples: the truth reads back from JSON as it was.
        "spec": json.loads(json.dumps(asdict(scaffold.spec))),
    }
    if throats_too:
        truth["pores"] = None
        form = scaffold.spec.form
        if form.is_straight and isinstance(radius, float) and not (form.sag_um or form.membrane):
            truth["pores"] = _pores(scaffold, segments, outline, walls[0].direction_deg)
    return truth


def _frame(place: Mounting) -> dict[str, Any]:
    return {
        "kind": "plate",
        "origin_um": place.origin_um[::-1].tolist(),
        "axes": {
            "x": place.x[::-1].tolist(),
            "y": place.y[::-1].tolist(),
            "h": place.h[::-1].tolist(),
        },
        "mount_tilt_deg": place.tilt_deg,
    }


def _measured_walls(scaffold: Scaffold, place: Mounting) -> list[_Wall]:
    """Walls sorted by direction, then position, with families numbered in that order."""
    found = []
    counts: dict[int, int] = {}
    for w in scaffold.walls:
        number = counts[w.family] = counts.get(w.family, -1) + 1
        ends = place.to_measured(w.ends_um)
        along = ends[0, 1, :2] - ends[0, 0, :2]
        direction = math.degrees(math.atan2(along[1], along[0])) % 180
        if direction >= 180 - _FOLD_DEG:
            direction -= 180
        a = math.radians(direction)
        bow = scaffold.spec.form.bow(w.family, number)
        bow *= 1.0 if float(along @ [math.cos(a), math.sin(a)]) > 0 else -1.0
        along = np.array([math.cos(a), math.sin(a)])
        normal = np.array([-math.sin(a), math.cos(a)])
        places = ends[:, 0, :2] @ normal
        found.append(_Wall(w, -1, direction, normal, along, places, ends, number, bow))
    order = sorted({w.built.family: w.direction_deg for w in found}.items(), key=lambda i: i[1])
    rank = {family: i for i, (family, _) in enumerate(order)}
    ranked = [
        _Wall(w.built, rank[w.built.family], *(getattr(w, k) for k in _WALL_REST)) for w in found
    ]
    return sorted(ranked, key=lambda w: (w.family, w.middle_um))


_WALL_REST = (
    "direction_deg", "normal", "along", "positions_um", "ends_um", "number", "bow_um",
)  # fmt: skip


def _outline(walls: list[_Wall], scaffold: Scaffold, place: Mounting) -> FloatArray:
    """Strips from the mid-pore line inside one outermost wall to that inside the other."""
    if not scaffold.spec.form.is_straight:
        plan = curved_outline(
            [w.built for w in walls], scaffold.spec.form, scaffold.spec.rise_per_fibre_um
        )
        flat = np.column_stack([plan, np.zeros(len(plan))])
        return np.ascontiguousarray(place.to_measured(flat)[:, :2])
    strips: list[Strip] = []
    for f in range(walls[-1].family + 1):
        at = [w.middle_um for w in walls if w.family == f]
        if len(at) >= 3:
            normal = next(w.normal for w in walls if w.family == f)
            strips.append((normal, (at[0] + at[1]) / 2, (at[-2] + at[-1]) / 2))
    return strips_outline(strips)


def _laid_volume_um3(scaffold: Scaffold, place: Mounting, outline: FloatArray) -> float:
    """Length of centreline inside the outline times the cross-section that was laid."""
    segments = place.to_measured(scaffold.segments_um())
    section = math.pi * scaffold.spec.diameter_um**2 / 4
    if scaffold.spec.form.is_plain:
        length = sum(length_inside(outline, a, b) for a, b in segments[..., :2])
        return length * math.pi * scaffold.spec.diameter_um**2 / 4
    radius = np.broadcast_to(np.asarray(scaffold.radii_um()), (len(segments), 2))
    # Mean square of a radius that changes in proportion, over that of the whole print.
    square = (radius**2).sum(axis=1) + radius[:, 0] * radius[:, 1]
    weights = square / (3 * (scaffold.width_um / 2) ** 2) * section
    slabs = float(np.diff(scaffold.slabs_um, axis=1).sum()) * polygon_area(outline)
    return length_within(outline, segments, weights) + slabs


def _fibres(scaffold: Scaffold, walls: list[_Wall], rows: list[dict[str, Any]]) -> dict[str, Any]:
    heights = np.unique(
        np.round(
            np.concatenate([w.built.heights_um for w in walls])
            / (scaffold.diameter_um * _SAME_LAYER)
        )
    ) * (scaffold.diameter_um * _SAME_LAYER)
    families = []
    for f in range(walls[-1].family + 1):
        own = [w for w in walls if w.family == f]
        at = np.array([w.middle_um for w in own])
        lean = float(np.mean([w.slope for w in own]))
        fitted = float(np.polyfit(np.arange(len(at)), at, 1)[0]) if len(at) > 1 else None
        layers = len(own[0].positions_um)
        of_family = [r for r in rows if r["family"] == f]
        families.append(
            {
                "id": f,
                "direction_deg": own[0].direction_deg,
                "spacing_um": float(np.diff(at).mean()) if len(at) > 1 else None,
                "spacing_fit_um": fitted,
                **family_numbers(of_family),
                "count": len(of_family),
                "layers": layers,
                "walls": len(own),
                "rise_per_fibre_um": _known(own[0].rise_um),
                "mean_tilt_deg": _known(math.degrees(math.atan(lean))),
                "mean_lean_vector": None if math.isnan(lean) else (lean * own[0].normal).tolist(),
                "wave": wave_truth(scaffold.spec.form, own[0].built.family, layers, own[0].sense),
            }
        )
    return {
        "count": len(rows),
        **family_numbers(rows),
        "laid_diameter_um": scaffold.spec.diameter_um,
        "section_um": {"width": scaffold.width_um, "height": scaffold.height_um},
        "families": families,
        "layer_count": len(heights),
        "layer_heights_um": heights.tolist(),
        "layer_height_um": float(np.diff(heights).mean()) if len(heights) > 1 else None,
        "scaffold_height_um": scaffold.top_um,
        "each": rows,
    }


def _wall(number: int, wall: _Wall, scaffold: Scaffold, place: Mounting) -> dict[str, Any]:
    slope = wall.slope
    absent = {
        s.fibre
        for s in scaffold.spec.form.missing
        if (s.family, s.wall) == (wall.built.family, wall.number)
    }
    offsets = (wall.positions_um - wall.positions_um[0]).tolist()
    lengths = np.linalg.norm(wall.ends_um[:, 1] - wall.ends_um[:, 0], axis=1)
    heights = wall.built.heights_um
    return {
        "id": number,
        "family": wall.family,
        "direction_deg": wall.direction_deg,
        "position_um": wall.middle_um,
        "length_um": float(lengths.mean()),
        "height_um": float(heights[-1] - heights[0])
        + scaffold.height_um * (1 + scaffold.spec.form.layer_factor) / 2,
        "tilt_deg": _known(math.degrees(math.atan(slope))),
        "lean_vector": None if math.isnan(slope) else (slope * wall.normal).tolist(),
        "layer_heights_um": heights.tolist(),
        "layer_offset_um": [None if k in absent else v for k, v in enumerate(offsets)],
        "offset_per_fibre_um": _known(wall.offset_per_fibre_um),
        "tilt_along": _tilt_along(wall, scaffold, place),
        "bow_um": wall.bow_um,
        "rise_curvature_per_mm": _curvature(wall),
    }


def _tilt_along(wall: _Wall, scaffold: Scaffold, place: Mounting) -> list[list[float]]:
    """Tilt at five stations of the mean line, [s along the wall from the origin, degrees]."""
    if math.isnan(wall.slope):
        return []
    # Turned by 180°, both the station and the lean change sign: the twist does not.
    rate = math.tan(math.radians(scaffold.spec.form.twist(wall.built.family))) / 1000
    foot = float(place.to_measured(np.zeros(3))[:2] @ wall.along)
    low, high = sorted((wall.ends_um[0, :, :2] @ wall.along).tolist())
    s = np.linspace(low, high, 5)
    return [[float(v), math.degrees(math.atan(wall.slope + rate * (v - foot)))] for v in s]


def _curvature(wall: _Wall) -> float:
    """Second derivative of the offset along n by height, of the parabola that a bow makes."""
    h = wall.built.heights_um
    return -8000 * wall.bow_um / float(h[-1] - h[0]) ** 2 if wall.bow_um else 0.0


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def _pores(
    scaffold: Scaffold, segments: FloatArray, outline: FloatArray, direction_deg: float
) -> dict[str, Any]:
    corner, size = largest_rectangle(outline, direction_deg)
    a = math.radians(direction_deg)
    axes = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    box = Box(np.array([*corner, 0.0]), np.array([*size, scaffold.top_um]), axes)
    found = throats(
        segments,
        width=scaffold.width_um,
        height=scaffold.height_um,
        box=box,
        cell=min(scaffold.width_um, scaffold.height_um) / _CELLS_A_DIAMETER,
    )
    return {
        "domain_um": {
            "origin": box.corner.tolist(),
            "size": box.size.tolist(),
            "direction_deg": direction_deg,
        },
        "throat_um": {k: t.diameter_um for k, t in found.items()},
        "throat_error_um": {k: t.error_um for k, t in found.items()},
    }
