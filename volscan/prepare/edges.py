"""The blur of a scan, from the slope of its edges."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.prepare.firstlook import FIRST_SMOOTHING_VOX

FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))


def edge_blur_vox(smoothed: NDArray[np.float32], air: float, polymer: float) -> float | None:
    """Return the standard deviation of the point spread, in voxels, from the slope of edges.

    A straight edge blurred by a Gaussian has the greatest slope contrast / (σ √(2π)).
    """
    level = 0.5 * (air + polymer)
    span = polymer - air
    z = np.linspace(1, smoothed.shape[0] - 2, num=min(24, smoothed.shape[0] - 2), dtype=int)
    slopes: list[NDArray[Any]] = []
    for k in np.unique(z):
        slab = smoothed[k - 1 : k + 2]
        dz = 0.5 * (slab[2] - slab[0])[1:-1, 1:-1]
        dy = 0.5 * (slab[1][2:, 1:-1] - slab[1][:-2, 1:-1])
        dx = 0.5 * (slab[1][1:-1, 2:] - slab[1][1:-1, :-2])
        edge = np.abs(slab[1][1:-1, 1:-1] - level) < 0.1 * span
        if edge.any():
            slopes.append(np.sqrt(dz**2 + dy**2 + dx**2)[edge])
    if not slopes:
        return None
    slope = float(np.median(np.concatenate(slopes)))
    if slope <= 0:
        return None
    variance = (span / (slope * math.sqrt(2.0 * math.pi))) ** 2
    variance -= FIRST_SMOOTHING_VOX**2 + 1.0 / 12.0
    return math.sqrt(max(variance, 0.05**2))
