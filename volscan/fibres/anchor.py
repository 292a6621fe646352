"""The material map with the polymer anchor and the blur that cross-sections tell."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.optimize import brentq

from volscan.fibres.crosssection import WIDENING, Optics
from volscan.prepare.ct import FWHM_PER_SIGMA
from volscan.prepare.material import MaterialMap
from volscan.quantity import Quantity


def better_material(
    material: MaterialMap, optics: Optics, u_contrast: float, u_sigma_um: float
) -> MaterialMap:
    """Rescale the map to the fitted polymer anchor and put the fitted blur in."""
    span = material.polymer - material.air
    fraction = material.fraction
    fraction /= np.float32(optics.contrast)
    polymer = material.air + optics.contrast * span
    # The shape of a real point spread is never quite the model's: 0.5 % of the contrast.
    u_polymer = span * math.hypot(u_contrast, 0.005, material.u_contrast_share * optics.contrast)
    blur = tuple(FWHM_PER_SIGMA * _effective(s, optics.share) for s in optics.sigma_um)
    mean = float(np.mean(blur))
    return replace(
        material,
        fraction=fraction,
        polymer=polymer,
        u_polymer=u_polymer,
        threshold=material.air + material.level * (polymer - material.air)
        if material.threshold_rule == "half-max"
        else material.threshold,
        level=material.level
        if material.threshold_rule == "half-max"
        else (material.threshold - material.air) / (polymer - material.air),
        anchors_from="air: mean of voxels away from solid; polymer: fit of blurred cross-sections",
        blur_um=Quantity(
            mean,
            math.hypot(
                FWHM_PER_SIGMA * math.hypot(u_sigma_um, 0.03 * optics.sigma_um[1]),
                material.u_blur_share * mean,
            ),
            "µm",
            1,
        ),
        blur_axes_um=(blur[0], blur[1], blur[2]),
    )


def _effective(sigma: float, share: float) -> float:
    """Return the standard deviation of a Gaussian as wide at half maximum as the mixture."""
    peak = (1 - share) + share / WIDENING**3

    def below(x: float) -> float:
        return (
            (1 - share) * math.exp(-0.5 * x * x)
            + share / WIDENING**3 * math.exp(-0.5 * (x / WIDENING) ** 2)
            - 0.5 * peak
        )

    half = float(brentq(below, 0.5, 3.0))
    return sigma * 2.0 * half / FWHM_PER_SIGMA
