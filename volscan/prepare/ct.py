"""From a CT scan's grey values to polymer fraction.

Two anchors span the scale. Air is the mean of the voxels that lie well away from anything solid;
polymer is the median of voxels deep inside solid where there are any, and otherwise a first
guess that the fits of blurred cross-sections replace (fibres thinner than about three times the
blur never reach the polymer's grey value). Foreign bodies are taken out first; drift and rings
are removed by what the air shows of them, and then the scan is looked at anew. The map is never
clipped: clipping adds 0.4 standard
deviations of noise to every air voxel.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import edt
import numpy as np
from numpy.typing import NDArray

from volscan.errors import NothingToMeasureError
from volscan.kernels.filters import smooth
from volscan.prepare.anchors import air_anchor, polymer_anchor, surface_level, two_values
from volscan.prepare.background import flatten_air
from volscan.prepare.collector import Collector, find_collector
from volscan.prepare.edges import FWHM_PER_SIGMA as FWHM_PER_SIGMA
from volscan.prepare.edges import edge_blur_vox
from volscan.prepare.firstlook import (
    FIRST_SMOOTHING_VOX,
    FirstLook,
    air_peak,
    far_from,
    first_look,
    typical_thickness_um,
)
from volscan.prepare.foreign import find_foreign
from volscan.prepare.fringes import U_BLUR_FAINT, Fringes, find_fringes, undo_fringes
from volscan.prepare.greys import (
    U_FLAT,
    cut_notices,
    grey_scale,
    has_flat_tops,
    noise_between,
    restore_ends,
    step_notices,
)
from volscan.prepare.material import MaterialMap
from volscan.prepare.rings import Rings, remove_rings
from volscan.progress import Progress, no_progress
from volscan.quantity import Notice, Quantity
from volscan.volume import Volume

Grey = NDArray[np.float32]
Mask = NDArray[np.bool_]

# Drift above this share of the contrast has moved the first look: it is taken again. Below, no
# voxel of air comes near the half-way level, nor does the polymer's median move by its own u.
_LOOK_AGAIN = 0.02
# Below this contrast-to-noise it is said what noise does: from the phantoms of docs/validation.
_CLEAR = 5.0


@dataclass(frozen=True)
class _Anchors:
    """What the grey scale is hung on, with noise and how many voxels share it."""

    air: float
    u_air: float
    polymer: float
    u_polymer: float
    noise_air: float
    noise_polymer: float | None
    plateau: bool
    correlation_vox: float
    thickness_um: float
    segmented: bool


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
    spacing = volume.spacing_um
    progress("prepare", 0.1)
    smoothed = _smoothed(grey)
    progress("prepare", 0.3)
    notices: list[Notice] = []
    collector, grey, smoothed = _without_collector(grey, smoothed, spacing, notices)
    left_out = None if collector is None else collector.mask
    first = first_look(smoothed, left_out)
    foreign = find_foreign(smoothed, first, spacing_um=spacing, left_out=left_out)
    if foreign is not None:
        notices.extend(foreign.notices())
        grey = _own(grey)
        grey[foreign.mask] = first.air
        left_out = foreign.mask if left_out is None else left_out | foreign.mask
        smoothed = _smoothed(grey)
        first = first_look(smoothed, left_out)
    scale = grey_scale(volume.samples)
    noise, flat = None, False
    if scale.cut:
        noise = noise_between(grey[far_from(first.solid)], scale)
        flat = noise is not None and has_flat_tops(smoothed, first.solid, scale, noise=noise)
        notices.extend(cut_notices(scale, restored=noise is not None, flat=flat))
    if noise is not None:
        grey = _own(grey)
        restore_ends(grey, smoothed, scale, noise=noise)
        smoothed = _smoothed(grey)
        first = first_look(smoothed, left_out)
    progress("prepare", 0.4)
    flattened, smoothed, first, anchors, faint = _levelled(
        grey, smoothed, first, left_out, spacing, noise, notices
    )
    notices.extend(step_notices(scale, contrast=anchors.polymer - anchors.air))
    if left_out is not None:
        flattened[left_out] = 0.0
    progress("prepare", 0.7)
    blur = edge_blur_vox(smoothed, anchors.air, anchors.polymer)
    del smoothed
    progress("prepare", 0.8)

    level, rule = surface_level(
        grey=volume.samples if left_out is None else volume.samples[~left_out],
        rule=threshold, air=anchors.air, polymer=anchors.polymer, noise=anchors.noise_air,
    )  # fmt: skip
    coarsest = max(spacing)
    blur_um = (
        None
        if blur is None
        else Quantity(
            FWHM_PER_SIGMA * blur * coarsest, 0.2 * FWHM_PER_SIGMA * blur * coarsest, "µm", 1
        )
    )
    contrast = anchors.polymer - anchors.air
    if contrast < _CLEAR * anchors.noise_air:
        notices.append(
            Notice(
                "noise_strong",
                f"the contrast is {contrast / anchors.noise_air:.2g} times the noise: single "
                "walls' tilts may be some tenths of a degree off, as their u says, and thin "
                "fibres may be missed",
            )
        )
    progress("prepare", 1.0)
    return MaterialMap(
        fraction=flattened,
        spacing_um=spacing,
        air=anchors.air,
        polymer=anchors.polymer,
        u_air=anchors.u_air,
        u_polymer=anchors.u_polymer,
        anchors_from=(
            "air: mean of voxels away from solid; polymer: median of voxels deep inside solid"
            if anchors.plateau
            else "air: mean of voxels away from solid; polymer: first guess from thin fibres"
        ),
        level=level,
        threshold=anchors.air + level * (anchors.polymer - anchors.air),
        threshold_rule=rule,
        noise_air=anchors.noise_air,
        noise_polymer=anchors.noise_polymer,
        blur_um=blur_um,
        blur_axes_um=None if blur_um is None else (blur_um.value,) * 3,
        solid=first.solid,
        noise_correlation_vox=anchors.correlation_vox,
        rough_thickness_um=anchors.thickness_um,
        plateau_seen=anchors.plateau,
        notices=tuple(notices),
        collector=collector,
        left_out=left_out,
        u_contrast_share=U_FLAT if flat else 0.0,
        u_blur_share=max(U_FLAT if flat else 0.0, U_BLUR_FAINT if faint else 0.0),
    )


def _levelled(
    grey: Grey,
    smoothed: Grey,
    first: FirstLook,
    left_out: Mask | None,
    spacing: tuple[float, float, float],
    noise: float | None,
    notices: list[Notice],
) -> tuple[Grey, Grey, FirstLook, _Anchors, bool]:
    """Return the polymer fraction freed from drift, rings and fringes, and what it was read with.

    Last, whether faint fringes are left in it. Where much was removed, the scan without it is
    looked at once more.
    """
    drifts: list[float] = []
    rings: list[Rings] = []
    fringes: Fringes | None = None
    own: tuple[float, float] | None = None
    for last in (False, True):
        far_air = far_from(first.solid)
        if left_out is not None:
            far_air &= ~left_out
        anchors = _anchors(grey, first, far_air, left_out, spacing)
        if noise is not None:
            anchors = replace(anchors, noise_air=noise)
        if own is not None:
            # Undoing fringes smooths the noise: what is told is the scan's own.
            anchors = replace(anchors, noise_air=own[0], correlation_vox=own[1])
        fraction = _scaled(grey, anchors)
        span = anchors.polymer - anchors.air
        share, correlation = anchors.noise_air / span, anchors.correlation_vox
        flattened, drift = flatten_air(fraction, far_air, noise=share, correlation_vox=correlation)
        drifts += [] if drift is None else [drift]
        ring = None if anchors.segmented else remove_rings(flattened, far_air)
        rings += [] if ring is None else [ring]
        if last:
            break
        if not anchors.segmented:
            fringes = find_fringes(
                flattened, first.solid, left_out, noise=share, correlation_vox=correlation
            )
        if fringes is not None and not fringes.faint:
            own = anchors.noise_air, correlation
            flattened = undo_fringes(flattened, fringes.k)
        elif ring is None and (drift or 0.0) < _LOOK_AGAIN:
            break
        else:
            # Faint rims beside what was removed may be of its own making.
            fringes = None
        flattened *= np.float32(span)
        flattened += np.float32(anchors.air)
        grey = flattened
        smoothed = _smoothed(grey)
        first = first_look(smoothed, left_out)
    notices.extend(_background_notices(drifts, rings, fringes))
    return flattened, smoothed, first, anchors, fringes is not None and fringes.faint


def _smoothed(grey: Grey) -> Grey:
    return smooth(grey, sigma_vox=(FIRST_SMOOTHING_VOX,) * 3)


def _without_collector(
    grey: Grey, smoothed: Grey, spacing: tuple[float, float, float], notices: list[Notice]
) -> tuple[Collector | None, Grey, Grey]:
    """Return a plate found under the print, and the scan without it."""
    found = find_collector(grey, smoothed, spacing_um=spacing, **air_peak(smoothed)._asdict())
    if found is None:
        return None, grey, smoothed
    collector, grey = found
    notices.append(
        Notice(
            "collector_excluded",
            f"a plate lies in the scan on its {_opposite(collector.up)} side (grey value "
            f"{collector.grey:.4g}): it was taken out of all that is measured, and its face is "
            "the base plane",
        )
    )
    return collector, grey, _smoothed(grey)


def _anchors(
    grey: Grey,
    first: FirstLook,
    far_air: Mask,
    left_out: Mask | None,
    spacing: tuple[float, float, float],
) -> _Anchors:
    """Return both anchors and the noise, with the usual thickness of what is solid."""
    air, u_air, noise_air, correlation = air_anchor(grey, far_air, first)
    depth = edt.edt(first.solid, black_border=False, parallel=2)
    thickness = typical_thickness_um(first.solid, depth, spacing)
    polymer, u_polymer, noise_polymer, plateau = polymer_anchor(grey, first, depth)
    segmented = two_values(grey if left_out is None else grey[~left_out])
    if segmented is not None:
        air, polymer = segmented
        u_air = u_polymer = noise_air = 0.0
        noise_polymer, plateau, correlation = None, True, 1.0
    if polymer - air <= 0:
        raise NothingToMeasureError(
            "nothing stands out brighter than air: check that polymer is bright in this scan"
        )
    return _Anchors(
        air, u_air, polymer, u_polymer, noise_air, noise_polymer, plateau, correlation, thickness,
        segmented is not None,
    )  # fmt: skip


def _own(grey: Grey) -> Grey:
    """Return grey values that may be written to; a scan's own samples are read-only."""
    return grey if grey.flags.writeable else grey.copy()


def _scaled(grey: Grey, anchors: _Anchors) -> Grey:
    """Return grey values as polymer fraction, in place unless they are the scan's own samples."""
    fraction = _own(grey)
    fraction -= np.float32(anchors.air)
    fraction /= np.float32(anchors.polymer - anchors.air)
    return fraction


def _background_notices(
    drifts: list[float], rings: list[Rings], fringes: Fringes | None
) -> list[Notice]:
    """Tell what was removed."""
    out = []
    if drifts:
        out.append(
            Notice(
                "background_removed",
                f"slow background drift of {100 * drifts[0]:.1f} % of the contrast was removed",
            )
        )
    if rings:
        most = rings[0]
        told = (
            f"rings about the axis y, x = {most.centre[0]:.1f}, {most.centre[1]:.1f} voxels, of a "
            f"standard deviation of {100 * most.strength:.1f} % of the contrast, were removed"
        )
        if most.share_of_slice < 0.98:
            told += (
                f"; {100 * (1 - most.share_of_slice):.0f} % of each slice has too little air to "
                "show its rings, and keeps them"
            )
        out.append(Notice("rings_removed", told))
    if fringes is not None and fringes.faint:
        out.append(
            Notice(
                "fringes_faint",
                f"edges have faint dark rims of {100 * fringes.rim:.2g} % of the contrast, as "
                "phase contrast or a sharpening filter leaves them: too faint to be undone; the "
                "blur looks smaller by up to a seventh than the scanner's",
            )
        )
    elif fringes is not None:
        out.append(
            Notice(
                "fringes_undone",
                f"edges have dark rims of {100 * fringes.rim:.1f} % of the contrast, as phase "
                "contrast or a sharpening filter leaves them: they were undone, and the blur is "
                "that without them; what is left of them makes diameters unsure beyond their "
                "stated uncertainty where fibres are thinner than three times the blur",
            )
        )
    return out


def _opposite(axis: str) -> str:
    return ("-" if axis[0] == "+" else "+") + axis[1]
