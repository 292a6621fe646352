"""Fibres of an OCT wall fitted to its mean section: places, widths, and what the light did."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.optimize import least_squares

from volscan.geometry import FloatArray
from volscan.kernels.oct_section import section_model, section_models

# Added to model and scan before the logarithm, in noise floors: below it all is noise.
_SOFT = 2.0
# What the model of light leaves out, as a spread of ln intensity: it keeps bright, well-averaged
# places from counting without end.
_MODEL_SPREAD = 0.25
# Step of the fit's difference quotients, in its own units.
_STEP = 1e-3
# A fit has settled when a step betters it by less than this share: of some thousand points that is
# a twentieth of a standard deviation.
_SETTLED = 1e-6


@dataclass(frozen=True)
class Section:
    """A wall's mean section: intensity (v, u) in noise floors and how well each bin is known.

    `u_um` are places across from the wall's middle, `v_um` optical paths below the free collector
    (negative above it); `weight` is one over the standard deviation of a bin's ln intensity.
    """

    u_um: FloatArray
    v_um: FloatArray
    mean: FloatArray
    weight: FloatArray
    collector: float


@dataclass(frozen=True)
class SectionOptics:
    """How fibres echo, common to a print.

    Parameters
    ----------
    medium, polymer
        Group indices.
    sigma_um
        Standard deviation of the amplitude's spread across and along the beam (optical path).
    half_angle_deg
        Angle at which the mirror-like echo's intensity has halved.
    underside, rough, inside
        Underside's amplitude over the top's; rough and inner share of the top's intensity.
    flank
        Power of the cosine of a surface's angle that light keeps in passing it, there and back.
    loss_per_um
        Light lost per µm of polymer, there and back.
    floor_rough, body, decay_um
        Rough share of the collector's echo, scatter below it and its depth.
    cone
        Tangent of the half-angle of the cone of light.
    crossing
        Light (ln) lost by any crossing of a fibre, there and back.
    flatness
        Height over width of the fibres.
    """

    medium: float
    polymer: float
    sigma_um: tuple[float, float] = (3.0, 2.2)
    half_angle_deg: float = 18.0
    underside: float = 0.4
    rough: float = 0.02
    inside: float = 0.001
    flank: float = 2.0
    loss_per_um: float = 0.01
    floor_rough: float = 0.3
    body: float = 1e-3
    decay_um: float = 6.0
    cone: float = 0.05
    crossing: float = 0.1
    flatness: float = 1.0

    def packed(self, collector: float) -> FloatArray:
        """Return what the kernel takes, for a collector's intensity."""
        return np.array(
            [
                self.medium, self.polymer, *self.sigma_um, math.radians(self.half_angle_deg),
                self.underside, self.rough, self.inside, self.flank, math.sqrt(collector),
                self.loss_per_um, self.floor_rough, self.body, self.decay_um,
                self.cone, self.crossing,
            ]
        )  # fmt: skip


@dataclass(frozen=True)
class Stack:
    """Fibres of one section, from the top: place across, height above the collector, half-width.

    `level` is ln of the amplitude of a level top's echo. `u_um` (k, 3) holds the standard
    uncertainties of place, height and half-width from the scan's noise; `misfit` the root mean
    square of the weighted residual (1: noise alone).
    """

    across_um: FloatArray
    height_um: FloatArray
    half_width_um: FloatArray
    level: FloatArray
    u_um: FloatArray | None = None
    misfit: float = math.nan

    def packed(self, flatness: float) -> FloatArray:
        """Return what the kernel takes."""
        return np.stack(
            [
                self.across_um, self.height_um, self.half_width_um,
                flatness * self.half_width_um, np.exp(self.level),
            ],
            axis=1,
        )  # fmt: skip


# Shared parameters that a fit may free: name, smallest, largest; all are fitted as logarithms.
_SHARED = {
    "sigma_u": (0.4, 40.0),
    "sigma_v": (0.4, 40.0),
    "half_angle_deg": (4.0, 60.0),
    "underside": (0.01, 2.0),
    "rough": (1e-4, 1.0),
    "inside": (1e-6, 0.1),
    "flank": (0.1, 8.0),
    "loss_per_um": (1e-4, 0.2),
    "floor_rough": (0.02, 0.98),
    "body": (1e-6, 0.1),
    "decay_um": (1.0, 60.0),
    "cone": (0.003, 0.4),
    "crossing": (1e-3, 3.0),
    "polymer": (1.01, 2.5),
    "flatness": (0.4, 1.6),
}

# Where the kernel takes them (`SectionOptics.packed`); flatness is the fibres'.
_PLACE = {
    "polymer": 1, "sigma_u": 2, "sigma_v": 3, "half_angle_deg": 4, "underside": 5, "rough": 6,
    "inside": 7, "flank": 8, "loss_per_um": 10, "floor_rough": 11, "body": 12, "decay_um": 13,
    "cone": 14, "crossing": 15,
}  # fmt: skip


def model_of(section: Section, stack: Stack, optics: SectionOptics) -> FloatArray:
    """Return the mean intensity that a stack shows on a section's grid."""
    out = np.empty(section.mean.shape)
    section_model(
        section.u_um, section.v_um, stack.packed(optics.flatness),
        optics.packed(section.collector), out,
    )  # fmt: skip
    return out


def misfit_of(section: Section, stack: Stack, optics: SectionOptics) -> float:
    """Return what a stack leaves unexplained, as `fit_section` counts it (soft L1)."""
    model = model_of(section, stack, optics)
    rest = (np.log(model + _SOFT) - np.log(np.maximum(section.mean, 0.0) + _SOFT)) * section.weight
    return float(np.sum(np.sqrt(1.0 + rest**2) - 1.0))


def fit_section(
    section: Section,
    stack: Stack,
    optics: SectionOptics,
    *,
    free: tuple[str, ...] = (),
    widths: bool = True,
    one_width: bool = False,
    evaluations: int = 20,
) -> tuple[Stack, SectionOptics]:
    """Fit a stack to a section, and the shared parameters named in `free`.

    Parameters
    ----------
    section, stack, optics
        What is seen, and first guesses.
    free
        Names of shared parameters to fit as well.
    widths
        Whether half-widths are fitted; `one_width` fits one for all fibres.
    evaluations
        Most steps of the fit.

    Notes
    -----
    Least squares on ln(intensity + 2 noise floors), in which speckle has the same spread at every
    brightness; places that the model does not explain count as by the soft L1 loss.
    """
    k = stack.across_um.size
    r0 = float(np.median(stack.half_width_um))
    n_width = 0 if not widths else (1 if one_width else k)
    seen = section.weight > 0
    weight = section.weight[seen]
    observed = np.log(np.maximum(section.mean[seen], 0.0) + _SOFT) * weight
    start = np.concatenate(
        [
            stack.across_um / r0,
            stack.height_um / r0,
            stack.level,
            np.log(stack.half_width_um[:n_width]) * 5.0,
            [math.log(_get(optics, name)) for name in free],
        ]
    )
    low = np.concatenate(
        [
            start[:k] - 1.2,
            start[k : 2 * k] - 0.6,
            start[2 * k : 3 * k] - 5.0,
            start[3 * k : 3 * k + n_width] - 2.0,
            [math.log(_SHARED[name][0]) for name in free],
        ]
    )
    high = np.concatenate(
        [
            start[:k] + 1.2,
            start[k : 2 * k] + 0.6,
            start[2 * k : 3 * k] + 5.0,
            start[3 * k : 3 * k + n_width] + 2.0,
            [math.log(_SHARED[name][1]) for name in free],
        ]
    )

    def unpacked(p: FloatArray) -> tuple[Stack, SectionOptics]:
        half = stack.half_width_um
        if n_width:
            half = np.broadcast_to(np.exp(p[3 * k : 3 * k + n_width] / 5.0), (k,)).copy()
        made = Stack(p[:k] * r0, p[k : 2 * k] * r0, half, p[2 * k : 3 * k])
        return made, _set(optics, free, np.exp(p[3 * k + n_width :]))

    constants = optics.packed(section.collector)

    def explained(several: FloatArray) -> FloatArray:
        """Return weighted ln intensities (n, points) of parameter sets (n, parameters)."""
        n = len(several)
        shared = np.exp(several[:, 3 * k + n_width :])
        flatness = np.full((n, 1), optics.flatness)
        light = np.tile(constants, (n, 1))
        for column, name in enumerate(free):
            if name == "flatness":
                flatness = shared[:, column, None]
            else:
                value = shared[:, column]
                light[:, _PLACE[name]] = np.radians(value) if name == "half_angle_deg" else value
        half = np.broadcast_to(stack.half_width_um, (n, k))
        if n_width:
            half = np.broadcast_to(np.exp(several[:, 3 * k : 3 * k + n_width] / 5.0), (n, k))
        places = several[:, : 2 * k].reshape(n, 2, k) * r0
        level = np.exp(several[:, 2 * k : 3 * k])
        fibres = np.stack([places[:, 0], places[:, 1], half, flatness * half, level], axis=2)
        model = np.empty((n, *section.mean.shape))
        section_models(section.u_um, section.v_um, fibres, light, model)
        model += _SOFT
        np.log(model, out=model)
        return np.asarray(model[:, seen] * weight)

    def residual(p: FloatArray) -> FloatArray:
        return np.asarray(explained(p[None])[0] - observed)

    def slopes(p: FloatArray) -> FloatArray:
        steps = _STEP * np.maximum(1.0, np.abs(p))
        steps = np.where(p + steps > high, -steps, steps)
        shifted = explained(np.vstack([p, p + np.diag(steps)]))
        return np.asarray(((shifted[1:] - shifted[0]) / steps[:, None]).T)

    start = np.clip(start, low + 1e-9, high - 1e-9)
    result = least_squares(
        residual, start, slopes, bounds=(low, high), loss="soft_l1", max_nfev=evaluations,
        x_scale=0.1, ftol=_SETTLED, xtol=_SETTLED,
    )  # fmt: skip
    made, changed = unpacked(result.x)
    rest = result.fun
    misfit = float(np.sqrt(np.mean(rest**2)))
    covariance = np.linalg.pinv(result.jac.T @ result.jac) * max(1.0, misfit**2)
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    u = np.zeros((k, 3))
    u[:, 0], u[:, 1] = sd[:k] * r0, sd[k : 2 * k] * r0
    if n_width:
        u[:, 2] = made.half_width_um * np.broadcast_to(sd[3 * k : 3 * k + n_width], (k,)) / 5.0
    return replace(made, u_um=u, misfit=misfit), changed


def _get(optics: SectionOptics, name: str) -> float:
    if name == "sigma_u":
        return optics.sigma_um[0]
    if name == "sigma_v":
        return optics.sigma_um[1]
    return float(getattr(optics, name))


def _set(optics: SectionOptics, names: tuple[str, ...], values: FloatArray) -> SectionOptics:
    if not names:
        return optics
    changes: dict[str, Any] = dict(zip(names, values.tolist(), strict=True))
    sigma = (
        changes.pop("sigma_u", optics.sigma_um[0]),
        changes.pop("sigma_v", optics.sigma_um[1]),
    )
    return replace(optics, sigma_um=sigma, **changes)


def section_of(
    total: FloatArray,
    count: FloatArray,
    place: FloatArray,
    *,
    u0_um: float,
    du_um: float,
    v0_um: float,
    dv_um: float,
    looks: float,
    independent: float,
) -> Section:
    """Return a section from what was gathered.

    Parameters
    ----------
    total, count, place
        As `gather_columns` returns them.
    u0_um, du_um, v0_um, dv_um
        Edge and size of the first bin across and down.
    looks
        Independent looks of the scan.
    independent
        Share of the columns whose speckle is independent.
    """
    # Bins that no column's middle falls into (columns in step with the wall) are left out.
    held = place[1] > 0
    total, count, place = total[:, held], count[:, held], place[:, held]
    mean = total / np.maximum(count, 1.0)
    known = count > 0
    u = place[0] / place[1]
    v = v0_um + (np.arange(count.shape[0]) + 0.5) * dv_um
    spread = 1.0 / np.sqrt(np.maximum(count * independent, 1.0) * max(looks, 1.0))
    weight = np.where(known, 1.0 / np.hypot(spread, _MODEL_SPREAD), 0.0)
    edge = max(2, count.shape[1] // 10)
    sides = np.concatenate([mean[:, :edge], mean[:, -edge:]], axis=1)
    side_known = np.concatenate([known[:, :edge], known[:, -edge:]], axis=1)
    near = np.abs(v) <= max(3.0 * dv_um, 4.0)
    rows = [
        float(sides[r][side_known[r]].mean()) for r in np.flatnonzero(near) if side_known[r].any()
    ]
    collector = max(rows) if rows else 1.0
    return Section(
        np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64), mean, weight, collector
    )
