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
from volscan.phantom.plan import (
    Strip,
    largest_rectangle,
    length_inside,
    polygon_area,
    strips_outline,
)
from volscan.phantom.scaffold import BuiltWall, Scaffold
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

    @property
    def middle_um(self) -> float:
        """Position along the normal at half height: heights are evenly spaced."""
        return float(self.positions_um[0] + self.positions_um[-1]) / 2

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
    scaffold: Scaffold, mounting: Mounting | None = None, *, throats_too: bool = True
) -> dict[str, Any]:
    """Tell the truth about a scaffold in the frame in which it would be measured.

    Parameters
    ----------
    scaffold
        What was built.
    mounting
        Where it lies in the scan; by default level, its own axes being the measured ones.
    throats_too
        False leaves the throats out (they take most of the time).

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
    outline = _outline(walls)
    area = polygon_area(outline)
    top = scaffold.top_um
    segments = place.to_measured(scaffold.segments_um())
    solid, error = mean_solid_height(
        segments,
        radius=scaffold.width_um / 2,
        stretch=scaffold.stretch,
        outline=outline,
        base=0.0,
        top=top,
    )
    laid = _laid_volume_um3(scaffold, place, outline)
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
        "fibres": _fibres(scaffold, walls),
        "walls": [_wall(i, w, scaffold) for i, w in enumerate(walls)],
        # Lists for tuples: the truth reads back from JSON as it was.
        "spec": json.loads(json.dumps(asdict(scaffold.spec))),
    }
    if throats_too:
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
    for w in scaffold.walls:
        strands = [
            s.points_um
            for s in scaffold.strands
            if s.family == w.family and not s.loop and _belongs(s.points_um, w)
        ]
        ends = place.to_measured(np.array([[p[0], p[-1]] for p in strands]))
        along = ends[0, 1, :2] - ends[0, 0, :2]
        direction = math.degrees(math.atan2(along[1], along[0])) % 180
        if direction >= 180 - _FOLD_DEG:
            direction -= 180
        a = math.radians(direction)
        along = np.array([math.cos(a), math.sin(a)])
        normal = np.array([-math.sin(a), math.cos(a)])
        found.append(_Wall(w, -1, direction, normal, along, ends[:, 0, :2] @ normal, ends))
    order = sorted({w.built.family: w.direction_deg for w in found}.items(), key=lambda i: i[1])
    rank = {family: i for i, (family, _) in enumerate(order)}
    ranked = [
        _Wall(w.built, rank[w.built.family], *(getattr(w, k) for k in _WALL_REST)) for w in found
    ]
    return sorted(ranked, key=lambda w: (w.family, w.middle_um))


_WALL_REST = ("direction_deg", "normal", "along", "positions_um", "ends_um")


def _belongs(points_um: FloatArray, wall: BuiltWall) -> bool:
    """Whether a fibre is one of a wall's: its place along the normal is that of the wall."""
    place = float(points_um[0, :2] @ wall.normal)
    step = int(np.argmin(np.abs(wall.heights_um - points_um[0, 2])))
    return bool(abs(place - wall.positions_um[step]) < 1e-6 * (1 + abs(place)))


def _outline(walls: list[_Wall]) -> FloatArray:
    """Strips from the mid-pore line inside one outermost wall to that inside the other."""
    strips: list[Strip] = []
    for f in range(walls[-1].family + 1):
        at = [w.middle_um for w in walls if w.family == f]
        if len(at) >= 3:
            normal = next(w.normal for w in walls if w.family == f)
            strips.append((normal, (at[0] + at[1]) / 2, (at[-2] + at[-1]) / 2))
    return strips_outline(strips)


def _laid_volume_um3(scaffold: Scaffold, place: Mounting, outline: FloatArray) -> float:
    """Length of centreline inside the outline times the cross-section that was laid."""
    plan = place.to_measured(scaffold.segments_um())[..., :2]
    length = sum(length_inside(outline, a, b) for a, b in plan)
    return length * math.pi * scaffold.spec.diameter_um**2 / 4


def _fibres(scaffold: Scaffold, walls: list[_Wall]) -> dict[str, Any]:
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
        families.append(
            {
                "id": f,
                "direction_deg": own[0].direction_deg,
                "spacing_um": float(np.diff(at).mean()) if len(at) > 1 else None,
                "spacing_fit_um": fitted,
                "diameter_um": scaffold.diameter_um,
                "count": sum(len(w.positions_um) for w in own),
                "layers": len(own[0].positions_um),
                "walls": len(own),
                "rise_per_fibre_um": _known(own[0].rise_um),
                "mean_tilt_deg": _known(math.degrees(math.atan(lean))),
                "mean_lean_vector": None if math.isnan(lean) else (lean * own[0].normal).tolist(),
            }
        )
    return {
        "count": sum(len(w.positions_um) for w in walls),
        "diameter_um": scaffold.diameter_um,
        "laid_diameter_um": scaffold.spec.diameter_um,
        "section_um": {"width": scaffold.width_um, "height": scaffold.height_um},
        "families": families,
        "layer_count": len(heights),
        "layer_heights_um": heights.tolist(),
        "layer_height_um": float(np.diff(heights).mean()) if len(heights) > 1 else None,
        "scaffold_height_um": scaffold.top_um,
    }


def _wall(number: int, wall: _Wall, scaffold: Scaffold) -> dict[str, Any]:
    slope = wall.slope
    lengths = np.linalg.norm(wall.ends_um[:, 1] - wall.ends_um[:, 0], axis=1)
    heights = wall.built.heights_um
    return {
        "id": number,
        "family": wall.family,
        "direction_deg": wall.direction_deg,
        "position_um": wall.middle_um,
        "length_um": float(lengths.mean()),
        "height_um": float(heights[-1] - heights[0]) + scaffold.height_um,
        "tilt_deg": _known(math.degrees(math.atan(slope))),
        "lean_vector": None if math.isnan(slope) else (slope * wall.normal).tolist(),
        "layer_heights_um": heights.tolist(),
        "layer_offset_um": (wall.positions_um - wall.positions_um[0]).tolist(),
        "offset_per_fibre_um": _known(wall.offset_per_fibre_um),
    }


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
