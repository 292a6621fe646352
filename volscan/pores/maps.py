"""Small maps of the pore space in its domain, kept for pictures only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.pores.solid import Solid
from volscan.pores.throats import DomainGrid

F32 = NDArray[np.float32]

# Enough for a picture across a page; a measurement is never taken from these.
MOST_NODES = 110**3


@dataclass(frozen=True)
class PoreMaps:
    """Maps over the domain (h, y, x), float32, 0 in solid.

    Parameters
    ----------
    diameter_um
        Largest sphere that holds each point.
    probe_um
        Largest probe from outside that can cover each point.
    steps_um
        Distance of the nodes along h, y, x; the first lies half of it inside the domain's corner.
    """

    diameter_um: NDArray[np.float32]
    probe_um: NDArray[np.float32]
    steps_um: tuple[float, float, float]


def pore_maps(grid: DomainGrid, solid: Solid, diameter_um: F32, probe_um: F32) -> PoreMaps:
    """Sample painted maps at the nodes of a coarse grid in the domain: the nearest node's value.

    Parameters
    ----------
    grid
        The domain.
    solid
        The solid, for where the working grid lies.
    diameter_um, probe_um
        Painted on the working grid, or on cubes of it.
    """
    size = np.array(grid.domain.size_um)[::-1]
    step = max(max(solid.spacing_um), (float(np.prod(size)) / MOST_NODES) ** (1 / 3))
    counts = np.maximum(1, np.rint(size / step)).astype(int)
    steps = size / counts
    found = []
    for values in (diameter_um, probe_um):
        factor = max(round(n / m) for n, m in zip(solid.fraction.shape, values.shape, strict=True))
        spacing = np.asarray(solid.spacing_um) * factor
        start = solid.origin_um + 0.5 * (factor - 1) * np.asarray(solid.spacing_um)
        out = np.zeros(tuple(counts), np.float32)
        y, x = np.meshgrid(
            (np.arange(counts[1]) + 0.5) * steps[1],
            (np.arange(counts[2]) + 0.5) * steps[2],
            indexing="ij",
        )
        for k in range(counts[0]):
            h = (k + 0.5) * steps[0]
            at = grid.corner_um + h * grid.axes[0] + y[..., None] * grid.axes[1]
            at = at + x[..., None] * grid.axes[2]
            # Halves always go up: rounding them to even would take every other node twice.
            index = np.floor((at - start) / spacing + 0.5).astype(np.intp)
            index = index.clip(0, np.array(values.shape) - 1)
            out[k] = values[tuple(np.moveaxis(index, -1, 0))]
        found.append(out)
    a, b, c = (float(s) for s in steps)
    return PoreMaps(found[0], found[1], (a, b, c))
