"""Undo the compression of an OCT scan, from the statistics of its noise alone.

Where nothing scatters an OCT scan holds noise whose intensity, the mean of N independent looks,
follows a gamma distribution of shape N (N = 1: exponential; J. W. Goodman, *Speckle Phenomena in
Optics*, chapter 3). The shape of the histogram tells how the values are stored: intensities are
skewed to the right (2/√N), amplitudes less so, logarithms to the left. Of stored logarithms the
skewness tells N and the spread then tells how many grey values make a decibel: for N = 1 it is
5.57 dB.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammaincinv, gammaln, polygamma

Scale = Literal["db", "amplitude", "intensity"]
FloatArray = NDArray[np.float64]

DB_PER_NEPER = 10.0 / math.log(10.0)
# Looks beyond this many make noise that is Gaussian in any storage: no scale can be told.
_MOST_LOOKS = 60.0


@dataclass(frozen=True)
class Compression:
    """How a scan's grey values hang together with intensity in units of the mean noise.

    `scale` says what is stored; a grey value is `floor` where the intensity is the noise's mean,
    and `per_db` grey values make a decibel of stored logarithms (None for linear storage). `looks`
    is the number of independent looks that the noise's statistics show.
    """

    scale: Scale
    floor: float
    per_db: float | None
    looks: float
    noise_sd: float

    def intensity(self, samples: NDArray[Any]) -> NDArray[np.float32]:
        """Return intensity in units of the mean noise, float32."""
        values = samples.astype(np.float32)
        if self.scale == "db":
            assert self.per_db is not None
            values -= np.float32(self.floor)
            values *= np.float32(1.0 / (DB_PER_NEPER * self.per_db))
            return np.exp(values, out=values)
        values /= np.float32(self.floor)
        return np.square(values, out=values) if self.scale == "amplitude" else values


def find_compression(noise: FloatArray, *, scale: Scale | None = None) -> Compression | None:
    """Return how a scan is stored from grey values of its noise.

    Parameters
    ----------
    noise
        Grey values (n,) where nothing scatters.
    scale
        What the user told; None to tell it from the noise.

    Returns
    -------
    Compression or None
        None where the noise is flat (stored clipped) or too Gaussian to tell.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> found = find_compression(20 + 10 * np.log10(rng.exponential(size=20000)))
    >>> found.scale, round(found.per_db, 1), round(found.looks)
    ('db', 1.0, 1)
    """
    values = np.asarray(noise, dtype=np.float64)
    mean, sd = float(values.mean()), float(values.std())
    if values.size < 200 or sd <= 0:
        return None
    skew = float(np.mean((values - mean) ** 3)) / sd**3
    chosen = _told_by(mean, sd, skew) if scale is None else scale
    if chosen is None:
        return None
    if chosen == "db":
        seen = _spread_quantiles(values)
        looks = _looks_of_log(seen)
        true = _log_quantiles(looks)
        per_db = float((seen[2] - seen[0]) / (true[2] - true[0])) / DB_PER_NEPER
        floor = float(seen[1] - true[1] * DB_PER_NEPER * per_db)
        # Of the whole histogram, as if nothing were cut off: √ψ'(N) nepers.
        spread = per_db * DB_PER_NEPER * math.sqrt(float(polygamma(1, looks)))
        return Compression("db", floor, per_db, looks, spread)
    looks = _looks_of_linear(chosen, sd / mean)
    # floor: the stored value of the mean intensity.
    floor = mean if chosen == "intensity" else math.sqrt(mean**2 + sd**2)
    return Compression(chosen, floor, None, looks, sd)


def _told_by(mean: float, sd: float, skew: float) -> Scale | None:
    """Return what is stored, from the first three moments of the noise."""
    if skew < -_least_skew():
        return "db"
    if skew < _least_skew() or mean <= 0:
        return None
    # Skewness over relative spread: 2 for gamma variables whatever their shape, about 1.2 for
    # their square roots.
    return "intensity" if skew * mean / sd > 1.6 else "amplitude"


def _least_skew() -> float:
    """Return the skewness, 1/√N roughly, at which no scale can be told any more."""
    return 1.0 / math.sqrt(_MOST_LOOKS)


# Quantiles from which the shape of a logarithm's histogram is told: a stored range that cuts the
# lowest values off does not reach them.
_QUANTILES = np.array([0.04, 0.5, 0.96])


def _log_quantiles(looks: float) -> FloatArray:
    """Return quantiles of ln of a gamma variable of unit mean."""
    return np.asarray(np.log(gammaincinv(looks, _QUANTILES) / looks))


def _spread_quantiles(values: FloatArray) -> FloatArray:
    """Return the quantiles of values stored in steps as if each were spread over its step."""
    found, counts = np.unique(values, return_counts=True)
    gaps = np.diff(found)
    step = float(np.median(gaps)) if gaps.size else 0.0
    if found.size > 4000:
        return np.asarray(np.quantile(values, _QUANTILES))
    edges = np.concatenate([[found[0] - 0.5 * step], 0.5 * (found[1:] + found[:-1])])
    edges = np.append(edges, found[-1] + 0.5 * step)
    share = np.concatenate([[0.0], np.cumsum(counts)]) / values.size
    return np.asarray(np.interp(_QUANTILES, share, edges))


def _looks_of_log(quantiles: FloatArray) -> float:
    """Return the shape N of a gamma variable whose logarithm has these quantiles.

    The ratio of the lower to the upper gap tells it, whatever gain and offset.
    """
    seen = (quantiles[1] - quantiles[0]) / max(quantiles[2] - quantiles[1], 1e-12)

    def off(log_n: float) -> float:
        q = _log_quantiles(math.exp(log_n))
        return float((q[1] - q[0]) / (q[2] - q[1]) - seen)

    low, high = math.log(0.4), math.log(_MOST_LOOKS)
    if off(low) <= 0:
        return math.exp(low)
    if off(high) >= 0:
        return math.exp(high)
    return math.exp(float(brentq(off, low, high)))


def _looks_of_linear(scale: Scale, spread: float) -> float:
    """Return the shape N from the relative spread of linear values."""
    if scale == "intensity":
        return 1.0 / spread**2

    def off(n: float) -> float:
        mean = math.exp(float(gammaln(n + 0.5) - gammaln(n))) / math.sqrt(n)
        return math.sqrt(max(1.0 - mean**2, 0.0)) / mean - spread

    if off(0.5) <= 0:
        return 0.5
    return float(brentq(off, 0.5, 1e4)) if off(1e4) < 0 else 1e4
