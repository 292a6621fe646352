"""What a correction tells and keeps: sentences, a row for each wall line, the record, the paths."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.geometry import left_normal_xy
from volscan.shift.leans import FamilyChange, FamilyLeans, WallsExpected
from volscan.toolpath.header import Head
from volscan.toolpath.lines import PathWall
from volscan.toolpath.match import Placement
from volscan.toolpath.measured import MeasuredPrint
from volscan.toolpath.records import FORMAT, evidence_row
from volscan.toolpath.state import Moves

FloatArray = NDArray[np.float64]
Key = tuple[int, int]


@dataclass(frozen=True)
class Outcome:
    """What is done under one placement.

    For each wall line (family and number) the change (2,) of its shift per fibre and the part by
    which it is then set apart from the others; for each family of lines the bend.
    """

    changes: tuple[FamilyChange, ...]
    vectors: dict[Key, FloatArray]
    bends: dict[int, float]
    apart: dict[Key, FloatArray]


def sentences_of(change: FamilyChange) -> list[str]:
    """Return what is done to a family, what is expected, and what became of what was."""
    c, rise = change, change.family.rise_um
    name = f"family {c.family.id} ({c.family.direction_deg:.1f}°)"
    out = []
    if c.refused:
        out.append(f"{name}: refused, {c.refused}")
    elif not c.shifts:
        out.append(f"{name}: left as it is, {c.reason}")
    else:
        mean = float(c.change_um.mean())
        expected = _degrees(c.expected.expected_um, rise)
        u = _degrees(2 * c.expected.u_expected_um, rise)
        out.append(
            f"{name}: {mean:+.3f} µm per fibre along its left normal, by {c.level}; "
            f"{c.reason}; {c.response.told}; {c.expected.reason}; expected of the next print: "
            f"{expected:+.2f} ± {u:.2f}° (95 %)"
        )
        out += [f"{name}: {text}" for text in witness_sentences(c)]
    if c.surprise is not None:
        expected, u, off = c.surprise
        word = "as expected" if abs(off) <= 2 else "NOT as expected"
        out.append(
            f"{name}: this print is {word}: {c.family.offset_um.mean():+.3f} µm per fibre "
            f"measured, {expected:+.3f} ± {2 * u:.3f} stated before it"
        )
    return out


def witness_sentences(c: FamilyChange) -> list[str]:
    """Return which walls are held back, by how much and why, or why none are."""
    out: list[str] = []
    if c.family.uneven_um.any() and c.shifts:
        out.append("walls that were held back get the same shift as the others again")
    if c.witnesses is None or not c.shifts:
        return out
    if not c.witnesses.walls:
        return [*out, f"all walls get the same shift, none is held back: {c.witnesses.reason}"]
    told = [_group(g, c.family.rise_um) for g in c.expected_of]
    return [
        *out,
        f"{told[0]}; {told[1]}",
        f"walls are {c.witnesses.reason}; the mean shift is that of an even one; scan the same "
        "walls again (--witnesses no: all alike)",
    ]


def _group(g: WallsExpected, rise_um: float) -> str:
    if g.witness:
        name = f"measured wall{'s' if len(g.wall_ids) > 1 else ''} {_listed(g.wall_ids)} held back"
    else:
        name = f"the {len(g.wall_ids)} others"
    expected, u = _degrees(g.expected_um, rise_um), _degrees(2 * g.u_expected_um, rise_um)
    # Rounded before it is shown, so that a wall that stays does not move by "-0.000".
    change = round(g.change_um, 3) + 0.0
    return f"{name}: {change:+.3f} µm per fibre, expected {expected:+.2f} ± {u:.2f}° (95 %)"


def _listed(numbers: Sequence[int]) -> str:
    first, last = numbers[:-1], numbers[-1]
    return f"{', '.join(map(str, first))} and {last}" if first else str(last)


def _degrees(offset_um: float, rise_um: float) -> float:
    return math.degrees(math.atan(offset_um / rise_um))


def along(vectors: Mapping[Key, Any], keys: Sequence[Key], direction_deg: float) -> FloatArray:
    """Return the size of each line's vector (2,) along the left normal, 0 where there is none."""
    normal = left_normal_xy(direction_deg)
    return np.array([float(np.dot(vectors.get(k, (0.0, 0.0)), normal)) for k in keys])


def numbers_of(piece: Sequence[PathWall]) -> list[Key]:
    """Return family and number within it of each wall line."""
    out: list[Key] = []
    count: dict[int, int] = {}
    for w in piece:
        out.append((w.family, count.get(w.family, 0)))
        count[w.family] = count.get(w.family, 0) + 1
    return out


def height_of(found: MeasuredPrint, fibre: int) -> float:
    """Return the height of the k-th fibre of a wall above the mandrel, mean of the families."""
    rows = [h[min(fibre, len(h) - 1)] for h in found.layer_heights_um if len(h)]
    known = [float(h) for h in rows if math.isfinite(h)]
    return float(np.mean(known)) if known else 0.0


def rows_of(
    piece: Sequence[PathWall],
    place: Placement,
    found: MeasuredPrint,
    chosen: Outcome,
    total: Mapping[Key, tuple[float, float]],
) -> list[dict[str, Any]]:
    """Return one row a wall line, as the table beside the corrected file holds it."""
    wall_of = {
        i: leans.wall_ids[k]
        for leans, line in zip(found.leans, place.line, strict=True)
        for k, i in enumerate(line)
    }
    rows = []
    for i, (key, w) in enumerate(zip(numbers_of(piece), piece, strict=True)):
        v = chosen.vectors.get(key, np.zeros(2))
        apart = chosen.apart.get(key, np.zeros(2))
        rotary = None
        if found.inner_um is not None:
            rotary = math.degrees(float(v[1]) / (found.inner_um + height_of(found, 0)))
        rows.append(
            {
                "family": key[0], "wall": key[1], "direction_deg": w.direction_deg,
                "position_um": round(w.position_um, 3), "fibres": len(w.strokes),
                "measured_wall": wall_of.get(i), "change_x_um": round(float(v[0]), 4),
                "change_y_um": round(float(v[1]), 4), "shift_x_um": round(total[key][0], 4)
                if key in total else 0.0,
                "shift_y_um": round(total[key][1], 4) if key in total else 0.0,
                "apart_x_um": round(float(apart[0]), 4), "apart_y_um": round(float(apart[1]), 4),
                "rotation_deg": rotary,
            }
        )  # fmt: skip
    return rows


def record_of(
    found: MeasuredPrint,
    place: Placement,
    piece: Sequence[PathWall],
    changes: Sequence[FamilyChange],
    head: Head | None,
    toolpath: str,
    corrected: str | None,
) -> dict[str, Any]:
    """Return what the history keeps of this print, along the left normals of the file's lines."""
    families = []
    number = numbers_of(piece)
    head = Head("", "") if head is None else head
    rows = zip(changes, place.line_family, place.sign, place.line, strict=True)
    for c, f, sign, line in rows:
        leans: FamilyLeans = c.family
        direction = next(w.direction_deg for w in piece if w.family == f)
        offset = float(leans.offset_um.mean())
        keys = [number[i] for i in line]
        used, apart = (along(v, keys, direction) for v in (head.shift_um, head.apart_um))
        shown = {
            "direction_deg": direction, "shift_um": sign * leans.shift_used_um,
            "offset_um": sign * offset, "u_um": c.seen.u_um, "rise_um": leans.rise_um,
            "tilt_deg": sign * math.degrees(math.atan(offset / leans.rise_um)),
            "next_shift_um": sign * (leans.shift_used_um
                                     + (float(c.change_um.mean()) if c.shifts else 0.0)),
            "expected_um": sign * c.expected.expected_um if c.shifts else None,
            "u_expected_um": c.expected.u_expected_um if c.shifts else None,
            "expected_of": [
                {"walls": [keys[leans.wall_ids.index(w)][1] for w in g.wall_ids],
                 "held_back": g.witness, "change_um": sign * g.change_um,
                 "expected_um": sign * g.expected_um, "u_expected_um": g.u_expected_um}
                for g in c.expected_of
            ],
            "response": c.response.value, "u_response": c.response.u,
            "damping": c.expected.damping,
            "beside_mean": evidence_row(c.seen.walls),
            "walls": [
                {"wall": key[1], "shift_um": float(used[k]), "apart_um": float(apart[k]),
                 "offset_um": sign * float(leans.offset_um[k]),
                 "u_um": float(leans.u_offset_um[k])}
                for k, key in enumerate(keys)
            ],
        }  # fmt: skip
        families.append(shown)
    return {
        "format": FORMAT, "version": 1, "scan": found.scan, "toolpath": toolpath,
        "corrected": corrected, "families": families,
    }  # fmt: skip


def paths_of(
    moves: Moves, walls: Sequence[PathWall], moved: FloatArray, radius_um: float | None
) -> list[tuple[int, int, FloatArray, FloatArray]]:
    """Return family, number, old and new path in plan (n, 2) of each fibre, for a picture."""
    column = 1 if moves.rotary is None else 3 + "ABC".index(moves.rotary)
    scale = 1.0 if column == 1 else math.radians(1.0) * (radius_um or 1.0)
    out = []
    before = np.vstack([np.zeros((1, 6)), moved[:-1]])
    for w in walls:
        for k, s in enumerate(w.strokes):
            rows = slice(s.first, s.last + 1)
            old = np.vstack([moves.start[s.first], moves.end[rows]])
            new = old + np.vstack([before[s.first] if s.first else moved[s.first], moved[rows]])
            cut = [old[:, [0, column]], new[:, [0, column]]]
            for c in cut:
                c[:, 1] *= scale
            out.append((s.family, k, cut[0], cut[1]))
    return out
