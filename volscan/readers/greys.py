"""Looking at the samples themselves, slab by slab: are they a scan that can be measured?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError
from volscan.quantity import Notice
from volscan.volume import Volume

# Voxels looked at together: 16 Mi keep the working copies under about 200 MB.
_SLAB_VOXELS = 1 << 24
# Bins of the histogram of samples that are not 8- or 16-bit integers.
_BINS = 1 << 16

# The rules below are common practice, no published source.
# A scan that stands at its two extremes with this share of all voxels is a mask with soft edges.
NEARLY_TWO_VALUED = 0.95
# Of the voxels brighter than mid-range, the share at the largest value above which the polymer's
# grey value is lost (refused), or touched (a notice). Contrast stretching in viewers clips 0.35 %
# of all voxels, which is some percent of the bright ones in an open scaffold.
SATURATED = 0.5
TOUCHED = 0.05
# Share of all voxels at the smallest value that says that air was cut off or set to a constant.
CUT_OFF = 0.05


@dataclass(frozen=True)
class GreyStatistics:
    """Counts over all samples of a scan.

    `edges` (n + 1) and `counts` (n) are a histogram; for 8- and 16-bit integers each bin is one
    value and everything derived from it is exact. `at_low` and `at_high` count the voxels at the
    smallest and largest finite value, `bright` those above the middle of the two. `levels` is the
    number of distinct values, None where it was not counted (more than two).
    """

    voxels: int
    nan: int
    infinite: int
    low: float
    high: float
    at_low: int
    at_high: int
    bright: int
    levels: int | None
    edges: NDArray[np.float64]
    counts: NDArray[np.int64]

    def percentile(self, percent: float) -> float:
        """Return the grey value below which that percentage of the voxels lies (bin centre)."""
        rank = percent / 100 * self.counts.sum()
        index = int(np.searchsorted(np.cumsum(self.counts), rank))
        index = min(index, len(self.counts) - 1)
        return float((self.edges[index] + self.edges[index + 1]) / 2)


def slabs(samples: NDArray[Any]) -> Iterator[NDArray[Any]]:
    """Yield runs of whole slices of at most about 16 Mi voxels."""
    step = max(1, _SLAB_VOXELS // max(1, samples[0].size))
    for z in range(0, len(samples), step):
        yield samples[z : z + step]


def grey_statistics(samples: NDArray[Any]) -> GreyStatistics:
    """Count the grey values (z, y, x) of a scan.

    Notes
    -----
    Memory beside the input: about 200 MB. 8- and 16-bit integers take one pass, others two.
    """
    if samples.dtype == np.bool_:
        samples = samples.view(np.uint8)
    if samples.dtype.kind in "ui" and samples.dtype.itemsize <= 2:
        return _counted(samples)
    return _binned(samples)


def _counted(samples: NDArray[Any]) -> GreyStatistics:
    info = np.iinfo(samples.dtype)
    table = np.zeros(info.max - info.min + 1, np.int64)
    unsigned = samples.dtype.str.replace("i", "u")
    for slab in slabs(samples):
        # A signed value seen as unsigned is the value modulo the range: rolled back below.
        table += np.bincount(np.ravel(slab).view(unsigned), minlength=len(table))
    if info.min < 0:
        table = np.roll(table, -info.min)
    present = np.flatnonzero(table)
    first, last = int(present[0]), int(present[-1])
    counts = table[first : last + 1]
    low, high = first + info.min, last + info.min
    middle = (first + last) / 2
    return GreyStatistics(
        samples.size,
        0,
        0,
        float(low),
        float(high),
        int(table[first]),
        int(table[last]),
        int(table[int(np.floor(middle)) + 1 :].sum()),
        len(present),
        np.arange(low, high + 2, dtype=np.float64) - 0.5,
        counts,
    )


def _binned(samples: NDArray[Any]) -> GreyStatistics:
    nan = infinite = 0
    low, high = np.inf, -np.inf
    for slab in slabs(samples):
        finite = np.isfinite(slab)
        bad = slab.size - int(np.count_nonzero(finite))
        if bad:
            nans = int(np.count_nonzero(np.isnan(slab)))
            nan, infinite = nan + nans, infinite + bad - nans
        if bad < slab.size:
            low = min(low, float(np.min(slab, where=finite, initial=np.inf) if bad else slab.min()))
            high = max(
                high, float(np.max(slab, where=finite, initial=-np.inf) if bad else slab.max())
            )
    empty = np.zeros(0, np.int64)
    if low > high:
        edges = np.zeros(1)
        return GreyStatistics(samples.size, nan, infinite, np.nan, np.nan, 0, 0, 0, 0, edges, empty)
    counts = np.zeros(_BINS, np.int64)
    at_low = at_high = bright = 0
    edges = np.linspace(low, high, _BINS + 1)
    if low < high:
        for slab in slabs(samples):
            counts += _histogram(slab, low, high)
            at_low += int(np.count_nonzero(slab == low))
            at_high += int(np.count_nonzero(slab == high))
            bright += int(np.count_nonzero((slab > (low + high) / 2) & (slab <= high)))
    levels = 1 if low == high else 2 if at_low + at_high == samples.size else None
    return GreyStatistics(
        samples.size, nan, infinite, low, high, at_low, at_high, bright, levels, edges, counts
    )


def _histogram(slab: NDArray[Any], low: float, high: float) -> NDArray[np.int64]:
    """Count finite samples in equal bins; several times faster than `numpy.histogram`."""
    place = (slab.ravel().astype(np.float64) - low) * (_BINS / (high - low))
    place = place[np.isfinite(place)]
    np.minimum(place, _BINS - 1, out=place)
    return np.bincount(place.astype(np.int32), minlength=_BINS)


def checked_samples(volume: Volume) -> Volume:
    """Return the volume with notices about its values, or refuse values that are no scan.

    Refused are samples that are not numbers, a constant image, and one whose bright material has
    lost its grey value: of the voxels above mid-range more than half stand at the very largest
    value, while the rest is not two-valued. Accepted with a notice are masks (two values) and
    nearly two-valued images, touched saturation, and air that was cut off.

    Raises
    ------
    InputError
        In one line that says what to do.
    """
    return replace(
        volume,
        notices=volume.notices + value_notices(volume, grey_statistics(volume.samples)),
    )


def value_notices(volume: Volume, grey: GreyStatistics) -> tuple[Notice, ...]:
    """Return what the counts say about a scan, or refuse it; see `checked_samples`."""
    path = volume.source.path
    bad = grey.nan + grey.infinite
    if bad == grey.voxels:
        raise InputError(f"{path}: none of its {bad} samples is a number; export it again")
    if bad:
        raise InputError(
            f"{path}: {grey.nan} samples are not a number and {grey.infinite} are infinite, of "
            f"{grey.voxels}; crop them away or fill them with the grey value of air"
        )
    if grey.levels == 1:
        raise InputError(
            f"{path}: a constant image, every voxel is {grey.low:g}; check the export and that "
            "the scan's files hold data"
        )
    ends = (grey.at_low + grey.at_high) / grey.voxels
    if grey.levels == 2:
        share = grey.at_high / grey.voxels
        return (
            Notice(
                "already_segmented",
                f"the scan holds two values only, {grey.low:g} and {grey.high:g} ({share:.3%} of "
                "the voxels): it is already segmented, and its threshold is not ours",
            ),
        )
    if ends >= NEARLY_TWO_VALUED:
        return (
            Notice(
                "nearly_two_valued",
                f"{ends:.1%} of the voxels stand at the smallest or the largest value: noise and "
                "plateaus cannot be measured",
            ),
        )
    notices = []
    topped = grey.at_high / max(grey.bright, 1)
    # One voxel is always at the top; a few say nothing.
    if topped > SATURATED and grey.at_high > 10:
        raise InputError(
            f"{path}: saturated: {topped:.0%} of the bright voxels stand at the largest value, "
            f"{grey.high:g}; export again with a wider grey-value window, or lower the exposure"
        )
    if topped > TOUCHED and grey.at_high > 10:
        notices.append(
            Notice(
                "saturated",
                f"{topped:.0%} of the bright voxels stand at the largest value, {grey.high:g}: the "
                "polymer's grey value reads low",
                grey.at_high,
            )
        )
    if grey.at_low / grey.voxels > CUT_OFF:
        notices.append(
            Notice(
                "air_cut_off",
                f"{grey.at_low / grey.voxels:.0%} of the voxels stand at the smallest value, "
                f"{grey.low:g}: air was cut off or set to a constant, its noise is not known",
                grey.at_low,
            )
        )
    return tuple(notices)
