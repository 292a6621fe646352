"""From a CT scan's grey values to polymer fraction.

Two anchors span the scale. Air is the mean of the voxels that lie well away from anything solid;
polymer is the median of voxels deep inside solid where there are any, and otherwise a first
guess that the fits of blurred cross-sections replace (fibres thinner than about three times the
blur never reach the polymer's grey value). The map is never clipped: clipping adds 0.4 standard
deviations of noise to every air voxel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import cc3d
import edt
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter
from scipy.signal import find_peaks

from volscan.errors import NothingToMeasureError, SettingsError
from volscan.kernels.filters import TRUNCATE_SIGMAS, smooth
from volscan.prepare.background import flatten_air
from volscan.prepare.collector import find_collector
from volscan.prepare.material import MaterialMap
from volscan.prepare.otsu import otsu_threshold
from volscan.progress import Progress, no_progress
from volscan.quantity import Notice, Quantity
from volscan.volume import Volume

FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
# Width of the smoothing with which solid is first told from air, in voxels: enough to bring the
# noise of a contrast-to-noise ratio of 4 below a tenth of the contrast.
_FIRST_SMOOTHING_VOX = 1.0
# A cluster of fewer smoothed voxels than this is noise, not a piece of a scaffold.
_SMALLEST_SOLID_VOX = 64
# Voxels deeper than this inside solid show the polymer's own grey value (2.4 standard deviations
# of a point spread of 3 voxels FWHM); outside, air is taken from beyond twice this distance.
_DEEP_VOX = 3.0
# Deep voxels this share of the contrast darker than the brightest are no plateau.
_NO_PLATEAU = 0.08
_MOST_AIR = 10_000_000


class _AirPeak(NamedTuple):
    air: float
    noise: float


@dataclass(frozen=True)
class _FirstLook:
    air: float
    noise_smoothed: float
    polymer: float
    solid: NDArray[np.bool_]


def prepare_ct(
    volume: Volume,
    *,
    threshold: str | float = "half-max",
    progress: Progress = no_progress,
) -> MaterialMap:
    """Return the polymer fraction of a CT scan, with anchors, noise and blur.

    Parameters
    ----------
    volume
        The scan; polymer is brighter than what surrounds it.
    threshold
        "half-max" (half-way between the anchors, the rule of dimensional CT), "otsu", or a grey
        value.
    progress
        Called with the stage's name and the share done.

    Returns
    -------
    MaterialMap
        Fraction (z, y, x) float32, not clipped.

    Raises
    ------
    NothingToMeasureError
        If nothing in the scan stands out from its noise.
    SettingsError
        If the threshold lies outside the anchors, or Otsu's rule split the background.

    Notes
    -----
    Memory: about three times the scan as float32.

    References
    ----------
    Half-maximum surface: VDI/VDE 2630 Part 1.3 (common practice of dimensional CT).
    """
    grey = np.ascontiguousarray(volume.samples, dtype=np.float32)
    progress("prepare", 0.1)
    smoothed = smooth(grey, sigma_vox=(_FIRST_SMOOTHING_VOX,) * 3)
    progress("prepare", 0.3)
    notices: list[Notice] = []
    found = find_collector(
        grey, smoothed, spacing_um=volume.spacing_um, **_air_peak(smoothed)._asdict()
    )
    collector = plate = None
    if found is not None:
        collector, grey = found
        plate = collector.mask
        smoothed = smooth(grey, sigma_vox=(_FIRST_SMOOTHING_VOX,) * 3)
        notices.append(
            Notice(
                "collector_excluded",
                f"a plate lies in the scan on its {_opposite(collector.up)} side (grey value "
                f"{collector.grey:.4g}): it was taken out of all that is measured, and its face is "
                "the base plane",
            )
        )
    first = _first_look(smoothed, plate)

    far_air = _far_from(first.solid)
    if plate is not None:
        far_air &= ~plate
    air, u_air, noise_air, correlation = _air_anchor(grey, far_air, first)
    depth = edt.edt(first.solid, black_border=False, parallel=2)
    thickness = _typical_thickness_um(first.solid, depth, volume.spacing_um)
    polymer, u_polymer, noise_polymer, plateau = _polymer_anchor(grey, first, depth)
    segmented = _two_values(grey if plate is None else grey[~plate])
    if segmented is not None:
        air, polymer = segmented
        u_air = u_polymer = noise_air = 0.0
        noise_polymer, plateau, correlation = None, True, 1.0
    del depth
    progress("prepare", 0.6)
    if polymer - air <= 0:
        raise NothingToMeasureError(
            "nothing stands out brighter than air: check that polymer is bright in this scan"
        )

    fraction = grey if grey is not volume.samples and grey.flags.writeable else grey.copy()
    fraction -= np.float32(air)
    fraction /= np.float32(polymer - air)
    flattened, drift = flatten_air(
        fraction, far_air, noise=noise_air / (polymer - air), correlation_vox=correlation
    )
    if drift is not None:
        notices.append(
            Notice(
                "background_removed",
                f"slow background drift of {100 * drift:.1f} % of the contrast was removed",
            )
        )
    if plate is not None:
        flattened[plate] = 0.0
    blur = _edge_blur_vox(smoothed, first, air, polymer)
    del smoothed
    progress("prepare", 0.8)

    level, rule = _surface_level(
        grey=volume.samples if plate is None else volume.samples[~plate],
        rule=threshold, air=air, polymer=polymer, noise=noise_air,
    )  # fmt: skip
    spacing = volume.spacing_um
    coarsest = max(spacing)
    blur_um = (
        None
        if blur is None
        else Quantity(
            FWHM_PER_SIGMA * blur * coarsest, 0.2 * FWHM_PER_SIGMA * blur * coarsest, "µm", 1
        )
    )
    progress("prepare", 1.0)
    return MaterialMap(
        fraction=flattened,
        spacing_um=spacing,
        air=air,
        polymer=polymer,
        u_air=u_air,
        u_polymer=u_polymer,
        anchors_from=(
            "air: mean of voxels away from solid; polymer: median of voxels deep inside solid"
            if plateau
            else "air: mean of voxels away from solid; polymer: first guess from thin fibres"
        ),
        level=level,
        threshold=air + level * (polymer - air),
        threshold_rule=rule,
        noise_air=noise_air,
        noise_polymer=noise_polymer,
        blur_um=blur_um,
        blur_axes_um=None if blur_um is None else (blur_um.value,) * 3,
        solid=first.solid,
        noise_correlation_vox=correlation,
        rough_thickness_um=thickness,
        plateau_seen=plateau,
        notices=tuple(notices),
        collector=collector,
    )


def _opposite(axis: str) -> str:
    return ("-" if axis[0] == "+" else "+") + axis[1]


def _two_values(grey: NDArray[np.float32]) -> tuple[float, float] | None:
    """Return the two values of a scan that was segmented already, None for any other."""
    low, high = float(grey.min()), float(grey.max())
    if not ((grey == np.float32(low)) | (grey == np.float32(high))).all():
        return None
    return low, high


def _air_peak(smoothed: NDArray[np.float32], plate: NDArray[np.bool_] | None = None) -> _AirPeak:
    """Return the grey value of air and its noise in the smoothed scan, `plate` left out."""
    step = max(1, round((smoothed.size / 4e6) ** (1 / 3)))
    every = (slice(None, None, step),) * 3
    sample = smoothed[every].ravel() if plate is None else smoothed[every][~plate[every]]
    sample = sample.astype(np.float64)
    low, high = np.percentile(sample, [0.05, 99.95])
    if not high > low:
        low, high = float(sample.min()), float(smoothed.max())
    if not high > low:
        raise NothingToMeasureError("the scan is constant: it holds nothing to measure")
    counts, edges = np.histogram(sample, bins=512, range=(low, high))
    centres = 0.5 * (edges[1:] + edges[:-1])
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2)
    heights = np.convolve(counts, kernel / kernel.sum(), mode="same")
    # Air is the lowest peak that stands out by a fair share: the counts' own wiggles on the flank
    # of a broad peak of noise do not.
    padded = np.concatenate([[0.0], heights, [0.0]])
    candidates, _ = find_peaks(padded, prominence=0.15 * float(heights.max()))
    air = float(centres[candidates[0] - 1])
    below = sample[sample <= air]
    noise = float(np.sqrt(np.mean((below - air) ** 2))) if below.size else 0.0
    return _AirPeak(air, max(noise, 0.5 * float(edges[1] - edges[0]) / math.sqrt(3.0)))


def _first_look(
    smoothed: NDArray[np.float32], plate: NDArray[np.bool_] | None = None
) -> _FirstLook:
    """Tell solid from air in the smoothed scan, roughly."""
    air, noise = _air_peak(smoothed, plate)
    bright = smoothed > np.float32(air + 5.0 * noise)
    values = smoothed[bright][:: max(1, int(bright.sum() / 2e6))]
    if values.size < _SMALLEST_SOLID_VOX:
        raise NothingToMeasureError("no solid found: nothing in the scan stands out from its noise")
    polymer = float(np.percentile(values, 95.0))
    solid = smoothed > np.float32(0.5 * (air + polymer))
    if plate is not None:
        solid &= ~plate
    cc3d.dust(solid, threshold=_SMALLEST_SOLID_VOX, connectivity=26, in_place=True)
    if not solid.any():
        raise NothingToMeasureError(
            "no solid found: bright voxels are scattered like noise, nothing hangs together"
        )
    return _FirstLook(air, noise, polymer, np.asarray(solid, dtype=np.bool_))


def _far_from(solid: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the voxels that lie farther from any solid than blur reaches."""
    # A kernel cut at four of its standard deviations gathers exactly nothing beyond them.
    sigma = 2.0 * _DEEP_VOX / TRUNCATE_SIGMAS
    return np.asarray(smooth(solid.astype(np.float32), sigma_vox=(sigma,) * 3) <= 0.0)


def _air_anchor(
    grey: NDArray[np.float32], far: NDArray[np.bool_], first: _FirstLook
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


def _typical_thickness_um(
    solid: NDArray[np.bool_], depth: NDArray[np.float32], spacing_um: tuple[float, float, float]
) -> float:
    """Return twice the usual depth of mid-line voxels, read off slabs spread over the scan.

    Voxels count by their depth squared, as the volume about them does: the many small ridges that
    noise draws on a surface would halve the median.
    """
    finest = min(spacing_um)
    if max(spacing_um) > finest:
        depth = edt.edt(
            solid,
            anisotropy=tuple(s / finest for s in spacing_um),
            black_border=False,
            parallel=2,
        )
    ridges = []
    for k in np.unique(np.linspace(1, depth.shape[0] - 2, num=24, dtype=int)):
        slab = depth[k - 1 : k + 2]
        peak = np.asarray(maximum_filter(slab, size=3, mode="nearest"))[1]
        middle = slab[1]
        ridges.append(middle[(middle > 0.9) & (middle >= peak)])
    values = np.sort(np.concatenate(ridges)) if ridges else np.empty(0)
    if values.size == 0:
        return finest
    weight = np.cumsum(values.astype(np.float64) ** 2)
    usual = float(values[np.searchsorted(weight, 0.5 * weight[-1])])
    return (2.0 * usual - 0.5) * finest


def _polymer_anchor(
    grey: NDArray[np.float32], first: _FirstLook, depth: NDArray[np.float32]
) -> tuple[float, float, float | None, bool]:
    """Return the polymer anchor, its u, the noise in polymer, and whether a plateau was seen."""
    deep = depth > _DEEP_VOX
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


def _edge_blur_vox(
    smoothed: NDArray[np.float32], first: _FirstLook, air: float, polymer: float
) -> float | None:
    """Return the standard deviation of the point spread, in voxels, from the slope of edges.

    A straight edge blurred by a Gaussian has the greatest slope contrast / (σ √(2π)).
    """
    level = 0.5 * (air + polymer)
    span = polymer - air
    z = np.linspace(1, smoothed.shape[0] - 2, num=min(24, smoothed.shape[0] - 2), dtype=int)
    slopes: list[NDArray[Any]] = []
    for k in np.unique(z):
        slab = smoothed[k - 1 : k + 2]
        dz = 0.5 * (slab[2] - slab[0])[1:-1, 1:-1]
        dy = 0.5 * (slab[1][2:, 1:-1] - slab[1][:-2, 1:-1])
        dx = 0.5 * (slab[1][1:-1, 2:] - slab[1][1:-1, :-2])
        edge = np.abs(slab[1][1:-1, 1:-1] - level) < 0.1 * span
        if edge.any():
            slopes.append(np.sqrt(dz**2 + dy**2 + dx**2)[edge])
    if not slopes:
        return None
    slope = float(np.median(np.concatenate(slopes)))
    if slope <= 0:
        return None
    variance = (span / (slope * math.sqrt(2.0 * math.pi))) ** 2
    variance -= _FIRST_SMOOTHING_VOX**2 + 1.0 / 12.0
    return math.sqrt(max(variance, 0.05**2))


def _surface_level(
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
