"""The lateral point spread of an OCT scan, from the size of its speckle.

Fully developed speckle is as large as the point spread makes it: for a Gaussian spread of the
amplitude with standard deviation σ the field's correlation over a distance d is
g = exp(-d² / 4σ²), and the intensity's covariance is I_s² g² + 2 I_m I_s g, with I_s the rough and
I_m the mirror-like part of the echo (J. W. Goodman, *Speckle Phenomena in Optics*, chapters 3 and
4). No fibre enters.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

Grey = NDArray[np.float32]
FloatArray = NDArray[np.float64]

_LAGS = 7
_PARTS = 16
# Fewest pairs of columns at each lag, and the least contrast (sd over mean) that is speckle.
_FEWEST_PAIRS = 400
_LEAST_CONTRAST = 0.08


def speckle_sigma_um(
    intensity: Grey,
    row: FloatArray,
    free: NDArray[np.bool_],
    spacing_um: tuple[float, float],
    looks: float,
) -> tuple[float | None, float | None]:
    """Return the amplitude spread's standard deviation along y and x; None where not told.

    Parameters
    ----------
    intensity
        (rows, y, x).
    row
        (y, x): row of the collector's surface.
    free
        (y, x) bool: columns in which the collector is seen with nothing above it.
    spacing_um
        Spacing of the columns (y, x).
    looks
        Independent looks of the scan.
    """
    yy, xx = np.indices(row.shape)
    at = np.clip(np.rint(row).astype(np.int64), 1, intensity.shape[0] - 2)
    line = intensity[at, yy, xx].astype(np.float64)
    known = _eroded(free)
    if known.sum() < _FEWEST_PAIRS:
        return None, None
    # Where in its row the surface lies makes the line brighter or dimmer: not speckle.
    part = np.clip(((row - at + 0.5) * _PARTS).astype(np.int64), 0, _PARTS - 1)
    held = np.bincount(part[known], line[known], _PARTS)
    count = np.bincount(part[known], minlength=_PARTS)
    mean = np.where(count > 0, held / np.maximum(count, 1), 1.0)[part]
    values = np.where(known, line / mean - 1.0, 0.0)
    if float(values[known].std()) < _LEAST_CONTRAST:
        return None, None
    found = _sigmas(values, known, max(looks, 1.0))
    return (None, None) if found is None else (found[0] * spacing_um[0], found[1] * spacing_um[1])


def _eroded(free: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the columns all of whose neighbours are free: no fibre's shadow reaches them."""
    out = free.copy()
    for axis in (0, 1):
        for step in (-2, -1, 1, 2):
            out &= np.roll(free, step, axis)
    out[[0, -1]] = False
    out[:, [0, -1]] = False
    return out


def _sigmas(
    values: FloatArray, known: NDArray[np.bool_], looks: float
) -> tuple[float, float] | None:
    """Return the spread in columns along y and x from the covariance over lags of both."""
    shape = [n + _LAGS for n in values.shape]
    v, k = (np.fft.rfft2(a.astype(np.float64), shape) for a in (values, known))
    products = np.fft.irfft2(np.abs(v) ** 2, shape)
    pairs = np.fft.irfft2(np.abs(k) ** 2, shape)
    lags = np.arange(-_LAGS + 1, _LAGS)
    dy, dx = (a.ravel() for a in np.meshgrid(np.arange(_LAGS), lags, indexing="ij"))
    n = pairs[dy, dx]
    use = n >= _FEWEST_PAIRS
    if use.sum() < 20:
        return None
    dy, dx, n = dy[use], dx[use], n[use]
    c, weight = products[dy, dx] / n, np.sqrt(n)

    def residual(p: FloatArray) -> FloatArray:
        sy, sx = np.exp(p[:2])
        g = np.exp(-(dy**2) / (4.0 * sy**2) - dx**2 / (4.0 * sx**2))
        # Of looks N the relative variance is (2 ρ - ρ²) / N, with ρ the rough share.
        rho = p[2]
        shape = (2.0 * rho * (1.0 - rho) * g + rho**2 * g * g) / looks
        # A slow unevenness of the light raises all lags alike.
        return np.asarray((shape + p[3] - c) * weight)

    low = [math.log(0.2), math.log(0.2), 0.02, -0.1]
    high = [math.log(8.0), math.log(8.0), 1.0, 1.0]
    starts = [[math.log(t), math.log(t), 0.5, 0.0] for t in (0.5, 0.9, 1.5)]
    fits = [least_squares(residual, s, bounds=(low, high)) for s in starts]
    best = min(fits, key=lambda f: float(f.cost))
    return float(np.exp(best.x[0])), float(np.exp(best.x[1]))
