"""How much neighbouring residuals repeat each other, and what that costs in certainty."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from volscan.geometry import FloatArray

# Past this correlation of neighbours a line of residuals is one drift; the factor is held at 99.
_MOST = 0.98


def variance_inflation(runs: Sequence[FloatArray], *, parameters: int) -> float:
    """Return the factor by which correlation along the residuals raises a fit's variance.

    With ρ the correlation of neighbours, n residuals tell as much as n (1 - ρ) / (1 + ρ)
    independent ones.

    Parameters
    ----------
    runs
        Residuals in their order along a path, one array (n,) a path; NaN is left out.
    parameters
        How many parameters were fitted in all.

    Returns
    -------
    float
        (1 + ρ) / (1 - ρ), at least 1: an apparent negative correlation never lowers a variance.

    Notes
    -----
    A fit of p smooth terms leaves white residuals with a neighbour correlation of about -p/n,
    the sum of the hat matrix beside its diagonal; that is given back.

    References
    ----------
    First-order autoregressive effective sample size: common practice, e.g. von Storch and
    Zwiers, Statistical Analysis in Climate Research (1999), 6.6; from memory.

    Examples
    --------
    >>> variance_inflation([np.array([1.0, -1.0, 1.0, -1.0])], parameters=1)
    1.0
    """
    kept = [np.asarray(r, dtype=np.float64)[np.isfinite(r)] for r in runs]
    count = sum(r.size for r in kept)
    pairs = sum(max(r.size - 1, 0) for r in kept)
    power = sum(float(r @ r) for r in kept)
    if pairs < 3 or power <= 0.0:
        return 1.0
    products = sum(float(r[1:] @ r[:-1]) for r in kept)
    rho = products / power * count / pairs + parameters / count
    rho = min(max(rho, 0.0), _MOST)
    return (1.0 + rho) / (1.0 - rho)
