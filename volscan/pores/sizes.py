"""The inscribed-sphere distribution: how large a sphere each point of the pores can lie in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.kernels.spheres import paint_spheres
from volscan.pores.solid import Solid

F32 = NDArray[np.float32]

# Fine bins from which quantiles are read: a thousandth of the largest diameter and finer.
FINE_BINS = 8192
HISTOGRAM_BINS = 40


@dataclass(frozen=True)
class Sizes:
    """Volume-weighted sizes in µm; `histogram` rows hold (upper edge, share of pore volume)."""

    mean_um: float
    sd_um: float
    d10_um: float
    d50_um: float
    d90_um: float
    largest_um: float
    histogram: NDArray[np.float64]


def inscribed_diameters(
    solid: Solid, radius_um: F32, offsets: NDArray[np.int8], *, coverage: F32 | None
) -> F32:
    """Return the inscribed-sphere diameter of each pore voxel in µm (z, y, x), 0 elsewhere.

    The diameter at a point is that of the largest sphere that contains it and fits in the pore
    space. Only solid limits a sphere, also solid outside the envelope; its centre's voxel lies in
    the envelope by at least half.
    """
    pore = solid.dist_um > 0
    allowed = radius_um
    if coverage is not None:
        pore &= coverage > 0
        allowed = np.where(coverage >= np.float32(0.5), radius_um, np.float32(0))
    return paint_spheres(allowed, offsets, spacing_um=solid.spacing_um, pore=pore)


def distribution(diameters_um: F32, *, coverage: F32 | None) -> Sizes | None:
    """Sum the diameters up, each voxel weighted by its share inside the envelope."""
    largest = float(diameters_um.max(initial=0.0))
    if largest <= 0:
        return None
    fine = np.zeros(FINE_BINS + 1)
    total = first = second = 0.0
    for z in range(diameters_um.shape[0]):
        here = diameters_um[z] > 0
        d = diameters_um[z][here].astype(np.float64)
        w = np.ones(d.size) if coverage is None else coverage[z][here].astype(np.float64)
        total += w.sum()
        first += (w * d).sum()
        second += (w * d * d).sum()
        fine += np.bincount(
            np.ceil(d * (FINE_BINS / largest)).astype(np.int64).clip(0, FINE_BINS),
            weights=w,
            minlength=FINE_BINS + 1,
        )
    if total <= 0:
        return None
    mean = first / total
    share = np.cumsum(fine) / total
    edges = np.arange(FINE_BINS + 1) * (largest / FINE_BINS)
    d10, d50, d90 = (float(edges[np.searchsorted(share, q - 1e-12)]) for q in (0.1, 0.5, 0.9))
    coarse = np.linspace(0, largest, HISTOGRAM_BINS + 1)
    below = np.interp(coarse, edges, share)
    histogram = np.column_stack([coarse[1:], np.diff(below)])
    histogram.flags.writeable = False
    sd = float(np.sqrt(max(second / total - mean**2, 0.0)))
    return Sizes(float(mean), sd, d10, d50, d90, largest, histogram)
