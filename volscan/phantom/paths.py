"""Plan curves and height profiles of fibres: waves, bends, crossings, sag; plain arrays only."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from volscan.errors import SettingsError
from volscan.phantom.form import SagShape, Wave

FloatArray = NDArray[np.float64]

# 64 chords a wavelength shorten a sine by 0.03 % at a slope of one and leave the curve by
# 0.0012 amplitudes.
_CHORDS_A_WAVE = 64
# Shares of a chord that are one place.
_ROUNDING = 1e-9
# Degrees of turn for each chord of a rounded corner.
_CORNER_STEP_DEG = 6.0


def wave_curve(wave: Wave, low: float, high: float, *, phase_deg: float) -> FloatArray:
    """Return a wave from `low` to `high` along its mean line, as rows (along, across), (n, 2).

    A phase moves the curve back along the line: across = A sin(2π along / λ + phase) for a sine;
    the other shapes have their flats' middles (or corners) where a sine has its crests.

    Examples
    --------
    >>> curve = wave_curve(Wave("zigzag", 10.0, 80.0), 0.0, 80.0, phase_deg=0.0)
    >>> curve.tolist()
    [[0.0, 0.0], [20.0, 10.0], [60.0, -10.0], [80.0, 0.0]]
    """
    length = wave.wavelength_um
    if wave.shape == "sine":
        count = math.ceil((high - low) / length * _CHORDS_A_WAVE)
        s = np.linspace(low, high, count + 1)
        turn = 2 * math.pi * s / length + math.radians(phase_deg)
        return np.column_stack([s, wave.amplitude_um * np.sin(turn)])
    shift = phase_deg / 360
    first = math.floor(low / length + shift) - 1
    last = math.ceil(high / length + shift) + 1
    half, a = wave.flat_share / 2, wave.amplitude_um
    corners = []
    for m in range(first, last + 1):
        for middle, across in ((0.25, a), (0.75, -a)):
            for side in (-half, half) if half else (0.0,):
                corners.append(((m + middle + side - shift) * length, across))
    return _between(rounded(np.array(corners), wave.corner_um), low, high)


def rounded(points: FloatArray, radius: float) -> FloatArray:
    """Replace each inner corner of a polyline (n, 2) by chords of an arc that touches its legs.

    Raises
    ------
    SettingsError
        If the arcs of neighbouring corners would overlap.
    """
    if radius <= 0:
        return points
    legs = np.diff(points, axis=0)
    lengths = np.linalg.norm(legs, axis=1)
    units = legs / lengths[:, None]
    out = [points[:1]]
    for i in range(1, len(points) - 1):
        u, v = units[i - 1], units[i]
        cross = float(u[0] * v[1] - u[1] * v[0])
        turn = math.atan2(cross, float(u @ v))
        cut = radius * math.tan(abs(turn) / 2)
        if cut > min(lengths[i - 1], lengths[i]) / 2 * (1 + 1e-9):
            raise SettingsError(f"wave.corner_um of {radius:g} does not fit between the corners")
        start = points[i] - cut * u
        inward = math.copysign(1.0, turn) * np.array([-u[1], u[0]])
        angles = np.linspace(
            0, abs(turn), 1 + math.ceil(math.degrees(abs(turn)) / _CORNER_STEP_DEG)
        )
        out.append(
            start + radius * (np.sin(angles)[:, None] * u + (1 - np.cos(angles))[:, None] * inward)
        )
    return np.concatenate([*out, points[-1:]])


def _between(curve: FloatArray, low: float, high: float) -> FloatArray:
    """Part of a curve from its first passage of `low` to its last of `high` along the line."""

    def passages(at: float) -> NDArray[np.intp]:
        over = curve[:, 0] >= at
        return np.flatnonzero(over[1:] != over[:-1])

    def point(i: int, at: float) -> FloatArray:
        t = (at - curve[i, 0]) / (curve[i + 1, 0] - curve[i, 0])
        return np.array([[at, curve[i, 1] + t * (curve[i + 1, 1] - curve[i, 1])]])

    i, j = int(passages(low)[0]), int(passages(high)[-1])
    inner = curve[i + 1 : j + 1]
    return np.concatenate(
        [
            point(i, low),
            inner[(np.abs(inner[:, 0] - low) > 1e-9) & (np.abs(inner[:, 0] - high) > 1e-9)],
            point(j, high),
        ]
    )


def bent(s: FloatArray, *, radius_um: float, half_length_um: float) -> FloatArray:
    """Return an arc's offset from its mean line at places `s` (n,) along it, toward the radius.

    The mean of R - sqrt(R² - s²) over the half length L, (R - (sqrt(R² - L²) + R²/L asin(L/R))
    / 2), is taken off; a negative radius bends the other way.

    Raises
    ------
    SettingsError
        If the fibre is longer than the circle is wide.
    """
    r, reach = abs(radius_um), half_length_um
    if reach >= r:
        raise SettingsError(f"bend_radius_um of {radius_um:g} is shorter than half a fibre")
    mean = r - (math.sqrt(r**2 - reach**2) + r**2 / reach * math.asin(reach / r)) / 2
    arc = r - np.sqrt(np.maximum(r**2 - np.minimum(np.abs(s), reach) ** 2, 0.0))
    return np.asarray(math.copysign(1.0, radius_um) * (arc - mean))


def crossings(path: FloatArray, other: FloatArray) -> FloatArray:
    """Return where along `path` (n, 2) it crosses `other` (m, 2): chord number plus share."""
    a, e = path[:-1, None], np.diff(path, axis=0)[:, None]
    c, f = other[None, :-1], np.diff(other, axis=0)[None]
    cross = e[..., 0] * f[..., 1] - e[..., 1] * f[..., 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = c - a
        t = (gap[..., 0] * f[..., 1] - gap[..., 1] * f[..., 0]) / cross
        u = (gap[..., 0] * e[..., 1] - gap[..., 1] * e[..., 0]) / cross
        met = _on_chord(t, axis=0) & _on_chord(u, axis=1)
    i, j = np.nonzero(met)
    return np.sort(np.clip(i + t[i, j], 0.0, len(path) - 1.0))


def _on_chord(t: FloatArray, *, axis: int) -> NDArray[np.bool_]:
    """Whether a share lies on its chord; its end belongs to the next chord, if there is one."""
    most = np.full(t.shape[axis], 1.0 - _ROUNDING)
    most[-1] = 1.0 + _ROUNDING
    return (t >= -_ROUNDING) & (t <= (most[:, None] if axis == 0 else most[None, :]))


def sagged(along: FloatArray, supports: FloatArray, *, drop: float, shape: SagShape) -> FloatArray:
    """Return the drop (n,) at arc lengths `along` between neighbouring supports (m,)."""
    if len(supports) < 2:
        return np.zeros_like(along)
    i = np.clip(np.searchsorted(supports, along, side="right") - 1, 0, len(supports) - 2)
    t = (along - supports[i]) / (supports[i + 1] - supports[i])
    profile = 4 * t * (1 - t) if shape == "parabola" else (1 - np.cos(2 * math.pi * t)) / 2
    return np.where((t >= 0) & (t <= 1), drop * profile, 0.0)


def arc_length(points: FloatArray) -> FloatArray:
    """Return the length from the start to each point of a polyline (n, k)."""
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])
