"""Walls as lines in plan view: a network thinned from the view from above, and paths through it.

From above a wall is a narrow ridge, whatever its fibres do on top of each other, so that thinning
works here where it fails in the volume. Where walls cross, the two that go on most smoothly belong
together.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.filters import threshold_otsu
from skimage.morphology import skeletonize

from volscan.geometry import FloatArray

# A ridge is where the view holds this share of what it holds along the usual wall.
_RIDGE_SHARE = 0.45
# In widths: longest side branch that is a ragged edge, longest link within one crossing, shortest
# path kept.
_SPUR, _LINK, _SHORTEST = 1.2, 1.5, 3.0
# Two walls that cross at a slant share a stretch up to this many widths long, in which the view
# holds at least this many times what it holds along one wall.
_SHARED, _TWO_WALLS = 10.0, 1.4
# Walls side by side are this many times as broad half-way along the stretch as one wall; walls that
# cross lie on each other there.
_SIDE_BY_SIDE = 1.45
# What one wall holds, and how broad it is: this quantile of the network's length. In closed cells
# up to two thirds of it are two walls.
_ONE_WALL = 0.3
# Weighs against pairs that would cross where walls run side by side: more than any roughness.
_NO_CROSSING = 100.0
# Sharpest turn of a path that runs on past a wall's end which meets it, degrees.
_STRAIGHT_ON_DEG = 35.0
# Junctions with up to this many ends try all 105 pairings.
_MOST_MATCHED = 8
# A lead runs along a known wall when it stays within so many widths of its middle, and turns from
# it by less than this. A wall that only slants across it has left it after so many widths.
_ON_LINE, _ALONG_DEG, _LONG_LEAD = 0.7, 20.0, 6.0
_EIGHT = np.ones((3, 3), dtype=int)


@dataclass
class _Chain:
    """Pixels between two junctions (or ends).

    `nodes` names the crossing at either end, `junctions` the junction within it; -1 at an end. On a
    shared stretch walls side by side run `apart` pixels either side of it; where both end on it,
    each has a chain of its own, moved to its left by `apart` (to its right where negative).
    """

    pixels: FloatArray
    nodes: list[int]
    junctions: list[int]
    apart: float = 0.0

    @property
    def length(self) -> float:
        return float(np.linalg.norm(np.diff(self.pixels, axis=0), axis=1).sum())


def trace_paths(
    view: NDArray[np.float64], *, width: float, lines: FloatArray | None = None
) -> list[FloatArray]:
    """Return the paths of walls seen from above.

    Parameters
    ----------
    view
        Polymer seen from above (rows, columns), not negative but for noise.
    width
        Usual width of a wall in pixels.
    lines
        Straight walls that are known, (walls, 2, 2): both ends [row, column]. Where they cross
        others the paths run on along them.

    Returns
    -------
    list
        Polylines (n, 2) [row, column], about a pixel between points, longest first.
    """
    smooth = ndimage.gaussian_filter(view, max(0.7, 0.2 * width))
    if not np.any(smooth > 0) or np.ptp(smooth) == 0:
        return []
    level = float(threshold_otsu(smooth))
    for _ in range(2):
        ridge = skeletonize(smooth > level)
        if not ridge.any():
            return []
        level = _RIDGE_SHARE * float(np.median(smooth[ridge]))
    solid = smooth > level
    labels, count = ndimage.label(solid, _EIGHT)
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    keep = sizes >= _SHORTEST * width * width
    keep[0] = False
    solid = ndimage.binary_fill_holes(keep[labels]) ^ _large_holes(keep[labels], width)
    chains = _chains(skeletonize(solid))
    # Walls side by side are wider, not higher: a broad kernel holds both.
    broad = ndimage.gaussian_filter(view, 0.6 * width)
    known = np.empty((0, 2, 2)) if lines is None else lines
    half_breadth = ndimage.distance_transform_edt(solid)
    chains, shared = _pruned(chains, width, broad, half_breadth, known)
    paths = _joined(chains, shared, width, known)
    paths = [p for p in paths if _length(p) >= _SHORTEST * width]
    return sorted(paths, key=_length, reverse=True)


def _large_holes(solid: NDArray[np.bool_], width: float) -> NDArray[np.bool_]:
    """Return the holes that are pores, not pinholes of noise in a wall."""
    holes = ndimage.binary_fill_holes(solid) & ~solid
    labels, count = ndimage.label(holes)
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    pores = sizes >= 0.2 * width * width
    pores[0] = False
    return np.asarray(pores[labels])


def _length(path: FloatArray) -> float:
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())


def _chains(ridge: NDArray[np.bool_]) -> list[_Chain]:
    """Cut a thinned network at its junctions into chains of pixels."""
    around = ndimage.convolve(ridge.astype(int), _EIGHT, mode="constant") - 1
    junction = ridge & (around >= 3)
    nodes, _ = ndimage.label(junction, _EIGHT)
    rest = ridge & ~junction
    labels, _ = ndimage.label(rest, _EIGHT)
    chains = []
    padded = np.pad(nodes, 1)
    for number, box in enumerate(ndimage.find_objects(labels), start=1):
        own = np.argwhere(labels[box] == number) + [s.start for s in box]
        ordered = _walk(own)
        ends = []
        for k, pixel in enumerate((ordered[0], ordered[-1])):
            window = padded[pixel[0] : pixel[0] + 3, pixel[1] : pixel[1] + 3]
            touched = [int(v) for v in np.unique(window) if v > 0]
            if len(ordered) == 1 and k == 1 and len(touched) > 1:
                touched = touched[::-1]
            ends.append(touched[0] if touched else -1)
        if len(ordered) == 1 and ends[0] == ends[1]:
            ends[1] = -1
        chains.append(_Chain(ordered.astype(float), ends, list(ends)))
    return chains


def _walk(pixels: NDArray[np.int64]) -> NDArray[np.int64]:
    """Order the pixels of a chain from one end to the other."""
    there = {(int(r), int(c)) for r, c in pixels}

    def neighbours(p: tuple[int, int]) -> list[tuple[int, int]]:
        steps = sorted(
            ((dr, dc) for dr in (-1, 0, 1) for dc in (-1, 0, 1) if dr or dc),
            key=lambda s: abs(s[0]) + abs(s[1]),
        )
        return [(p[0] + dr, p[1] + dc) for dr, dc in steps if (p[0] + dr, p[1] + dc) in there]

    ends = [p for p in sorted(there) if len(neighbours(p)) <= 1]
    at = ends[0] if ends else min(there)
    ordered = [at]
    there.discard(at)
    while True:
        following = neighbours(at)
        if not following:
            break
        at = following[0]
        ordered.append(at)
        there.discard(at)
    return np.array(ordered)


def _pruned(
    chains: list[_Chain],
    width: float,
    view: NDArray[np.float64],
    half_breadth: NDArray[np.float64],
    lines: FloatArray,
) -> tuple[list[_Chain], list[_Chain]]:
    """Leave out ragged edges' side branches, and merge the junctions of one crossing.

    Returns the chains and, apart, the stretches that walls share.
    """
    kept = [
        c for c in chains if not (sum(n < 0 for n in c.nodes) == 1 and c.length < _SPUR * width)
    ]
    kept = [c for c in kept if not (c.nodes == [-1, -1] and c.length < _SHORTEST * width)]
    leader: dict[int, int] = {}

    def lead(n: int) -> int:
        while leader.get(n, n) != n:
            n = leader[n]
        return n

    held = [_held(c, view) for c in kept]
    lengths = [c.length for c in kept]
    usual = _weighted_quantile(held, lengths, _ONE_WALL)
    breadths = [_middle_of(c, half_breadth) for c in kept]
    usual_breadth = _weighted_quantile(breadths, lengths, _ONE_WALL)
    slanting = _slanting(kept, lengths, lines, width)
    rest, shared = [], []
    for length, c, content, breadth, slants in sorted(
        zip(lengths, kept, held, breadths, slanting, strict=True), key=lambda t: t[0]
    ):
        a, b = c.nodes
        double = length < _SHARED * width and content > _TWO_WALLS * usual
        broad = double and length > _LINK * width and breadth > _SIDE_BY_SIDE * usual_breadth
        apart = breadth - usual_breadth if broad else 0.0
        if broad and (a > 0) != (b > 0):
            rest += [_moved(c, apart), _moved(c, -apart)]
        elif a > 0 and b > 0 and (length < _LINK * width or double or slants):
            c.apart = apart
            shared.append(c)
            leader[max(lead(a), lead(b))] = min(lead(a), lead(b))
        else:
            rest.append(c)
    for c in rest:
        c.nodes = [lead(n) if n > 0 else -1 for n in c.nodes]
    return rest, shared


def _slanting(
    chains: list[_Chain], lengths: list[float], lines: FloatArray, width: float
) -> list[bool]:
    """Tell of each chain whether it is the stretch on which a wall slants across a known line.

    A wall comes to the line from one side at the chain's one end, and leaves it to the other side
    at its other end.
    """
    if len(lines) == 0:
        return [False] * len(chains)
    at: dict[int, list[tuple[int, int]]] = {}
    for i, c in enumerate(chains):
        for end in (0, 1):
            if c.nodes[end] > 0:
                at.setdefault(c.nodes[end], []).append((i, end))
    found = []
    for i, (c, length) in enumerate(zip(chains, lengths, strict=True)):
        sides = [
            _lone_side(line, [(chains[j], e) for j, e in at.get(node, []) if j != i], width)
            for line in lines
            if length < _SHARED * width and len(c.pixels) > 2 and _runs_along(line, c.pixels, width)
            for node in c.nodes
        ]
        pairs = zip(sides[::2], sides[1::2], strict=True)
        found.append(any(a * b < 0 for a, b in pairs))
    return found


def _lone_side(line: FloatArray, ends: list[tuple[_Chain, int]], width: float) -> float:
    """Return on which side of a line the one end stands that does not run along it; 0 if none.

    The line's own wall may end here.
    """
    leads = [_lead(c, e, width) for c, e in ends]
    lone = [lead for lead in leads if not _runs_along(line, lead, width)]
    if len(leads) > 2 or len(lone) != 1:
        return 0.0
    ahead = line[1] - line[0]
    return float((lone[0][-1] - line[0]) @ np.array([-ahead[1], ahead[0]]))


def _held(chain: _Chain, view: NDArray[np.float64]) -> float:
    """Return what the view holds along a chain, in the median."""
    rows, columns = chain.pixels.astype(int).T
    return float(np.median(view[rows, columns]))


def _moved(chain: _Chain, apart: float) -> _Chain:
    """Return a chain of its own beside another."""
    return _Chain(
        chain.pixels + apart * _left(chain.pixels), list(chain.nodes), list(chain.junctions), apart
    )


def _left(pixels: FloatArray) -> FloatArray:
    """Return the unit vector to the left of a chain's chord (rows, columns)."""
    ahead = pixels[-1] - pixels[0]
    return np.array([-ahead[1], ahead[0]]) / max(float(np.linalg.norm(ahead)), 1e-9)


def _middle_of(chain: _Chain, image: NDArray[np.float64]) -> float:
    """Return what an image holds along the middle third of a chain, in the median."""
    third = len(chain.pixels) // 3
    rows, columns = chain.pixels[third : len(chain.pixels) - third].astype(int).T
    return float(np.median(image[rows, columns]))


def _weighted_quantile(values: list[float], weights: list[float], share: float) -> float:
    order = np.argsort(values)
    total = np.cumsum(np.asarray(weights)[order])
    return (
        float(np.asarray(values)[order][np.searchsorted(total, share * total[-1])])
        if len(values)
        else 0.0
    )


def _joined(
    chains: list[_Chain], shared: list[_Chain], width: float, lines: FloatArray
) -> list[FloatArray]:
    """Join chains through junctions where they run on smoothly; return polylines."""
    at: dict[int, list[tuple[int, int]]] = {}
    for i, c in enumerate(chains):
        for end in (0, 1):
            if c.nodes[end] > 0:
                at.setdefault(c.nodes[end], []).append((i, end))
    partner: dict[tuple[int, int], tuple[int, int]] = {}
    for ends in at.values():
        along, ends = _along_lines(chains, ends, lines, width)
        for a, b in along + _pairs(chains, ends, shared, width):
            partner[a], partner[b] = b, a
    used: set[int] = set()
    paths = []
    # Begin where a path begins; what is left afterwards runs round in circles.
    beginnings = [(i, e) for i in range(len(chains)) for e in (0, 1) if (i, e) not in partner]
    for i, end in beginnings + [(i, 0) for i in range(len(chains))]:
        if i in used:
            continue
        pieces = []
        number, entry = i, end
        while number not in used:
            used.add(number)
            pixels = chains[number].pixels
            pieces.append(pixels if entry == 0 else pixels[::-1])
            leaving = (number, 1 - entry)
            following = partner.get(leaving)
            if following is None:
                break
            pieces += [
                _beside(c, forward, chains[number], 1 - entry)
                for c, forward in _between(
                    chains[number].junctions[1 - entry],
                    chains[following[0]].junctions[following[1]],
                    shared,
                )
            ]
            number, entry = following
        paths.append(np.concatenate(pieces))
    return paths


def _between(start: int, goal: int, shared: list[_Chain]) -> list[tuple[_Chain, bool]]:
    """Return the shared stretches that lead from one junction of a crossing to another.

    With each comes whether it is walked from its first end to its last.
    """
    routes: list[tuple[int, list[tuple[_Chain, bool]]]] = [(start, [])]
    reached = {start}
    while routes:
        at, pieces = routes.pop(0)
        if at == goal:
            return pieces
        for c in shared:
            for end in (0, 1):
                if c.junctions[end] == at and c.junctions[1 - end] not in reached:
                    reached.add(c.junctions[1 - end])
                    routes.append((c.junctions[1 - end], [*pieces, (c, end == 0)]))
    return []


def _beside(stretch: _Chain, forward: bool, arriving: _Chain, end: int) -> FloatArray:
    """Return a shared stretch as a wall runs through it that arrives by a chain's end."""
    pixels = stretch.pixels if forward else stretch.pixels[::-1]
    if stretch.apart == 0.0:
        return pixels
    side = _side(stretch, forward, arriving, end)
    return np.asarray(pixels + stretch.apart * side * _left(pixels))


def _side(stretch: _Chain, forward: bool, chain: _Chain, end: int) -> float:
    """Return on which side of a stretch, walked one way, a chain's end arrives or leaves: +-1."""
    pixels = stretch.pixels if forward else stretch.pixels[::-1]
    lead = chain.pixels if end == 0 else chain.pixels[::-1]
    off = lead[len(lead) // 2] - pixels.mean(axis=0)
    return 1.0 if off @ _left(pixels) > 0 else -1.0


def _along_lines(
    chains: list[_Chain], ends: list[tuple[int, int]], lines: FloatArray, width: float
) -> tuple[list[tuple[tuple[int, int], tuple[int, int]]], list[tuple[int, int]]]:
    """Return the ends of a junction paired along known straight walls, and the ends left over.

    A straight wall that ends at the junction takes part in no other wall.
    """
    if len(ends) < 3:
        return [], ends
    pairs = []
    left = list(ends)
    for line in lines:
        own = [
            (i, e)
            for i, e in left
            if _runs_along(line, _lead(chains[i], e, width, reach=_LONG_LEAD), width)
        ]
        if len(own) == 2:
            pairs.append((own[0], own[1]))
        if len(own) == 2 or (len(own) == 1 and len(left) % 2):
            left = [e for e in left if e not in own]
    return pairs, left


def _runs_along(line: FloatArray, lead: FloatArray, width: float) -> bool:
    """Whether a lead runs along a straight wall and lies on it."""
    ahead = line[1] - line[0]
    size = float(np.linalg.norm(ahead))
    ahead = ahead / size
    rest = lead - line[0]
    along, across = rest @ ahead, rest @ np.array([-ahead[1], ahead[0]])
    if (
        along.max() < -width
        or along.min() > size + width
        or np.abs(across).max() > _ON_LINE * width
    ):
        return False
    run = lead[-1] - lead[0]
    turn = abs(float(run @ ahead)) / max(float(np.linalg.norm(run)), 1e-9)
    return turn > math.cos(math.radians(_ALONG_DEG))


def _pairs(
    chains: list[_Chain], ends: list[tuple[int, int]], shared: list[_Chain], width: float
) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Return which chain ends at one junction belong to one path."""
    if len(ends) < 2:
        return []
    if len(ends) == 2:
        return [(ends[0], ends[1])]
    leads = [_lead(chains[i], e, width) for i, e in ends]
    cost = {
        (a, b): _roughness(leads[a], leads[b], width)
        for a, b in itertools.combinations(range(len(ends)), 2)
    }
    for a, b in cost:
        if _would_cross(chains, ends[a], ends[b], shared):
            rough, turn = cost[a, b]
            cost[a, b] = (rough + _NO_CROSSING, turn + 180.0)
    if len(ends) % 2 == 0 and len(ends) <= _MOST_MATCHED:
        best = min(
            _matchings(tuple(range(len(ends)))), key=lambda m: sum(cost[pair][0] for pair in m)
        )
        return [(ends[a], ends[b]) for a, b in best]
    taken: set[int] = set()
    found = []
    for (a, b), (_, turn) in sorted(cost.items(), key=lambda c: c[1][0]):
        if a in taken or b in taken or turn > _STRAIGHT_ON_DEG:
            continue
        taken |= {a, b}
        found.append((ends[a], ends[b]))
    return found


def _would_cross(
    chains: list[_Chain], a: tuple[int, int], b: tuple[int, int], shared: list[_Chain]
) -> bool:
    """Whether a path from one end to another would cross the wall beside it, or turn back."""
    start, goal = chains[a[0]].junctions[a[1]], chains[b[0]].junctions[b[1]]
    for one, other in ((a, b), (b, a)):
        stretch, meeting = chains[one[0]], chains[other[0]]
        if stretch.apart != 0.0:
            # Both twins end here: none goes on into the other, nor into the far side's wall.
            return meeting.apart != 0.0 or _side(stretch, True, meeting, other[1]) != math.copysign(
                1.0, stretch.apart
            )
    for stretch in shared:
        if stretch.apart == 0.0:
            continue
        if start == goal and start in stretch.junctions:
            return True
        if {start, goal} == set(stretch.junctions):
            near = _side(stretch, True, chains[a[0]], a[1])
            return near != _side(stretch, True, chains[b[0]], b[1])
    return False


def _matchings(ends: tuple[int, ...]) -> Iterator[list[tuple[int, int]]]:
    """Yield every way to pair all ends."""
    if not ends:
        yield []
        return
    first, rest = ends[0], ends[1:]
    for k, other in enumerate(rest):
        for pairs in _matchings(rest[:k] + rest[k + 1 :]):
            yield [(first, other), *pairs]


def _lead(chain: _Chain, end: int, width: float, *, reach: float = 2.0) -> FloatArray:
    """Return the pixels that lead away from a junction, clear of the junction itself, in widths."""
    pixels = chain.pixels if end == 0 else chain.pixels[::-1]
    first = min(int(0.5 * width), max(0, len(pixels) - 3))
    return pixels[first : first + max(4, int(reach * width))]


def _roughness(one: FloatArray, other: FloatArray, width: float) -> tuple[float, float]:
    """Return how badly a cubic runs through both leads (widths), and the turn between them."""
    points = np.concatenate([one[::-1], other])
    gap = float(np.linalg.norm(one[0] - other[0]))
    t = np.concatenate([-np.arange(len(one))[::-1] - 0.5 * gap, np.arange(len(other)) + 0.5 * gap])
    t = t / max(np.abs(t).max(), 1.0)
    degree = 3 if len(points) > 6 else 1
    rest = points - np.stack(
        [np.polyval(np.polyfit(t, points[:, k], degree), t) for k in (0, 1)], axis=1
    )
    before, after = one[0] - one[-1], other[-1] - other[0]
    norm = float(np.linalg.norm(before) * np.linalg.norm(after))
    cosine = float(before @ after) / norm if norm > 0 else 1.0
    turn = math.degrees(math.acos(min(1.0, max(-1.0, cosine))))
    return float(np.sqrt(np.mean(rest**2))) / width + 0.002 * turn, turn
