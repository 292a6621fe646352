"""The envelope's outline where walls are wavy or bent: strips between curves half-way of walls."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from volscan.errors import SettingsError
from volscan.phantom.form import Form
from volscan.phantom.paths import bent, crossings, wave_curve
from volscan.phantom.pieces import BuiltWall

FloatArray = NDArray[np.float64]

_BEND_CHORDS = 96


def curved_outline(walls: list[BuiltWall], form: Form, rise_per_fibre_um: float) -> FloatArray:
    """Return the polygon (n, 2) in build coordinates, counter-clockwise, of the envelope.

    Each family of three walls or more bounds it by the curves half-way between its two outermost
    paths on either side, at half height; with one family only, the other two sides lie a whole
    number of wavelengths apart.

    Raises
    ------
    SettingsError
        If there is no such family, or the curves do not meet as the sides of one area do.
    """
    families = [[w for w in walls if w.family == f] for f in {w.family for w in walls}]
    wide = [own for own in families if len(own) >= 3]
    if not wide:
        raise SettingsError("the walls enclose no area: give two directions of three walls each")
    low, high = _sides(wide[0], form, rise_per_fibre_um, whole=len(wide) == 1)
    polygon = np.concatenate([low, high[::-1]])
    for own in wide[1:]:
        first, last = _sides(own, form, rise_per_fibre_um, whole=False)
        polygon = _cut(polygon, first, -own[0].normal)
        polygon = _cut(polygon, last, own[0].normal)
    return polygon


def _sides(
    own: list[BuiltWall], form: Form, rise_per_fibre_um: float, *, whole: bool
) -> tuple[FloatArray, FloatArray]:
    """Lower and upper curve (n, 2) of a family's strip."""
    first = own[0]
    f, n = first.family, len(first.heights_um)
    ends = np.concatenate([w.ends_um.reshape(-1, 3) for w in own])[:, :2] @ first.along
    reach = float(np.abs(ends).max())
    wave, bend = form.wave(f), form.bend(f)
    half = reach
    if wave is not None and whole:
        reach = math.floor(2 * reach / wave.wavelength_um) * wave.wavelength_um / 2
    s = np.linspace(-reach, reach, 2 if not bend else _BEND_CHORDS + 1)
    across = np.zeros_like(s)
    # Half-way between mirrored neighbours the line is straight.
    if wave is not None and not wave.mirrored:
        phase = float(np.mean([form.phase_deg(f, k) for k in range(n)]))
        curve = wave_curve(wave, -reach, reach, phase_deg=phase)
        s, across = curve[:, 0], curve[:, 1]
    if bend:
        across = across + bent(s, radius_um=bend, half_length_um=half)
    half_height = rise_per_fibre_um * (n - 1) / 2
    across = across + math.tan(math.radians(form.twist(f))) / 1000 * half_height * s
    at = sorted(float(w.positions_um.mean()) for w in own)
    return tuple(  # type: ignore[return-value]
        s[:, None] * first.along + (across + p)[:, None] * first.normal
        for p in ((at[0] + at[1]) / 2, (at[-2] + at[-1]) / 2)
    )


def _cut(polygon: FloatArray, side: FloatArray, outward: FloatArray) -> FloatArray:
    """Keep the part of a polygon on the inner side of a curve that crosses it twice."""
    closed = np.concatenate([polygon, polygon[:1]])
    at, on_side = crossings(closed, side), crossings(side, closed)
    if len(at) != 2 or len(on_side) != 2:
        raise SettingsError("the outer walls cross more than once: the envelope is not one area")
    p, q = (_point(closed, t) for t in at)
    if np.linalg.norm(_point(side, on_side[0]) - p) > np.linalg.norm(_point(side, on_side[1]) - p):
        on_side = on_side[::-1]
    i, j = int(at[0]) + 1, int(at[1]) + 1
    pieces = (polygon[i:j], np.concatenate([polygon[j:], polygon[:i]]))
    inner = int(np.argmin([float((part @ outward).mean()) for part in pieces]))
    begin, end = int(on_side[0]) + 1, int(on_side[1]) + 1
    # From p to q along the curve.
    along = side[begin:end] if begin <= end else side[end:begin][::-1]
    if inner == 0:
        return np.concatenate([[p], pieces[0], [q], along[::-1]])
    return np.concatenate([[q], pieces[1], [p], along])


def _point(path: FloatArray, at: float) -> FloatArray:
    i = min(int(at), len(path) - 2)
    return np.asarray(path[i] + (at - i) * (path[i + 1] - path[i]))
