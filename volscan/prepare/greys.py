"""How a scan's grey values were stored: cut ends of the scale, and its steps.

Where a scale ends within the noise, the voxels beyond stand on its last value. They are told by
that: the last value holds many more voxels than its neighbours. Each is then set to what it was on
average: the mean of a normal distribution beyond the end, about the mean of its surroundings.
So the air integrates to nothing again, and the noise is read off the quantiles that were not cut.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import edt
import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from volscan.errors import NothingToMeasureError
from volscan.quantity import Notice

Grey = NDArray[np.float32]
FloatArray = NDArray[np.float64]

_MOST_SAMPLES = 8_000_000
# An end is cut when it holds this share of all voxels and so many times what its neighbours hold:
# in a whole histogram the last value holds less than the one before it.
_CUT_SHARE, _CUT_TIMES = 2e-4, 4.0
_NEIGHBOURS = 4
# The mean of surroundings that lie beyond the end cannot be told; it is taken no farther off than
# this many standard deviations of the noise.
_FARTHEST = 1.0
# Where this share of fibres' middles lies this many standard deviations of the noise beyond the end
# their top was cut off: most of their voxels hold the end's value and tell nothing of it.
_LOST, _LOST_BEYOND = 0.5, 0.5
# Where more than this share of fibres' middles lies beyond the end, the tops of their sections are
# flat: contrast and blur, drawn in by the flat tops, may be up to a quarter larger than they look
# (phantoms cut at 0.8 of their contrast); as a rectangular distribution (JCGM 100, 4.3.7):
_FLAT_TOPS, U_FLAT = 0.02, 0.25 / math.sqrt(3.0)
# Rounding to a step adds its variance step²/12 to the noise: with fewer steps across the contrast
# than this that is a hundredth of the contrast.
_FEW_STEPS = 29


@dataclass(frozen=True)
class GreyScale:
    """Ends of the scale where they cut grey values (None where not), and the step of the scale.

    `low_share`, `high_share` are the shares of all voxels that stand on a cut end. `step` is the
    usual distance between neighbouring values that occur, 0 for values that do not repeat.
    """

    low: float | None
    high: float | None
    low_share: float
    high_share: float
    step: float

    @property
    def cut(self) -> bool:
        """True when grey values were cut at either end."""
        return self.low is not None or self.high is not None


def grey_scale(samples: NDArray[Any]) -> GreyScale:
    """Look at a scan's stored values.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(0, 20, 100_000)
    >>> grey_scale(np.clip(np.rint(noise), -20, 127).astype(np.int16)).low
    -20.0
    """
    flat = samples.reshape(-1)
    # An odd stride meets every column of the scan.
    sample = flat[:: max(1, flat.size // _MOST_SAMPLES) | 1]
    values, counts = _counted(sample)
    if values.size < 3:
        return GreyScale(None, None, 0.0, 0.0, 0.0)
    low_share, high_share = counts[0] / sample.size, counts[-1] / sample.size
    low = _is_cut(counts, low_share)
    high = _is_cut(counts[::-1], high_share)
    repeats = values.size < 0.5 * sample.size
    often = values[counts >= max(2, 1e-5 * sample.size)].astype(np.float64)
    step = float(np.median(np.diff(often))) if repeats and often.size > 2 else 0.0
    return GreyScale(
        float(values[0]) if low else None,
        float(values[-1]) if high else None,
        float(low_share) if low else 0.0,
        float(high_share) if high else 0.0,
        step,
    )


def _counted(sample: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Return the values met, in order, and how often; counting whole numbers beats sorting them."""
    if not (np.issubdtype(sample.dtype, np.integer) and sample.dtype.itemsize <= 2):
        return np.unique(sample, return_counts=True)
    low = int(sample.min(initial=0))
    counts = np.bincount(sample.astype(np.int64) - low)
    met = np.flatnonzero(counts)
    return (met + low).astype(sample.dtype), counts[met]


def _is_cut(counts: NDArray[np.int64], share: float) -> bool:
    near = counts[1 : 1 + _NEIGHBOURS]
    return bool(share >= _CUT_SHARE and counts[0] >= _CUT_TIMES * near.mean())


def cut_notices(scale: GreyScale, *, restored: bool, flat: bool = False) -> list[Notice]:
    """Tell which ends of the scale cut grey values, and what was done about it.

    `flat` says that the middles of fibres lie beyond the end.
    """
    ends = [
        f"{100 * share:.2g} % of the voxels at the {name} grey value ({end:g})"
        for name, end, share in (
            ("lowest", scale.low, scale.low_share),
            ("highest", scale.high, scale.high_share),
        )
        if end is not None
    ]
    done = (
        "they were set to what noise of this size was beyond the end on average"
        if restored
        else "too little of the air is left to tell its noise, and they stay as they are"
    )
    told = f"the grey scale was cut when the scan was stored: {' and '.join(ends)}; {done}"
    if flat:
        told += (
            "; middles of fibres lie beyond its end, so that contrast and blur may be up to a "
            "quarter larger than they look, as the uncertainties say: export the scan again with a "
            "wider grey window"
        )
    return [Notice("grey_scale_cut", told)]


def step_notices(scale: GreyScale, *, contrast: float) -> list[Notice]:
    """Tell when a scan was stored in few steps between air and polymer."""
    steps = contrast / scale.step if scale.step > 0 else math.inf
    if steps >= _FEW_STEPS:
        return []
    return [
        Notice(
            "coarse_grey_steps",
            f"only {steps:.0f} steps of the grey scale lie between air and polymer: export the "
            "scan with more bits, or stretch its window less",
        )
    ]


def noise_between(values: NDArray[Any], scale: GreyScale) -> float | None:
    """Return the standard deviation of normal values of which the ends were cut, or None.

    Two quantiles that lie between the ends fix it.
    """
    sample = np.sort(np.asarray(values, dtype=np.float64))
    if sample.size < 1000:
        return None
    below = 0.0 if scale.low is None else float(np.mean(sample <= scale.low))
    above = 0.0 if scale.high is None else float(np.mean(sample >= scale.high))
    if below + above > 0.9:
        return None
    # Half-way between the median of what is left and its ends, the ends themselves left alone.
    left = 1.0 - below - above
    at = np.array([below + 0.2 * left, 1.0 - above - 0.2 * left])
    # Values on a grid stand for the cell about them: the mid-rank of a value's ties is its own.
    edges = [_quantile(sample, float(p), scale.step) for p in at]
    return float((edges[1] - edges[0]) / (norm.ppf(at[1]) - norm.ppf(at[0])))


def _quantile(ordered: FloatArray, p: float, step: float) -> float:
    """Return a quantile of rounded values: within a value's cell it rises evenly."""
    value = float(ordered[min(int(p * ordered.size), ordered.size - 1)])
    first = int(np.searchsorted(ordered, value, side="left"))
    last = int(np.searchsorted(ordered, value, side="right"))
    inside = (p * ordered.size - first) / max(last - first, 1)
    return value + step * (inside - 0.5)


def has_flat_tops(
    smoothed: Grey, solid: NDArray[np.bool_], scale: GreyScale, *, noise: float
) -> bool:
    """Return whether the end of the grey scale flattens the middles of what is solid.

    Raises
    ------
    NothingToMeasureError
        If the surroundings of most voxels along the middle of what is solid (its deepest fifth)
        lie too far beyond the end to be told.
    """
    if scale.high is None:
        return False
    depth = edt.edt(solid, black_border=False, parallel=2)
    middle = smoothed[solid & (depth >= np.percentile(depth[solid], 80.0))]
    ends = scale.high + np.array([0.0, _LOST_BEYOND]) * noise
    flat, lost = (
        float(np.mean(middle >= v)) for v in _cut_mean(ends, noise, -math.inf, scale.high)
    )
    if lost > _LOST:
        raise NothingToMeasureError(
            f"the polymer's grey value lies beyond the end of the grey scale ({scale.high:g}; "
            f"{100 * lost:.0f} % of the middle of what is solid): its width and amount cannot be "
            "told. Export the scan again with a wider grey window"
        )
    return flat > _FLAT_TOPS


def restore_ends(grey: Grey, smoothed: Grey, scale: GreyScale, *, noise: float) -> None:
    """Set voxels on a cut end to their mean beyond it, in place.

    Parameters
    ----------
    grey, smoothed
        (z, y, x) the scan, and the same with its noise smoothed away.
    scale
        Where it was cut.
    noise
        Standard deviation of its noise.
    """
    low = -math.inf if scale.low is None else scale.low
    high = math.inf if scale.high is None else scale.high
    ends = [e for e in (low, high) if math.isfinite(e)]
    mean = np.linspace(
        min(ends) - _FARTHEST * noise if math.isfinite(low) else min(ends) - 12 * noise,
        max(ends) + _FARTHEST * noise if math.isfinite(high) else max(ends) + 12 * noise,
        2001,
    )
    seen = _cut_mean(mean, noise, low, high)
    for end, sign in ((scale.low, -1.0), (scale.high, 1.0)):
        if end is None:
            continue
        beyond = (sign * mean - sign * end) / noise
        # Mean of a normal distribution beyond an end (inverse Mills ratio).
        value = mean + sign * noise * np.exp(norm.logpdf(beyond) - norm.logcdf(beyond))
        for layer, soft in zip(grey, smoothed, strict=True):
            on = layer <= end if sign < 0 else layer >= end
            layer[on] = np.interp(soft[on], seen, value)


def _cut_mean(mean: FloatArray, noise: float, low: float, high: float) -> FloatArray:
    """Return the mean of normal values cut at both ends."""
    a, b = (low - mean) / noise, (high - mean) / noise
    inside = norm.cdf(b) - norm.cdf(a)
    out = mean * inside + noise * (norm.pdf(a) - norm.pdf(b))
    if math.isfinite(low):
        out += low * norm.cdf(a)
    if math.isfinite(high):
        out += high * norm.sf(b)
    return np.asarray(out)
