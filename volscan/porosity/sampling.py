"""What another piece of the same print would give: the spread over resampled blocks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_RESAMPLES = 1000
_SEED = 19  # any fixed number: the same scan must give the same digits
_LEAST_BLOCKS = 6


def spread_of_blocks(polymer: NDArray[np.float64], volume: NDArray[np.float64]) -> float | None:
    """Return the standard deviation of porosity over resampled blocks; None with too few.

    `polymer`, `volume`: each block's polymer and volume, of any shape.
    """
    used = volume.ravel() > 0
    volume, polymer = volume.ravel()[used], polymer.ravel()[used]
    if volume.size < _LEAST_BLOCKS:
        return None
    rng = np.random.default_rng(_SEED)
    picks = rng.integers(0, volume.size, size=(_RESAMPLES, volume.size))
    solid = polymer[picks].sum(axis=1) / volume[picks].sum(axis=1)
    return float(solid.std(ddof=1))
