"""From results and a toolpath to the corrected toolpath; nothing is written here."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError
from volscan.geometry import left_normal_xy
from volscan.shift.choose import LIMITS, choose
from volscan.shift.leans import FamilyChange, Level
from volscan.toolpath.checks import Bed, check_bed
from volscan.toolpath.header import Head, sha256_of, split_head, with_head
from volscan.toolpath.layers import Layers, layers_of
from volscan.toolpath.lines import PathWall, strokes_of, walls_of
from volscan.toolpath.match import Placement, placements, resolved
from volscan.toolpath.measured import MeasuredPrint, measured_print
from volscan.toolpath.records import Record, earlier
from volscan.toolpath.shift import displacements, reversed_moves, shifted_lines
from volscan.toolpath.state import moves_of
from volscan.toolpath.told import (
    Outcome,
    along,
    height_of,
    numbers_of,
    paths_of,
    record_of,
    rows_of,
    sentences_of,
    witness_sentences,
)
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
    witnesses: bool = True

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
        out = [text for c in self.changes for text in sentences_of(c)]
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
    alike = _no_witnesses(asked, ways)
    outcomes = [_outcome(found, way, piece, head, records, asked, alike) for way in ways]
    chosen = outcomes[0]
    changes, vectors, bends = chosen.changes, chosen.vectors, chosen.bends
    for way, other in zip(ways[1:], outcomes[1:], strict=True):
        if _differ(vectors, other.vectors) or any(
            abs(bends[k] - other.bends.get(k, 0.0)) > _SAME_SHIFT_UM for k in bends
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
        radii = {s.first: found.inner_um + height_of(found, k) for w in walls
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
            text
            for c in changes
            for text in (
                f"family {c.family.id}: {c.expected.reason}; {c.response.told}",
                *witness_sentences(c),
            )
        )
        new = write_lines(
            with_head(
                written.lines,
                Head(
                    head.original if head else name, name, total,
                    {f: (head.bend_um.get(f, 0.0) if head else 0.0) + b for f, b in bends.items()},
                    {k: (float(v[0]), float(v[1])) for k, v in chosen.apart.items()},
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
        tuple(rows_of(piece, place, found, chosen, total)),
        written.changed,
        len(lines),
        layers,
        record_of(found, place, piece, changes, head, name, sha256_of(new) if shifts else None),
        tuple(paths_of(moves, walls, moved, found.radius_um)),
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


def _no_witnesses(asked: Asked, ways: Sequence[Placement]) -> str | None:
    """Return why no wall is to be held back, None where the walls decide."""
    if not asked.witnesses:
        return "not wanted (--witnesses no)"
    if asked.from_layer:
        return "only layers from --from-layer on are shifted"
    if len(ways) > 1:
        return "the walls fit the file's lines in several ways; --origin or --rotation tells which"
    return None


def _outcome(
    found: MeasuredPrint,
    way: Placement,
    piece: Sequence[PathWall],
    head: Head | None,
    records: Sequence[Record],
    asked: Asked,
    no_witnesses: str | None,
) -> Outcome:
    """Return the changes under one placement, for each family and for each wall line."""
    number = numbers_of(piece)
    head = Head("", "") if head is None else head
    used = []
    for leans, f, sign, line in zip(found.leans, way.line_family, way.sign, way.line, strict=True):
        direction = next(w.direction_deg for w in piece if w.family == f)
        keys = [number[i] for i in line]
        past = [p for p in (r.past(direction) for r in records) if p is not None]
        used.append(
            replace(
                leans,
                shift_used_um=sign * float(along(head.shift_um, keys, direction).mean()),
                apart_um=sign * along(head.apart_um, keys, direction),
                past=tuple(
                    replace(p, shift_um=sign * p.shift_um, offset_um=sign * p.offset_um)
                    for p in past
                ),
            )
        )
    changes = choose(
        used, wanted=asked.target_tilt, by=asked.by, damping=asked.damping,
        tolerance_deg=found.tolerance_deg, bend=asked.bend, allow=asked.allow,
        no_witnesses=no_witnesses,
    )  # fmt: skip
    out = Outcome(tuple(changes), {}, {}, {})
    for change, f, sign, line in zip(changes, way.line_family, way.sign, way.line, strict=True):
        own = {number[i]: k for k, i in enumerate(line)}
        out.bends[f] = sign * change.bend_um if change.shifts else 0.0
        for key, w in zip(number, piece, strict=True):
            if w.family != f:
                continue
            normal = left_normal_xy(w.direction_deg)
            before = float(along(head.apart_um, [key], w.direction_deg)[0])
            if not change.shifts:
                out.vectors[key], out.apart[key] = np.zeros(2), before * normal
            elif key in own:
                out.vectors[key] = sign * float(change.change_um[own[key]]) * normal
                plan = change.witnesses
                out.apart[key] = sign * (plan.apart_um[own[key]] if plan else 0.0) * normal
            else:
                # Lines that the scan does not show take the family's mean; what set them apart
                # goes.
                held = change.family.apart_um
                mean = sign * float(change.change_um.mean())
                mean += sign * float(held.mean()) if held is not None else 0.0
                out.vectors[key], out.apart[key] = (mean - before) * normal, np.zeros(2)
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
        for key, w in zip(numbers_of(rows), rows, strict=True):
            below = sum(s.layer < from_layer for s in w.strokes)
            held = max(below - 1, 0)
            vector = vectors.get(key, np.zeros(2))
            normal, bend, last = (
                left_normal_xy(w.direction_deg),
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


def _total(
    head: Head | None, vectors: Mapping[tuple[int, int], FloatArray]
) -> dict[tuple[int, int], tuple[float, float]]:
    before = dict(head.shift_um) if head else {}
    out = {}
    for key in {*before, *vectors}:
        x, y = np.array(before.get(key, (0.0, 0.0))) + vectors.get(key, np.zeros(2))
        out[key] = (float(x), float(y))
    return out
