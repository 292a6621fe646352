"""The solid as the pore stage sees it: denoised, cleaned, at the resolution that is affordable."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from volscan.geometry import BuildFrame, Envelope
from volscan.kernels.distance import distance_to_surface
from volscan.kernels.filters import smooth
from volscan.kernels.surface import Surface, surface_discs
from volscan.prepare.material import MaterialMap
from volscan.quantity import Notice, combine_u

F32 = NDArray[np.float32]

# Up to this many voxels the spheres are exact at full resolution; above, at half.
EXACT_VOXELS = 256**3
# Noise of the fraction up to this leaves the surface where it is within a tenth of a voxel or
# two (slopes of a scanned surface lie about 0.3 to 0.5 per voxel); above, the map is smoothed.
QUIET_NOISE = 0.05
# Widest smoothing in voxels: beyond it, fibres of 5 voxels would start to lose their roundness.
WIDEST_SMOOTHING_VOX = 1.25
# White noise that the curvature-neutral kernel leaves: (2 sqrt(pi) s)^-1.5 of a Gaussian times
# 1.85 for the sharpening term, which is 1 / (3.6 s^1.5) for s in voxels.
NOISE_CUT = 3.6
# Isolated clusters below 3 x 3 x 3 voxels in a noisy map are noise, not solid nor pore.
SPECK_VOXELS = 27
# Voxelisation: root mean square of (measured - true) diameter over tubes, balls and slits of
# 3 to 40 voxels across in random places and turns, see docs/theory/pores.md; in voxels of the
# working grid.
U_VOXEL = 0.25


@dataclass(frozen=True)
class Solid:
    """The solid's surface and the distance to it, on the working grid.

    Parameters
    ----------
    fraction
        Polymer fraction (z, y, x) after binning, smoothing and removal of specks.
    level
        Fraction at the surface.
    spacing_um, origin_um
        Voxel spacing and scan position of voxel (0, 0, 0) of the working grid.
    surface, dist_um, ids
        Surface discs, distance of each voxel centre to them (0 in solid), nearest disc.
    binned
        Whether voxels were merged.
    u_diameter_um
        Standard uncertainty of any diameter between two faces of this solid.
    """

    fraction: F32
    level: float
    spacing_um: tuple[float, float, float]
    origin_um: NDArray[np.float64]
    surface: Surface
    dist_um: F32
    ids: NDArray[np.int32]
    binned: bool
    u_diameter_um: float

    @property
    def u_shared_um(self) -> float:
        """What of a diameter's u does not average out from place to place."""
        local = U_VOXEL * max(self.spacing_um)
        return math.sqrt(max(self.u_diameter_um**2 - local**2, 0.0))


def noise_below_zero(fraction: F32) -> float:
    """Return the noise of an unclipped fraction map from its values below zero.

    In air the fraction scatters about 0, so the root mean square of what falls below 0 is the
    standard deviation, whatever else the scan holds. A map with almost nothing below 0 (less
    than 0.1 % of its voxels) is taken as free of noise.
    """
    step = max(1, round((fraction.size / 4e6) ** (1 / 3)))
    sample = fraction[::step, ::step, ::step]
    below = sample[sample < 0].astype(np.float64)
    if below.size < max(1e-3 * sample.size, 8):
        return 0.0
    return float(np.sqrt(np.mean(below**2)))


@dataclass(frozen=True)
class WorkingGrid:
    """The grid that pores are measured on: the scan's own, or with voxels merged.

    `factors` are voxels merged along each axis; `origin_um` is the scan position of the working
    voxel (0, 0, 0).
    """

    factors: tuple[int, int, int]
    shape: tuple[int, int, int]
    spacing_um: tuple[float, float, float]
    origin_um: NDArray[np.float64]


def working_grid(
    shape: tuple[int, ...], spacing_um: tuple[float, float, float], *, exact: bool | None
) -> WorkingGrid:
    """Choose the working grid: `exact` as in `measure_pores`.

    Where one axis is coarser than the others by half and more, merging only along the fine axes
    is tried first.
    """
    factors = (1, 1, 1)
    if exact is False or (exact is None and math.prod(shape) > EXACT_VOXELS):
        factors = (2, 2, 2)
        kz, ky, kx = (2 if s * 1.5 <= max(spacing_um) else 1 for s in spacing_um)
        count = math.prod(-(-n // k) for n, k in zip(shape, (kz, ky, kx), strict=True))
        if exact is None and count <= EXACT_VOXELS:
            factors = (kz, ky, kx)
    nz, ny, nx = (-(-n // k) for n, k in zip(shape, factors, strict=True))
    hz, hy, hx = (s * k for s, k in zip(spacing_um, factors, strict=True))
    origin = np.array([0.5 * (k - 1) for k in factors]) * np.asarray(spacing_um)
    return WorkingGrid(factors, (nz, ny, nx), (hz, hy, hx), origin)


def merged(samples: NDArray[np.generic], factors: tuple[int, int, int]) -> F32:
    """Return the mean over blocks of voxels, float32; an odd rest repeats its last voxel."""
    kz, ky, kx = factors
    nz, ny, nx = (-(-n // k) for n, k in zip(samples.shape, factors, strict=True))
    out = np.zeros((nz, ny, nx), np.float32)
    top = [n - 1 for n in samples.shape]
    share = np.float32(1 / (kz * ky * kx))
    for z in range(nz):
        for dz in range(kz):
            plane = samples[min(z * kz + dz, top[0])]
            for dy in range(ky):
                rows = plane[np.minimum(np.arange(ny) * ky + dy, top[1])]
                for dx in range(kx):
                    out[z] += share * rows[:, np.minimum(np.arange(nx) * kx + dx, top[2])]
    return out


def working_coverage(envelope: Envelope, frame: BuildFrame, grid: WorkingGrid) -> F32 | None:
    """Return the envelope's share of each working voxel; None when the whole array is inside."""
    if envelope.whole_array:
        return None
    if envelope.inside is not None:
        return merged(envelope.inside, grid.factors)
    # Imported here so that block and mask envelopes need no prism drawing.
    from volscan.envelope import coverage

    moved = replace(frame, origin_um=frame.origin_um - grid.origin_um)
    return coverage(envelope, moved, grid.shape, grid.spacing_um)


def smoothed_fraction(fraction: F32, noise: float) -> tuple[F32, float]:
    """Return the map with its noise brought down, and the width used in voxels.

    A plain Gaussian would thin round fibres further; from it, half its variance times its
    Laplacian is taken off, which leaves a kernel of zero second moment: flat and curved faces
    stay where they are to the order of (width / radius)^4.
    """
    if noise <= QUIET_NOISE:
        return fraction, 0.0
    width = min(max((noise / (QUIET_NOISE * NOISE_CUT)) ** (2 / 3), 0.6), WIDEST_SMOOTHING_VOX)
    out = smooth(fraction, sigma_vox=(width, width, width))
    half = np.float32(width**2 / 2)
    previous = out[0].copy()
    # Slice by slice: the only copies are two slices.
    for z in range(out.shape[0]):
        here = out[z].copy()
        after = out[min(z + 1, out.shape[0] - 1)]
        padded = np.pad(here, 1, mode="edge")
        bend = previous + after - 6 * here
        bend += padded[2:, 1:-1] + padded[:-2, 1:-1] + padded[1:-1, 2:] + padded[1:-1, :-2]
        out[z] = here - half * bend
        previous = here
    return out, width


def without_specks(fraction: F32, level: float) -> tuple[F32, int]:
    """Return the map without isolated clusters of a few voxels, solid or void, and their count."""
    import cc3d

    out = fraction
    count = 0
    # 26-connected solid goes with 6-connected void (Kong and Rosenfeld 1989, from memory).
    for solid, connectivity, value in ((True, 26, 0.0), (False, 6, 1.0)):
        mask = (out >= level) if solid else (out < level)
        labels, n = cc3d.connected_components(mask, connectivity=connectivity, return_N=True)
        if n == 0:
            continue
        sizes = np.bincount(labels.reshape(-1), minlength=n + 1)
        small = sizes < SPECK_VOXELS
        small[0] = False
        if not small.any():
            continue
        if out is fraction:
            out = fraction.copy()
        out[small[labels]] = np.float32(value)
        count += int(small.sum())
    return out, count


def _share_at_least(
    fraction: F32,
    level: float,
    weights: F32 | None,
    *,
    factors: tuple[int, int, int] = (1, 1, 1),
) -> float:
    """Return the weighted share of voxels at or above a level; weights may be on merged voxels."""
    above = 0.0
    total = 0.0
    for z in range(fraction.shape[0]):
        solid = fraction[z] >= np.float32(level)
        if weights is None:
            above += int(np.count_nonzero(solid))
            total += solid.size
            continue
        plane = weights[z // factors[0]]
        if max(factors) > 1:
            plane = plane.repeat(factors[1], axis=0).repeat(factors[2], axis=1)
            plane = plane[: solid.shape[0], : solid.shape[1]]
        above += float(plane[solid].sum(dtype=np.float64))
        total += float(plane.sum(dtype=np.float64))
    return above / total if total > 0 else 0.0


def _level_of_share(fraction: F32, share: float, weights: F32 | None, near: float) -> float:
    """Return the level above which a share of the weighted voxels lies; bisection."""
    low, high = 0.05, 0.95
    if not 0 < share < 1:
        return near
    for _ in range(20):
        middle = 0.5 * (low + high)
        if _share_at_least(fraction, middle, weights) > share:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def build_solid(
    material: MaterialMap,
    *,
    surface_level: float | None,
    solid_model: F32 | None,
    grid: WorkingGrid,
    coverage: F32 | None,
) -> tuple[Solid | None, tuple[Notice, ...]]:
    """Locate the solid's surface and measure the distance to it everywhere in the void.

    Returns None when there is no solid or no void, with a notice that says which.
    """
    notices: list[Notice] = []
    raw = material.fraction if solid_model is None else solid_model
    level = material.level if surface_level is None else surface_level
    binned = max(grid.factors) > 1
    fraction = merged(raw, grid.factors) if binned else raw
    noise = noise_below_zero(fraction)
    fraction, width = smoothed_fraction(fraction, noise)
    left = noise
    if width > 0:
        left = noise_below_zero(fraction)
        fraction, specks = without_specks(fraction, level)
        notices.append(
            Notice(
                "pores_smoothed",
                f"for pore sizes the polymer fraction was smoothed over {width:.2f} voxels "
                f"(noise {noise:.3f} of the air-polymer span)",
            )
        )
        if specks:
            notices.append(
                Notice(
                    "pores_specks_removed",
                    f"isolated clusters of fewer than {SPECK_VOXELS} voxels were taken as noise",
                    specks,
                )
            )
        if surface_level is not None:
            # The level was matched on the noisy map: keep the volume it stands for, not the level.
            share = _share_at_least(raw, surface_level, coverage, factors=grid.factors)
            level = _level_of_share(fraction, share, coverage, near=material.level)
    surface = surface_discs(fraction, level=level, spacing_um=grid.spacing_um)
    if surface.voxels.size == 0:
        full = bool(fraction.flat[0] >= level)
        word = "no pore: every voxel is solid" if full else "no solid: nothing limits a sphere"
        notices.append(Notice("pores_not_measured", f"pore sizes could not be measured: {word}"))
        return None, tuple(notices)
    dist, ids = distance_to_surface(fraction, surface, level=level)
    u = _u_diameter_um(
        material,
        surface,
        level=level,
        corrected=surface_level is not None or solid_model is not None,
        noise=left,
        solid_um3=_share_at_least(fraction, level, None)
        * fraction.size
        * math.prod(grid.spacing_um),
    )
    found = Solid(fraction, level, grid.spacing_um, grid.origin_um, surface, dist, ids, binned, u)
    return found, tuple(notices)


def _u_diameter_um(
    material: MaterialMap,
    surface: Surface,
    *,
    level: float,
    corrected: bool,
    noise: float,
    solid_um3: float,
) -> float:
    """Combine voxelisation, surface level, noise and uncorrected blur; see docs/theory/pores.md."""
    parts = [U_VOXEL * max(surface.spacing_um)]
    slope = surface.slope_per_um
    if math.isfinite(slope) and slope > 0:
        span = abs(material.polymer - material.air)
        if span > 0:
            u_level = combine_u([(1 - level) * material.u_air, level * material.u_polymer]) / span
            parts.append(2 * u_level / slope)
        parts.append(2 * noise / slope)
    if material.blur_um is not None and not corrected and surface.area_um2 > 0:
        # A round fibre at half maximum reads thin by 0.3607 FWHM² / d, and d = 4 V / S.
        diameter = 4 * solid_um3 / surface.area_um2
        if diameter > 0:
            thin = 0.3607 * material.blur_um.value**2 / diameter
            parts.append(min(thin, diameter))
    return combine_u(parts)
