"""How a fibre's diameter changes along it: drift, periodic swelling, and what is left."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar

from volscan.fibres.serial import variance_inflation
from volscan.geometry import FloatArray
from volscan.quantity import Quantity

# Chance that noise alone passes for a swelling, for each fibre.
_FALSE_ALARM = 1e-3
# Trial frequencies for each resolved one (1 / length): the peak is seen to 1 % of its height.
_OVERSAMPLED = 8
# Stations for each period, at least, and periods in a fibre, at least.
_STATIONS_A_PERIOD = 3.0
_LEAST_PERIODS = 2.0


@dataclass(frozen=True)
class Swelling:
    """A periodic swelling: amplitude over mean diameter, and period along the fibre."""

    amplitude: Quantity
    period_um: Quantity


@dataclass(frozen=True)
class DiameterAlong:
    """How the diameter changes along a fibre.

    `trend` is its change from end to end over its mean; `spread_um` the standard deviation about
    the trend beyond the stated noise; `swelling` None where no period stands out.
    """

    trend: Quantity
    spread_um: float
    swelling: Swelling | None


def diameter_along(
    along_um: FloatArray, diameters_um: FloatArray, *, noise_um: FloatArray | float
) -> DiameterAlong | None:
    """Measure trend, spread and periodic swelling of a diameter.

    Parameters
    ----------
    along_um, diameters_um
        Stations (m,) along the fibre and the diameter at each; NaN diameters are left out.
    noise_um
        1-σ noise of the diameters, (m,) or one number.

    Returns
    -------
    DiameterAlong or None
        None with fewer than six diameters.

    Notes
    -----
    The period is the one whose sine, fitted beside the line, leaves the least squares. It counts
    when noise would do as well with a chance under 1 in 1000, over all frequencies tried, on the
    effective number of stations, and when the amplitude passes three u.

    References
    ----------
    Least-squares spectra with a floating mean: Zechmeister and Kürster, Astron. Astrophys. 496,
    577 (2009), doi 10.1051/0004-6361:200811296; their false alarm (1 - z)^((n - 5) / 2) has here
    one parameter more, the slope.

    Examples
    --------
    >>> s = np.linspace(0.0, 1000.0, 201)
    >>> diameter_along(s, 20.0 + 0.002 * s, noise_um=0.1).trend.value.__round__(6)
    0.095238
    """
    noise = np.broadcast_to(np.asarray(noise_um, dtype=np.float64), np.shape(along_um))
    keep = np.isfinite(diameters_um)
    order = np.argsort(np.asarray(along_um)[keep], kind="stable")
    s, d, noise = (
        np.asarray(a, dtype=np.float64)[keep][order] for a in (along_um, diameters_um, noise)
    )
    if s.size < 6:
        return None
    line = np.stack([np.ones_like(s), (s - s.mean()) / np.ptp(s)], axis=1)
    rest = _rest(line, d)
    swelling = _swelling(s, d, line)
    design = line
    if swelling is not None:
        design = np.concatenate([line, _wave(s, swelling.period_um.value)], axis=1)
    coefficient = np.linalg.lstsq(design, d, rcond=None)[0]
    left = d - design @ coefficient
    inflation = variance_inflation([left], parameters=design.shape[1])
    mean_noise = float(np.mean(noise**2))
    variance = max(float(left @ left) / (s.size - design.shape[1]), mean_noise) * inflation
    u = math.sqrt(variance * float(np.linalg.inv(design.T @ design)[1, 1]))
    mean = float(coefficient[0])
    spread = max(float(rest @ rest) / (s.size - 2) - mean_noise, 0.0)
    trend = Quantity(float(coefficient[1]) / mean, u / mean, "1", 1)
    return DiameterAlong(trend, math.sqrt(spread), swelling)


def _rest(design: FloatArray, y: FloatArray) -> FloatArray:
    return np.asarray(y - design @ np.linalg.lstsq(design, y, rcond=None)[0])


def _wave(s: FloatArray, period: float) -> FloatArray:
    angle = 2.0 * math.pi * s / period
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _swelling(s: FloatArray, d: FloatArray, line: FloatArray) -> Swelling | None:
    """Return the swelling that stands out, if one does."""
    extent = float(np.ptp(s))
    lowest = _LEAST_PERIODS / extent
    highest = 1.0 / (_STATIONS_A_PERIOD * float(np.median(np.diff(s))))
    if s.size < 12 or highest <= lowest:
        return None

    def power_left(frequency: float) -> float:
        r = _rest(np.concatenate([line, _wave(s, 1.0 / frequency)], axis=1), d)
        return float(r @ r)

    step = 1.0 / (_OVERSAMPLED * extent)
    trial = np.arange(lowest, highest + step, step)
    left = np.array([power_left(f) for f in trial])
    k = int(np.argmin(left))
    frequency = float(
        minimize_scalar(
            power_left,
            bounds=(max(trial[k] - step, 0.5 * lowest), trial[k] + step),
            method="bounded",
            options={"xatol": 1e-4 * step},
        ).x
    )
    base = _rest(line, d)
    design = np.concatenate([line, _wave(s, 1.0 / frequency)], axis=1)
    coefficient = np.linalg.lstsq(design, d, rcond=None)[0]
    rest = d - design @ coefficient
    inflation = variance_inflation([rest], parameters=design.shape[1] + 1)
    number = s.size / inflation
    if number < 8.0:
        return None
    gain = float(rest @ rest) / float(base @ base)
    # Logarithms: the chance for one frequency underflows for a plain swelling.
    single = 0.5 * (number - 6.0) * math.log(max(gain, 1e-300))
    independent = max((highest - lowest) * extent, 1.0)
    if single + math.log(independent) > math.log(_FALSE_ALARM):
        return None
    # The frequency is a fifth parameter: its column is the slope of the sine with it.
    c, q = coefficient[2:]
    turn = 2.0 * math.pi * s
    column = turn * (q * np.cos(turn * frequency) - c * np.sin(turn * frequency))
    full = np.concatenate([design, column[:, None]], axis=1)
    variance = float(rest @ rest) / (s.size - 5) * inflation
    cov = np.linalg.pinv(full.T @ full) * variance
    amplitude = math.hypot(c, q)
    way = np.array([c, q]) / amplitude
    u = math.sqrt(float(way @ cov[2:4, 2:4] @ way))
    if amplitude < 3.0 * u:
        return None
    mean = float(coefficient[0])
    return Swelling(
        Quantity(amplitude / mean, u / mean, "1", 1),
        Quantity(1.0 / frequency, math.sqrt(cov[4, 4]) / frequency**2, "µm", 1),
    )
