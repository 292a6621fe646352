"""A scaffold that curled off its plate: every fibre's heights moved by a field over (X, Y)."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import SettingsError
from volscan.phantom.form import Release
from volscan.phantom.mounting import Mounting
from volscan.phantom.paths import arc_length
from volscan.phantom.polygon import inside
from volscan.phantom.scaffold import Scaffold

FloatArray = NDArray[np.float64]

# Points each way over the patch, for the mean plane and the range of the field.
_GRID = 201
# Chords over the shorter of the bend's reach and the wave.
_CHORDS = 48


class Curl:
    """The height field of a release, its mean plane over the patch taken off."""

    def __init__(self, scaffold: Scaffold) -> None:
        if scaffold.spec.form.release is None:
            raise SettingsError("the scaffold is not released")
        self.release: Release = scaffold.spec.form.release
        ends = np.concatenate([w.ends_um.reshape(-1, 3) for w in scaffold.walls])[:, :2]
        low, high = ends.min(axis=0), ends.max(axis=0)
        self.reach_um = float(np.linalg.norm(high - low)) / 2
        x, y = (np.linspace(a, b, _GRID) for a, b in zip(low, high, strict=True))
        self.grid_um = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
        plane = np.column_stack([np.ones(len(self.grid_um)), self.grid_um])
        self._plane, *_ = np.linalg.lstsq(plane, self._raw(self.grid_um), rcond=None)

    def height_um(self, plan_um: FloatArray) -> FloatArray:
        """Height (n,) by which the points (n, 2) [X, Y] are lifted."""
        plane = self._plane[0] + plan_um @ self._plane[1:]
        return np.asarray(self._raw(plan_um) - plane)

    @property
    def step_um(self) -> float:
        """Length of chord that follows the field."""
        r = self.release
        return min(r.wavelength_um if r.amplitude_um else math.inf, 2 * self.reach_um) / _CHORDS

    def _raw(self, plan_um: FloatArray) -> FloatArray:
        r = self.release
        out = np.zeros(len(plan_um))
        if r.bend_radius_um:
            radius = abs(r.bend_radius_um)
            u = plan_um @ _unit(r.azimuth_deg)
            if float(np.abs(u).max()) >= radius:
                raise SettingsError("release.bend_radius_um is shorter than half the scaffold")
            out += math.copysign(1.0, r.bend_radius_um) * (radius - np.sqrt(radius**2 - u**2))
        if r.amplitude_um:
            turn = 2 * math.pi * (plan_um @ _unit(r.wave_azimuth_deg)) / r.wavelength_um
            out += r.amplitude_um * np.sin(turn + math.radians(r.phase_deg))
        return out


def released(scaffold: Scaffold) -> Scaffold:
    """Return a scaffold as it lies after release; unchanged where its form has none.

    Points move along H only, so that its volume stays to second order in the field's slope.

    Raises
    ------
    SettingsError
        If it has a membrane, which stays flat here, or is longer than the bend is wide.
    """
    if scaffold.spec.form.release is None:
        return scaffold
    if scaffold.spec.form.membrane is not None:
        raise SettingsError("a scaffold with a membrane cannot be released")
    curl = Curl(scaffold)
    strands = []
    for strand in scaffold.strands:
        arc = arc_length(strand.points_um)
        count = math.ceil(arc[-1] / curl.step_um) + 1
        at = np.unique(np.concatenate([arc, np.linspace(0, arc[-1], count)]))
        at = at[np.concatenate([[True], np.diff(at) > 1e-9 * arc[-1]])]
        points = np.column_stack([np.interp(at, arc, strand.points_um[:, i]) for i in range(3)])
        points[:, 2] += curl.height_um(points[:, :2])
        widths = None if strand.widths_um is None else np.interp(at, arc, strand.widths_um)
        strands.append(replace(strand, points_um=points, widths_um=widths))
    return replace(scaffold, strands=tuple(strands))


def release_truth(
    scaffold: Scaffold, mounting: Mounting, outline_um: FloatArray
) -> dict[str, Any] | None:
    """Tell by how much the base surface of a released scaffold departs from its mean plane.

    Parameters
    ----------
    scaffold
        As printed, flat.
    mounting
        Where it lies.
    outline_um
        The envelope's outline (n, 2) in the measured frame.

    Returns
    -------
    Its settings, with `peak_to_valley_um` over the outline (about the mean plane of the patch),
    `patch_peak_to_valley_um` over all of it and `rms_um` over the outline; None if flat.
    """
    if scaffold.spec.form.release is None:
        return None
    curl = Curl(scaffold)
    z = curl.height_um(curl.grid_um)
    flat = np.column_stack([curl.grid_um, np.zeros(len(z))])
    within = z[inside(np.ascontiguousarray(outline_um), mounting.to_measured(flat)[:, :2].copy())]
    r = curl.release
    return {
        "bend_radius_um": r.bend_radius_um or None,
        "azimuth_deg": r.azimuth_deg,
        "amplitude_um": r.amplitude_um,
        "wavelength_um": r.wavelength_um or None,
        "wave_azimuth_deg": r.wave_azimuth_deg,
        "peak_to_valley_um": float(np.ptp(within)),
        "rms_um": float(within.std()),
        "patch_peak_to_valley_um": float(np.ptp(z)),
    }


def _unit(azimuth_deg: float) -> FloatArray:
    a = math.radians(azimuth_deg)
    return np.array([math.cos(a), math.sin(a)])
