"""From words to moves: the modes of ISO 6983 followed line by line.

G0 G1 G2 G3 are modal; G90/G91 absolute or incremental; G70/G71 (ISO) and the common G20/G21 the
unit; arcs in the plane X-Y by I and J (from the start; from zero under G90.1) or by R. G92 gives
the place a new name. Codes that change coordinates in other ways are refused, not guessed; all
other words are passed through.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError
from volscan.quantity import Notice
from volscan.toolpath.words import Line, decimals

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LINEAR, ROTARY = "XYZ", "ABC"
AXES = LINEAR + ROTARY
_UM_PER_MM, _UM_PER_INCH = 1000.0, 25400.0
_UNITS = {20: _UM_PER_INCH, 70: _UM_PER_INCH, 21: _UM_PER_MM, 71: _UM_PER_MM}
# Start and end of an arc must be equally far from its centre, within this share of the radius or
# two units of the last digit written: common practice, no published source.
_RADIUS_SHARE = 5e-3
# Codes that move or turn coordinates, or repeat moves, in ways that are not followed here.
_NOT_FOLLOWED = {
    10, 16, 41, 42, 50, 51, 52, 53, 68, 69, 73, 74, 76, *range(81, 90), 92.1, 92.2, 92.3, 93,
}  # fmt: skip
# From here on M words take letters as parameters in common controllers, not as axes.
_FIRST_PARAMETER_M = 82


@dataclass(frozen=True)
class Moves:
    """All moves of a file, in order; n moves, axes X Y Z A B C.

    Parameters
    ----------
    line
        Line number of each, from 0 (n,).
    motion
        0 rapid, 1 straight, 2 clockwise, 3 counter-clockwise (n,).
    start, end
        Machine positions (n, 6): X Y Z in µm, A B C in degrees.
    centre_um
        Centre of arcs (n, 2), NaN for other moves.
    absolute
        Whether the line's coordinates are absolute (n,).
    feed_um_per_min
        Feed in force (n,); NaN where none was told.
    renames
        Lines of G92: line, the number of moves before it, and the letters named.
    homes
        Number of moves before each return to the machine's home (G28, G30).
    um_per_unit
        The file's unit.
    names
        For each line of G92 and axis number: where the new name's zero lies, µm or degrees.
    arc_from_zero
        Whether I and J are absolute (n,).
    """

    line: IntArray
    motion: IntArray
    start: FloatArray
    end: FloatArray
    centre_um: FloatArray
    absolute: NDArray[np.bool_]
    feed_um_per_min: FloatArray
    renames: tuple[tuple[int, int, str], ...]
    homes: tuple[int, ...]
    um_per_unit: float
    arc_from_zero: NDArray[np.bool_]
    names: dict[tuple[int, int], float] = field(default_factory=dict)
    notices: tuple[Notice, ...] = ()

    @property
    def starts_absolute(self) -> bool:
        """Whether the first move in plan is absolute."""
        moved = np.abs(self.end[:, :2] - self.start[:, :2]).max(axis=1) > 0
        first = int(np.argmax(moved)) if moved.any() else 0
        return bool(self.absolute[first])

    @property
    def rotary(self) -> str | None:
        """The rotary axis that turns, where one does."""
        for i, letter in enumerate(ROTARY, start=3):
            if len(self.line) and np.ptp(self.end[:, i]) > 0:
                return letter
        return None


@dataclass
class _State:
    motion: int | None = None
    absolute: bool = True
    arc_from_zero: bool = False
    plane: int = 17
    feed: float = math.nan
    scale: float | None = None
    scale_line: int = 0
    place: list[float] = field(default_factory=lambda: [0.0] * 6)
    name: list[float] = field(default_factory=lambda: [0.0] * 6)


def moves_of(lines: Sequence[Line], *, um_per_unit: float | None = None) -> Moves:
    """Follow the modes and return every move.

    Parameters
    ----------
    lines
        The file.
    um_per_unit
        The unit where the file does not name it; 1000 (mm) by default.

    Raises
    ------
    InputError
        For mixed units, arcs whose radius does not fit, axis words without a motion, macro
        expressions in moves, and codes that cannot be followed; the line is named.
    """
    told = _unit(lines)
    scale = told or um_per_unit or _UM_PER_MM
    state = _State()
    rows: list[tuple[int, int, list[float], list[float], tuple[float, float], bool, float]]
    rows = []
    from_zero: list[bool] = []
    renames: list[tuple[int, int, str]] = []
    homes: list[int] = []
    names: dict[tuple[int, int], float] = {}
    for number, line in enumerate(lines):
        words = line.words
        if not words:
            continue
        codes = [float(t.number) for t in words if t.letter == "G"]
        _set_modes(state, codes, number)
        for t in words:
            if t.letter == "F":
                state.feed = t.value * scale
        axes = {t.letter: t for t in words if t.letter in AXES}
        if not axes and not ({2.0, 3.0, 28.0, 30.0} & set(codes)):
            continue
        if 4.0 in codes or _is_parameters(words, codes):
            continue
        if line.has_expression:
            raise _at(number, "macro expressions and parameters in moves cannot be followed")
        if {28.0, 30.0} & set(codes):
            # Home is where the machine says; what is named there starts a new path.
            for letter in axes or AXES:
                state.place[AXES.index(letter)] = state.name[AXES.index(letter)] = 0.0
            homes.append(len(rows))
            continue
        if 92.0 in codes:
            for letter, t in axes.items():
                i = AXES.index(letter)
                state.name[i] = state.place[i] - t.value * _scale(letter, scale)
                names[number, i] = state.name[i]
            renames.append((number, len(rows), "".join(sorted(axes))))
            continue
        if state.motion is None:
            raise _at(number, "it names an axis but no motion (G0 to G3) was set before it")
        start, end = list(state.place), list(state.place)
        for letter, t in axes.items():
            i = AXES.index(letter)
            step = t.value * _scale(letter, scale)
            end[i] = step + state.name[i] if state.absolute else end[i] + step
        centre = (math.nan, math.nan)
        if state.motion in (2, 3):
            centre = _centre(state, line, start, end, scale, number)
        rows.append((number, state.motion, start, end, centre, state.absolute, state.feed))
        from_zero.append(state.arc_from_zero)
        state.place = end
    if not rows:
        raise InputError("the toolpath holds no moves: is it a numeric-control file (G0, G1, ...)?")
    notices: tuple[Notice, ...] = ()
    if told is None:
        unit = "mm" if scale == _UM_PER_MM else f"{scale:g} µm"
        notices = (Notice("unit_assumed", f"the toolpath names no unit: {unit} taken"),)
    column = list(zip(*rows, strict=True))
    return Moves(
        np.array(column[0], dtype=np.int64),
        np.array(column[1], dtype=np.int64),
        np.array(column[2], dtype=np.float64),
        np.array(column[3], dtype=np.float64),
        np.array(column[4], dtype=np.float64),
        np.array(column[5], dtype=np.bool_),
        np.array(column[6], dtype=np.float64),
        tuple(renames),
        tuple(homes),
        scale,
        np.array(from_zero, dtype=np.bool_),
        names,
        notices,
    )


def _at(number: int, why: str) -> InputError:
    return InputError(f"toolpath line {number + 1}: {why}")


def _scale(letter: str, scale: float) -> float:
    return scale if letter in LINEAR else 1.0


def _unit(lines: Sequence[Line]) -> float | None:
    """Return the file's unit in µm; a file that changes it is refused."""
    found: float | None = None
    for number, line in enumerate(lines):
        for t in line.words:
            unit = _UNITS.get(int(t.value)) if t.letter == "G" and t.value % 1 == 0 else None
            if unit is not None and found is not None and unit != found:
                raise _at(
                    number, f"G{t.value:g} changes the unit on the way (mixed units); write the "
                    "file in one unit"
                )  # fmt: skip
            found = unit or found
    return found


def _set_modes(state: _State, codes: Sequence[float], number: int) -> None:
    for code in codes:
        if code in (0.0, 1.0, 2.0, 3.0):
            state.motion = int(code)
        elif code in (90.0, 91.0):
            state.absolute = code == 90.0
        elif code in (90.1, 91.1):
            state.arc_from_zero = code == 90.1
        elif code in (17.0, 18.0, 19.0):
            state.plane = int(code)
        elif code in _NOT_FOLLOWED:
            raise _at(number, f"G{code:g} changes the coordinates in a way that is not followed")
        elif 54.0 <= code < 60.0 and any(state.place):
            raise _at(number, f"G{code:g} changes the origin after the first move: not followed")


def _is_parameters(words: Sequence[object], codes: Sequence[float]) -> bool:
    """Whether an M word takes the letters of the line as its own."""
    big = any(
        getattr(t, "letter", "") == "M" and float(getattr(t, "number", "0")) >= _FIRST_PARAMETER_M
        for t in words
    )
    return big and not codes


def _centre(
    state: _State,
    line: Line,
    start: Sequence[float],
    end: Sequence[float],
    scale: float,
    number: int,
) -> tuple[float, float]:
    """Return an arc's centre (X, Y) in µm."""
    if state.plane != 17:
        raise _at(number, f"an arc in the plane of G{state.plane} is not followed, only X-Y (G17)")
    by = {t.letter: t for t in line.words if t.letter in "IJR"}
    if not by:
        raise _at(number, "an arc needs I and J, or R")
    # Whole numbers do not mean that the place is known to a whole unit only.
    written = max(decimals(t.number) for t in line.words if t.letter in "XYIJR")
    last = 2 * scale * 10.0 ** -max(written, 3)
    if "R" in by:
        radius = by["R"].value * scale
        dx, dy = end[0] - start[0], end[1] - start[1]
        chord = math.hypot(dx, dy)
        if chord == 0.0:
            raise _at(number, "an arc by R that ends where it starts has no centre")
        square = radius**2 - (chord / 2) ** 2
        if square < -(last**2) - abs(radius) * last:
            raise _at(number, f"the radius of {by['R'].value:g} does not reach from start to end")
        height = math.sqrt(max(square, 0.0))
        side = (1.0 if state.motion == 3 else -1.0) * (1.0 if radius > 0 else -1.0)
        middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
        return middle[0] - side * height * dy / chord, middle[1] + side * height * dx / chord
    foot = state.name[:2] if state.arc_from_zero else start[:2]
    x, y = (foot[i] + (by[k].value * scale if k in by else 0.0) for i, k in enumerate("IJ"))
    first = math.hypot(x - start[0], y - start[1])
    second = math.hypot(x - end[0], y - end[1])
    if abs(first - second) > max(_RADIUS_SHARE * max(first, second), last):
        raise _at(
            number,
            f"the arc's radius is {first / scale:.6g} at its start and {second / scale:.6g} at its "
            "end; its centre (I, J) does not fit",
        )
    return x, y
