"""How far a fibre sags between the crossings that carry it.

Stations near a support are often missing, since the crossing fibre hides them there. So all spans
of a fibre are fitted together, each with its own line, all with one even polynomial, which is
carried on to the supports. How many terms the polynomial needs, the data say; where they cannot,
the difference between the answers is part of u.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from volscan.fibres.serial import variance_inflation
from volscan.geometry import FloatArray
from volscan.quantity import Quantity

# A span tells of sag when its stations reach over this share of it, on both sides of the middle.
_LEAST_COVER = 0.4
_LEAST_STATIONS = 4
# Even powers of the candidates: v²; v², v⁴; v², v⁴, v⁶.
_MOST_TERMS = 3
# What the term after v⁶ is to it in the series of a cosine whose half wave fills the span.
_NEXT_TERM = math.pi**2 / 56.0


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
    that of the mixture; the three-term answer also carries the next term of a cosine's series.
    A fibre whose own radius of bending at the support is under a tenth of the span looks flatter.

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
    members = [k for k, _ in spans]
    order = np.concatenate(members)
    v = np.concatenate([x for _, x in spans])
    y = h[order]
    # Equal weights where no noise is stated.
    w = 1.0 / sigma[order] if np.all(sigma[order] > 0) else np.ones_like(y)
    stated = bool(np.all(sigma[order] > 0))
    cuts = np.cumsum([k.size for k in members])[:-1]
    lines = np.zeros((v.size, 2 * len(spans)))
    for j, part in enumerate(np.split(np.arange(v.size), cuts)):
        lines[part, 2 * j] = 1.0
        lines[part, 2 * j + 1] = v[part]
    fits = []
    for terms in range(1, _MOST_TERMS + 1):
        even = v[:, None] ** (2 * np.arange(1, terms + 1))
        design = np.concatenate([lines, even], axis=1) * w[:, None]
        free = v.size - design.shape[1]
        # Different |v| that are told apart: a polynomial in v² needs more of them than terms.
        if free < 2 or np.unique(np.round(np.abs(v), 3)).size <= terms + 1:
            break
        fits.append(_fit(design, y * w, cuts, terms=terms, free=free, stated=stated))
    if not fits:
        return None
    score = np.array([f[2] for f in fits])
    weights = np.exp(-0.5 * (score - score.min()))
    weights /= weights.sum()
    values = np.array([f[0] for f in fits])
    variances = np.array([f[1] for f in fits])
    if len(fits) == _MOST_TERMS:
        even = v[:, None] ** (2 * np.arange(1, _MOST_TERMS + 1))
        design = np.concatenate([lines, even], axis=1)
        missed = 1.0 - np.linalg.lstsq(design, v**8, rcond=None)[0][-_MOST_TERMS:].sum()
        variances[-1] += (missed * _NEXT_TERM * fits[-1][3]) ** 2
    value = float(weights @ values)
    u = float(np.sqrt(weights @ (variances + (values - value) ** 2)))
    return Quantity(value, u, "µm", len(spans), _spread(spans, h))


def _spans(
    s: FloatArray, h: FloatArray, supports: FloatArray
) -> list[tuple[np.ndarray[tuple[int], np.dtype[np.intp]], FloatArray]]:
    """Return, for each span that shows enough of itself, its stations and their places v."""
    out = []
    for low, high in zip(supports[:-1], supports[1:], strict=True):
        inside = np.flatnonzero((s > low) & (s < high) & np.isfinite(h))
        inside = inside[np.argsort(s[inside])]
        v = (2.0 * s[inside] - low - high) / (high - low)
        if inside.size < _LEAST_STATIONS:
            continue
        if v.min() <= -_LEAST_COVER and v.max() >= _LEAST_COVER:
            out.append((inside, v))
    return out


def _fit(
    design: FloatArray,
    y: FloatArray,
    cuts: FloatArray,
    *,
    terms: int,
    free: int,
    stated: bool,
) -> tuple[float, float, float, float]:
    """Return sag, its variance, the model's score (less is better), the highest coefficient."""
    coefficient = np.linalg.lstsq(design, y, rcond=None)[0]
    rest = y - design @ coefficient
    inflation = variance_inflation(np.split(rest, cuts), parameters=design.shape[1])
    power = float(rest @ rest)
    # Rounding of exact data must not decide between the models.
    floor = (1e-12 * float(np.abs(y).max())) ** 2 * y.size
    scale = power / free
    if stated:
        scale = max(scale, 1.0)
    pick = np.zeros(design.shape[1])
    pick[-terms:] = 1.0
    variance = float(pick @ np.linalg.pinv(design.T @ design) @ pick) * scale * inflation
    number = y.size / inflation
    if stated:
        # Misfit past the stated noise counts; what lies below it is noise.
        score = number * math.log(max(power / y.size, 1e-3))
    else:
        score = number * math.log(max(power, floor) / y.size)
    score += terms * math.log(max(number, 2.0))
    return float(pick @ coefficient), variance, score, float(coefficient[-1])


def _spread(spans: list[tuple[FloatArray, FloatArray]], h: FloatArray) -> float | None:
    """Return the standard deviation between the spans' own sags, each by a parabola."""
    if len(spans) < 3:
        return None
    own = [float(np.polyfit(v, h[np.asarray(k, dtype=int)], 2)[0]) for k, v in spans]
    return float(np.std(own, ddof=1))
