"""Volume above a level of polymer fraction, and the level that gives a wanted volume."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from volscan.kernels.sums import LEVEL_BINS, LEVEL_HIGH, LEVEL_LOW
from volscan.prepare.material import MaterialMap

FloatArray = NDArray[np.float64]

LEVELS: FloatArray = np.linspace(LEVEL_LOW, LEVEL_HIGH, LEVEL_BINS + 1)


def matched_level(material: MaterialMap, coverage: NDArray[np.float32], porosity: float) -> float:
    """Return the polymer fraction at which thresholded solid has the volume a porosity says.

    Parameters
    ----------
    material
        The material map.
    coverage
        Share of each voxel inside the envelope (z, y, x).
    porosity
        Porosity as a fraction, such as `Porosity.total.value`.

    Returns
    -------
    float
        The level; where a range of levels gives the same volume (a segmented scan), the one
        nearest to the map's own surface level. `Porosity.surface_level` holds the same number
        without another pass.

    Examples
    --------
    >>> matched_level(material, coverage, 0.91)  # doctest: +SKIP
    0.467
    """
    counts = np.zeros(LEVEL_BINS)
    for fraction, weight in zip(material.fraction, coverage, strict=True):
        part, _ = np.histogram(
            np.clip(fraction, LEVEL_LOW, LEVEL_HIGH),
            bins=LEVEL_BINS,
            range=(LEVEL_LOW, LEVEL_HIGH),
            weights=weight,
        )
        counts += part
    return level_of_volume(counts, porosity, near=material.level)


def share_above(counts: FloatArray, level: float) -> float:
    """Return the share of the volume whose fraction lies at or above a level."""
    above = np.concatenate([np.cumsum(counts[::-1])[::-1], [0.0]])
    return float(np.interp(level, LEVELS, above)) / float(above[0])


def level_of_volume(counts: FloatArray, porosity: float, *, near: float) -> float:
    """Return the level above which the share 1 - porosity lies, the nearest to `near`."""
    above = np.concatenate([np.cumsum(counts[::-1])[::-1], [0.0]])
    above /= above[0]
    wanted = min(max(1.0 - porosity, 0.0), 1.0)
    # Equal shares over a range of levels: anything within one part in 10^7 counts as equal.
    tolerance = 1e-7
    equal = np.flatnonzero(np.abs(above - wanted) <= tolerance)
    if equal.size:
        low, high = LEVELS[equal[0]], LEVELS[equal[-1]]
        return float(min(max(near, low), high))
    k = int(np.searchsorted(-above, -wanted))
    step = above[k - 1] - above[k]
    return float(LEVELS[k - 1] + (above[k - 1] - wanted) / step * (LEVELS[k] - LEVELS[k - 1]))
