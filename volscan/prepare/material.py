"""The material map: polymer fraction in every voxel, and how it was made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.prepare.collector import Collector
from volscan.quantity import Notice, Quantity


@dataclass(frozen=True)
class Unrolled:
    """Of a tube's sheet: the radius of its lowest plane, and the radius it was unrolled at (µm)."""

    lowest_um: float
    radius_um: float


@dataclass(frozen=True)
class MaterialMap:
    """Polymer fraction per voxel with its anchors, noise and blur.

    Parameters
    ----------
    fraction
        Array (z, y, x), float32: 0 at the air anchor, 1 at the polymer anchor, **not clipped**
        (noise takes it below 0 and above 1; clipping would bias every integral).
    spacing_um
        Voxel spacing (z, y, x).
    air, polymer
        Anchor grey values in the scan's own units.
    u_air, u_polymer
        Their standard uncertainties.
    anchors_from
        How the anchors were found, in words.
    level
        Polymer fraction at the solid surface (0.5 under the half-maximum rule).
    threshold
        The same as a grey value.
    threshold_rule
        "half-max", "otsu" or "value".
    noise_air, noise_polymer
        Standard deviation of the raw scan in air and in polymer, before filtering; None where no
        polymer plateau shows it.
    blur_um
        Full width at half maximum of the Gaussian point spread without the voxel box.
    blur_axes_um
        The same along z, y, x.
    solid
        (z, y, x) bool: solid told from air in a smoothed copy, specks of noise removed. For finding
        things; never for measuring them.
    noise_correlation_vox
        How many neighbouring voxels share their noise: the variance of a mean over N voxels is
        noise² × this / N; 1 for white noise.
    rough_thickness_um
        Typical thickness of what is solid, twice the median depth of its mid-lines; a first guess
        of the fibre diameter.
    plateau_seen
        True when the polymer anchor was read off voxels deep inside solid, False when it is a
        first guess from thin fibres that the cross-section fits must better.
    collector
        The plate that lay in the scan and was taken out of `fraction` and `solid`; None without.
    release_um
        By how much, peak to valley, the print lay bent in the scan; None where nothing told it.
    hidden
        (z, y, x) bool: where a film hides the fibres while these are looked for; None without.
    left_out
        (z, y, x) bool: a plate and foreign bodies, with the blur's reach about these, that were
        taken for air; None without.
    u_contrast_share, u_blur_share
        What the scan's artefacts leave unsure in the contrast and the blur that cross-sections
        tell, as shares of them.
    unrolled
        Where the map is a tube's sheet: z outward, y around, x along the axis. None for a scan.
    """

    fraction: NDArray[np.float32]
    spacing_um: tuple[float, float, float]
    air: float
    polymer: float
    u_air: float
    u_polymer: float
    anchors_from: str
    level: float
    threshold: float
    threshold_rule: str
    noise_air: float
    noise_polymer: float | None
    blur_um: Quantity | None
    blur_axes_um: tuple[float, float, float] | None
    solid: NDArray[np.bool_]
    noise_correlation_vox: float = 1.0
    rough_thickness_um: float = 0.0
    plateau_seen: bool = False
    notices: tuple[Notice, ...] = ()
    collector: Collector | None = None
    release_um: Quantity | None = None
    hidden: NDArray[np.bool_] | None = None
    unrolled: Unrolled | None = None
    left_out: NDArray[np.bool_] | None = None
    u_contrast_share: float = 0.0
    u_blur_share: float = 0.0

    @property
    def contrast_to_noise(self) -> float | None:
        """(polymer - air) / noise in air; None without noise."""
        return (self.polymer - self.air) / self.noise_air if self.noise_air > 0 else None

    def mask(self) -> NDArray[np.bool_]:
        """Return the solid voxels (z, y, x): fraction at or above the surface level."""
        return self.fraction >= np.float32(self.level)
