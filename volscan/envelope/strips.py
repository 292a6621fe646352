"""The strip of each family of walls, from mid-pore line to mid-pore line."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.field import FibreField
from volscan.geometry import Wall, left_normal_xy
from volscan.quantity import Notice

FloatArray = NDArray[np.float64]

# A family needs this many walls for a strip with whole cells inside.
LEAST_WALLS = 3
# Walls nearer to each other than this share of the spacing are pieces of one wall.
_ONE_WALL_SHARE = 0.35
# A wall shorter than this share of its family's median is a fragment, not an outermost wall.
_SHORT_SHARE = 0.5
# Where a wall lies is known to about this share of a voxel, as a fitted line is.
_U_WALL_VOX = 0.1


@dataclass(frozen=True)
class Strip:
    """Two lines in plan view: inside is where both normal · point >= offset.

    `u_width` is the standard uncertainty of the strip's width over the width; `cut_share` the
    share of the family's walls that a lean puts on the wrong side of a line.
    """

    family: int
    direction_deg: float
    normals: FloatArray
    offsets: FloatArray
    spacing_um: float
    u_width: float
    cut_share: float


@dataclass(frozen=True)
class _Line:
    """A wall seen from above: distance along n = at + slope × (t - the family's middle)."""

    at: float
    slope: float
    length: float
    reach: float


def family_strips(
    walls: tuple[Wall, ...], fibres: FibreField, *, voxel_um: float
) -> tuple[list[Strip], list[int], tuple[Notice, ...]]:
    """Return the strips, the families with too few walls for one, and notices."""
    strips: list[Strip] = []
    too_few: list[int] = []
    notices: list[Notice] = []
    directions = {f.id: f.direction_deg.value for f in fibres.families}
    spacings = {f.id: f.spacing_um.value for f in fibres.families if f.spacing_um is not None}
    diameters = {f.id: f.diameter_um.value for f in fibres.families}
    for family in sorted({f.id for f in fibres.families} | {w.family for w in walls}):
        own = [w for w in walls if w.family == family]
        kept, short = _without_fragments(own)
        direction = directions.get(family, kept[0].direction_deg if kept else 0.0)
        middle = _middle_along(kept, direction)
        lines = [_line(w, direction, middle, diameters.get(family, 0.0)) for w in kept]
        lines = _joined(sorted(lines, key=lambda line: line.at), spacings.get(family))
        if short:
            notices.append(
                Notice(
                    "short_wall_ignored",
                    f"family {family}: walls shorter than half of their family's median were not "
                    "taken as outermost walls",
                    short,
                )
            )
        if len(lines) < LEAST_WALLS:
            too_few.append(family)
            continue
        strip, crossing = _strip(family, direction, middle, lines, voxel_um)
        strips.append(strip)
        if crossing:
            notices.append(
                Notice(
                    "lean_crosses_cut",
                    f"family {family}: a leaning outer wall crosses the envelope's cut plane",
                    crossing,
                )
            )
    return strips, too_few, tuple(notices)


def along(direction_deg: float) -> FloatArray:
    """Return the unit vector of a lay-down direction."""
    a = math.radians(direction_deg)
    return np.array([math.cos(a), math.sin(a)])


def _without_fragments(own: list[Wall]) -> tuple[list[Wall], int]:
    if not own:
        return [], 0
    least = _SHORT_SHARE * float(np.median([w.length_um for w in own]))
    kept = [w for w in own if w.length_um >= least]
    return kept, len(own) - len(kept)


def _middle_along(own: list[Wall], direction_deg: float) -> float:
    t = along(direction_deg)
    centres = [float((w.path_um @ t).mean()) for w in own if len(w.path_um)]
    return float(np.mean(centres)) if centres else 0.0


def _line(wall: Wall, direction_deg: float, middle: float, diameter: float) -> _Line:
    n, t = left_normal_xy(direction_deg), along(direction_deg)
    lean = 0.0
    if wall.lean_vector is not None:
        lean = abs(float(np.dot(wall.lean_vector, n)))
    reach = 0.5 * lean * wall.height_um + 0.5 * diameter
    if len(wall.path_um) >= 2:
        s, p = wall.path_um @ t - middle, wall.path_um @ n
        if np.ptp(s) > 0:
            slope, at = np.polyfit(s, p, 1)
            return _Line(float(at), float(slope), wall.length_um, reach)
    slope = math.tan(math.radians(wall.direction_deg - direction_deg))
    # A line's distance from the origin is told along its own normal.
    at = wall.position_um * math.sqrt(1.0 + slope * slope) + slope * middle
    return _Line(at, slope, wall.length_um, reach)


def _joined(lines: list[_Line], spacing: float | None) -> list[_Line]:
    """Return the lines with pieces of one wall averaged by their lengths."""
    if len(lines) < 2:
        return lines
    gaps = np.diff([line.at for line in lines])
    typical = spacing if spacing is not None else float(np.max(gaps))
    groups = [[lines[0]]]
    for line, gap in zip(lines[1:], gaps, strict=True):
        if gap < _ONE_WALL_SHARE * typical:
            groups[-1].append(line)
        else:
            groups.append([line])
    joined = []
    for group in groups:
        w = np.array([line.length for line in group])
        w = w / w.sum() if w.sum() > 0 else np.full(len(group), 1.0 / len(group))
        joined.append(
            _Line(
                float(w @ [line.at for line in group]),
                float(w @ [line.slope for line in group]),
                float(sum(line.length for line in group)),
                max(line.reach for line in group),
            )
        )
    return joined


def _strip(
    family: int, direction_deg: float, middle: float, lines: list[_Line], voxel_um: float
) -> tuple[Strip, int]:
    n, t = left_normal_xy(direction_deg), along(direction_deg)
    normals, offsets = [], []
    crossing, cut = 0, 0.0
    for outer, inner, sign in ((lines[0], lines[1], 1.0), (lines[-1], lines[-2], -1.0)):
        at, slope = 0.5 * (outer.at + inner.at), 0.5 * (outer.slope + inner.slope)
        # Points with p = at + slope (s - middle), p along n and s along t.
        normal = (n - slope * t) / math.sqrt(1.0 + slope * slope)
        offset = (at - slope * middle) / math.sqrt(1.0 + slope * slope)
        normals.append(sign * normal)
        offsets.append(sign * offset)
        for line in (outer, inner):
            over = line.reach - abs(line.at - at)
            if over > 0:
                crossing += 1
                cut += min(1.0, over / (2.0 * line.reach))
    width = 0.5 * (lines[-1].at + lines[-2].at - lines[0].at - lines[1].at)
    u_width = _U_WALL_VOX * voxel_um / width  # two lines, each the mean of two walls
    spacing = (lines[-1].at - lines[0].at) / (len(lines) - 1)
    strip = Strip(
        family,
        direction_deg,
        np.asarray(normals),
        np.asarray(offsets),
        spacing,
        u_width,
        cut / (len(lines) - 2),
    )
    return strip, crossing
