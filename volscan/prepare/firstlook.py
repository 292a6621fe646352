"""The first look at a CT scan: roughly what is air, what is solid, and how thick it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import cc3d
import edt
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter
from scipy.signal import find_peaks

from volscan.errors import NothingToMeasureError
from volscan.kernels.filters import TRUNCATE_SIGMAS, smooth

# Width of the smoothing with which solid is first told from air, in voxels: enough to bring the
# noise of a contrast-to-noise ratio of 4 below a tenth of the contrast.
FIRST_SMOOTHING_VOX = 1.0
# A cluster of fewer smoothed voxels than this is noise, not a piece of a scaffold.
_SMALLEST_SOLID_VOX = 64
# Voxels deeper than this inside solid show the polymer's own grey value (2.4 standard deviations
# of a point spread of 3 voxels FWHM); outside, air is taken from beyond twice this distance.
DEEP_VOX = 3.0


class AirPeak(NamedTuple):
    """Grey value of air and the standard deviation of its noise."""

    air: float
    noise: float


@dataclass(frozen=True)
class FirstLook:
    """Grey values of air and polymer as first guessed, and (z, y, x) bool what is solid."""

    air: float
    noise_smoothed: float
    polymer: float
    solid: NDArray[np.bool_]


def air_peak(smoothed: NDArray[np.float32], plate: NDArray[np.bool_] | None = None) -> AirPeak:
    """Return the grey value of air and its noise in the smoothed scan, `plate` left out."""
    step = max(1, round((smoothed.size / 4e6) ** (1 / 3)))
    every = (slice(None, None, step),) * 3
    sample = smoothed[every].ravel() if plate is None else smoothed[every][~plate[every]]
    sample = sample.astype(np.float64)
    low, high = np.percentile(sample, [0.05, 99.95])
    if not high > low:
        low, high = float(sample.min()), float(smoothed.max())
    if not high > low:
        raise NothingToMeasureError("the scan is constant: it holds nothing to measure")
    counts, edges = np.histogram(sample, bins=512, range=(low, high))
    centres = 0.5 * (edges[1:] + edges[:-1])
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2)
    heights = np.convolve(counts, kernel / kernel.sum(), mode="same")
    # Air is the lowest peak that stands out by a fair share: the counts' own wiggles on the flank
    # of a broad peak of noise do not.
    padded = np.concatenate([[0.0], heights, [0.0]])
    candidates, _ = find_peaks(padded, prominence=0.15 * float(heights.max()))
    air = float(centres[candidates[0] - 1])
    below = sample[sample <= air]
    noise = float(np.sqrt(np.mean((below - air) ** 2))) if below.size else 0.0
    return AirPeak(air, max(noise, 0.5 * float(edges[1] - edges[0]) / math.sqrt(3.0)))


def first_look(smoothed: NDArray[np.float32], plate: NDArray[np.bool_] | None = None) -> FirstLook:
    """Tell solid from air in the smoothed scan, roughly."""
    air, noise = air_peak(smoothed, plate)
    bright = smoothed > np.float32(air + 5.0 * noise)
    values = smoothed[bright][:: max(1, int(bright.sum() / 2e6))]
    if values.size < _SMALLEST_SOLID_VOX:
        raise NothingToMeasureError("no solid found: nothing in the scan stands out from its noise")
    polymer = float(np.percentile(values, 95.0))
    solid = smoothed > np.float32(0.5 * (air + polymer))
    if plate is not None:
        solid &= ~plate
    cc3d.dust(solid, threshold=_SMALLEST_SOLID_VOX, connectivity=26, in_place=True)
    if not solid.any():
        raise NothingToMeasureError(
            "no solid found: bright voxels are scattered like noise, nothing hangs together"
        )
    return FirstLook(air, noise, polymer, np.asarray(solid, dtype=np.bool_))


def far_from(solid: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the voxels that lie farther from any solid than blur reaches."""
    # A kernel cut at four of its standard deviations gathers exactly nothing beyond them.
    sigma = 2.0 * DEEP_VOX / TRUNCATE_SIGMAS
    return np.asarray(smooth(solid.astype(np.float32), sigma_vox=(sigma,) * 3) <= 0.0)


def typical_thickness_um(
    solid: NDArray[np.bool_], depth: NDArray[np.float32], spacing_um: tuple[float, float, float]
) -> float:
    """Return twice the usual depth of mid-line voxels, read off slabs spread over the scan.

    Voxels count by their depth squared, as the volume about them does: the many small ridges that
    noise draws on a surface would halve the median.
    """
    finest = min(spacing_um)
    if max(spacing_um) > finest:
        depth = edt.edt(
            solid,
            anisotropy=tuple(s / finest for s in spacing_um),
            black_border=False,
            parallel=2,
        )
    ridges = []
    for k in np.unique(np.linspace(1, depth.shape[0] - 2, num=24, dtype=int)):
        slab = depth[k - 1 : k + 2]
        peak = np.asarray(maximum_filter(slab, size=3, mode="nearest"))[1]
        middle = slab[1]
        ridges.append(middle[(middle > 0.9) & (middle >= peak)])
    values = np.sort(np.concatenate(ridges)) if ridges else np.empty(0)
    if values.size == 0:
        return finest
    weight = np.cumsum(values.astype(np.float64) ** 2)
    usual = float(values[np.searchsorted(weight, 0.5 * weight[-1])])
    return (2.0 * usual - 0.5) * finest
