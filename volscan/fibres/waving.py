"""What waving walls have in common: their wave, and the mean line that they wave about."""

from __future__ import annotations

import math

import numpy as np

from volscan.fibres.columns import FamilyAxes
from volscan.fibres.lines import FittedWall, MeanLines
from volscan.fibres.wavefit import PlanPath
from volscan.fibres.waves import fit_wave
from volscan.geometry import BuildFrame, FloatArray, Wave

# Stations of fewer than this many places say nothing of a wave.
_FEWEST_PLACES = 8


def waves_of(
    walls: list[FittedWall], frame: BuildFrame, families: list[FamilyAxes]
) -> dict[int, MeanLines]:
    """Return the waves of the families whose curved walls share one."""
    found = {}
    for family in sorted({w.family for w in walls if w.curved}):
        along = families[family].along
        rough = math.degrees(math.atan2(float(frame.y @ along), float(frame.x @ along)))
        own = [w for w in walls if w.family == family]
        wave, turned = family_wave(own, frame, rough)
        if wave is not None and np.isfinite(turned).any():
            found[family] = MeanLines(wave, rough + turned[np.isfinite(turned)])
    return found


def family_wave(
    walls: list[FittedWall], frame: BuildFrame, direction_deg: float
) -> tuple[Wave | None, FloatArray]:
    """Fit the wave that a family's curved walls share.

    Parameters
    ----------
    walls
        The family's walls, fitted along their paths.
    frame
        The build frame.
    direction_deg
        Rough direction of their mean lines.

    Returns
    -------
    Wave or None
        None where the paths are curved or irregular instead.
    FloatArray
        (walls,): how far each wall's mean line is turned from `direction_deg`, degrees; NaN where
        unknown, empty without a wave.

    Notes
    -----
    A straight line through part of a wave leans: the mean line is fitted together with the wave.
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
        return None, np.empty(0)
    diameter = 2.0 * float(np.mean(np.concatenate([w.radius_um for w in walls])))
    found = fit_wave(means, layers, diameter_um=diameter)
    if found is None:
        return None, np.empty(0)
    wave = Wave(found.shape, found.amplitude_um, found.wavelength_um, found.phase_mismatch_deg)
    return wave, np.degrees(np.arctan(np.array(found.slope)))
