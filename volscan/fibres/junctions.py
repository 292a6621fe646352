"""Which ends of a network belong together where walls cross, and the paths they make.

Of all ways to pair the ends at a crossing the smoothest is taken; where a straight wall is known to
run on, its two ends come first.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import numpy as np

from volscan.fibres.chains import Chain, ends_at_nodes, lead_of, left_of, runs_along
from volscan.geometry import FloatArray

# Weighs against pairs that would cross where walls run side by side: more than any roughness.
_NO_CROSSING = 100.0
# Sharpest turn of a path that runs on past a wall's end which meets it, degrees.
_STRAIGHT_ON_DEG = 35.0
# Junctions with up to this many ends try all 105 pairings.
_MOST_MATCHED = 8
# A wall that only slants across a known straight one has left it after so many widths.
_LONG_LEAD = 6.0


def joined(
    chains: list[Chain], shared: list[Chain], width: float, lines: FloatArray
) -> list[FloatArray]:
    """Join chains through junctions where they run on smoothly; return polylines."""
    partner: dict[tuple[int, int], tuple[int, int]] = {}
    for ends in ends_at_nodes(chains).values():
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


def _between(start: int, goal: int, shared: list[Chain]) -> list[tuple[Chain, bool]]:
    """Return the shared stretches that lead from one junction of a crossing to another.

    With each comes whether it is walked from its first end to its last.
    """
    routes: list[tuple[int, list[tuple[Chain, bool]]]] = [(start, [])]
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


def _beside(stretch: Chain, forward: bool, arriving: Chain, end: int) -> FloatArray:
    """Return a shared stretch as a wall runs through it that arrives by a chain's end."""
    pixels = stretch.pixels if forward else stretch.pixels[::-1]
    if stretch.apart == 0.0:
        return pixels
    side = _side(stretch, forward, arriving, end)
    return np.asarray(pixels + stretch.apart * side * left_of(pixels))


def _side(stretch: Chain, forward: bool, chain: Chain, end: int) -> float:
    """Return on which side of a stretch, walked one way, a chain's end arrives or leaves: +-1."""
    pixels = stretch.pixels if forward else stretch.pixels[::-1]
    lead = chain.pixels if end == 0 else chain.pixels[::-1]
    off = lead[len(lead) // 2] - pixels.mean(axis=0)
    return 1.0 if off @ left_of(pixels) > 0 else -1.0


def _along_lines(
    chains: list[Chain], ends: list[tuple[int, int]], lines: FloatArray, width: float
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
            if runs_along(line, lead_of(chains[i], e, width, reach=_LONG_LEAD), width)
        ]
        if len(own) == 2:
            pairs.append((own[0], own[1]))
        if len(own) == 2 or (len(own) == 1 and len(left) % 2):
            left = [e for e in left if e not in own]
    return pairs, left


def _pairs(
    chains: list[Chain], ends: list[tuple[int, int]], shared: list[Chain], width: float
) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Return which chain ends at one junction belong to one path."""
    if len(ends) < 2:
        return []
    if len(ends) == 2:
        return [(ends[0], ends[1])]
    leads = [lead_of(chains[i], e, width) for i, e in ends]
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
    chains: list[Chain], a: tuple[int, int], b: tuple[int, int], shared: list[Chain]
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
