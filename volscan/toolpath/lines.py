"""Wall lines in a toolpath: strokes along a straight mean line, and the walls they stack up to.

A stroke is a run of drawing moves that only goes on along one direction (or stands still along
it), for far longer than it strays across: straight lines, sinusoids, zigzags and square waves
alike. Directions are looked for among the headings of chords over several moves.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError
from volscan.geometry import turn_between_deg
from volscan.toolpath.layers import Layers
from volscan.toolpath.state import Moves

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# A stroke is at least this many times longer than it is wide, and runs within this slope of its
# direction.
_LONGER_THAN_WIDE = 2.0
_SLOPE = 0.2
# A move along which progress is below this share of its length stands still.
_STANDSTILL = 0.05
# Strokes shorter than this share of the long ones of their direction are connections (the long
# ones hold the upper quarter of the length: a wave has thousands of short steps across).
_SHORT = 0.3
# A direction that covers less than this share of what is written is no family.
_LEAST_COVER = 0.02
_CHORDS = (1, 2, 4, 6, 8, 12, 16, 24, 32, 48, 64)
_BIN_DEG = 0.5
_MOST_CANDIDATES = 24
# Fibres of one wall lie within this share of the gap to the next wall.
_SAME_WALL = 0.45
_CHORD_DEG = 6.0


@dataclass(frozen=True)
class Stroke:
    """A line as written: moves `first` to `last` of the file, inclusive.

    `position_um` is that of its mean line along the left normal of the family's direction,
    `low_um` and `high_um` its ends along the direction, `sense` whether it was written along the
    direction or against it, `swing_um` half its width across.
    """

    first: int
    last: int
    layer: int
    piece: int
    family: int
    direction_deg: float
    sense: int
    position_um: float
    low_um: float
    high_um: float
    swing_um: float


@dataclass(frozen=True)
class PathWall:
    """Strokes that lie on each other: fibre k of the wall is `strokes[k]`."""

    family: int
    piece: int
    direction_deg: float
    position_um: float
    length_um: float
    strokes: tuple[Stroke, ...]


def plan_of(moves: Moves, radius_um: float | None) -> tuple[FloatArray, FloatArray]:
    """Return starts and ends of all moves in plan (n, 2): X and Y, or X and the turned length."""
    start, end = moves.start[:, :2].copy(), moves.end[:, :2].copy()
    letter = moves.rotary
    if letter is not None:
        if radius_um is None:
            raise InputError(
                f"the toolpath turns a rotary axis ({letter}) but the results are of a flat print"
            )
        column = 3 + "ABC".index(letter)
        # The mandrel turning by +A under the nozzle lays along +Y of the unrolled sheet.
        start[:, 1] = np.radians(moves.start[:, column]) * radius_um
        end[:, 1] = np.radians(moves.end[:, column]) * radius_um
    return start, end


def arc_points(start: FloatArray, end: FloatArray, centre: FloatArray, motion: int) -> FloatArray:
    """Return points (n, 2) along an arc from after its start to its end."""
    a, b = start - centre, end - centre
    first, second = math.atan2(a[1], a[0]), math.atan2(b[1], b[0])
    turn = (second - first) % (2 * math.pi)
    if motion == 2:
        turn -= 2 * math.pi
    if turn == 0.0 or np.array_equal(start, end):
        turn = 2 * math.pi if motion == 3 else -2 * math.pi
    count = max(1, math.ceil(abs(math.degrees(turn)) / _CHORD_DEG))
    angle = first + turn * np.arange(1, count + 1) / count
    radius = np.linspace(np.hypot(*a), np.hypot(*b), count + 1)[1:]
    points = centre + radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    points[-1] = end
    return np.asarray(points)


def strokes_of(moves: Moves, layers: Layers, *, radius_um: float | None = None) -> list[Stroke]:
    """Return the strokes of all families, in the order of writing.

    Raises
    ------
    InputError
        If no lines are written that could be walls.
    """
    start, end = plan_of(moves, radius_um)
    drawn = (moves.motion > 0) & (layers.layer >= 0)
    step = end - start
    length = np.hypot(*step.T)
    arcs = np.flatnonzero((moves.motion > 1) & drawn)
    paths = {int(i): arc_points(start[i], end[i], moves.centre_um[i], int(moves.motion[i]))
             for i in arcs}  # fmt: skip
    near = drawn & np.concatenate([[False], drawn[:-1]])
    near[1:] &= (layers.layer[1:] == layers.layer[:-1]) & (layers.piece[1:] == layers.piece[:-1])
    free = drawn.copy()
    # Pieces are the same pattern again: directions are looked for in the first one.
    sample = layers.piece == layers.piece[drawn].min() if drawn.any() else drawn
    whole = float(length[drawn & sample].sum())
    found: list[Stroke] = []
    directions: list[float] = []
    while whole > 0 and len(directions) < _MOST_CANDIDATES:
        best, cover, heading = [], 0.0, 0.0
        for angle in _candidates(start, end, free & sample, near):
            runs = _runs(
                angle, start, end, length, free & sample, near, paths, layers, len(directions)
            )
            runs = _not_shorter(runs, found)
            covered = sum(_merit(r) for r in runs)
            if covered > cover * (1 + 1e-9):
                best, cover, heading = runs, covered, angle
        if sum(r.high_um - r.low_um for r in best) < _LEAST_COVER * whole:
            break
        best = _runs(
            heading, start, end, length, free, near, paths, layers, len(directions), exact=True
        )
        best = _not_shorter(best, found)
        direction = best[0].direction_deg
        same = [i for i, d in enumerate(directions) if _apart(d, direction) < 1.0]
        if same:
            direction = directions[same[0]]
            best = _redirected(best, direction, same[0], start, end, paths)
        directions.append(direction)
        found += best
        for s in best:
            free[s.first : s.last + 1] = False
    if not found:
        raise InputError(
            "no wall lines were found in the toolpath: no drawing moves (G1, G2, G3) run on long "
            "enough along one direction"
        )
    return sorted(_renumbered(found), key=lambda s: s.first)


def _merit(stroke: Stroke) -> float:
    """Return what a stroke speaks for its direction: long and narrow ones most.

    The power 1.5 lets one wall that winds win over the many pieces it could be cut into, and the
    lines of a meander win over the meander as a whole.
    """
    size = stroke.high_um - stroke.low_um
    return float(size**1.5 * max(0.0, 1.0 - 2.0 * _LONGER_THAN_WIDE * stroke.swing_um / size))


def _not_shorter(runs: list[Stroke], found: list[Stroke]) -> list[Stroke]:
    """Leave out what is much shorter than the lines of its direction that are known."""
    own = [s.high_um - s.low_um for s in found if runs and _apart(
        s.direction_deg, runs[0].direction_deg) < 1.0]  # fmt: skip
    least = _SHORT * max(own, default=0.0)
    return [r for r in runs if r.high_um - r.low_um >= least]


def _apart(a: float, b: float) -> float:
    return abs(turn_between_deg(b, a))


def _renumbered(strokes: list[Stroke]) -> list[Stroke]:
    """Number families by direction, folded into [-0.5, 179.5)."""
    known = sorted({s.direction_deg for s in strokes})
    rank = {d: i for i, d in enumerate(known)}
    return [Stroke(**{**s.__dict__, "family": rank[s.direction_deg]}) for s in strokes]


def _candidates(
    start: FloatArray, end: FloatArray, free: NDArray[np.bool_], near: NDArray[np.bool_]
) -> list[float]:
    """Return directions in which chords over several moves head most, most first."""
    bins = round(180 / _BIN_DEG)
    weight = np.zeros(bins)
    block = np.cumsum(~(near & free))
    for count in _CHORDS:
        if count > len(start):
            break
        last = np.arange(count - 1, len(start))
        first = last - count + 1
        whole = free[first] & free[last] & (block[first] == block[last])
        chord = (end[last] - start[first])[whole]
        size = np.hypot(*chord.T)
        heading = np.degrees(np.arctan2(chord[:, 1], chord[:, 0])) % 180.0
        at = np.rint(heading / _BIN_DEG).astype(np.int64) % bins
        weight += np.bincount(at, weights=size / count, minlength=bins)
    order = np.argsort(-weight, kind="stable")
    chosen: list[float] = []
    for i in order[:60]:
        if weight[i] < 0.01 * weight[order[0]] or len(chosen) >= 16:
            break
        if all(_apart(i * _BIN_DEG, c) > 1.0 for c in chosen):
            chosen.append(float(i * _BIN_DEG))
    return chosen


def _runs(
    angle_deg: float,
    start: FloatArray,
    end: FloatArray,
    length: FloatArray,
    free: NDArray[np.bool_],
    near: NDArray[np.bool_],
    paths: dict[int, FloatArray],
    layers: Layers,
    family: int,
    exact: bool = False,
) -> list[Stroke]:
    """Return the strokes along one direction, the direction itself refined by them."""
    a = math.radians(angle_deg)
    along = np.array([math.cos(a), math.sin(a)])
    progress = (end - start) @ along
    sign = np.where(np.abs(progress) <= _STANDSTILL * length, 0.0, np.sign(progress))
    sign = sign.astype(np.int64)
    for i, points in paths.items():
        # An arc that turns back belongs to a turn, not to a line.
        steps = np.diff(np.concatenate([start[i : i + 1], points]) @ along)
        if steps.min() < -1e-9 and steps.max() > 1e-9:
            sign[i] = 2
    spans = _spans(sign, free, near)
    kept = []
    for first, last, way in spans:
        rise = end[last] - start[first]
        if abs(rise @ along) > 0:
            kept.append((first, last, way, rise * way))
    if not kept:
        return []
    size = np.array([float(r @ along) for *_, r in kept])
    slope = np.array([float(r[1] * along[0] - r[0] * along[1]) for *_, r in kept]) / size
    good = np.abs(slope) < _SLOPE
    if not good.any():
        return []
    good &= size >= _SHORT * _long(size[good])
    if exact:
        for k in np.flatnonzero(good):
            path = _path(kept[k][0], kept[k][1], start, end, paths)
            slope[k] = _mean_slope(path @ along, path @ np.array([-along[1], along[0]]))
    order = np.argsort(slope[good])
    half = np.cumsum(size[good][order])
    turn = math.atan(float(slope[good][order][np.searchsorted(half, half[-1] / 2)]))
    direction = (angle_deg + math.degrees(turn)) % 180.0
    direction = round(direction, 6)
    if direction >= 179.5:
        direction -= 180.0
    out = []
    for (first, last, way, _), ok in zip(kept, good, strict=True):
        if ok:
            flipped = 1 if math.cos(math.radians(direction) - a) > 0 else -1
            stroke = _stroke(first, last, way * flipped, direction, family, start, end, paths,
                             layers)  # fmt: skip
            if stroke.high_um - stroke.low_um >= _LONGER_THAN_WIDE * 2 * stroke.swing_um:
                out.append(stroke)
    return out


def _path(
    first: int, last: int, start: FloatArray, end: FloatArray, paths: dict[int, FloatArray]
) -> FloatArray:
    """Return the points (n, 2) along a run of moves."""
    points = [start[first : first + 1]]
    for i in range(first, last + 1):
        points.append(paths.get(i, end[i : i + 1]))
    return np.concatenate(points)


def _mean_slope(u: FloatArray, v: FloatArray) -> float:
    """Return the slope of a line's mean: that of the longest edge of its hull.

    The hull spans from crest to crest, one period on, whatever the phases of a wave's ends; a
    fitted line, or that through its ends, would lean with them.
    """
    best = (0.0, 0.0)
    order = np.lexsort((v, u))
    for sign in (1.0, -1.0):
        hull: list[tuple[float, float]] = []
        for i in order:
            p = (float(u[i]), sign * float(v[i]))
            while len(hull) > 1 and (
                (hull[-1][0] - hull[-2][0]) * (p[1] - hull[-2][1])
                - (hull[-1][1] - hull[-2][1]) * (p[0] - hull[-2][0])
            ) <= 1e-9 * (abs(p[0]) + 1.0):
                hull.pop()
            hull.append(p)
        for a, b in itertools.pairwise(hull):
            if b[0] - a[0] > best[0]:
                best = (b[0] - a[0], sign * (b[1] - a[1]) / (b[0] - a[0]))
    return best[1]


def _long(size: FloatArray) -> float:
    """Return the length above which a quarter of all that is written lies."""
    ordered = np.sort(size)
    share = np.cumsum(ordered)
    return float(ordered[np.searchsorted(share, 0.75 * share[-1])])


def _spans(
    sign: IntArray, free: NDArray[np.bool_], near: NDArray[np.bool_]
) -> list[tuple[int, int, int]]:
    """Return first move, last move and sign of each run that goes on one way or stands still.

    Standstill belongs to the run before it, except at a run's ends; sign 2 breaks every run.
    """
    index = np.flatnonzero(free)
    if not index.size:
        return []
    s = sign[index]
    joined = near[index] & (s != 2)
    joined[1:] &= (np.diff(index) == 1) & (s[:-1] != 2)
    joined[0] = False
    block = np.cumsum(~joined)
    moving = np.where(s != 0, np.arange(s.size), -1)
    latest = np.maximum.accumulate(moving)
    known = (latest >= 0) & (block[np.maximum(latest, 0)] == block)
    way = np.where(known, s[np.maximum(latest, 0)], 0)
    opens = np.concatenate([[True], (np.diff(block) != 0) | (np.diff(way) != 0)])
    first = np.flatnonzero(opens)
    after = np.append(first[1:], s.size)
    last = latest[after - 1]
    return [
        (int(index[a]), int(index[b]), int(way[a]))
        for a, b in zip(first, last, strict=True)
        if way[a] in (1, -1)
    ]


def _stroke(
    first: int,
    last: int,
    sense: int,
    direction: float,
    family: int,
    start: FloatArray,
    end: FloatArray,
    paths: dict[int, FloatArray],
    layers: Layers | None,
    old: Stroke | None = None,
) -> Stroke:
    a = math.radians(direction)
    along, normal = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    path = _path(first, last, start, end, paths)
    u, v = path @ along, path @ normal
    if layers is not None:
        layer, piece = int(layers.layer[first]), int(layers.piece[first])
    else:
        assert old is not None  # one of the two is always given
        layer, piece = old.layer, old.piece
    return Stroke(
        first, last, layer, piece, family, direction, sense,
        float(v.max() + v.min()) / 2, float(u.min()), float(u.max()), float(np.ptp(v)) / 2,
    )  # fmt: skip


def _redirected(
    strokes: Sequence[Stroke],
    direction: float,
    family: int,
    start: FloatArray,
    end: FloatArray,
    paths: dict[int, FloatArray],
) -> list[Stroke]:
    return [
        _stroke(s.first, s.last, s.sense, direction, family, start, end, paths, None, s)
        for s in strokes
    ]


def walls_of(strokes: Sequence[Stroke], *, turn_um: float | None = None) -> list[PathWall]:
    """Stack strokes into walls: each joins the wall whose last fibre lies nearest below it.

    Parameters
    ----------
    strokes
        In the order of writing.
    turn_um
        Length of one turn of a mandrel, over which positions repeat; None on a plate.

    Returns
    -------
    list of PathWall
        Sorted by piece, family and position.
    """
    walls: list[list[Stroke]] = []
    for piece, family in sorted({(s.piece, s.family) for s in strokes}):
        own = [s for s in strokes if (s.piece, s.family) == (piece, family)]
        a = math.radians(own[0].direction_deg)
        period = None if turn_um is None else abs(turn_um * math.cos(a))
        # The lines written twice as often as there are walls tell nothing new of the gaps.
        places = np.unique(np.round([s.position_um if period is None else s.position_um % period
                                     for s in own if s.layer == own[0].layer], 3))  # fmt: skip
        wide = np.diff(places)
        gap = float(np.median(wide[wide > 0.2 * wide.max()])) if wide.size else math.inf
        stacks: list[list[Stroke]] = []
        for s in own:
            near = [(_off(s, stack[-1], period), i) for i, stack in enumerate(stacks)
                    if period is not None or _overlap(s, stack[-1])]  # fmt: skip
            off, i = min(near, default=(math.inf, -1))
            if off <= _SAME_WALL * gap:
                stacks[i].append(s)
            else:
                stacks.append([s])
        walls += stacks
    built = [
        PathWall(
            w[0].family, w[0].piece, w[0].direction_deg, w[0].position_um,
            w[0].high_um - w[0].low_um, tuple(w),
        )
        for w in walls
    ]  # fmt: skip
    return sorted(built, key=lambda w: (w.piece, w.family, w.position_um))


def _off(a: Stroke, b: Stroke, period: float | None) -> float:
    gap = abs(a.position_um - b.position_um)
    return gap if period is None else abs((gap + period / 2) % period - period / 2)


def _overlap(a: Stroke, b: Stroke) -> bool:
    """Whether two strokes run beside each other for half of the shorter one."""
    shared = min(a.high_um, b.high_um) - max(a.low_um, b.low_um)
    return shared > 0.5 * min(a.high_um - a.low_um, b.high_um - b.low_um)
