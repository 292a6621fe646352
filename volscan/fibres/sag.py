"""How far a fibre sags between the crossings that carry it.

Stations near a support are often missing, since the crossing fibre hides them there. So all spans
of a fibre are fitted together, each with its own line, all with one shape of sag, which is carried
on to the supports: a string's, a clamped beam's, or a levelling cosine. Which shape it is, the
data say; where they cannot, the difference between the answers is part of u.
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


def sag_between(
    along_um: FloatArray, height_um: FloatArray, supports_um: ArrayLike, *, up_u_um: ArrayLike
) -> Quantity | None:
    """Measure the drop at mid-span below the line through the neighbouring supports.

    In the span coordinate v from -1 to 1, height = line - S p(v) with S shared by the spans and
    p one of 1 - v² (a string, or a fibre hinged at its supports), (1 - v²)² (a beam clamped at
    them) and (1 + cos πv) / 2; the sag is S.

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
    The shapes are weighed by the Bayesian information criterion on the residuals' effective
    number. The answer is their weighted mean, its variance that of the mixture.

    References
    ----------
    Deflection of strings and clamped beams under their own weight: S. Timoshenko, Strength of
    Materials, part I (from memory). Weights: Kass and Raftery, J. Am. Stat. Assoc. 90, 773
    (1995), doi 10.1080/01621459.1995.10476572.

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
    # A shape needs more different |v| than it has parameters, and residuals to judge it by.
    if np.unique(np.round(np.abs(v), 3)).size < 3 or v.size < lines.shape[1] + 3:
        return None
    fits = [_fit(lines, shape(v), h[order], w, cuts, stated=stated) for shape in _SHAPES]
    weights = _weights(fits, v.size)
    values = np.array([f.sag for f in fits])
    variances = np.array([f.variance for f in fits])
    value = float(weights @ values)
    u = float(np.sqrt(weights @ (variances + (values - value) ** 2)))
    return Quantity(value, u, "µm", len(spans), _spread(spans, h))


@dataclass(frozen=True)
class _Fit:
    """Sag by one shape, its variance, weighted squares left, and their inflation."""

    sag: float
    variance: float
    power: float
    inflation: float


def _string(v: FloatArray) -> FloatArray:
    return np.asarray(1.0 - v**2)


def _clamped(v: FloatArray) -> FloatArray:
    return np.asarray((1.0 - v**2) ** 2)


def _levelling(v: FloatArray) -> FloatArray:
    return np.asarray(0.5 * (1.0 + np.cos(math.pi * v)))


_SHAPES = (_string, _clamped, _levelling)


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


def _fit(
    lines: FloatArray,
    shape: FloatArray,
    y: FloatArray,
    w: FloatArray,
    cuts: list[int],
    *,
    stated: bool,
) -> _Fit:
    """Fit the spans' lines and one shape of sag by weighted least squares."""
    design = np.concatenate([lines, -shape[:, None]], axis=1) * w[:, None]
    coefficient = np.linalg.lstsq(design, y * w, rcond=None)[0]
    rest = y * w - design @ coefficient
    inflation = variance_inflation(np.split(rest, cuts), parameters=design.shape[1])
    power = float(rest @ rest)
    scale = power / (y.size - design.shape[1])
    if stated:
        scale = max(scale, 1.0)
    cov = np.linalg.pinv(design.T @ design) * scale * inflation
    # Rounding of exact data must not decide between the shapes.
    floor = y.size * (1e-12 * float(np.abs(y * w).max())) ** 2
    return _Fit(float(coefficient[-1]), float(cov[-1, -1]), max(power, floor, 1e-300), inflation)


def _weights(fits: list[_Fit], count: int) -> FloatArray:
    """Return the weight of each shape; the residuals that repeat each other count as fewer."""
    number = count / max(f.inflation for f in fits)
    score = np.array([number * math.log(f.power) for f in fits])
    weights = np.exp(-0.5 * (score - score.min()))
    return np.asarray(weights / weights.sum())


def _spread(spans: list[tuple[NDArray[np.intp], FloatArray]], h: FloatArray) -> float | None:
    """Return the standard deviation between the spans' own sags, each by a parabola."""
    if len(spans) < 3:
        return None
    own = [float(np.polyfit(v, h[k], 2)[0]) for k, v in spans]
    return float(np.std(own, ddof=1))
