"""Which walls on the sheet are pieces of one: what leaves it at one edge comes back at the other.

Unrolled further and further, every helix is one straight line, again and again a turn apart. The
sheet shows a turn and a bit of it, so a helix appears in pieces: lines of one family whose places
across differ by whole turns.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from volscan.fibres.field import FibreField
from volscan.geometry import Fibre, FloatArray

# Lines of one family that lie closer than this share of their spacing, turns taken off, are one.
_ONE_LINE = 0.35
# A fibre's end may lie past the sheet's by this many diameters: it is cut flat, across itself.
_MARGIN = 1.5
# A turn that moves lines by less than this share of their spacing closes them on themselves.
_RING = 0.5


@dataclass(frozen=True)
class Piece:
    """A wall on the sheet (or a fibre without one): where it lies, and how many turns it is off.

    `place_um` is its place along the family's left normal, `start_um` and `end_um` its ends along
    the family, both after `turns` have been taken off.
    """

    wall: int | None
    fibres: tuple[Fibre, ...]
    place_um: float
    start_um: float
    end_um: float
    turns: int

    @property
    def length_um(self) -> float:
        """Length along the family's direction."""
        return self.end_um - self.start_um


@dataclass(frozen=True)
class FamilyLines:
    """A family on the sheet: its direction there, and its lines, each a tuple of pieces.

    `cos`, `sin`: of the direction on the sheet, from X toward Y.
    """

    family: int
    cos: float
    sin: float
    lines: tuple[tuple[Piece, ...], ...]

    @property
    def along(self) -> FloatArray:
        """Unit vector along the family in (X, Y)."""
        return np.array([self.cos, self.sin])

    @property
    def normal(self) -> FloatArray:
        """The family's left normal in (X, Y)."""
        return np.array([-self.sin, self.cos])


def family_lines(
    field: FibreField, *, turn_um: float, seen_um: tuple[float, float]
) -> tuple[FamilyLines, ...]:
    """Sort the fibres of a sheet, points in (X, Y, H), into lines that run on around the tube.

    Parameters
    ----------
    field
        Fibres found on the sheet.
    turn_um
        Length of a full turn along Y.
    seen_um
        How far the sheet reaches along X and Y, from 0.

    Notes
    -----
    Pieces end where the sheet ends: a short wall in its corner tells little of its own length. A
    piece that another piece of its line shows whole is left out.
    """
    return tuple(_lines(field, family.id, turn_um, seen_um) for family in field.families)


def _lines(
    field: FibreField, family: int, turn_um: float, seen_um: tuple[float, float]
) -> FamilyLines:
    fibres = [f for f in field.fibres if f.family == family]
    cos, sin = _direction(fibres)
    along, normal = np.array([cos, sin]), np.array([-sin, cos])
    groups: dict[tuple[int | None, int], list[Fibre]] = {}
    for f in fibres:
        groups.setdefault((f.wall, -1 if f.wall is not None else f.id), []).append(f)
    pieces = []
    for (wall, _), own in groups.items():
        s = np.concatenate([f.points_um[:, :2] @ along for f in own])
        place = float(np.mean([(f.points_um[:, :2] @ normal).mean() for f in own]))
        margin = _MARGIN * own[0].diameter_um.value
        low, high = _within(place, along, normal, seen_um, margin)
        low, high = max(low, float(s.min())), min(high, float(s.max()))
        if high > low:
            pieces.append(Piece(wall, tuple(own), place, low, high, 0))
    pieces.sort(key=lambda p: p.place_um)
    step = cos * turn_um
    spacing = _spacing([p.place_um for p in pieces], abs(step))
    if abs(step) < _RING * spacing or len(pieces) == 0:
        return FamilyLines(family, cos, sin, tuple((p,) for p in pieces))
    lines: list[list[Piece]] = []
    for piece in pieces:
        for line in lines:
            off = piece.place_um - line[0].place_um
            turns = round(off / step)
            if abs(off - turns * step) < _ONE_LINE * spacing:
                line.append(_turned(piece, turns, cos, sin, turn_um))
                break
        else:
            lines.append([piece])
    return FamilyLines(family, cos, sin, tuple(_whole(line) for line in lines))


def _within(
    place: float,
    along: FloatArray,
    normal: FloatArray,
    seen_um: tuple[float, float],
    margin: float,
) -> tuple[float, float]:
    """Return from where to where along itself a line lies on the sheet."""
    low, high = -math.inf, math.inf
    for a, n, size in zip(along, normal, seen_um, strict=True):
        ends = (-margin - place * n, size + margin - place * n)
        if abs(a) > 1e-9:
            low = max(low, min(e / a for e in ends))
            high = min(high, max(e / a for e in ends))
        elif ends[0] > 0 or ends[1] < 0:
            return 0.0, 0.0
    return low, high


def _direction(fibres: list[Fibre]) -> tuple[float, float]:
    """Return cosine and sine of the mean direction of fibres on the sheet, long ones more."""
    a = math.radians(fibres[0].direction_deg)
    lead = np.array([math.cos(a), math.sin(a)])
    total = np.zeros(2)
    for f in fibres:
        whole = f.points_um[-1, :2] - f.points_um[0, :2]
        # Longer fibres tell the direction better: weight by the square of their length.
        total += math.copysign(float(np.linalg.norm(whole)), float(whole @ lead)) * whole
    total /= np.linalg.norm(total)
    return float(total[0]), float(total[1])


def _spacing(places: list[float], turn_um: float) -> float:
    """Return the usual distance of neighbouring lines, of one line that between its turns."""
    gaps = np.diff(places)
    return float(np.median(gaps)) if gaps.size else turn_um


def _turned(piece: Piece, turns: int, cos: float, sin: float, turn_um: float) -> Piece:
    """Return the piece moved back by whole turns, so that it lies on the first piece's line."""
    return Piece(
        piece.wall,
        piece.fibres,
        piece.place_um - turns * cos * turn_um,
        piece.start_um - turns * sin * turn_um,
        piece.end_um - turns * sin * turn_um,
        turns,
    )


def _whole(line: list[Piece]) -> tuple[Piece, ...]:
    """Return the pieces of a line in order, those that others show whole left out."""
    kept: list[Piece] = []
    for p in sorted(line, key=lambda q: -q.length_um):
        ends = 2.0 * _MARGIN * p.fibres[0].diameter_um.value
        if not any(k.start_um - ends <= p.start_um and p.end_um <= k.end_um + ends for k in kept):
            kept.append(p)
    return tuple(sorted(kept, key=lambda q: q.start_um))
