"""Least squares of waves with one wavelength on several paths: first guess, and the fit itself."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import least_squares

from volscan.fibres.serial import variance_inflation
from volscan.geometry import FloatArray

WaveShape = Literal["sine", "zigzag"]

# Odd harmonics up to the 39th: what is left of a sharp triangle wave is 0.05 % of it (RMS).
_HARMONICS = np.arange(1, 40, 2)
# Trial frequencies for each resolved one (1 / longest path).
_OVERSAMPLED = 12
# Square of the share of a period over which a zigzag's corners are rounded: at most half a
# period, where its legs vanish.
_MOST_ROUNDED = 0.25
_ROUNDED_AT_FIRST = 0.01


@dataclass(frozen=True)
class PlanPath:
    """A path seen from above: places along the family's mean direction, across, and noise.

    Parameters
    ----------
    s_um, n_um
        Places (m,) along and across.
    u_um
        1-σ noise of `n_um`, (m,) or one number; 0 when unknown.
    """

    s_um: FloatArray
    n_um: FloatArray
    u_um: FloatArray | float = 0.0

    def clean(self) -> PlanPath:
        """Return the path without NaN, in order, every field an array.

        Raises
        ------
        ValueError
            If sizes disagree or a noise is negative.
        """
        s, n = np.asarray(self.s_um, dtype=np.float64), np.asarray(self.n_um, dtype=np.float64)
        u = np.asarray(self.u_um, dtype=np.float64)
        if s.ndim != 1 or s.shape != n.shape or u.shape not in ((), s.shape):
            raise ValueError(f"a path needs (m,) along, across and noise, got {s.shape}, {n.shape}")
        if np.any(u < 0):
            raise ValueError("the noise of a path must be at least 0")
        keep = np.flatnonzero(np.isfinite(s) & np.isfinite(n))
        keep = keep[np.argsort(s[keep], kind="stable")]
        return PlanPath(s[keep], n[keep], np.broadcast_to(u, s.shape)[keep])


@dataclass(frozen=True)
class WaveFit:
    """A fitted wave: n = offset + slope (s - middle) + amplitude f(2π frequency s + phase).

    `own` holds (w, 4) offset, slope, amplitude (of sharp corners) and phase (at s = 0 of each
    path, radians); `rounding` is the square of the share of a period that rounds the corners;
    `covariance` is of frequency, rounding (if free) and `own`, row by row. `residuals` in µm.
    """

    shape: WaveShape
    frequency: float
    rounding: float
    own: FloatArray
    covariance: FloatArray
    residuals: list[FloatArray]
    power: float
    inflation: float
    count: int

    @property
    def shared(self) -> int:
        """How many parameters stand before those of the paths in the covariance."""
        return int(self.covariance.shape[0] - self.own.size)


def harmonics(shape: WaveShape, *, rounding: float, blur: float) -> tuple[FloatArray, ...]:
    """Return orders and coefficients of sin(k θ) for a wave whose sharp half swing is 1.

    A zigzag's corners are rounded by a running mean over √`rounding` periods, which takes the
    share √`rounding` off its half swing; `blur` is the standard deviation, in periods, of the
    blur along the wave.

    Notes
    -----
    A running mean over the share p of a period multiplies harmonic k by sin(π k p) / (π k p);
    a triangle wave has 8/π² (-1)^((k-1)/2) / k² in the odd ones. The square of the rounding is
    the parameter, since the wave changes with it evenly, down to sharp corners. A bent wall that
    is blurred seems to stand nearer to its centre of curvature, by half the curvature times the
    blur's variance: the wave is as if it were blurred along itself, exp(-2 (π k blur)²).
    """
    if shape == "sine":
        return np.array([1.0]), np.array([math.exp(-2.0 * (math.pi * blur) ** 2)])
    k = _HARMONICS.astype(np.float64)
    signs = np.where(_HARMONICS % 4 == 1, 1.0, -1.0)
    mean = np.sinc(k * math.sqrt(rounding)) * np.exp(-2.0 * (math.pi * k * blur) ** 2)
    return k, 8.0 / math.pi**2 * signs / k**2 * mean


def first_frequency(paths: Sequence[PlanPath], *, shortest_um: float) -> float | None:
    """Return the frequency (1/µm) whose sines, beside a line a path, leave the least squares.

    Wavelengths from `shortest_um` to one and a half paths are tried; None when the best is
    longer than the longest path, as it is for an arc, or when nothing can be tried.
    """
    extent = max(float(np.ptp(p.s_um)) for p in paths)
    step = 1.0 / (_OVERSAMPLED * extent)
    trial = np.arange(1.0 / (1.5 * extent), 1.0 / shortest_um, step)
    if trial.size < 3:
        return None
    gain = np.zeros(trial.size)
    for p in paths:
        weight = _weights(p)
        line = np.stack([np.ones_like(p.s_um), p.s_um - p.s_um.mean()], axis=1)
        q = np.linalg.qr(line * weight[:, None])[0]
        angle = 2.0 * math.pi * np.outer(p.s_um - p.s_um.mean(), trial)
        c, d = (
            w - q @ (q.T @ w)
            for w in (np.cos(angle) * weight[:, None], np.sin(angle) * weight[:, None])
        )
        y = p.n_um * weight
        cc, dd, cd = np.sum(c * c, axis=0), np.sum(d * d, axis=0), np.sum(c * d, axis=0)
        cy, dy = c.T @ y, d.T @ y
        det = cc * dd - cd**2
        # Where sine and cosine can hardly be told apart, their gain is rounding.
        safe = det > 1e-9 * cc * dd
        explained = (dd * cy**2 - 2.0 * cd * cy * dy + cc * dy**2) / np.where(safe, det, 1.0)
        gain += np.where(safe, explained, 0.0)
    k = int(np.argmax(gain))
    if trial[k] * extent < 1.0 - 1.0 / _OVERSAMPLED:
        return None
    return float(trial[k])


def fit_paths(
    paths: Sequence[PlanPath],
    shape: WaveShape,
    *,
    frequency: float,
    rounding: float | None = None,
    blur_um: float = 0.0,
    shared_free: bool = True,
) -> WaveFit:
    """Fit a line and a wave to each path, frequency and rounding being common to all.

    Parameters
    ----------
    frequency
        First guess (1/µm), or the value to keep.
    rounding
        Square of the share of a period that rounds a zigzag's corners, likewise.
    blur_um
        Standard deviation of the blur along the paths.
    shared_free
        Whether frequency and rounding are fitted.
    """
    rounding = _ROUNDED_AT_FIRST if rounding is None else rounding
    if shape == "sine":
        rounding = 0.0
    bends = shape == "zigzag"
    middle = 0.5 * (min(p.s_um[0] for p in paths) + max(p.s_um[-1] for p in paths))
    extent = max(float(np.ptp(p.s_um)) for p in paths)
    weights = [_weights(p) for p in paths]
    shared = (1 + bends) if shared_free else 0
    blur = blur_um * frequency

    def split(x: FloatArray) -> tuple[float, float, FloatArray]:
        # The frequency is stepped in periods a path, which makes all parameters alike in size.
        f = frequency + (x[0] / extent if shared_free else 0.0)
        r = float(x[1]) if shared_free and bends else rounding
        return f, r, x[shared:].reshape(len(paths), 4)

    def parts(x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return weighted residuals and their derivatives."""
        f, r, own = split(x)
        k, a = harmonics(shape, rounding=r, blur=blur)
        # Central difference of smooth coefficients, inside the bounds where these bind.
        low, high = max(r - 1e-6, 0.0), r + 1e-6
        slope = (
            harmonics(shape, rounding=high, blur=blur)[1]
            - harmonics(shape, rounding=low, blur=blur)[1]
        ) / (high - low)
        rest, rows = [], []
        for j, (p, w) in enumerate(zip(paths, weights, strict=True)):
            offset, lean, amplitude, phase = own[j]
            at = p.s_um - middle
            theta = np.outer(2.0 * math.pi * f * at + phase, k)
            wave, turn = np.sin(theta) @ a, np.cos(theta) @ (a * k)
            rest.append((offset + lean * at / extent + amplitude * wave - p.n_um) * w)
            row = np.zeros((at.size, x.size))
            if shared_free:
                row[:, 0] = amplitude * turn * 2.0 * math.pi * at / extent
            if shared_free and bends:
                row[:, 1] = amplitude * (np.sin(theta) @ slope)
            base = shared + 4 * j
            row[:, base] = 1.0
            row[:, base + 1] = at / extent
            row[:, base + 2] = wave
            row[:, base + 3] = amplitude * turn
            rows.append(row * w[:, None])
        return np.concatenate(rest), np.concatenate(rows)

    start = [0.0, rounding][:shared]
    for p, w in zip(paths, weights, strict=True):
        start += _start(p, w, frequency, middle, extent, shape)
    x0 = np.array(start)
    low, high = np.full(x0.size, -np.inf), np.full(x0.size, np.inf)
    if shared_free:
        low[0], high[0] = -0.3, 0.3
        if bends:
            low[1], high[1] = 0.0, _MOST_ROUNDED
    solved = least_squares(
        lambda x: parts(x)[0],
        x0,
        jac=lambda x: parts(x)[1],
        bounds=(low, high),
        x_scale="jac",
        xtol=1e-11,
        ftol=1e-12,
        gtol=1e-12,
        max_nfev=60,
    )
    x = solved.x
    rest, jacobian = parts(x)
    cuts = [int(c) for c in np.cumsum([p.s_um.size for p in paths])[:-1]]
    runs = np.split(rest, cuts)
    inflation = variance_inflation(runs, parameters=x.size)
    power = float(rest @ rest)
    stated = all(np.all(np.asarray(p.u_um) > 0) for p in paths)
    scale = power / max(rest.size - x.size, 1)
    if stated:
        scale = max(scale, 1.0)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * scale * inflation
    f, r, own = split(x)
    own = own.copy()
    back = np.ones(x.size)
    if shared_free:
        back[0] = 1.0 / extent
    back[shared + 1 :: 4] = 1.0 / extent
    own[:, 1] /= extent
    flipped = own[:, 2] < 0
    own[flipped, 2] *= -1.0
    own[flipped, 3] += math.pi
    back[shared + 2 :: 4] *= np.where(flipped, -1.0, 1.0)
    own[:, 3] -= 2.0 * math.pi * f * middle
    return WaveFit(
        shape=shape,
        frequency=f,
        rounding=r,
        own=own,
        covariance=covariance * np.outer(back, back),
        residuals=[e / w for e, w in zip(runs, weights, strict=True)],
        power=power,
        inflation=inflation,
        count=rest.size,
    )


def _weights(path: PlanPath) -> FloatArray:
    u = np.asarray(path.u_um, dtype=np.float64)
    return 1.0 / u if u.size and np.all(u > 0) else np.ones_like(path.s_um)


def _start(
    path: PlanPath,
    weight: FloatArray,
    frequency: float,
    middle: float,
    extent: float,
    shape: WaveShape,
) -> list[float]:
    """Return offset, lean, amplitude and phase of the sine that fits one path at a frequency."""
    at = path.s_um - middle
    c = sine_beside_line(at, path.n_um, frequency=frequency, extent_um=extent, weight=weight)
    # A triangle wave's half swing is π²/8 of its first harmonic.
    swing = 1.0 if shape == "sine" else math.pi**2 / 8.0
    size = max(math.hypot(c[2], c[3]), 1e-9)
    return [float(c[0]), float(c[1]), swing * size, math.atan2(c[3], c[2])]


def sine_beside_line(
    s_um: FloatArray,
    n_um: FloatArray,
    *,
    frequency: float,
    extent_um: float,
    weight: FloatArray | None = None,
) -> FloatArray:
    """Return offset, rise over `extent_um`, sine and cosine (4,) that fit a path at a frequency."""
    angle = 2.0 * math.pi * frequency * s_um
    design = np.stack([np.ones_like(s_um), s_um / extent_um, np.sin(angle), np.cos(angle)], axis=1)
    w = np.ones_like(s_um) if weight is None else weight
    return np.asarray(np.linalg.lstsq(design * w[:, None], n_um * w, rcond=None)[0])
