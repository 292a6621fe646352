"""CT image formation: from a scaffold's geometry to grey values, knowing nothing of any fit.

The order is that of a scanner: geometry as mounted -> partial volume of each voxel -> point
spread -> grey levels -> cupping, drift and rings -> noise -> storage type.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from volscan.errors import SettingsError
from volscan.phantom.artefacts import (
    Artefacts,
    add_background,
    add_to_image,
    artefacts_from_dict,
    cut_greys,
    stored_scale,
    with_bodies,
)
from volscan.phantom.collector import plate_share
from volscan.phantom.mounting import Mounting, mount_rotation
from volscan.phantom.pointspread import blur, components
from volscan.phantom.raster import cover
from volscan.phantom.scaffold import Scaffold
from volscan.quantity import Notice
from volscan.volume import Source, Volume, checked_spacing_um

FloatArray = NDArray[np.float64]
Grey = NDArray[np.float32]
PointSpread = Literal["gaussian", "two_gaussians", "long_tail"]
Dtype = Literal["uint8", "uint16", "float32"]

# Grey values of air and polymer by storage type: noise at a contrast-to-noise of 4 then stays
# 4.5 standard deviations clear of the ends of the integer types.
_LEVELS: dict[str, tuple[float, float]] = {
    "uint8": (90.0, 170.0),
    "uint16": (20000.0, 36000.0),
    "float32": (0.2, 1.0),
}

# Noise and image alone then take 16 GB.
_MOST_VOXELS = 2e9


@dataclass(frozen=True)
class ScannerSpec:
    """How the scaffold is mounted and scanned.

    Parameters
    ----------
    voxel_um
        Voxel spacing (z, y, x).
    mount_tilt_deg, mount_azimuth_deg, in_plane_deg
        The patch is turned by `in_plane_deg` about its own H (from x toward y), then H is leaned
        by `mount_tilt_deg` from the scan's z toward `mount_azimuth_deg` (from x toward y).
    psf_fwhm_um
        Full width at half maximum of the line spread along z, y, x, without the voxel box.
    psf
        "gaussian", "two_gaussians" (three quarters of the weight narrow, one quarter 2.5 times as
        wide) or "long_tail" (four fifths narrow, one fifth exponential).
    contrast_to_noise
        (polymer - air) / noise; infinite for none.
    noise_correlation_voxels
        Distance at which the noise's autocorrelation has fallen to 1/e; 0 for white.
    air, polymer
        Grey values; by default those that suit `dtype`.
    cupping, rings, drift
        Depth of cupping, standard deviation of ring artefacts, and drift from the first slice to
        the last, as fractions of the contrast.
    dtype
        Storage type.
    margin_um
        Air around the scaffold (z, y, x); by default three diameters plus the point spread.
    samples
        Samples along the finest voxel edge at surfaces.
    seed
        Seeds noise and rings.
    collector_um
        Thickness of the collector plate, which touches the lowest fibres from below and fills
        the field of view in plan; 0: the scaffold was taken off it.
    collector_level
        Its grey value above air, over that of polymer.
    artefacts
        What else is wrong with the scan: an `Artefacts`, or the table of its keys.
    """

    voxel_um: tuple[float, float, float]
    mount_tilt_deg: float = 0.0
    mount_azimuth_deg: float = 0.0
    in_plane_deg: float = 0.0
    psf_fwhm_um: tuple[float, float, float] = (0.0, 0.0, 0.0)
    psf: PointSpread = "gaussian"
    contrast_to_noise: float = math.inf
    noise_correlation_voxels: float = 0.0
    air: float | None = None
    polymer: float | None = None
    cupping: float = 0.0
    rings: float = 0.0
    drift: float = 0.0
    dtype: Dtype = "uint16"
    margin_um: tuple[float, float, float] | None = None
    samples: int = 4
    seed: int = 0
    collector_um: float = 0.0
    collector_level: float = 1.0
    artefacts: Artefacts | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "voxel_um", checked_spacing_um(self.voxel_um))
        if self.dtype not in _LEVELS:
            raise SettingsError(f"dtype must be one of {', '.join(_LEVELS)}, got {self.dtype!r}")
        if len(self.psf_fwhm_um) != 3 or min(self.psf_fwhm_um) < 0:
            raise SettingsError("psf_fwhm_um needs three values (z, y, x) of at least 0")
        components(self.psf)
        if not self.contrast_to_noise > 0 or self.noise_correlation_voxels < 0:
            raise SettingsError(
                "contrast_to_noise must be > 0 and noise_correlation_voxels at least 0"
            )
        if self.collector_um < 0:
            raise SettingsError("collector_um must be at least 0")
        object.__setattr__(self, "artefacts", artefacts_from_dict(self.artefacts))

    @property
    def levels(self) -> tuple[float, float]:
        """Grey values of air and polymer."""
        air, polymer = _LEVELS[self.dtype]
        return (
            air if self.air is None else self.air,
            polymer if self.polymer is None else self.polymer,
        )

    @property
    def stored_scale(self) -> tuple[float, float]:
        """Gain and offset from these grey values to the file's."""
        air, polymer = self.levels
        return stored_scale(self.artefacts, air=air, polymer=polymer, dtype=self.dtype)

    @property
    def noise(self) -> float:
        """Standard deviation of the noise in grey values."""
        air, polymer = self.levels
        return abs(polymer - air) / self.contrast_to_noise


def mount(scaffold: Scaffold, scanner: ScannerSpec) -> tuple[Mounting, tuple[int, int, int]]:
    """Place a scaffold in a scan that leaves air on every side.

    Returns
    -------
    mounting
        The map from build coordinates to scan positions.
    shape
        Shape (z, y, x) of the scan.

    Raises
    ------
    SettingsError
        If the scan would hold more than two thousand million voxels.
    """
    rotation = mount_rotation(
        tilt_deg=scanner.mount_tilt_deg,
        azimuth_deg=scanner.mount_azimuth_deg,
        in_plane_deg=scanner.in_plane_deg,
    )
    centre = np.array([0.0, 0.0, scaffold.top_um / 2])
    reached = np.concatenate([scaffold.segments_um(), scaffold.boxes_um()]).reshape(-1, 3)
    if scanner.collector_um:
        under = reached * np.array([1.0, 1.0, 0.0]) - [0.0, 0.0, scanner.collector_um]
        reached = np.concatenate([reached, under])
    around_centre = (reached - centre) @ rotation.T
    widest = float(np.max(scaffold.radii_um())) / (scaffold.width_um / 2)
    radius = max(scaffold.width_um, scaffold.height_um) / 2 * widest
    low, high = around_centre.min(axis=0) - radius, around_centre.max(axis=0) + radius
    if scanner.margin_um is None:
        margin = 3 * scaffold.diameter_um + np.array(scanner.psf_fwhm_um)[::-1]
    else:
        margin = np.array(scanner.margin_um)[::-1]
    voxel = np.array(scanner.voxel_um)[::-1]
    counts = np.ceil((high - low + 2 * margin) / voxel).astype(np.int64) + 1
    if float(np.prod(counts.astype(float))) > _MOST_VOXELS:
        raise SettingsError(
            f"a phantom of {' × '.join(str(n) for n in counts[::-1])} voxels is too large: "
            "widen voxel_um or print less"
        )
    # The box is centred on the scan; voxel centres run from 0 to (count - 1) voxels.
    middle = (counts - 1) * voxel / 2
    mounting = Mounting(rotation, centre, middle - (low + high) / 2)
    return mounting, (int(counts[2]), int(counts[1]), int(counts[0]))


def polymer_share(
    scaffold: Scaffold,
    mounting: Mounting,
    *,
    shape: tuple[int, int, int],
    voxel_um: tuple[float, float, float],
    samples: int = 4,
) -> Grey:
    """Return the polymer's share of each voxel, array (z, y, x), before any blur."""
    # Capsule space: build coordinates with heights stretched until cross-sections are circles.
    stretch = np.diag([1.0, 1.0, scaffold.stretch])
    to_build = mounting.rotation.T
    matrix = stretch @ to_build[:, ::-1]
    offset = stretch @ (mounting.centre_build_um - to_build @ mounting.centre_scan_um)
    segments = scaffold.segments_um() * np.array([1.0, 1.0, scaffold.stretch])
    return cover(
        shape,
        voxel_um,
        segments=segments,
        radius=scaffold.radii_um(),
        matrix=matrix,
        offset=offset,
        samples=samples,
        boxes=scaffold.boxes_um() * np.array([1.0, 1.0, scaffold.stretch]),
    )


def scan(scaffold: Scaffold, scanner: ScannerSpec) -> tuple[Volume, Mounting]:
    """Scan a scaffold.

    Parameters
    ----------
    scaffold
        What stands in the scanner.
    scanner
        How it is mounted and imaged.

    Returns
    -------
    volume
        The stack.
    mounting
        Where the scaffold lies in it.
    """
    mounting, shape = mount(scaffold, scanner)
    share = polymer_share(
        scaffold, mounting, shape=shape, voxel_um=scanner.voxel_um, samples=scanner.samples
    )
    if scanner.collector_um:
        plate = plate_share(shape, scanner.voxel_um, mounting, thickness_um=scanner.collector_um)
        # Sagged or swollen fibres do not enter the plate.
        share = np.minimum(share, 1 - plate) + np.float32(scanner.collector_level) * plate
    return grey_volume(share, scanner), mounting


def grey_volume(share: Grey, scanner: ScannerSpec) -> Volume:
    """Turn shares of polymer (z, y, x) into the scan that a CT would give of them."""
    rng = np.random.default_rng(scanner.seed)
    wrong = scanner.artefacts
    if wrong is not None:
        share = with_bodies(share, wrong, voxel_um=scanner.voxel_um, seed=scanner.seed)
    image = blur(
        share,
        scanner.psf_fwhm_um,
        spacing_um=scanner.voxel_um,
        shape=scanner.psf,
        # Plates, sheets and tubes do not end with the field of view.
        goes_on=scanner.collector_um > 0 or wrong is not None,
    )
    air, polymer = scanner.levels
    image *= np.float32(polymer - air)
    image += np.float32(air)
    add_background(
        image, cupping=scanner.cupping, rings=scanner.rings, drift=scanner.drift,
        contrast=polymer - air, voxel_um=scanner.voxel_um, rng=rng,
    )  # fmt: skip
    if wrong is not None:
        add_to_image(
            image, wrong, contrast=polymer - air, voxel_um=scanner.voxel_um,
            psf_fwhm_um=scanner.psf_fwhm_um, seed=scanner.seed,
        )  # fmt: skip
    if math.isfinite(scanner.contrast_to_noise):
        noise = correlated_noise(share.shape, scanner.noise_correlation_voxels, rng)
        noise *= np.float32(scanner.noise)
        image += noise
    if wrong is not None:
        cut_greys(image, wrong, air=air, polymer=polymer)
        gain, offset = scanner.stored_scale
        image *= np.float32(gain)
        image += np.float32(offset)
    samples, clipped = _stored(image, scanner.dtype)
    notices: tuple[Notice, ...] = ()
    if clipped:
        notices = (Notice("phantom_clipped", f"grey values beyond {scanner.dtype}", clipped),)
    return Volume(
        samples,
        spacing_um=scanner.voxel_um,
        spacing_from="synthetic phantom",
        source=Source("(synthetic phantom)", "", "array"),
        notices=notices,
    )


def correlated_noise(
    shape: tuple[int, ...], correlation_voxels: float, rng: np.random.Generator
) -> Grey:
    """Return normal noise of unit standard deviation whose autocorrelation is 1/e at a distance.

    White noise filtered by a Gaussian of standard deviation s has autocorrelation
    exp(-x²/(4 s²)), so s is half the distance asked for.
    """
    noise = rng.standard_normal(shape, dtype=np.float32)
    if correlation_voxels <= 0:
        return noise
    sigma = correlation_voxels / 2
    reach = math.ceil(4 * sigma)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= math.sqrt(float((kernel**2).sum()))
    for axis in range(len(shape)):
        # Wrapping keeps the standard deviation the same up to the faces.
        noise = ndimage.correlate1d(noise, kernel, axis=axis, mode="wrap")
    return noise


def _stored(image: Grey, dtype: Dtype) -> tuple[NDArray[Any], int]:
    """Round to the storage type; also how many samples were clipped."""
    if dtype == "float32":
        return image, 0
    info = np.iinfo(dtype)
    clipped = int(np.count_nonzero((image < info.min) | (image > info.max)))
    np.clip(np.rint(image, out=image), info.min, info.max, out=image)
    return image.astype(dtype), clipped
