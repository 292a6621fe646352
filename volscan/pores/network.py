"""Pore bodies and the throats between them, as a network."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.kernels.bodies import Bodies, split_bodies
from volscan.pores.reach import fewer_nodes
from volscan.pores.solid import SPECK_VOXELS
from volscan.pores.throats import LEVELS, Crossings, DomainGrid, whole_levels

F32 = NDArray[np.float32]

# A throat of nine tenths of the smaller body is a ripple of its wall, not a neck: the crossings of
# a wall's layers leave cavities of sqrt(s² + h²) - d over throats of s - d, and those are one pore
# of the pattern (0.93 at s = 3 d, h = d), while spheres packed as closely as can be leave 0.69.
SAME_BODY = 0.9
# Toward a contact of two fibres the crevice narrows steadily, but its spheres, one a node, go up
# and down by about a node's distance in radius: that makes no body.
RIPPLE_STEPS = 1.0
# More nodes would make bodies no better: cubes of nodes keep their largest sphere.
MOST_NODES = 4_000_000


@dataclass(frozen=True)
class PoreBody:
    """A pore body: middle of its largest sphere in build coordinates, sizes, neighbours.

    `coordination` counts throats to other bodies; a body that is `cut` touches a face of the
    domain, so that its volume and neighbours are those of the part inside.
    """

    centre_um: tuple[float, float, float]
    volume_um3: float
    inscribed_diameter_um: float
    equivalent_diameter_um: float
    coordination: int
    cut: bool


@dataclass(frozen=True)
class PoreThroat:
    """A throat between two bodies, by their places in the list.

    Parameters
    ----------
    bodies
        The two bodies it joins.
    centre_um
        Its place in build coordinates.
    diameter_um
        Largest sphere that passes it.
    length_um
        From the one body's largest sphere through the throat to the other's, in straight lines; 0
        where the spheres reach beyond it.
    """

    bodies: tuple[int, int]
    centre_um: tuple[float, float, float]
    diameter_um: float
    length_um: float


@dataclass(frozen=True)
class PoreNetwork:
    """Bodies by falling inscribed diameter, and throats between them."""

    bodies: tuple[PoreBody, ...]
    throats: tuple[PoreThroat, ...]


def find_network(crossings: Crossings, grid: DomainGrid) -> PoreNetwork:
    """Split the domain's pore space at its throats.

    Parameters
    ----------
    crossings
        The largest sphere in the box of each node.
    grid
        The domain.

    Returns
    -------
    PoreNetwork
        Empty where the domain holds no pore.
    """
    radius, steps = fewer_nodes(crossings.radius_um, crossings.steps_um, most=MOST_NODES)
    widest = float(radius.max(initial=0.0))
    if widest <= 0:
        return PoreNetwork((), ())
    unit = widest / LEVELS
    level = whole_levels(radius, unit)
    found = split_bodies(level, ratio=SAME_BODY, least=int(RIPPLE_STEPS * min(steps) / unit))
    found = without_crumbs(found)
    count = found.peaks.size
    # Nodes stand for boxes; those that are partly solid count whole or not at all.
    volumes = np.bincount(found.labels.ravel(), minlength=count + 1)[1:] * math.prod(steps)
    cut = np.zeros(count + 1, bool)
    for axis in range(3):
        for end in (0, -1):
            cut[np.unique(found.labels.take(end, axis=axis))] = True
    flat = radius.reshape(-1)
    peaks = _places(found.peaks, level.shape, grid, steps)
    ends = found.pairs - 1
    neighbours = np.bincount(ends.ravel(), minlength=count)
    bodies = tuple(
        PoreBody(
            _triple(peaks[k]),
            float(volumes[k]),
            2 * float(flat[found.peaks[k]]),
            (6 * float(volumes[k]) / math.pi) ** (1 / 3),
            int(neighbours[k]),
            bool(cut[k + 1]),
        )
        for k in range(count)
    )
    middles = _places(found.places, level.shape, grid, steps)
    throats = []
    for (a, b), at, middle in zip(ends, found.places, middles, strict=True):
        way = sum(float(np.linalg.norm(middle - peaks[k])) for k in (a, b))
        inside = sum(float(flat[found.peaks[k]]) for k in (a, b))
        throats.append(
            PoreThroat(
                (int(a), int(b)), _triple(middle), 2 * float(flat[at]), max(way - inside, 0.0)
            )
        )
    return PoreNetwork(bodies, tuple(throats))


def without_crumbs(found: Bodies) -> Bodies:
    """Return the bodies without clusters of a few nodes that nothing joins: crevices."""
    count = found.peaks.size
    nodes = np.bincount(found.labels.ravel(), minlength=count + 1)[1:]
    joined = np.bincount((found.pairs - 1).ravel(), minlength=count) > 0
    kept = joined | (nodes >= SPECK_VOXELS)
    number = np.zeros(count + 1, np.int32)
    number[1:][kept] = np.arange(int(kept.sum())) + 1
    return Bodies(number[found.labels], found.peaks[kept], number[found.pairs], found.places)


def _places(
    flat: NDArray[np.int64],
    shape: tuple[int, ...],
    grid: DomainGrid,
    steps_um: tuple[float, float, float],
) -> NDArray[np.float64]:
    nodes = np.column_stack(np.unravel_index(flat, shape)).astype(np.float64) + 0.5
    return grid.to_build(nodes, steps_um)


def _triple(p: NDArray[np.float64]) -> tuple[float, float, float]:
    return float(p[0]), float(p[1]), float(p[2])
