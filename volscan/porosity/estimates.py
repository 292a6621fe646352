"""The three estimators with what each is uncertain of, as solid fractions."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import norm

from volscan.fibres.field import FibreField
from volscan.geometry import Envelope
from volscan.porosity.flatness import flattened_share
from volscan.porosity.level import share_above
from volscan.porosity.model import ModelSums
from volscan.porosity.sums import Reach, Sums
from volscan.prepare.material import MaterialMap
from volscan.quantity import combine_u

FloatArray = NDArray[np.float64]

# The correction for blur assumes a Gaussian point spread and round fibres; a fifth of it is
# taken as its standard uncertainty (its value for other shapes; own estimate).
_U_BLUR_MODEL = 0.2
# What the fitted tail of the point spread changes is taken as uncertain by this share of itself.
_U_TAIL = 0.5
# The noise's share of a count is measured from its mirror image below the air level; noise that
# is not symmetric is covered by a tenth of it (own estimate).
_U_NOISE_MODEL = 0.1
# With fewer voxels than this on the mirror side the scan's own noise value is used.
_LEAST_MIRROR = 30.0
# Where the extension beyond a face could not be used, half of what was estimated instead.
_U_CARRIED = 0.5


@dataclass(frozen=True)
class Estimate:
    """A solid fraction with named components of its standard uncertainty."""

    solid: float
    parts: dict[str, float] = field(default_factory=dict)

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        return combine_u(self.parts.values())

    @property
    def u_own(self) -> float:
        """The same without the envelope's part, which all estimators share."""
        return combine_u(v for name, v in self.parts.items() if name != "envelope")


def raw_count(sums: Sums, material: MaterialMap, envelope: Envelope) -> Estimate:
    """Return the share of the envelope at or above the surface level."""
    solid = sums.above_level / sums.volume
    parts = _count_parts(sums, material, envelope, solid)
    # The plain count carries blur and noise; how large they are is what the corrections say.
    parts["noise"] = abs(_noise_excess_without_model(sums, material.level)) / sums.volume
    parts["blur"] = _blur_scale(sums, material, solid)
    return Estimate(solid, parts)


def corrected_count(
    sums: Sums, model: ModelSums | None, material: MaterialMap, envelope: Envelope
) -> Estimate | None:
    """Return the count freed from noise and, where fibres were fitted, from blur.

    With fibres: (count - noise excess) × drawn polymer / blurred drawn polymer above the level.
    None when the drawn fibres vanish below the level. Without: the noise excess alone.
    """
    level = material.level
    if model is None:
        excess = _noise_excess_without_model(sums, level) / sums.volume
        solid = sums.above_level / sums.volume - excess
        parts = _count_parts(sums, material, envelope, solid)
        parts["noise"] = _U_NOISE_MODEL * abs(excess)
        parts["blur"] = _blur_scale(sums, material, solid)
        return Estimate(solid, parts)
    shown = model.above(level)
    if shown <= 0.2 * model.inside or shown <= 0:
        return None
    excess = _noise_excess(sums, model, material)
    quiet = (sums.above_level - excess) / sums.volume
    ratio = _drawn(sums, model) / shown
    solid = quiet * ratio
    parts = _count_parts(sums, material, envelope, solid)
    parts["noise"] = _U_NOISE_MODEL * abs(excess) / sums.volume
    correction = abs(solid - quiet)
    u_width = _relative_u(material.blur_um)
    # The correction goes with the square of the blur.
    parts["blur"] = correction * math.hypot(2.0 * u_width, _U_BLUR_MODEL)
    without_tail = model.above_without_tail(level)
    parts["point spread's tail"] = _U_TAIL * abs(solid - quiet * _drawn(sums, model) / without_tail)
    if math.isfinite(model.air_mean):
        slope = _density(sums, level)
        parts["background"] = slope * abs(model.air_mean) * (1.0 - level)
    return Estimate(solid, parts)


def partial_volume(
    sums: Sums, model: ModelSums | None, material: MaterialMap, envelope: Envelope, reach: Reach
) -> Estimate:
    """Return the integral of polymer fraction, with what blur carried beyond base and top."""
    carried, u_carried = _carried(sums, model, reach)
    solid = (sums.polymer + carried) / sums.volume
    u_air, u_polymer = _u_anchors(material)
    parts = {
        "envelope": abs(solid) * envelope.u_volume_frac,
        "air anchor": abs(1.0 - solid) * u_air,
        "polymer anchor": abs(solid) * u_polymer,
        "beyond base and top": u_carried / sums.volume,
        "noise": _relative_noise(material)
        * math.sqrt(max(1.0, material.noise_correlation_vox) * sums.summed_volume)
        / sums.volume,
    }
    if model is not None and math.isfinite(model.air_mean):
        # What the air shows of the background stands behind the fibres, too.
        parts["background"] = abs(model.air_mean)
    return Estimate(solid, parts)


def fibre_model(sums: Sums, model: ModelSums, fibres: FibreField, envelope: Envelope) -> Estimate:
    """Return the union of the fitted fibres, overlaps counted once, their flatness included."""
    solid = flattened_share(fibres) * _drawn(sums, model) / sums.volume
    return Estimate(
        solid,
        {
            "envelope": solid * envelope.u_volume_frac,
            "diameter": solid * 2.0 * _relative_u(fibres.diameter_um),
            # What the scan shows where nothing was drawn may be fibres that were missed.
            "missed": _air_excess(sums, model),
        },
    )


def slope_of(sums: Sums, level: float) -> float:
    """Return the change of porosity for a level 0.01 higher."""
    counts = sums.level_counts
    return share_above(counts, level) - share_above(counts, level + 0.01)


def is_segmented(sums: Sums) -> bool:
    """Return whether the map holds only two values, air and polymer."""
    return int(np.count_nonzero(sums.level_counts)) <= 2


def _count_parts(
    sums: Sums, material: MaterialMap, envelope: Envelope, solid: float
) -> dict[str, float]:
    u_air, u_polymer = _u_anchors(material)
    level = material.level
    u_level = math.hypot((1.0 - level) * u_air, level * u_polymer)
    return {
        "envelope": abs(solid) * envelope.u_volume_frac,
        "surface level": _density(sums, level) * u_level,
        # A voxel is counted whole: the surface's voxels are right or wrong at random.
        "voxels": math.sqrt(max(sums.above_level, 1.0)) / sums.volume,
    }


def _density(sums: Sums, level: float) -> float:
    """Return the share of the envelope per unit of level, at a level."""
    counts = sums.level_counts
    return 50.0 * (share_above(counts, level - 0.01) - share_above(counts, level + 0.01))


def _noise_excess_without_model(sums: Sums, level: float) -> float:
    """Return air counted as solid less solid counted as air, from the noise's other side.

    As much air lies above `level` by noise as lies below -`level`; as much solid below `level`
    as lies above 2 - `level`.
    """
    counts, volume = sums.level_counts, sums.volume
    below = volume * (1.0 - share_above(counts, -level))
    above = volume * share_above(counts, 2.0 - level)
    return below - above


def _noise_excess(sums: Sums, model: ModelSums, material: MaterialMap) -> float:
    """Return how many voxels more are counted for noise, given the blurred drawn fibres."""
    level = material.level
    mirrored = sums.volume * (1.0 - share_above(sums.level_counts, -level))
    noise = _relative_noise(material)
    if noise <= 0:
        return 0.0
    polymer_ratio = 1.0
    if material.noise_polymer is not None and material.noise_air > 0:
        polymer_ratio = material.noise_polymer / material.noise_air
    shape = 1.0 + (polymer_ratio - 1.0) * model.shares

    def less_mirrored(sigma: float) -> float:
        tail = norm.cdf((-level - model.shares) / (sigma * shape))
        return float(model.blurred_counts @ tail) - mirrored

    # The noise that puts as many voxels below the mirrored level as there are.
    low, high = 0.5 * noise, 2.0 * noise
    if mirrored >= _LEAST_MIRROR and less_mirrored(low) < 0.0 < less_mirrored(high):
        noise = float(brentq(less_mirrored, low, high, xtol=1e-5 * noise))
    sigma = noise * shape
    expected = model.blurred_counts @ norm.cdf((model.shares - level) / sigma)
    return float(expected) - model.above(level)


def _carried(sums: Sums, model: ModelSums | None, reach: Reach) -> tuple[float, float]:
    """Return polymer beyond base and top in voxels, and its standard uncertainty."""
    if reach.ends_um == 0:
        return 0.0, 0.0
    values, us = [], []
    for face, is_open in enumerate(sums.open_faces):
        found = sums.carried[face]
        if model is not None:
            # On balance: what blur carries out less what it carries in from beyond a cut.
            expected = model.blurred_outside[face] - model.outside[face]
        if is_open:
            values.append(found)
            us.append(0.5 * abs(found - model.blurred_outside[face]) if model is not None else 0.0)
        elif model is not None:
            values.append(expected)
            us.append(_U_CARRIED * abs(expected))
        elif sums.open_faces[1 - face]:
            values.append(sums.carried[1 - face])
            us.append(_U_CARRIED * abs(sums.carried[1 - face]))
        else:
            values.append(0.0)
            us.append(_unseen(sums))
    return float(sum(values)), combine_u(us)


def _air_excess(sums: Sums, model: ModelSums) -> float:
    if not math.isfinite(model.air_mean):
        return 0.0
    return abs(model.air_mean) * model.air_volume / sums.volume


def _unseen(sums: Sums) -> float:
    """Return the polymer that blur may carry over a face that is not air, nothing else known.

    A slab of the solid's mean share, a slice thick: blur moves polymer both ways over a cut.
    """
    solid = max(0.0, sums.polymer / sums.volume)
    return 0.1 * solid * sums.volume / max(1, sums.height_volume.size)


def _drawn(sums: Sums, model: ModelSums) -> float:
    """Return the drawn polymer, with what stands out of a face that air lies beyond."""
    pairs = zip(model.outside, sums.open_faces, strict=True)
    return model.inside + sum(out for out, is_open in pairs if is_open)


def _blur_scale(sums: Sums, material: MaterialMap, solid: float) -> float:
    """Return how far blur may have moved a count, from the surface's steepness.

    A round strut of diameter d loses 4 (σ/d)² of its section; its surface shows as many voxels
    per unit of level as 4 solid sqrt(2π) (σ/d), from which σ/d follows.
    """
    if material.blur_axes_um is None:
        return 0.0
    level = min(max(material.level, 0.25), 0.75)
    away = abs(solid) * 4.0 * math.sqrt(2.0 * math.pi)
    if away <= 0:
        return 0.0
    ratio = _density(sums, level) / away
    return abs(solid) * 4.0 * min(ratio, 0.35) ** 2


def _u_anchors(material: MaterialMap) -> tuple[float, float]:
    span = abs(material.polymer - material.air)
    return material.u_air / span, material.u_polymer / span


def _relative_noise(material: MaterialMap) -> float:
    return material.noise_air / abs(material.polymer - material.air)


def _relative_u(quantity: object) -> float:
    value = getattr(quantity, "value", None)
    u = getattr(quantity, "u", None)
    return float(u) / float(value) if value and u is not None else 0.0
