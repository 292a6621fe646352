"""Which measured wall is which true one: by direction and place, never by number.

A wall that was missed or found twice then costs itself alone and not the comparison of all others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment

Json = dict[str, Any]

# Walls of one family differ by a degree; the closest families of the list cross at 60 degrees.
_SAME_DIRECTION_DEG = 10.0
# Nearer than half-way to the neighbouring wall, with a margin.
_SAME_PLACE = 0.4


@dataclass(frozen=True)
class Pair:
    """A measured wall and its true one; `sense` is -1 where their directions run opposite."""

    measured: Json
    true: Json
    sense: float


def match_walls(document: Json, truth: Json, paths_um: list[list[list[float]]]) -> list[Pair]:
    """Pair the walls of a results document with those of a truth.

    Parameters
    ----------
    document, truth
        `Results.to_dict()` and a phantom's truth.
    paths_um
        Each measured wall's path in plan view (n, 2), in the order of the walls.

    Returns
    -------
    Pairs in the order of the truth; each wall occurs once at most.
    """
    walls, true_walls = document["walls"] or [], truth["walls"]
    if not walls or not true_walls:
        return []
    moved = _tube_shift(document["frame"], truth["frame"]) if truth.get("tube") else None
    far = 1e9
    cost = np.full((len(true_walls), len(walls)), far)
    senses = np.ones_like(cost)
    for i, t in enumerate(true_walls):
        reach = _SAME_PLACE * (truth["fibres"]["families"][t["family"]]["spacing_um"] or math.inf)
        for j, w in enumerate(walls):
            turned = w["direction_deg"] - t["direction_deg"]
            half_turns = round(turned / 180.0)
            if abs(turned - 180.0 * half_turns) > _SAME_DIRECTION_DEG:
                continue
            senses[i, j] = -1.0 if half_turns % 2 else 1.0
            if moved is None:
                away = abs(senses[i, j] * w["position_um"] - t["position_um"])
                if not _beside(t, paths_um[j]):
                    continue
            else:
                pitch = truth["fibres"]["families"][t["family"]]["pitch_um"]
                away = _away_on_tube(w, t, moved, truth["frame"]["radius_um"], pitch)
            if away <= reach:
                cost[i, j] = away
    rows, columns = linear_sum_assignment(cost)
    return [
        Pair(walls[j], true_walls[i], float(senses[i, j]))
        for i, j in zip(rows, columns, strict=True)
        if cost[i, j] < far
    ]


def match_families(document: Json, truth: Json, pairs: list[Pair]) -> dict[int, Json]:
    """Return for each true family the measured one that holds most of its walls."""
    votes: dict[int, list[int]] = {}
    for pair in pairs:
        votes.setdefault(pair.true["family"], []).append(pair.measured["family"])
    families = {f["id"]: f for f in document["fibres"]["families"] or []}
    return {true: families[max(own, key=own.count)] for true, own in sorted(votes.items())}


def station_places_um(pair: Pair, path_um: list[list[float]]) -> list[float]:
    """Return where each station of a wall's `tilt_along` lies along the true wall.

    Stations are told from the first one on and lie evenly about the middle of the wall's path,
    whose place in the build frame is known.
    """
    s = np.array([row[0] for row in pair.measured["tilt_along"]])
    middle = _middle_along(pair.true["direction_deg"], path_um)
    return list(middle + pair.sense * (s - (s[0] + s[-1]) / 2))


def _beside(true: Json, path_um: list[list[float]]) -> bool:
    """Whether a path lies along the true wall and not beyond its ends (another part's wall)."""
    ends = [s for s, _ in true.get("tilt_along") or []]
    if not ends or not path_um:
        return True
    low, high = min(ends), max(ends)
    return bool(low <= _middle_along(true["direction_deg"], path_um) <= high)


def _middle_along(direction_deg: float, path_um: list[list[float]]) -> float:
    a = math.radians(direction_deg)
    along = np.array(path_um) @ [math.cos(a), math.sin(a)]
    return float(along.min() + along.max()) / 2


def _tube_shift(frame: Json, true: Json) -> tuple[float, float] | None:
    """Return what to add to true (X, angle in radians) of a tube for those of a measured frame."""
    if frame["kind"] != "mandrel":
        return None
    axis, across = (np.array(frame[k])[::-1] for k in ("axis", "across"))
    x = float((np.array(true["origin_um"]) - frame["origin_um"])[::-1] @ axis)
    there = np.array(true["across"])[::-1]
    # y = h × x, and h is `across` where Y is 0.
    angle = math.atan2(float(there @ np.cross(across, axis)), float(there @ across))
    return x, angle


def _away_on_tube(
    wall: Json,
    true: Json,
    moved: tuple[float, float],
    radius_um: float,
    pitch_um: float | None,
) -> float:
    """Distance of two stacks along the family's normal at mean radius, modulo a full turn."""
    # The direction told is a mean over the fibres, each at its own radius.
    a = 0.0 if pitch_um is None else math.atan(2 * math.pi * radius_um / pitch_um)
    if true["direction_deg"] > 90.0:
        a = math.pi - a
    turn = 2 * math.pi * radius_um * abs(math.cos(a))
    expected = true["position_um"] - math.sin(a) * moved[0]
    expected += math.cos(a) * moved[1] * radius_um
    away = wall["position_um"] - expected
    return float(abs((away + turn / 2) % turn - turn / 2))
