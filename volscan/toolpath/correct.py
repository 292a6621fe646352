"""From results and a toolpath to the corrected toolpath; nothing is written here."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError
from volscan.shift.choose import LIMITS, FamilyChange, FamilyLeans, Level, choose
from volscan.shift.history import PastPrint
from volscan.toolpath.checks import Bed, check_bed
from volscan.toolpath.header import Head, sha256_of, split_head, with_head
from volscan.toolpath.layers import Layers, layers_of
from volscan.toolpath.lines import PathWall, strokes_of, walls_of
from volscan.toolpath.match import Placement, placements, resolved
from volscan.toolpath.measured import MeasuredPrint, measured_print
from volscan.toolpath.records import FORMAT, Record, earlier
from volscan.toolpath.shift import displacements, reversed_moves, shifted_lines
from volscan.toolpath.state import Moves, moves_of
from volscan.toolpath.words import check_checksums, read_lines, write_lines

FloatArray = NDArray[np.float64]

# Vectors closer than this are the same shift: a twentieth of what the lines are written with.
_SAME_SHIFT_UM = 5e-3
# Fibres that the scan may show fewer or more of than the file writes.
_LAYERS_OFF = 0.15


@dataclass(frozen=True)
class Asked:
    """What the user asks for; see `volscan.correct`."""

    target_tilt: str | float = 0.0
    damping: float | None = None
    from_layer: int = 0
    by: Level | None = None
    bend: bool | None = None
    origin_um: tuple[float, float] | None = None
    rotation_deg: float | None = None
    allow: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        unknown = [a for a in self.allow if a not in LIMITS]
        if unknown:
            raise InputError(f"--allow knows {', '.join(LIMITS)}, not {unknown[0]!r}")
        if self.damping is not None and not 0 < self.damping <= 1:
            raise InputError(f"damping must lie in (0, 1], got {self.damping:g}")
        if self.from_layer < 0:
            raise InputError(f"--from-layer counts from 0, got {self.from_layer}")


@dataclass(frozen=True)
class Correction:
    """A corrected file and what was done.

    Parameters
    ----------
    data
        The bytes of the corrected file; the given ones where nothing is shifted.
    shifts
        Whether anything is shifted.
    changes
        What was chosen for each measured family.
    placement
        How the scan lies on the machine.
    walls
        One row a wall line: family, wall, direction, position, fibres, measured wall, the change
        and the whole shift per fibre in X and Y (µm), and degrees a fibre on a rotary axis.
    lines_changed, lines
        How many lines differ from the given file, of how many.
    record
        What the history keeps of this print.
    paths
        Old and new path of each stroke in plan (µm), with family and layer, for a picture.
    notices
        Sentences for the user.
    """

    data: bytes
    shifts: bool
    changes: tuple[FamilyChange, ...]
    placement: Placement
    walls: tuple[Mapping[str, Any], ...]
    lines_changed: int
    lines: int
    layers: Layers
    record: Mapping[str, Any]
    paths: tuple[tuple[int, int, FloatArray, FloatArray], ...]
    notices: tuple[str, ...]

    def summary(self) -> tuple[str, ...]:
        """Return what was done, one sentence a line."""
        out = []
        for c in self.changes:
            name = f"family {c.family.id} ({c.family.direction_deg:.1f}°)"
            if c.refused:
                out.append(f"{name}: refused, {c.refused}")
            elif not c.shifts:
                out.append(f"{name}: left as it is, {c.reason}")
            else:
                e, rise = c.expected, c.family.rise_um
                mean = float(c.change_um.mean())
                expected = math.degrees(math.atan(e.expected_um / rise))
                u = math.degrees(math.atan(2 * e.u_expected_um / rise))
                out.append(
                    f"{name}: {mean:+.3f} µm per fibre along its left normal, by {c.level}; "
                    f"{c.reason}; {c.response.told}; {e.reason}; expected of the next print: "
                    f"{expected:+.2f} ± {u:.2f}° (95 %)"
                )
            if c.surprise is not None:
                expected, u, off = c.surprise
                word = "as expected" if abs(off) <= 2 else "NOT as expected"
                out.append(
                    f"{name}: this print is {word}: {c.family.offset_um.mean():+.3f} µm per fibre "
                    f"measured, {expected:+.3f} ± {2 * u:.3f} stated before it"
                )
        out.append(
            f"scan turned by {self.placement.rotation_deg:.2f}° on the machine; "
            f"{self.lines_changed} of {self.lines} lines changed; layers by {self.layers.rule}"
        )
        return (*out, *self.notices)


def correct(
    document: Mapping[str, Any],
    data: bytes,
    *,
    asked: Asked | None = None,
    history: Sequence[Record] = (),
    bed: Bed | None = None,
) -> Correction:
    """Return the toolpath of the next print.

    Parameters
    ----------
    document
        The results of the scanned print.
    data
        The file that it was made from.
    asked
        Target, limits to lift, and what resolves a symmetric pattern.
    history
        Earlier prints, oldest first.
    bed
        What the machine allows.

    Raises
    ------
    InputError
        If the file cannot be followed, does not fit the walls, fits in several ways that would be
        shifted differently, disagrees with the history, or leaves the bed.
    """
    asked = Asked() if asked is None else asked
    found = measured_print(document)
    head, lines = split_head(read_lines(data))
    check_checksums(lines)
    moves = moves_of(lines)
    layers = layers_of(lines, moves)
    strokes = strokes_of(moves, layers, radius_um=found.radius_um)
    turn = None if found.radius_um is None else 2 * math.pi * found.radius_um
    walls = walls_of(strokes, turn_um=turn)
    first = min(w.piece for w in walls)
    piece = [w for w in walls if w.piece == first]
    notices = [n.message for n in moves.notices]
    _same_count(found, piece, asked)
    ways = placements(found.families, piece, turn_um=turn)
    gap = min((g for g in (_gap(piece, f) for f in {w.family for w in piece})), default=math.inf)
    ways = resolved(
        ways, rotation_deg=asked.rotation_deg,
        origin_um=asked.origin_um, gap_um=gap,
    )  # fmt: skip
    name = sha256_of(data)
    records = earlier(history, scan=found.scan, toolpath=name)
    outcomes = [_outcome(found, way, piece, head, records, asked) for way in ways]
    changes, vectors, bends = outcomes[0]
    for way, other in zip(ways[1:], outcomes[1:], strict=True):
        if _differ(vectors, other[1]) or any(
            abs(bends[k] - other[2].get(k, 0.0)) > _SAME_SHIFT_UM for k in bends
        ):
            raise InputError(_ambiguous(ways, way))
    pieces, left = _alike(walls, piece)
    if left:
        notices.append(f"{left} other pieces in the file are not like the first: left unshifted")
    offsets = _offsets(pieces, vectors, bends, asked.from_layer)
    for s in strokes:
        offsets.setdefault(s.first, np.zeros(2))
    radii = None
    if found.inner_um is not None:
        radii = {s.first: found.inner_um + _height(found, k) for w in walls
                 for k, s in enumerate(w.strokes)}  # fmt: skip
    moved = displacements(moves, strokes, offsets, radii)
    backwards = reversed_moves(moves, moved)
    if backwards and "reversal" not in asked.allow:
        raise InputError(
            f"the shift would make the connecting move of toolpath line {backwards[0] + 1} run "
            "backwards (--allow reversal overrides)"
        )
    written = shifted_lines(lines, moves, moved)
    if bed is not None:
        check_bed(written.moves, bed)
    shifts = bool(np.abs(moved).max() > 0)
    total = _total(head, vectors)
    new = data
    if shifts:
        rows = tuple(
            f"family {c.family.id}: {c.expected.reason}; {c.response.told}" for c in changes
        )
        new = write_lines(
            with_head(
                written.lines,
                Head(
                    head.original if head else name, name, total,
                    {f: (head.bend_um.get(f, 0.0) if head else 0.0) + b for f, b in bends.items()},
                    head.corrections + 1 if head else 1, rows,
                ),
            )
        )  # fmt: skip
    place = ways[0]
    return Correction(
        new,
        shifts,
        tuple(changes),
        place,
        tuple(_rows(piece, place, found, vectors, total)),
        written.changed,
        len(lines),
        layers,
        _record(found, place, piece, changes, name, sha256_of(new) if shifts else None),
        tuple(_paths(moves, walls, moved, found.radius_um)),
        tuple(notices),
    )


def _gap(piece: Sequence[PathWall], family: int) -> float:
    gaps = np.diff(sorted(w.position_um for w in piece if w.family == family))
    return float(np.median(gaps)) if gaps.size else math.inf


def _same_count(found: MeasuredPrint, piece: Sequence[PathWall], asked: Asked) -> None:
    """Refuse a scan whose walls hold another number of fibres than the file writes."""
    written = sorted({len(w.strokes) for w in piece})
    for leans in found.leans:
        if not any(abs(leans.fibres - n) <= max(1, _LAYERS_OFF * n) for n in written):
            raise InputError(
                f"the walls of family {leans.id} hold {leans.fibres} fibres each, the toolpath "
                f"lays {' or '.join(map(str, written))}: it is not the file of this print"
            )


def _outcome(
    found: MeasuredPrint,
    way: Placement,
    piece: Sequence[PathWall],
    head: Head | None,
    records: Sequence[Record],
    asked: Asked,
) -> tuple[list[FamilyChange], dict[tuple[int, int], FloatArray], dict[int, float]]:
    """Return the changes under one placement, and the change (2,) of each wall line."""
    number = _numbers(piece)
    used = []
    for leans, f, sign, line in zip(found.leans, way.line_family, way.sign, way.line, strict=True):
        direction = next(w.direction_deg for w in piece if w.family == f)
        normal = _normal(direction)
        already = [
            float(np.dot(head.shift_um.get(number[i], (0.0, 0.0)), normal)) if head else 0.0
            for i in line
        ]
        past = [p for p in (r.past(direction) for r in records) if p is not None]
        used.append(
            replace(
                leans,
                shift_used_um=sign * float(np.mean(already)),
                past=tuple(PastPrint(sign * p.shift_um, sign * p.offset_um, p.u_um) for p in past),
            )
        )
    changes = choose(
        used, wanted=asked.target_tilt, by=asked.by, damping=asked.damping,
        tolerance_deg=found.tolerance_deg, bend=asked.bend, allow=asked.allow,
    )  # fmt: skip
    vectors: dict[tuple[int, int], FloatArray] = {}
    bends: dict[int, float] = {}
    for change, f, sign, line in zip(changes, way.line_family, way.sign, way.line, strict=True):
        mean = float(change.change_um.mean()) if change.shifts else 0.0
        normal = _normal(next(w.direction_deg for w in piece if w.family == f))
        by_line = dict(zip(line, change.change_um, strict=True))
        for i, w in enumerate(piece):
            if w.family == f:
                # Lines that the scan does not show take the family's mean.
                size = float(by_line.get(i, mean)) if change.shifts else 0.0
                vectors[number[i]] = sign * size * normal
        bends[f] = sign * change.bend_um if change.shifts else 0.0
    return changes, vectors, bends


def _normal(direction_deg: float) -> FloatArray:
    a = math.radians(direction_deg)
    return np.array([-math.sin(a), math.cos(a)])


def _numbers(piece: Sequence[PathWall]) -> list[tuple[int, int]]:
    """Return family and number within it of each wall line."""
    out: list[tuple[int, int]] = []
    count: dict[int, int] = {}
    for w in piece:
        out.append((w.family, count.get(w.family, 0)))
        count[w.family] = count.get(w.family, 0) + 1
    return out


def _differ(
    a: Mapping[tuple[int, int], FloatArray], b: Mapping[tuple[int, int], FloatArray]
) -> bool:
    zero = np.zeros(2)
    return any(
        float(np.abs(a.get(k, zero) - b.get(k, zero)).max()) > _SAME_SHIFT_UM for k in {*a, *b}
    )


def _ambiguous(ways: Sequence[Placement], other: Placement) -> str:
    turns = sorted({round(w.rotation_deg) % 360 for w in ways})
    mirrored = " or mirrored" if any(w.mirrored for w in ways) else ""
    if len(turns) > 1 or mirrored:
        shown = ", ".join(f"{t}°" for t in turns)
        return (
            f"the pattern is symmetric: the scan fits the toolpath turned by {shown}{mirrored}, "
            "and the shift would differ; tell which with --rotation DEG, or print a marker wall"
        )
    at = [tuple(round(float(v) / 1000, 3) for v in w.origin_um) for w in (ways[0], other)]
    return (
        f"the scan shows part of the print and fits at several places (origin at {at[0]} or "
        f"{at[1]} mm), and the walls' shifts would differ; tell which with --origin X,Y in mm, "
        "or take --by family"
    )


def _alike(
    walls: Sequence[PathWall], piece: Sequence[PathWall]
) -> tuple[list[list[PathWall]], int]:
    """Return the pieces that are the first one again, and how many are not."""

    def shape(rows: Sequence[PathWall]) -> list[tuple[int, int, int]]:
        foot = {f: min(w.position_um for w in rows if w.family == f) for f in
                {w.family for w in rows}}  # fmt: skip
        return [(w.family, round(w.position_um - foot[w.family]), len(w.strokes)) for w in rows]

    same, left = [], 0
    for number in sorted({w.piece for w in walls}):
        rows = [w for w in walls if w.piece == number]
        if shape(rows) == shape(piece):
            same.append(rows)
        else:
            left += 1
    return same, left


def _offsets(
    pieces: Sequence[Sequence[PathWall]],
    vectors: Mapping[tuple[int, int], FloatArray],
    bends: Mapping[int, float],
    from_layer: int,
) -> dict[int, FloatArray]:
    """Return the displacement (2,) of each stroke: fibre k by k times the change."""
    out: dict[int, FloatArray] = {}
    for rows in pieces:
        for key, w in zip(_numbers(rows), rows, strict=True):
            below = sum(s.layer < from_layer for s in w.strokes)
            held = max(below - 1, 0)
            vector = vectors.get(key, np.zeros(2))
            normal, bend, last = (
                _normal(w.direction_deg),
                bends.get(key[0], 0.0),
                len(w.strokes) - 1,
            )

            def curve(k: int, bend: float = bend, last: int = last) -> float:
                t = k / last if last else 0.0
                return 4 * bend * t * (1 - t)

            for k, s in enumerate(w.strokes):
                moved = (k - held) * vector + (curve(k) - curve(held)) * normal
                out[s.first] = moved if k >= below else np.zeros(2)
    return out


def _height(found: MeasuredPrint, fibre: int) -> float:
    """Return the height of the k-th fibre of a wall above the mandrel, mean of the families."""
    rows = [h[min(fibre, len(h) - 1)] for h in found.layer_heights_um if len(h)]
    known = [float(h) for h in rows if math.isfinite(h)]
    return float(np.mean(known)) if known else 0.0


def _total(
    head: Head | None, vectors: Mapping[tuple[int, int], FloatArray]
) -> dict[tuple[int, int], tuple[float, float]]:
    before = dict(head.shift_um) if head else {}
    out = {}
    for key in {*before, *vectors}:
        x, y = np.array(before.get(key, (0.0, 0.0))) + vectors.get(key, np.zeros(2))
        out[key] = (float(x), float(y))
    return out


def _rows(
    piece: Sequence[PathWall],
    place: Placement,
    found: MeasuredPrint,
    vectors: Mapping[tuple[int, int], FloatArray],
    total: Mapping[tuple[int, int], tuple[float, float]],
) -> list[dict[str, Any]]:
    wall_of = {
        i: leans.wall_ids[k]
        for leans, line in zip(found.leans, place.line, strict=True)
        for k, i in enumerate(line)
    }
    rows = []
    for i, (key, w) in enumerate(zip(_numbers(piece), piece, strict=True)):
        v = vectors.get(key, np.zeros(2))
        rotary = None
        if found.inner_um is not None:
            rotary = math.degrees(float(v[1]) / (found.inner_um + _height(found, 0)))
        rows.append(
            {
                "family": key[0], "wall": key[1], "direction_deg": w.direction_deg,
                "position_um": round(w.position_um, 3), "fibres": len(w.strokes),
                "measured_wall": wall_of.get(i), "change_x_um": round(float(v[0]), 4),
                "change_y_um": round(float(v[1]), 4), "shift_x_um": round(total[key][0], 4)
                if key in total else 0.0,
                "shift_y_um": round(total[key][1], 4) if key in total else 0.0,
                "rotation_deg": rotary,
            }
        )  # fmt: skip
    return rows


def _record(
    found: MeasuredPrint,
    place: Placement,
    piece: Sequence[PathWall],
    changes: Sequence[FamilyChange],
    toolpath: str,
    corrected: str | None,
) -> dict[str, Any]:
    families = []
    for c, f, sign in zip(changes, place.line_family, place.sign, strict=True):
        leans: FamilyLeans = c.family
        direction = next(w.direction_deg for w in piece if w.family == f)
        offset = float(leans.offset_um.mean())
        scatter = float(leans.offset_um.std(ddof=1)) if leans.offset_um.size > 1 else 0.0
        own = max(scatter, float(np.sqrt(np.mean(leans.u_offset_um**2))))
        u = math.hypot(own / math.sqrt(leans.offset_um.size), leans.u_shared_um)
        shown = {
            "direction_deg": direction, "shift_um": sign * leans.shift_used_um,
            "offset_um": sign * offset, "u_um": u, "rise_um": leans.rise_um,
            "tilt_deg": sign * math.degrees(math.atan(offset / leans.rise_um)),
            "next_shift_um": sign * (leans.shift_used_um
                                     + (float(c.change_um.mean()) if c.shifts else 0.0)),
            "expected_um": sign * c.expected.expected_um if c.shifts else None,
            "u_expected_um": c.expected.u_expected_um if c.shifts else None,
            "response": c.response.value, "u_response": c.response.u,
            "damping": c.expected.damping,
        }  # fmt: skip
        families.append(shown)
    return {
        "format": FORMAT, "version": 1, "scan": found.scan, "toolpath": toolpath,
        "corrected": corrected, "families": families,
    }  # fmt: skip


def _paths(
    moves: Moves, walls: Sequence[PathWall], moved: FloatArray, radius_um: float | None
) -> list[tuple[int, int, FloatArray, FloatArray]]:
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
