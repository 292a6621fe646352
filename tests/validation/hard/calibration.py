"""Whether uncertainties are what they say: shares within 2u with their binomial interval."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import binomtest, chi2

from tests.validation.hard.compare import Entry

# Share of errors within two standard uncertainties, and u over error, that are aimed at.
LEAST_SHARE, MOST_SHARE = 0.90, 0.99
MOST_U_OVER_ERROR = 1.5


@dataclass(frozen=True)
class Calibration:
    """What a set of errors says of its uncertainties; NaN where there are none."""

    n: int
    not_measured: int
    without_u: int
    within: int
    share_low: float
    share_high: float
    rms_error: float
    bias: float
    largest: float
    median_u: float
    rms_over_u: float

    @property
    def rms_high(self) -> float:
        """Upper end of the 95 % interval of the root mean square error: normal, independent."""
        if not self.n:
            return math.nan
        return self.rms_error * math.sqrt(self.n / float(chi2.ppf(0.025, self.n)))

    @property
    def share(self) -> float:
        """Share of errors within 2u."""
        with_u = self.n - self.without_u
        return self.within / with_u if with_u else math.nan

    @property
    def u_over_error(self) -> float:
        """Median u over the root mean square error."""
        return self.median_u / self.rms_error if self.rms_error > 0 else math.nan

    @property
    def verdict(self) -> str:
        """Whether u is right: "too small", "too large", "holds", or "open" where too few tell."""
        if math.isnan(self.share):
            return "–"
        if self.share_high < LEAST_SHARE:
            return "too small"
        if self.share_low > MOST_SHARE or self.median_u > MOST_U_OVER_ERROR * self.rms_high:
            return "too large"
        holds = LEAST_SHARE <= self.share <= MOST_SHARE
        return "holds" if holds and self.u_over_error <= MOST_U_OVER_ERROR else "open"


def calibrate(found: Sequence[Entry]) -> Calibration:
    """Hold errors against their uncertainties.

    The interval is that of Clopper and Pearson (Biometrika 26, 1934, 404) at 95 %, as SciPy's
    `binomtest` gives it: it covers at least as often as it says, at any n.
    """
    told = [e for e in found if e.error is not None]
    errors = np.array([e.error for e in told], dtype=float)
    pairs = [(abs(e.error), e.u) for e in told if e.error is not None and e.u is not None]
    within = sum(error <= 2 * u for error, u in pairs)
    low = high = math.nan
    if pairs:
        interval = binomtest(within, len(pairs)).proportion_ci(0.95, method="exact")
        low, high = float(interval.low), float(interval.high)
    some = errors.size > 0
    return Calibration(
        n=len(told),
        not_measured=len(found) - len(told),
        without_u=len(told) - len(pairs),
        within=within,
        share_low=low,
        share_high=high,
        rms_error=float(np.sqrt(np.mean(errors**2))) if some else math.nan,
        bias=float(errors.mean()) if some else math.nan,
        largest=float(np.abs(errors).max()) if some else math.nan,
        median_u=float(np.median([u for _, u in pairs])) if pairs else math.nan,
        rms_over_u=_rms_over_u(pairs),
    )


def _rms_over_u(pairs: list[tuple[float, float]]) -> float:
    """Root mean square of error over u: where easy and hard prints are pooled, it weighs both."""
    if not pairs:
        return math.nan
    ratios = [e / u if u > 0 else (0.0 if e == 0 else math.inf) for e, u in pairs]
    return float(np.sqrt(np.mean(np.square(ratios))))
