"""Write a shift into a toolpath: only the lines that must change do.

Each stroke moves as a whole; what joins two strokes takes up the difference in one straight move,
or, where there is none, in its last arc, which is turned and scaled about its start. In absolute
mode every coordinate of fibre k is written anew; in incremental mode only the move that takes up
the difference is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError
from volscan.toolpath.lines import Stroke
from volscan.toolpath.state import AXES, Moves, moves_of
from volscan.toolpath.words import Line, decimals, number_text, with_numbers

FloatArray = NDArray[np.float64]

# Digits behind the point that a changed number is written with: at least 0.1 µm (in mm) or
# 0.25 µm (in inch), and no more than the file's own beyond a nanometre, which no stage resolves.
_LEAST_PLACES, _LEAST_PLACES_INCH, _MOST_PLACES = 4, 5, 6
# Two strokes that share a corner are each extended to where their shifted lines meet; below this
# angle they hardly meet.
_LEAST_CORNER_DEG = 20.0


@dataclass(frozen=True)
class Shifted:
    """The new lines and their moves, the displacement of each move's end (n, 6), lines changed."""

    lines: tuple[Line, ...]
    moves: Moves
    displacement: FloatArray
    changed: int


def displacements(
    moves: Moves,
    strokes: Sequence[Stroke],
    offset_um: Mapping[int, FloatArray],
    radius_um: Mapping[int, float] | None = None,
) -> FloatArray:
    """Return the displacement of each move's end (n, 6), X Y Z in µm and A B C in degrees.

    Parameters
    ----------
    moves, strokes
        The file's moves, and the strokes among them in the order of writing.
    offset_um
        For each stroke (by its first move) its displacement in plan (2,).
    radius_um
        On a mandrel: the radius at which each stroke is laid, which turns lengths into degrees.

    Raises
    ------
    InputError
        If the machine goes home between two strokes.
    """
    out = np.zeros((len(moves.line), 6))
    column = 1 if moves.rotary is None else AXES.index(moves.rotary)
    placed: list[tuple[int, int, FloatArray, float]] = []
    for s in strokes:
        d = np.zeros(6)
        d[0], across = offset_um[s.first]
        d[column] = across
        if radius_um is not None:
            d[column] = math.degrees(across / radius_um[s.first])
        placed.append((s.first, s.last, d, s.direction_deg))
    if placed and any(placed[0][0] < h <= placed[-1][0] for h in moves.homes):
        raise InputError(
            "the toolpath goes home (G28, G30) between two lines of the print; this is not followed"
        )
    last, held, angle = -1, np.zeros(6), math.nan
    for first, end, d, direction in placed:
        _join(out, moves, last, first, held, d, (angle, direction), column)
        out[first : end + 1] = d
        last, held, angle = end, d, direction
    if placed and last + 1 < len(out):
        _join(out, moves, last, len(out), held, np.zeros(6), (angle, math.nan), column)
    return out


def _join(
    out: FloatArray,
    moves: Moves,
    last: int,
    first: int,
    before: FloatArray,
    after: FloatArray,
    directions: tuple[float, float],
    column: int,
) -> None:
    """Fill in what lies between the end of one stroke (move `last`) and the next (`first`)."""
    between = np.arange(last + 1, first)
    if not between.size:
        if last >= 0 and not np.array_equal(before, after):
            out[last] = _corner(before, after, directions, column)
        return
    if np.array_equal(before, after):
        out[between] = after
        return
    straight = between[moves.motion[between] < 2]
    if straight.size:
        step = (moves.end - moves.start)[straight]
        size = np.hypot(step[:, 0], step[:, column])
        at = int(straight[int(np.argmax(size))])
    else:
        at = int(between[-1])
    out[last + 1 : at] = before
    out[at:first] = after


def _corner(
    before: FloatArray, after: FloatArray, directions: tuple[float, float], column: int
) -> FloatArray:
    """Return where the corner that two strokes share goes: onto both shifted lines."""
    rows = np.array([[-math.sin(math.radians(a)), math.cos(math.radians(a))] for a in directions])
    apart = abs((directions[0] - directions[1] + 90) % 180 - 90)
    if column != 1 or apart < _LEAST_CORNER_DEG:
        raise InputError(
            "two lines of the toolpath join without a move between them and are to be shifted "
            "differently; put a connecting move between them"
        )
    wanted = np.array([rows[0] @ before[:2], rows[1] @ after[:2]])
    out = np.zeros(6)
    out[:2] = np.linalg.solve(rows, wanted)
    return out


def shifted_lines(lines: Sequence[Line], moves: Moves, displacement: FloatArray) -> Shifted:
    """Return the file with the ends of its moves displaced.

    Untouched lines are the same objects. What was written is read again and held against what was
    meant, to within the rounding of the last digit.

    Raises
    ------
    InputError
        If an arc cannot take up a difference, or the new file does not read as meant.
    """
    out = list(lines)
    changed: set[int] = set()
    # What the new file is displaced by so far, in the file's unit, rounding included.
    stands = [Decimal(0)] * 6
    renames = {count: (line, names) for line, count, names in moves.renames}
    least = _LEAST_PLACES if moves.um_per_unit <= 1000.0 else _LEAST_PLACES_INCH
    unit = np.array([moves.um_per_unit] * 3 + [1.0] * 3)
    before = np.zeros(6)
    for i in range(len(moves.line)):
        if i in moves.homes:
            stands, before = [Decimal(0)] * 6, np.zeros(6)
        if i in renames and any(stands):
            line, names = renames[i]
            out[line] = _renamed(out[line], names, stands, least)
            changed.add(line)
        after = displacement[i]
        number = int(moves.line[i])
        if not (after.any() or before.any() or any(stands)):
            continue
        words = {t.letter: t for t in lines[number].words}
        texts: dict[str, str] = {}
        for axis, letter in enumerate(AXES):
            want = Decimal(repr(round(float(after[axis] / unit[axis]), 9)))
            word = words.get(letter)
            places = least
            if word is not None:
                places = min(max(decimals(word.number), least), _MOST_PLACES)
            if moves.absolute[i]:
                if word is not None and (want or stands[axis]):
                    texts[letter] = number_text(Decimal(word.number) + want, places)
                    stands[axis] = Decimal(texts[letter]) - Decimal(word.number)
                    if stands[axis] == 0:
                        texts.pop(letter)
                elif word is None and abs(want - stands[axis]) > _half(places):
                    value = (moves.end[i, axis] - _name(moves, i, axis)) / unit[axis]
                    texts[letter] = number_text(Decimal(repr(round(value, 9))) + want, places)
                    stands[axis] = want
            elif abs(want - stands[axis]) > _half(places):
                old = Decimal(word.number) if word is not None else Decimal(0)
                texts[letter] = number_text(old + want - stands[axis], places)
                stands[axis] += Decimal(texts[letter]) - old
        if moves.motion[i] > 1:
            texts |= _arc_texts(lines[number], moves, i, before, after, least)
        if texts:
            out[number] = with_numbers(out[number], texts)
            changed.add(number)
        before = after
    again = _checked(out, moves, displacement, least)
    return Shifted(tuple(out), again, displacement, len(changed))


def _half(places: int) -> Decimal:
    return Decimal(5).scaleb(-places - 1)


def _name(moves: Moves, i: int, axis: int) -> float:
    """Return the origin of program coordinates in force at a move (G92), in µm or degrees.

    Where the line does not name the axis, its program coordinate is found from the moves' own
    positions and the last rename before it.
    """
    name = 0.0
    for line, count, letters in moves.renames:
        if count <= i and AXES[axis] in letters:
            name = moves.names.get((line, axis), 0.0)
    return name


def _renamed(line: Line, letters: str, stands: Sequence[Decimal], least: int) -> Line:
    texts = {}
    for word in line.words:
        axis = AXES.find(word.letter) if word.letter in letters else -1
        if axis >= 0 and stands[axis]:
            places = max(decimals(word.number), least)
            texts[word.letter] = number_text(Decimal(word.number) + stands[axis], places)
    return with_numbers(line, texts) if texts else line


def _arc_texts(
    line: Line, moves: Moves, i: int, before: FloatArray, after: FloatArray, least: int
) -> dict[str, str]:
    """Return the new I, J or R of an arc whose ends are displaced."""
    by = {t.letter: t for t in line.words if t.letter in "IJR"}
    start, end = moves.start[i, :2], moves.end[i, :2]
    unit = moves.um_per_unit
    rigid = bool(np.array_equal(before[:2], after[:2]))
    if rigid and not moves.arc_from_zero[i]:
        return {}
    centre = moves.centre_um[i]
    if rigid:
        new, ratio = centre + after[:2], 1.0
    else:
        chord = complex(*(end - start))
        if chord == 0:
            raise InputError(
                f"toolpath line {int(moves.line[i]) + 1}: a full circle lies between lines that "
                "are to be shifted differently; put a straight move beside it"
            )
        turned = complex(*(end + after[:2] - start - before[:2])) / chord
        spoke = turned * complex(*(centre - start))
        new, ratio = start + before[:2] + [spoke.real, spoke.imag], abs(turned)
    places = {k: min(max(decimals(t.number), least), _MOST_PLACES) for k, t in by.items()}
    if "R" in by:
        value = Decimal(by["R"].number) * Decimal(repr(ratio))
        return {} if rigid else {"R": number_text(value, places["R"])}
    foot = np.zeros(2)
    if not moves.arc_from_zero[i]:
        foot = start + before[:2]
    elif moves.renames:
        foot = np.array([_name(moves, i, axis) for axis in (0, 1)])
    out = {}
    for axis, letter in enumerate("IJ"):
        value = (new - foot)[axis] / unit
        text = number_text(Decimal(repr(round(float(value), 9))), places.get(letter, least))
        if letter in by or Decimal(text) != 0:
            out[letter] = text
    return out


def _checked(lines: Sequence[Line], moves: Moves, displacement: FloatArray, least: int) -> Moves:
    """Return the new file's moves, read again and held against what was meant."""
    again = moves_of(lines, um_per_unit=moves.um_per_unit)
    slack = np.array([moves.um_per_unit] * 3 + [1.0] * 3) * 1.01 * 10.0**-least
    same = len(again.line) == len(moves.line) and np.array_equal(again.motion, moves.motion)
    if same:
        off = np.abs(again.end - moves.end - displacement)
        same = bool((off <= slack).all())
        same &= np.array_equal(again.feed_um_per_min, moves.feed_um_per_min, equal_nan=True)
    if not same:
        raise InputError(
            "the shifted toolpath does not read as meant: it mixes modes in a way that is not "
            "followed; nothing was written"
        )
    return again


def reversed_moves(moves: Moves, displacement: FloatArray) -> list[int]:
    """Return the lines of moves that the displacement would make run backwards.

    A move runs backwards when its plan displacement turns by more than a right angle.
    """
    column = 1 if moves.rotary is None else AXES.index(moves.rotary)
    axes = [0, column]
    step = (moves.end - moves.start)[:, axes]
    start = np.vstack([np.zeros((1, 6)), displacement[:-1]])
    new = step + (displacement - start)[:, axes]
    moved = np.hypot(*step.T) > 0
    dot = (step * new).sum(axis=1)
    arcs = moves.motion > 1
    found = np.flatnonzero(moved & ~arcs & (dot < 0))
    return [int(moves.line[i]) for i in found]
