"""Painting spheres over the pores, on fewer nodes where the grid is very large."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.kernels.peaks import thinned_spheres
from volscan.kernels.spheres import paint_spheres
from volscan.pores.solid import EXACT_VOXELS, merged

F32 = NDArray[np.float32]


@dataclass(frozen=True)
class Painted:
    """Diameter of the largest sphere over each node in µm, and the pore volume a node stands for.

    Both are arrays (z, y, x); the weights are relative.
    """

    diameters_um: F32
    weights: F32 | NDArray[np.bool_]


def painting_factor(shape: tuple[int, ...]) -> int:
    """Return the edge of the cubes, in voxels, that bring a grid down to 256³ nodes."""
    factor = 1
    while math.prod(-(-n // factor) for n in shape) > EXACT_VOXELS:
        factor += 1
    return factor


def painted(
    radius_um: F32,
    offsets: NDArray[np.int8],
    *,
    spacing_um: tuple[float, float, float],
    pore: NDArray[np.bool_],
    coverage: F32 | None,
    factor: int,
) -> Painted:
    """Paint the largest sphere over each pore voxel.

    Parameters
    ----------
    radius_um, offsets
        The largest sphere centred in each voxel's box; 0 where none is allowed.
    spacing_um
        Voxel spacing.
    pore
        Voxels to be painted.
    coverage
        Share of each voxel inside the envelope; None for all.
    factor
        1 paints every voxel exactly. Above, each cube of so many voxels along its edge keeps its
        largest sphere, at full precision, and is painted at its centre.
    """
    if factor == 1:
        diameters = paint_spheres(radius_um, offsets, spacing_um=spacing_um, pore=pore)
        weights = pore if coverage is None else np.where(pore, coverage, np.float32(0))
        return Painted(diameters, weights)
    full = pore if coverage is None else np.where(pore, coverage, np.float32(0))
    weights = merged(full, (factor, factor, factor))
    radius, places = thinned_spheres(radius_um, offsets, factor=factor)
    hz, hy, hx = (s * factor for s in spacing_um)
    diameters = paint_spheres(radius, places, spacing_um=(hz, hy, hx), pore=weights > 0)
    return Painted(diameters, weights)
