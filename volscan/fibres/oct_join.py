"""OCT scans of one growing print joined: what the newest hides is taken from older ones.

The collector, found in every scan, gives height and level. What is left, a shift and a turn in its
plane, is found from the fibres that two successive scans share.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.lines import FittedWall, slope_vector
from volscan.fibres.oct_error import LEAN_ERROR
from volscan.fibres.oct_walls import OctWalls
from volscan.geometry import BuildFrame, FloatArray, left_normal_xy, turn_between_deg

# Families of two scans are the same when their directions agree within this, walls when they lie
# within this share of the distance between walls, fibres of a wall when their heights agree within
# this share of the rise, and of walls that are not yet paired, of the diameter.
_TURN_DEG, _SAME_WALL, _SAME_FIBRE = 4.0, 0.3, 0.5
# Fewest shared fibres that tell a shift and a turn.
_FEWEST_SHARED = 4
# What two fits of a fibre may differ by in any case, µm.
_LEAST_U_UM = 0.05
# A fibre under others is seen by rays that they bend: it looks displaced, to the side its wall
# leans, by up to this share of its step across to the next fibre. Found on phantoms whose fibres
# are lenses (0.4 to 1 for the second fibre, taken back by the next ones).
_BENT = 0.7


@dataclass(frozen=True)
class Moved:
    """How a scan lies on the newest: p_new = turn(p) + shift in the collector's plane.

    `u_um` is the standard uncertainty of the shift against the next newer scan, `shared` the
    number of fibres it was found from, `taken` how many fibres of the print come from this scan.
    """

    turn_deg: float = 0.0
    shift_um: tuple[float, float] = (0.0, 0.0)
    u_um: float = 0.0
    shared: int = 0
    taken: int = 0

    def points(self, built: FloatArray) -> FloatArray:
        """Return points (..., 3) [X, Y, H] of the scan in the newest one's build frame."""
        a = math.radians(self.turn_deg)
        out = np.array(built, dtype=np.float64)
        out[..., 0] = math.cos(a) * built[..., 0] - math.sin(a) * built[..., 1] + self.shift_um[0]
        out[..., 1] = math.sin(a) * built[..., 0] + math.cos(a) * built[..., 1] + self.shift_um[1]
        return out

    def turned(self, vector: FloatArray) -> FloatArray:
        """Return a direction (3,) of the scan in the newest one's build frame."""
        return self.points(vector) - self.points(np.zeros(3))

    def after(self, first: Moved) -> Moved:
        """Return this motion made after another."""
        x, y, _ = self.points(np.array([*first.shift_um, 0.0]))
        return Moved(self.turn_deg + first.turn_deg, (float(x), float(y)), first.u_um, first.shared)


@dataclass(frozen=True)
class Joined:
    """The walls of a print from several scans, in the newest one's axes.

    `moved` tells how each scan lies on the newest, the oldest first; None for one that shares too
    little with the next newer one, which is then left out with all that are older.
    """

    walls: list[FittedWall]
    moved: tuple[Moved | None, ...]

    @property
    def u_steps_um(self) -> FloatArray:
        """What each scan's place adds to the doubt of all that is older, µm, the oldest first."""
        return np.array([0.0 if m is None else m.u_um for m in self.moved])


@dataclass(frozen=True)
class _Line:
    """A fibre as a straight line: centre (3,) and direction (3,) in a build frame."""

    wall: int
    number: int
    centre: FloatArray
    slope: FloatArray
    length_um: float
    u_um: float


def joined_walls(scans: list[tuple[OctWalls, BuildFrame]]) -> Joined:
    """Join the scans of a growing print.

    Parameters
    ----------
    scans
        Walls and build frame of each scan, the oldest first, the newest last.

    Returns
    -------
    Joined
        The newest scan's walls, each fibre from the scan that tells its place best; fibres that
        only an older scan shows are added.

    Notes
    -----
    Successive scans are laid on each other by least squares on the distance of shared fibres
    across themselves. That leaves a doubt: a fibre that was topmost in the older scan lies under
    others in the newer, and bent rays displace it to the side to which its wall leans. Over a
    wall's k shared fibres most of that is taken back by the next ones, and 1/k is left; where
    walls lean to both sides it cancels. It adds up from scan to scan, so that the newest scan is
    left only where it shows a fibre badly or not at all.
    """
    if len(scans) == 1:
        return Joined(scans[0][0].walls, (Moved(),))
    lines = [_lines(walls, frame) for walls, frame in scans]
    moved: list[Moved | None] = [Moved()]
    for i in range(len(scans) - 2, -1, -1):
        newer = moved[0]
        own = None if newer is None else _laid_on(scans, lines, i)
        moved.insert(0, None if own is None or newer is None else newer.after(own))
    taken = np.zeros(len(scans), dtype=np.int64)
    walls = [_joined_wall(n, scans, lines, moved, taken) for n in range(len(scans[-1][0].walls))]
    told = tuple(
        None if m is None else replace(m, taken=int(k)) for m, k in zip(moved, taken, strict=True)
    )
    return Joined(walls, told)


def _lines(found: OctWalls, frame: BuildFrame) -> list[_Line]:
    out = []
    for w, wall in enumerate(found.walls):
        built = frame.to_build(wall.centres())
        length = float(np.ptp(wall.along_um))
        for k in range(built.shape[1]):
            noise = float(np.sqrt(np.sum(wall.u_places_um[:, k, 0] ** 2))) / wall.along_um.size
            slope = slope_vector(built[:, k], wall.along_um)
            centre = built[:, k].mean(axis=0)
            out.append(_Line(w, k, centre, slope, length, max(noise, _LEAST_U_UM)))
    return out


def _directions(found: OctWalls, lines: list[_Line]) -> dict[int, float]:
    """Return each family's direction in degrees, 0 to 180."""
    out = {}
    for family in sorted({w.family for w in found.walls}):
        own = [x.slope for x in lines if found.walls[x.wall].family == family]
        mean = np.mean([v if v @ own[0] > 0 else -v for v in own], axis=0)
        out[family] = math.degrees(math.atan2(mean[1], mean[0])) % 180.0
    return out


def _laid_on(
    scans: list[tuple[OctWalls, BuildFrame]], lines: list[list[_Line]], i: int
) -> Moved | None:
    """Return how scan i lies on the next newer one; None where they share too little."""
    old, new = scans[i][0], scans[i + 1][0]
    of_old, of_new = _directions(old, lines[i]), _directions(new, lines[i + 1])
    turns = {(f, g): turn_between_deg(a, b) for f, a in of_old.items() for g, b in of_new.items()}
    same = {f: g for (f, g), turn in turns.items() if abs(turn) < _TURN_DEG}
    if not same:
        return None
    start = Moved(turn_deg=float(np.mean([turns[pair] for pair in same.items()])))
    rows, rests = [], []
    for f, g in same.items():
        normal = left_normal_xy(of_new[g])
        step = _step(lines[i], lines[i + 1], old, new, f, g, start, normal)
        if step is not None:
            rows.append(normal)
            rests.append(step)
    if not rows:
        return None
    # Along the only family's walls nothing tells the shift, and nothing depends on it.
    shift = np.linalg.lstsq(np.array(rows), np.array(rests), rcond=None)[0]
    moved = replace(start, shift_um=(float(shift[0]), float(shift[1])))
    spread = LEAN_ERROR * new.optics.sigma_um[0]
    for _ in range(3):
        pairs = _pairs(lines[i], lines[i + 1], old, new, same, moved)
        if len(pairs) < _FEWEST_SHARED:
            return None
        moved = _fitted(pairs, moved, spread)
    bent = _bent_um(lines[i + 1], new, pairs)
    return replace(moved, u_um=math.hypot(moved.u_um, bent))


def _bent_um(lines: list[_Line], found: OctWalls, pairs: list[tuple[_Line, _Line]]) -> float:
    """Return what bent rays may do to the place of a scan on the next newer one, µm."""
    worst = 0.0
    for family in {w.family for w in found.walls}:
        steps = []
        for number, wall in enumerate(found.walls):
            own = [x for x in lines if x.wall == number]
            if wall.family == family and len(own) > 1:
                normal = _across(own[0])
                steps.append(float((own[-1].centre - own[0].centre)[:2] @ normal) / (len(own) - 1))
        shared = [y.wall for _, y in pairs if found.walls[y.wall].family == family]
        if steps and shared:
            # Where walls lean to both sides, what is left is their leans' scatter.
            mean = abs(float(np.mean(steps))) + float(np.std(steps)) / math.sqrt(len(steps))
            worst = max(worst, mean * len(set(shared)) / len(shared))
    return _BENT * worst


def _places(
    lines: list[_Line], found: OctWalls, family: int, moved: Moved, normal: FloatArray
) -> FloatArray:
    """Return where a family's walls stand across, by their lowest fibres."""
    lowest: dict[int, _Line] = {}
    for x in lines:
        if found.walls[x.wall].family == family and x.number == 0:
            lowest[x.wall] = x
    return np.array([float(moved.points(x.centre)[:2] @ normal) for x in lowest.values()])


def _step(
    old_lines: list[_Line], new_lines: list[_Line], old: OctWalls, new: OctWalls,
    f: int, g: int, moved: Moved, normal: FloatArray,
) -> float | None:  # fmt: skip
    """Return the shift across that lays most walls of a family on walls, of equals the least."""
    mine = _places(old_lines, old, f, moved, normal)
    theirs = _places(new_lines, new, g, Moved(), normal)
    if mine.size == 0 or theirs.size == 0:
        return None
    gap = float(np.median(np.diff(np.sort(theirs)))) if theirs.size > 1 else math.inf
    best: tuple[int, float] | None = None
    for shift in (theirs[:, None] - mine[None, :]).ravel():
        near = np.abs(theirs[:, None] - mine[None, :] - shift).min(axis=0)
        score = int((near < min(_SAME_WALL * gap, 30.0)).sum())
        if best is None or (score, -abs(shift)) > (best[0], -abs(best[1])):
            best = (score, float(shift))
    return None if best is None else best[1]


def _pairs(
    old_lines: list[_Line], new_lines: list[_Line], old: OctWalls, new: OctWalls,
    same: dict[int, int], moved: Moved,
) -> list[tuple[_Line, _Line]]:  # fmt: skip
    """Return the fibres that both scans show."""
    out = []
    for x in old_lines:
        family = same.get(old.walls[x.wall].family)
        if family is None:
            continue
        at = moved.points(x.centre)
        best: tuple[float, _Line] | None = None
        for y in new_lines:
            if new.walls[y.wall].family != family:
                continue
            off = _off(x, y, moved)
            radius = float(new.walls[y.wall].radius_um.mean())
            if abs(off) > 1.5 * radius or abs(at[2] - y.centre[2]) > _SAME_FIBRE * 2.0 * radius:
                continue
            if best is None or abs(off) < best[0]:
                best = (abs(off), y)
        if best is not None:
            out.append((x, best[1]))
    return out


def _across(y: _Line) -> FloatArray:
    """Return the unit normal (2,) of a line in plan view, to the left of 0 to 180 degrees."""
    length = float(np.hypot(y.slope[0], y.slope[1]))
    sense = -1.0 if y.slope[1] < 0 else 1.0
    return sense * np.array([-y.slope[1], y.slope[0]]) / length


def _off(x: _Line, y: _Line, moved: Moved) -> float:
    """Return how far a line's centre lies from another line in plan view, to its left."""
    return float((moved.points(x.centre) - y.centre)[:2] @ _across(y))


def _fitted(pairs: list[tuple[_Line, _Line]], moved: Moved, spread_um: float) -> Moved:
    """Return the motion that lays shared fibres on each other best."""
    turned = np.array([moved.points(x.centre)[:2] for x, _ in pairs])
    middle = turned.mean(axis=0)
    rows, rests = [], []
    normals: dict[int, FloatArray] = {}
    for (x, y), place in zip(pairs, turned, strict=True):
        n = _across(y)
        normals[round(math.degrees(math.atan2(n[1], n[0]))) % 180] = n
        arm = place - middle
        weight = 1.0 / math.hypot(x.u_um, y.u_um, spread_um)
        rows.append(weight * np.array([n[0], n[1], n @ np.array([-arm[1], arm[0]])]))
        rests.append(-weight * _off(x, y, moved))
        # A line's direction is known as well as its place is over a twelfth of its length squared.
        along = moved.turned(x.slope)
        left = math.atan2(along[0] * y.slope[1] - along[1] * y.slope[0], along[:2] @ y.slope[:2])
        weight *= min(x.length_um, y.length_um) / math.sqrt(12.0)
        rows.append(weight * np.array([0.0, 0.0, 1.0]))
        rests.append(weight * ((left + 0.5 * math.pi) % math.pi - 0.5 * math.pi))
    matrix, rest = np.array(rows), np.array(rests)
    step = np.linalg.lstsq(matrix, rest, rcond=None)[0]
    off = (rest - matrix @ step)[::2]
    scale = max(1.0, float(off @ off) / max(len(pairs) - 3, 1))
    covariance = np.linalg.pinv(matrix.T @ matrix)[:2, :2] * scale
    about = step[2] * np.array([-middle[1], middle[0]])
    old = np.array(moved.shift_um)
    # The turn is about the middle of the shared fibres; a motion is told about the origin.
    swing = step[2] * np.array([-old[1], old[0]])
    shift = old + swing + step[:2] - about
    return Moved(
        moved.turn_deg + math.degrees(step[2]),
        (float(shift[0]), float(shift[1])),
        math.sqrt(max(float(n @ covariance @ n) for n in normals.values())),
        len(pairs),
    )


@dataclass(frozen=True)
class _Candidate:
    """A fibre of the joined wall as one scan shows it."""

    scan: int
    wall: FittedWall
    number: int
    height_um: float
    places_um: FloatArray
    u_um: float


def _joined_wall(
    n: int,
    scans: list[tuple[OctWalls, BuildFrame]],
    lines: list[list[_Line]],
    moved: list[Moved | None],
    taken: NDArray[np.int64],
) -> FittedWall:
    """Return a wall of the newest scan with each fibre from where it is seen best."""
    newest, frame = scans[-1]
    wall = newest.walls[n]
    radius = float(wall.radius_um.mean())
    own = [x for x in lines[-1] if x.wall == n]
    found: list[_Candidate] = []
    for i, (motion, of_scan) in enumerate(zip(moved, lines, strict=True)):
        if motion is None:
            continue
        number = n if i == len(scans) - 1 else _same_wall(own, of_scan, motion, radius)
        if number is None:
            continue
        theirs = scans[i][0].walls[number]
        built = motion.points(scans[i][1].to_build(theirs.centres()))
        places = frame.to_scan(built) @ wall.axes.matrix.T
        laid = math.sqrt(sum(m.u_um**2 for m in moved[i:] if m is not None))
        for x in of_scan:
            if x.wall == number:
                at = places[:, x.number]
                high = float(at[:, 2].mean())
                u = math.hypot(x.u_um, laid)
                found.append(_Candidate(i, theirs, x.number, high, _at(wall, at), u))
    top = max(float(x.centre[2]) for x in own)
    rise = _rise_um(newest, lines[-1], wall.family) or 2.0 * radius
    kept = _grouped(found, _SAME_FIBRE * rise)
    kept = [g for g in kept if not _denied(g, found, radius)] or kept
    chosen = [_best(g, top, rise, radius) for g in kept]
    for c in chosen:
        taken[c.scan] += 1
    return _with(wall, chosen)


def _grouped(found: list[_Candidate], reach_um: float) -> list[list[_Candidate]]:
    """Return what the scans show of each fibre, from the lowest.

    From the newest scan to the oldest, each scan's fibres are laid to the nearest group in height,
    one to one; what lies farther than `reach_um` from all is a fibre of its own.
    """
    groups: list[list[_Candidate]] = []
    for scan in sorted({c.scan for c in found}, reverse=True):
        own = [c for c in found if c.scan == scan]
        means = [float(np.mean([c.height_um for c in g])) for g in groups]
        near = sorted(
            (abs(c.height_um - mean), i, k)
            for i, c in enumerate(own)
            for k, mean in enumerate(means)
            if abs(c.height_um - mean) < reach_um
        )
        placed: dict[int, int] = {}
        for _, i, k in near:
            if i not in placed and k not in placed.values():
                placed[i] = k
        for i, c in enumerate(own):
            if i in placed:
                groups[placed[i]].append(c)
            else:
                groups.append([c])
    return sorted(groups, key=lambda g: float(np.mean([c.height_um for c in g])))


def _rise_um(found: OctWalls, lines: list[_Line], family: int) -> float | None:
    """Return the usual step between a family's successive fibres; None where no wall shows two."""
    steps: list[float] = []
    for number, wall in enumerate(found.walls):
        if wall.family == family:
            heights = np.sort([float(x.centre[2]) for x in lines if x.wall == number])
            steps += np.diff(heights).tolist()
    return float(np.median(steps)) if steps else None


def _best(group: list[_Candidate], top_um: float, rise_um: float, radius_um: float) -> _Candidate:
    """Return the candidate that tells a fibre's place across best, at its best height.

    Where scans put it at different heights one of them saw it wrongly: it is taken where it lies
    whole rises below the wall's top fibre.
    """

    def off(c: _Candidate) -> float:
        steps = (top_um - c.height_um) / rise_um
        return abs(steps - round(steps)) * rise_um

    heights = [c.height_um for c in group]
    if max(heights) - min(heights) > radius_um:
        least = min(off(c) for c in group)
        group = [c for c in group if off(c) < least + 0.5 * radius_um]
    best = min(group, key=lambda c: c.u_um)
    # Heights are told from the collector, whatever the shift: best where least lies above.
    places = best.places_um.copy()
    places[:, 2] = min(group, key=lambda c: c.scan).places_um[:, 2]
    return replace(best, places_um=places)


def _denied(group: list[_Candidate], found: list[_Candidate], radius_um: float) -> bool:
    """Return whether an older scan, less covered, shows the wall there without such a fibre."""
    height = float(np.mean([c.height_um for c in group]))
    oldest = min(c.scan for c in group)
    for scan in {c.scan for c in found if c.scan < oldest}:
        own = [c.height_um for c in found if c.scan == scan]
        if min(own) - radius_um < height < max(own) + radius_um:
            return True
    return False


def _same_wall(own: list[_Line], lines: list[_Line], moved: Moved, radius_um: float) -> int | None:
    """Return the wall of another scan whose fibres lie on this one's, by the nearest in height."""
    votes: dict[int, int] = {}
    for x in lines:
        at = moved.points(x.centre)
        y = min(own, key=lambda o: abs(float(o.centre[2]) - float(at[2])))
        along = moved.turned(x.slope)
        cross = abs(along[0] * y.slope[1] - along[1] * y.slope[0])
        parallel = cross < math.sin(math.radians(_TURN_DEG)) * math.hypot(*along[:2])
        if parallel and abs(_off(x, y, moved)) < 1.5 * radius_um:
            votes[x.wall] = votes.get(x.wall, 0) + 1
    return max(votes, key=lambda w: votes[w]) if votes else None


def _at(wall: FittedWall, places_um: FloatArray) -> FloatArray:
    """Return a fibre's places (m, 3) at the stations of a wall, carried on straight at its ends."""
    s = places_um[:, 0]
    out = np.empty((wall.along_um.size, 3))
    out[:, 0] = wall.along_um
    order = np.argsort(s)
    for k in (1, 2):
        line = np.polyfit(s, places_um[:, k], 1)
        rest = places_um[:, k] - np.polyval(line, s)
        out[:, k] = np.polyval(line, wall.along_um)
        out[:, k] += np.interp(wall.along_um, s[order], rest[order])
    return out


def _with(wall: FittedWall, chosen: list[_Candidate]) -> FittedWall:
    """Return a wall made of the chosen fibres, from the lowest."""
    places = np.stack([c.places_um for c in chosen], axis=1)
    heights = places[..., 2].mean(axis=0)
    rise = float(np.median(np.diff(heights))) if heights.size > 1 else 1.0
    numbers = np.rint((heights - heights[0]) / rise).astype(np.int64)
    # Two fibres never share a number, however close a badly seen one lies to the next.
    order = np.arange(numbers.size)
    numbers = np.maximum.accumulate(numbers - order) + order
    present = np.zeros(int(numbers[-1]) + 1, dtype=bool)
    present[numbers] = True
    stations = wall.along_um.size
    noise = [
        np.broadcast_to(np.median(c.wall.u_places_um[:, c.number], axis=0), (stations, 2))
        for c in chosen
    ]
    return replace(
        wall,
        present=present,
        across_um=places[..., 1],
        up_um=places[..., 2],
        radius_um=np.array([c.wall.radius_um[c.number] for c in chosen]),
        u_radius_um=np.array([c.wall.u_radius_um[c.number] for c in chosen]),
        places_um=places,
        u_places_um=np.stack(noise, axis=1),
        of_scan=np.array([c.scan for c in chosen]),
    )
