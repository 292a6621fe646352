"""What waving walls have in common: their wave, and the mean line that they wave about."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from volscan.fibres.columns import FamilyAxes
from volscan.fibres.lines import FittedWall, MeanLines
from volscan.fibres.paths import smoothed
from volscan.fibres.wavefit import PlanPath, harmonics, sine_beside_line
from volscan.fibres.waves import fit_wave
from volscan.geometry import BuildFrame, FloatArray, Wave

# Sections across a bent wall are no discs: share of the amplitude by which phantoms were missed
# where noise is weak.
_SHAPE_DOUBT = {"sine": 0.004, "zigzag": 0.012}
# Stations of fewer than this many places say nothing of a wave.
_FEWEST_PLACES = 8


def waves_of(
    walls: list[FittedWall], frame: BuildFrame, families: list[FamilyAxes], *, blur_um: float
) -> dict[int, MeanLines]:
    """Return the waves of the families whose curved walls share one.

    `blur_um` is the standard deviation of the blur in the plane, the voxel's box with it.
    """
    found = {}
    for family in sorted({w.family for w in walls if w.curved}):
        along = families[family].along
        rough = math.degrees(math.atan2(float(frame.y @ along), float(frame.x @ along)))
        own = [w for w in walls if w.family == family]
        lines = _family_wave(own, frame, rough, blur_um=blur_um)
        if lines is not None:
            found[family] = lines
    return found


def _family_wave(
    walls: list[FittedWall], frame: BuildFrame, direction_deg: float, *, blur_um: float
) -> MeanLines | None:
    """Fit the wave that a family's curved walls share; None where they are irregular instead.

    `direction_deg` is the rough direction of their mean lines. A straight line through part of a
    wave leans: the mean line is fitted together with the wave.
    """
    a = math.radians(direction_deg)
    along, normal = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    means, layers = [], []
    for wall in walls:
        built = frame.to_build(wall.centres())[..., :2]
        s, n = built @ along, built @ normal
        u = wall.u_places_um[..., 0]
        k = max(1, n.shape[1])
        means.append(PlanPath(s.mean(axis=1), n.mean(axis=1), u.mean(axis=1) / math.sqrt(k)))
        layers.append([PlanPath(s[:, i], n[:, i], u[:, i]) for i in range(k)])
    if max(p.s_um.size for p in means) < _FEWEST_PLACES:
        return None
    diameter = 2.0 * float(np.mean(np.concatenate([w.radius_um for w in walls])))
    found = fit_wave(means, layers, diameter_um=diameter, blur_um=blur_um)
    if found is None:
        return None
    size = found.amplitude_um
    size = replace(size, u=math.hypot(size.u or 0.0, _SHAPE_DOUBT[found.shape] * size.value))
    wave = Wave(found.shape, size, found.wavelength_um, found.phase_mismatch_deg)
    turned = np.degrees(np.arctan(np.array(found.slope)))
    told = turned[np.isfinite(turned)]
    return MeanLines(wave, direction_deg + told, found.corner_share, blur_um) if told.size else None


def waved(
    walls: list[FittedWall], frame: BuildFrame, waves: dict[int, MeanLines]
) -> list[FittedWall]:
    """Return the walls, those that wave told by their wave where crossings hide them.

    What departs from the wave is smooth and small, so that little is lost between stations.
    """
    return [
        replace(w, dense_um=_dense(w, frame, waves[w.family]))
        if w.family in waves and w.dense_um is not None
        else w
        for w in walls
    ]


def _dense(wall: FittedWall, frame: BuildFrame, lines: MeanLines) -> FloatArray:
    assert wall.dense_um is not None
    a = math.radians(float(np.mean(lines.directions_deg)))
    turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    own = frame.to_build(wall.centres())
    s, n = np.moveaxis(own[..., :2] @ turn.T, -1, 0)
    before = frame.to_build(wall.dense_um @ wall.axes.matrix)
    ends = (before[..., :2] @ turn.T)[[0, -1], :, 0].mean(axis=1)
    radius = float(wall.radius_um.mean())
    even = np.linspace(ends[0], ends[1], len(before))
    step = float(even[1] - even[0])
    wavelength = lines.wave.wavelength_um.value
    out = np.empty_like(before)
    for k in range(before.shape[1]):
        _, _, sine, cosine = sine_beside_line(
            s[:, k], n[:, k], frequency=1.0 / wavelength, extent_um=wavelength
        )
        phase = math.atan2(float(cosine), float(sine))
        seen = _basis(s[:, k], lines, phase, blur_um=lines.blur_um)
        fit, *_ = np.linalg.lstsq(seen, n[:, k], rcond=None)
        rest = n[:, k] - seen @ fit
        rows = np.clip(np.round((s[:, k] - even[0]) / step).astype(int), 0, even.size - 1)
        values = np.full((even.size, 2), np.nan)
        values[rows, 0] = rest
        values[rows, 1] = own[:, k, 2]
        smooth = smoothed(values, abs(step), 10.0 * radius)
        # Told as it was laid, not as blur shows it.
        across = _basis(even, lines, phase, blur_um=0.0) @ fit + smooth[:, 0]
        out[:, k, :2] = np.stack([even, across], axis=1) @ turn
        out[:, k, 2] = smooth[:, 1]
    return np.asarray(frame.to_scan(out) @ wall.axes.matrix.T)


def _basis(s: FloatArray, lines: MeanLines, phase: float, *, blur_um: float) -> FloatArray:
    """Return the columns of a line, the family's wave, and a small shift of it along."""
    wavelength = lines.wave.wavelength_um.value
    orders, sizes = harmonics(
        lines.wave.shape, rounding=lines.corner_share**2, blur=blur_um / wavelength
    )
    angle = np.outer(2.0 * math.pi / wavelength * s + phase, orders)
    wave, shift = np.sin(angle) @ sizes, np.cos(angle) @ (sizes * orders)
    return np.stack([np.ones_like(s), s / wavelength, wave, shift], axis=1)
