"""The grey values of air and polymer, the noise, and the grey value of the surface.

None of them depends on the threshold: air is read beyond the reach of anything solid, polymer
deep inside it where there is such a depth.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import SettingsError
from volscan.prepare.firstlook import DEEP_VOX, FirstLook
from volscan.prepare.otsu import otsu_threshold

# Deep voxels this share of the contrast darker than the brightest are no plateau.
_NO_PLATEAU = 0.08
_MOST_AIR = 10_000_000


def two_values(grey: NDArray[np.float32]) -> tuple[float, float] | None:
    """Return the two values of a scan that was segmented already, None for any other."""
    low, high = float(grey.min()), float(grey.max())
    if not ((grey == np.float32(low)) | (grey == np.float32(high))).all():
        return None
    return low, high


def air_anchor(
    grey: NDArray[np.float32], far: NDArray[np.bool_], first: FirstLook
) -> tuple[float, float, float, float]:
    """Return the air anchor, its standard uncertainty, the noise in air and its correlation."""
    values = grey[far]
    if values.size < 1000:
        return first.air, first.noise_smoothed, first.noise_smoothed, 8.0
    # Ten million voxels hold the mean to a ten-thousandth of the noise's own spread.
    values = values[:: max(1, values.size // _MOST_AIR)]
    mean = float(values.mean(dtype=np.float64))
    noise = float(values.std(dtype=np.float64))
    # Specks of dust in the air are left out; at six standard deviations the cut itself is
    # without bias.
    kept = values[np.abs(values - np.float32(mean)) <= 6.0 * noise] if noise > 0 else values
    mean = float(kept.mean(dtype=np.float64))
    noise = float(kept.std(dtype=np.float64))
    correlation = _noise_correlation_vox(grey, far, noise=noise)
    return mean, noise * math.sqrt(correlation / kept.size), noise, correlation


def _noise_correlation_vox(
    grey: NDArray[np.float32], far: NDArray[np.bool_], *, noise: float
) -> float:
    """Return how many voxels share their noise, from the scatter of block means in air.

    Neighbouring blocks are compared, so that slow drift does not count as noise.
    """
    b = 8
    nz, ny, nx = (n // b for n in grey.shape)
    if noise <= 0 or min(nz, ny) < 1 or nx < 2:
        return 1.0
    crop = (slice(nz * b), slice(ny * b), slice(nx * b))
    blocks = (nz, b, ny, b, nx, b)
    whole = np.asarray(far[crop].reshape(blocks).all(axis=(1, 3, 5)), dtype=np.bool_)
    means = grey[crop].reshape(blocks).mean(axis=(1, 3, 5), dtype=np.float64)
    pair = whole[:, :, 1:] & whole[:, :, :-1]
    if int(pair.sum()) < 20:
        return 8.0
    difference = (means[:, :, 1:] - means[:, :, :-1])[pair]
    return max(1.0, float(np.mean(difference**2) / 2.0) * b**3 / noise**2)


def polymer_anchor(
    grey: NDArray[np.float32], first: FirstLook, depth: NDArray[np.float32]
) -> tuple[float, float, float | None, bool]:
    """Return the polymer anchor, its u, the noise in polymer, and whether a plateau was seen."""
    deep = depth > DEEP_VOX
    n = int(deep.sum())
    if n >= 1000:
        values = grey[deep].astype(np.float64)
        centre = float(np.median(values))
        noise = float(1.4826 * np.median(np.abs(values - centre)))
        # Where noise and blur join what is solid across narrow pores, voxels deep inside it are no
        # plateau: elsewhere the smoothed scan is clearly brighter.
        short = first.polymer - centre - 3.0 * first.noise_smoothed
        if short > _NO_PLATEAU * (first.polymer - first.air):
            return first.polymer, 0.1 * abs(first.polymer - first.air), None, False
        return centre, noise / math.sqrt(n / 8.0) + 0.005 * abs(centre - first.air), noise, True
    return first.polymer, 0.1 * abs(first.polymer - first.air), None, False


def surface_level(
    *, grey: NDArray[Any], rule: str | float, air: float, polymer: float, noise: float
) -> tuple[float, str]:
    """Return the polymer fraction at the solid surface, and the rule that set it."""
    if rule == "half-max":
        return 0.5, "half-max"
    if rule == "otsu":
        value = otsu_threshold(grey)
        name = "otsu"
        span = polymer - air
        # A threshold that splits the background lies within the noise of the air peak.
        if not (air + max(3.0 * noise, 0.1 * span) <= value <= polymer - 0.1 * span):
            raise SettingsError(
                f"Otsu's threshold {value:.6g} splits the background (air {air:.6g}, polymer "
                f"{polymer:.6g}, noise {noise:.3g}): too little solid for this rule, use "
                "--threshold half-max"
            )
    else:
        value = float(rule)
        name = "value"
        if not air < value < polymer:
            raise SettingsError(
                f"threshold {value:.6g} must lie between air {air:.6g} and polymer {polymer:.6g}"
            )
    return (value - air) / (polymer - air), name
