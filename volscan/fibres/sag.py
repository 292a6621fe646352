"""How far a fibre sags between the crossings that carry it.

Stations near a support are often missing, since the crossing fibre hides them there. So all spans
of a fibre are fitted together, each with its own line, all with one even polynomial, which is
carried on to the supports. How many terms the polynomial needs, the data say; where they cannot,
the difference between the answers is part of u.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from volscan.fibres.serial import variance_inflation
from volscan.geometry import FloatArray
from volscan.quantity import Quantity

# A span tells of sag when its stations reach over this share of it, on both sides of the middle.
_LEAST_COVER = 0.4
_LEAST_STATIONS = 4
# Even powers of the candidates: v²; v², v⁴; v², v⁴, v⁶.
_MOST_TERMS = 3
# The term after v⁴, and after v⁶, over it, in the series of cos(πv).
_NEXT_TERM = {2: math.pi**2 / 30.0, 3: math.pi**2 / 56.0}


def sag_between(
    along_um: FloatArray, height_um: FloatArray, supports_um: ArrayLike, *, up_u_um: ArrayLike
) -> Quantity | None:
    """Measure the drop at mid-span below the line through the neighbouring supports.

    In the span coordinate v from -1 to 1, height = line + b v² + c v⁴ + d v⁶ with b, c, d shared
    by the spans; the sag is b + c + d.

    Parameters
    ----------
    along_um, height_um
        Stations (m,) along the fibre and their heights; NaN heights are left out.
    supports_um
        Places along the fibre where crossing fibres carry it, in the coordinate of `along_um`.
    up_u_um
        1-σ noise of the heights, (m,) or one number.

    Returns
    -------
    Quantity or None
        Positive downward, mean over the spans between supports (the free ends are left out);
        n counts spans, sd is the spread between them where there are three. None when no span
        shows enough of itself.

    Notes
    -----
    The polynomials with one, two and three terms are weighed by the Bayesian information
    criterion on the residuals' effective number. The answer is their weighted mean, its variance
    that of the mixture, to which each answer brings what its next term might add.

    References
    ----------
    Kass and Raftery, J. Am. Stat. Assoc. 90, 773 (1995), doi 10.1080/01621459.1995.10476572.

    Examples
    --------
    >>> s = np.linspace(5.0, 195.0, 39)
    >>> drop = 4.0 * (1.0 - ((s % 100.0) / 50.0 - 1.0) ** 2)
    >>> sag_between(s, 50.0 - drop, [0.0, 100.0, 200.0], up_u_um=0.1).value.__round__(6)
    4.0
    """
    s, h = np.asarray(along_um, dtype=np.float64), np.asarray(height_um, dtype=np.float64)
    sigma = np.broadcast_to(np.asarray(up_u_um, dtype=np.float64), s.shape)
    spans = _spans(s, h, np.unique(np.asarray(supports_um, dtype=np.float64)))
    if not spans:
        return None
    order = np.concatenate([k for k, _ in spans])
    v = np.concatenate([x for _, x in spans])
    stated = bool(np.all(sigma[order] > 0))
    w = 1.0 / sigma[order] if stated else np.ones_like(v)
    cuts = [int(c) for c in np.cumsum([k.size for k, _ in spans])[:-1]]
    lines = np.zeros((v.size, 2 * len(spans)))
    for j, part in enumerate(np.split(np.arange(v.size), cuts)):
        lines[part, 2 * j] = 1.0
        lines[part, 2 * j + 1] = v[part]
    # A polynomial in v² needs more different |v| than it has terms, and residuals to judge it by.
    different = np.unique(np.round(np.abs(v), 3)).size
    most = min(_MOST_TERMS, different - 2, v.size - lines.shape[1] - 2)
    if most < 1:
        return None
    fits = [
        _fit(lines, v, h[order], w, cuts, terms=terms, stated=stated)
        for terms in range(1, most + 1)
    ]
    weights = _weights(fits, v.size)
    values = np.array([f.sag for f in fits])
    variances = np.array([f.variance for f in fits])
    variances += np.square(_next_terms(fits, lines, v))
    value = float(weights @ values)
    u = float(np.sqrt(weights @ (variances + (values - value) ** 2)))
    return Quantity(value, u, "µm", len(spans), _spread(spans, h))


@dataclass(frozen=True)
class _Fit:
    """Sag by one polynomial, last coefficient and its u, weighted squares left, inflation."""

    sag: float
    variance: float
    last: float
    last_u: float
    power: float
    inflation: float
    terms: int


def _spans(
    s: FloatArray, h: FloatArray, supports: FloatArray
) -> list[tuple[NDArray[np.intp], FloatArray]]:
    """Return, for each span that shows enough of itself, its stations and their places v."""
    out = []
    for low, high in pairwise(supports):
        inside = np.flatnonzero((s > low) & (s < high) & np.isfinite(h))
        inside = inside[np.argsort(s[inside])]
        v = (2.0 * s[inside] - low - high) / (high - low)
        if inside.size < _LEAST_STATIONS:
            continue
        if v.min() <= -_LEAST_COVER and v.max() >= _LEAST_COVER:
            out.append((inside, v))
    return out


def _even(v: FloatArray, terms: int) -> FloatArray:
    return np.asarray(v[:, None] ** (2 * np.arange(1, terms + 1)))


def _fit(
    lines: FloatArray,
    v: FloatArray,
    y: FloatArray,
    w: FloatArray,
    cuts: list[int],
    *,
    terms: int,
    stated: bool,
) -> _Fit:
    """Fit the spans' lines and one even polynomial by weighted least squares."""
    design = np.concatenate([lines, _even(v, terms)], axis=1) * w[:, None]
    coefficient = np.linalg.lstsq(design, y * w, rcond=None)[0]
    rest = y * w - design @ coefficient
    inflation = variance_inflation(np.split(rest, cuts), parameters=design.shape[1])
    power = float(rest @ rest)
    scale = power / (v.size - design.shape[1])
    if stated:
        scale = max(scale, 1.0)
    pick = np.zeros(design.shape[1])
    pick[-terms:] = 1.0
    cov = np.linalg.pinv(design.T @ design) * scale * inflation
    # Rounding of exact data must not decide between the polynomials.
    floor = v.size * (1e-12 * float(np.abs(y * w).max())) ** 2
    return _Fit(
        float(pick @ coefficient),
        float(pick @ cov @ pick),
        float(coefficient[-1]),
        math.sqrt(cov[-1, -1]),
        max(power, floor, 1e-300),
        inflation,
        terms,
    )


def _weights(fits: list[_Fit], count: int) -> FloatArray:
    """Return the weight of each polynomial; the longest one's residuals tell how many count."""
    number = count / fits[-1].inflation
    score = np.array(
        [number * math.log(f.power) + f.terms * math.log(max(number, 2.0)) for f in fits]
    )
    weights = np.exp(-0.5 * (score - score.min()))
    return np.asarray(weights / weights.sum())


def _next_terms(fits: list[_Fit], lines: FloatArray, v: FloatArray) -> FloatArray:
    """Return what the term after the last one of each polynomial may add to the sag.

    A parabola is taken at its word. A longer series is taken to go on like that of a cosine,
    unless the next polynomial bounds its term more tightly.
    """
    out = np.zeros(len(fits))
    for k, fit in enumerate(fits):
        if fit.terms == 1:
            continue
        size = _NEXT_TERM[fit.terms] * abs(fit.last)
        if k + 1 < len(fits):
            longer = fits[k + 1]
            size = min(size, math.hypot(longer.last, longer.last_u))
        design = np.concatenate([lines, _even(v, fit.terms)], axis=1)
        beyond = v ** (2 * fit.terms + 2)
        missed = 1.0 - np.linalg.lstsq(design, beyond, rcond=None)[0][-fit.terms :].sum()
        out[k] = missed * size
    return out


def _spread(spans: list[tuple[NDArray[np.intp], FloatArray]], h: FloatArray) -> float | None:
    """Return the standard deviation between the spans' own sags, each by a parabola."""
    if len(spans) < 3:
        return None
    own = [float(np.polyfit(v, h[k], 2)[0]) for k, v in spans]
    return float(np.std(own, ddof=1))
