"""Fibres and walls of the sheet rolled up: whole around the tube, each at its own radius."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from volscan.fibres.field import FibreField
from volscan.frame.unroll import stretch_of
from volscan.geometry import Family, Fibre, FloatArray, TubeFrame, Wall
from volscan.quantity import Notice, Quantity, combine_u
from volscan.tube.pieces import FamilyLines, Piece, family_lines
from volscan.walls.wallset import WallSet


@dataclass(frozen=True)
class Rolled:
    """Fibres and walls of a tube; points in (X, Y, H) of its frame, Y at the mean radius.

    `lines` are the families on the sheet, in the order of `field.families`.
    """

    field: FibreField
    walls: WallSet
    lines: tuple[FamilyLines, ...]


def roll_up(field: FibreField, walls: WallSet, tube: TubeFrame, *, around_um: float) -> Rolled:
    """Join what the sheet's edges cut, and restate everything at each fibre's own radius.

    Parameters
    ----------
    field
        Fibres of the sheet, points in (X, Y, H) of the tube, Y running on past a turn.
    walls
        The walls of the same sheet.
    tube
        The tube's frame.
    around_um
        How far the sheet reached along Y.

    Notes
    -----
    On the sheet a fibre at radius r of a tube unrolled at R lies at tan a' = (R / r) tan a to the
    axis, and a strip of width d is k d wide with k = (R / r) cos a' / cos a, its height as it is.
    Directions and spacings are turned back so; diameters were fitted at their own width.
    """
    if not field.fibres:
        return Rolled(field, walls, ())
    families = family_lines(field, turn_um=tube.turn_um, seen_um=(tube.length_um, around_um))
    kept = _ordered(families)
    fibres: list[Fibre] = []
    rolled_walls: list[Wall] = []
    sheets = []
    by_id = {w.id: w for w in walls.walls}
    for number, lines in enumerate(kept):
        for line in lines.lines:
            wall = len(rolled_walls) if line[0].wall is not None else None
            own = _fibres_of(line, lines, tube, number, wall)
            if wall is not None:
                rolled_walls.append(_wall_of(line, lines, by_id, own, number, wall, tube))
                longest = max(line, key=lambda p: p.length_um)
                sheets += [replace(s, wall=wall) for s in walls.sheets if s.wall == longest.wall]
            fibres += [replace(f, id=len(fibres) + k) for k, f in enumerate(own)]
    told = tuple(
        _family_of(field.families[lines.family], lines, number, fibres, tube)
        for number, lines in enumerate(kept)
    )
    notices = field.notices
    joined = sum(len(line) - 1 for lines in kept for line in lines.lines)
    if joined:
        notices += (
            Notice(
                "joined_across_seam",
                "walls that cross the unrolled sheet's edge were joined",
                joined,
            ),
        )
    return Rolled(
        _field_of(field, tuple(fibres), told, notices),
        replace(walls, walls=tuple(rolled_walls), sheets=tuple(sheets)),
        tuple(kept),
    )


def own_direction_deg(cos: float, sin: float, ratio: float) -> float:
    """Return the lay-down direction at a fibre's own radius.

    It lies where the sheet's lies, not folded anew, so that left normals stay what they were.
    """
    angle = math.degrees(math.atan2(ratio * sin, cos))
    return angle + 360.0 if angle < -90.0 else angle


def _ordered(families: tuple[FamilyLines, ...]) -> list[FamilyLines]:
    """Return families by direction, and their lines by place."""
    found = []
    for lines in families:
        angle = own_direction_deg(lines.cos, lines.sin, 1.0)
        ordered = sorted(lines.lines, key=lambda line: line[0].place_um)
        found.append((angle, replace(lines, lines=tuple(ordered))))
    return [lines for _, lines in sorted(found, key=lambda pair: pair[0])]


def _fibres_of(
    line: tuple[Piece, ...], lines: FamilyLines, tube: TubeFrame, family: int, wall: int | None
) -> list[Fibre]:
    """Return one fibre a layer: the line's pieces joined at the middle of their overlap."""
    cuts = [
        -math.inf,
        *(0.5 * (a.end_um + b.start_um) for a, b in pairwise(line)),
        math.inf,
    ]
    parts: dict[int, list[tuple[Fibre, FloatArray, FloatArray]]] = {}
    for k, piece in enumerate(line):
        shift = np.array([0.0, -piece.turns * tube.turn_um, 0.0])
        for fibre in piece.fibres:
            points = fibre.points_um + shift
            s = points[:, :2] @ lines.along
            points, diameters = points[np.argsort(s)], fibre.diameters_um[np.argsort(s)]
            s = np.sort(s)
            # Ends are put back where clipping them leaves too few points to tell.
            inside = (s >= piece.start_um - 1.0) & (s <= piece.end_um + 1.0)
            seen = (s >= cuts[k]) & (s <= cuts[k + 1]) & (inside | (inside.sum() < 2))
            if seen.any():
                parts.setdefault(fibre.layer, []).append((fibre, points[seen], diameters[seen]))
    return [_joined(parts[layer], lines, tube, family, wall) for layer in sorted(parts)]


def _joined(
    parts: list[tuple[Fibre, FloatArray, FloatArray]],
    lines: FamilyLines,
    tube: TubeFrame,
    family: int,
    wall: int | None,
) -> Fibre:
    points = np.concatenate([p for _, p, _ in parts])
    diameters = np.concatenate([d for _, _, d in parts])
    weight = np.array([f.length_um for f, _, _ in parts])
    weight /= weight.sum()
    ratio = float((tube.radius_um + tube.base_um + points[:, 2].mean()) / tube.radius_um)
    values = np.array([f.diameter_um.value for f, _, _ in parts])
    us = [f.diameter_um.u for f, _, _ in parts]
    sds = [f.diameter_um.sd for f, _, _ in parts if f.diameter_um.sd is not None]
    # What pieces share (contrast, blur) does not average out: the mean of their u is kept.
    u = None if any(v is None for v in us) else float(weight @ np.array(us, dtype=np.float64))
    diameter = Quantity(float(weight @ values), u, "µm", 1, float(np.mean(sds)) if sds else None)
    return replace(
        parts[0][0],
        family=family,
        wall=wall,
        points_um=points,
        diameters_um=diameters,
        diameter_um=diameter,
        direction_deg=own_direction_deg(lines.cos, lines.sin, ratio),
        around=ratio,
    )


def _wall_of(
    line: tuple[Piece, ...],
    lines: FamilyLines,
    walls: dict[int, Wall],
    fibres: list[Fibre],
    family: int,
    number: int,
    tube: TubeFrame,
) -> Wall:
    """Return the wall that the pieces are of; longer pieces count more."""
    own = [walls[p.wall] for p in line if p.wall is not None]
    weight = np.array([p.length_um for p in line])
    weight /= weight.sum()
    heights = _mean_rows([w.layer_heights_um for w in own], weight)
    found = np.sort([f.points_um[:, 2].mean() for f in fibres])
    if np.isfinite(heights).sum() == found.size:
        heights[np.isfinite(heights)] = found
    on_sheet = _mean_rows([w.layer_offset_um for w in own], weight)
    offsets = _at_own_radius(on_sheet, heights, lines, tube)
    more_slope, more_step = _slopes(offsets - on_sheet, heights)
    tilt = _leant(_mean([w.tilt_deg for w in own], weight, shared=tube.u_tilt_deg), more_slope)
    slope = None if tilt is None else math.tan(math.radians(tilt.value))
    step = _mean([w.offset_per_fibre_um for w in own], weight, shared=None)
    if step is not None:
        step = replace(step, value=step.value + more_step)
    along = [
        (float(s + p.start_um - line[0].start_um), _leant_deg(t, more_slope), u)
        for p, w in zip(line, own, strict=True)
        for s, t, u in w.tilt_along
    ]
    path = sorted(fibres, key=lambda f: f.layer)[len(fibres) // 2].points_um[:, :2]
    return replace(
        own[0],
        id=number,
        family=family,
        direction_deg=float(np.mean([f.direction_deg for f in fibres])),
        position_um=line[0].place_um,
        length_um=float(np.mean([f.length_um for f in fibres])),
        height_um=float(weight @ [w.height_um for w in own]),
        tilt_deg=tilt,
        lean_vector=None if slope is None else (-lines.sin * slope, lines.cos * slope),
        lean=None,
        tilt_along=tuple(sorted(along)),
        layer_heights_um=heights,
        layer_offset_um=offsets,
        offset_per_fibre_um=step,
        path_um=path[[0, -1]],
    )


def _at_own_radius(
    offsets: FloatArray, heights: FloatArray, lines: FamilyLines, tube: TubeFrame
) -> FloatArray:
    """Return each fibre's offset from the lowest's line on the sheet of its own radius."""
    ratios = (tube.radius_um + tube.base_um + heights) / tube.radius_um
    return np.asarray(offsets * ratios / np.hypot(lines.cos, ratios * lines.sin), dtype=np.float64)


def _slopes(offsets: FloatArray, heights: FloatArray) -> tuple[float, float]:
    """Return the slope of offsets on height, and on the fibre's number in the wall."""
    known = np.isfinite(offsets) & np.isfinite(heights)
    if known.sum() < 2:
        return 0.0, 0.0
    number = np.flatnonzero(known)
    return (
        float(np.polyfit(heights[known], offsets[known], 1)[0]),
        float(np.polyfit(number, offsets[known], 1)[0]),
    )


def _leant(tilt: Quantity | None, more_slope: float) -> Quantity | None:
    return None if tilt is None else replace(tilt, value=_leant_deg(tilt.value, more_slope))


def _leant_deg(tilt_deg: float, more_slope: float) -> float:
    """Return a tilt whose slope has grown."""
    return math.degrees(math.atan(math.tan(math.radians(tilt_deg)) + more_slope))


def _mean(
    parts: list[Quantity | None], weight: FloatArray, *, shared: float | None
) -> Quantity | None:
    """Return the weighted mean; what the parts share stays in u, the rest averages out."""
    told = [(q, w) for q, w in zip(parts, weight, strict=True) if q is not None]
    if not told:
        return None
    w = np.array([v for _, v in told])
    w /= w.sum()
    quantities = [q for q, _ in told]
    common = shared or 0.0
    u = None
    if all(q.u is not None for q in quantities):
        own = [math.sqrt(max((q.u or 0.0) ** 2 - common**2, 0.0)) for q in quantities]
        u = combine_u([common, *(w * np.array(own))])
    sds = [q.sd for q in quantities if q.sd is not None]
    return Quantity(
        float(w @ [q.value for q in quantities]),
        u,
        quantities[0].unit,
        max(q.n for q in quantities),
        float(np.mean(sds)) if sds else None,
    )


def _mean_rows(rows: list[FloatArray], weight: FloatArray) -> FloatArray:
    """Return the weighted mean of rows, NaN where no row has a value."""
    size = max(r.size for r in rows)
    padded = np.full((len(rows), size), np.nan)
    for k, r in enumerate(rows):
        padded[k, : r.size] = r
    known = np.isfinite(padded)
    total = (known * weight[:, None]).sum(axis=0)
    filled = np.where(known, padded, 0.0)
    mean = (filled * weight[:, None]).sum(axis=0) / np.where(total > 0, total, 1.0)
    return np.asarray(np.where(total > 0, mean, np.nan))


def _family_of(
    sheet: Family, lines: FamilyLines, number: int, fibres: list[Fibre], tube: TubeFrame
) -> Family:
    own = [f for f in fibres if f.family == number]
    u_radius = (tube.u_radius_um or 0.0) / tube.radius_um
    # The radius' error turns every angle to the axis by sin cos of it.
    u_angle = combine_u(
        [sheet.direction_deg.u or 0.0, math.degrees(u_radius * abs(lines.cos * lines.sin))]
    )
    directions = np.array([f.direction_deg for f in own])
    back = float(np.mean([1.0 / stretch_of(lines.cos, lines.sin, f.around) for f in own]))
    spacing = None if sheet.spacing_um is None else sheet.spacing_um.scaled(back)
    if spacing is not None and spacing.u is not None:
        spacing = replace(spacing, u=math.hypot(spacing.u, spacing.value * u_radius))
    return replace(
        sheet,
        id=number,
        direction_deg=Quantity(
            float(directions.mean()),
            u_angle,
            "deg",
            len(own),
            float(directions.std(ddof=1)) if len(own) > 1 else None,
        ),
        spacing_um=spacing,
        diameter_um=_mean_diameter(own, sheet.diameter_um),
        count=len(own),
        walls=len(lines.lines),
    )


def _mean_diameter(fibres: list[Fibre], sheet: Quantity) -> Quantity:
    values = np.array([f.diameter_um.value for f in fibres])
    sd = float(values.std(ddof=1)) if values.size > 1 else None
    us = [f.diameter_um.u for f in fibres if f.diameter_um.u is not None]
    # What stretch leaves is alike for all fibres of a layer, and does not average out.
    u = None if sheet.u is None or not us else max(sheet.u, 0.5 * float(np.mean(us)))
    return Quantity(float(values.mean()), u, "µm", values.size, sd)


def _field_of(
    sheet: FibreField,
    fibres: tuple[Fibre, ...],
    families: tuple[Family, ...],
    notices: tuple[Notice, ...],
) -> FibreField:
    layers = sorted({f.layer for f in fibres})
    heights = tuple(
        float(np.mean([f.points_um[:, 2].mean() for f in fibres if f.layer == k])) for k in layers
    )
    rank = {layer: i for i, layer in enumerate(layers)}
    assert sheet.diameter_um is not None  # a field with fibres has one
    return replace(
        sheet,
        fibres=tuple(replace(f, layer=rank[f.layer]) for f in fibres),
        families=families,
        diameter_um=_mean_diameter(list(fibres), sheet.diameter_um),
        layer_heights_um=heights,
        layer_count=len(layers),
        notices=notices,
    )
