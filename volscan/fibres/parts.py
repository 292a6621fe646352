"""Scaffolds that stand apart in one scan: walls of one direction, but not of one pitch."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from volscan.fibres.gather import MOST_FAMILIES, FamilyTrack, WallTrack
from volscan.geometry import FloatArray

# Walls this many diameters apart in plan view belong together: they cross or touch.
_TOUCH = 0.75
# A part has walls of two directions, and at least this many of each.
_FEWEST_WALLS = 2


def by_part(families: list[FamilyTrack]) -> list[FamilyTrack]:
    """Split families whose walls stand in scaffolds apart from each other.

    Walls that cross belong to one scaffold. Where at least two scaffolds of two directions each
    stand in the scan, each one's walls are families of their own, so that pitches are not mixed;
    a wall that crosses none goes to the scaffold nearest to it.

    Parameters
    ----------
    families
        Families; curved ones are left as they are, and the straight ones beside them.

    Returns
    -------
    list
        The families, split; as they were where there is one scaffold.
    """
    walls = [(j, w) for j, f in enumerate(families) for w in f.walls]
    if len(families) < 2 or any(f.curved for f in families):
        return families
    diameter = 2.0 * float(np.median([w.radius_um.mean() for _, w in walls]))
    places = [_places(families[j], w, diameter) for j, w in walls]
    owner = np.repeat(np.arange(len(walls)), [len(p) for p in places])
    tree = cKDTree(np.concatenate(places))
    pairs = owner[tree.query_pairs(_TOUCH * diameter, output_type="ndarray")]
    graph = coo_array(
        (np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(walls), len(walls))
    )
    count, part = connected_components(graph, directed=False)
    family = np.array([j for j, _ in walls])
    scaffolds = [k for k in range(count) if _is_scaffold(family[part == k])]
    if len(scaffolds) < 2:
        return families
    for k in set(range(count)) - set(scaffolds):
        part[part == k] = _nearest(places, part, k, scaffolds)
    split = [
        replace(
            f, walls=tuple(w for (i, w), p in zip(walls, part, strict=True) if (i, p) == (j, k))
        )
        for j, f in enumerate(families)
        for k in scaffolds
    ]
    split = [f for f in split if f.walls]
    return split if len(split) <= MOST_FAMILIES else families


def _places(family: FamilyTrack, wall: WallTrack, step_um: float) -> FloatArray:
    """Return places (m, 3) along a wall at its middle height."""
    axes, height = family.axes, 0.5 * float(wall.height_um[0] + wall.height_um[-1])
    count = max(2, int((wall.end_um - wall.start_um) / (0.5 * step_um)) + 1)
    along = np.linspace(wall.start_um, wall.end_um, count)
    across = wall.position_um + wall.slope * height
    # In plan view: where families lie at different heights they cross all the same.
    return np.asarray(along[:, None] * axes.along + across * axes.across)


def _is_scaffold(families: NDArray[np.int64]) -> bool:
    _, counts = np.unique(families, return_counts=True)
    return int(np.sum(counts >= _FEWEST_WALLS)) >= 2


def _nearest(places: list[FloatArray], part: NDArray[np.int32], own: int, others: list[int]) -> int:
    mine = np.concatenate([p for p, k in zip(places, part, strict=True) if k == own])
    gaps = [
        cKDTree(np.concatenate([p for p, k in zip(places, part, strict=True) if k == other]))
        .query(mine)[0]
        .min()
        for other in others
    ]
    return others[int(np.argmin(gaps))]
