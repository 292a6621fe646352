"""Unroll a tube: the material map on a flat sheet, as a flat print would look.

The sheet's x runs along the axis, its y around at the mean radius, its height outward. It spans a
full turn and a part of the next, so that what crosses the seam is seen whole at least once.

Samples are taken by cubic B-splines that pass through every voxel (Unser 1999), from the map as
it is, neither filtered nor clipped, at the scan's finest spacing. Their frequency response is 1
within 1 % to half the sampling limit, where a scan's own blur leaves nothing to keep: to a fibre's
measured width they add less than 0.01 voxel. Between voxels they average noise a little and
correlate its neighbours; the variance of a mean over a volume, which is what a fit of fibres feels,
stays what it was in the scan, and so the number of voxels that share their noise is restated for
the sheet's voxels.

References
----------
M. Unser, Splines: a perfect fit for signal and image processing, IEEE Signal Processing Magazine
16(6), 22-38 (1999), doi 10.1109/79.799930.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from volscan.geometry import BuildFrame, TubeFrame
from volscan.prepare.material import MaterialMap, Unrolled
from volscan.progress import Progress, no_progress

# The seam's overlap: fibres cut by the sheet's edge within it are seen whole on its other side.
# As a share of a turn, and at least so many fibre diameters.
_OVERLAP_SHARE, _OVERLAP_DIAMETERS = 0.15, 10.0
# Air kept on either side of the shell, in diameters: as much as a flat scan usually leaves.
_AIR_DIAMETERS = 2.5
# Air kept beyond the ends, in diameters.
_ENDS_DIAMETERS = 2.0
# The lumen's middle, where the sheet would fold over itself, is kept this share of the radius off.
_LEAST_RADIUS = 0.15


@dataclass(frozen=True)
class Sheet:
    """A tube's material map unrolled, with the frame that is level on it.

    `material` (h, y, x) has equal spacing; `frame` turns its positions into (X, Y, H) of `tube`,
    Y running on past a full turn.
    """

    material: MaterialMap
    frame: BuildFrame
    tube: TubeFrame


def unroll(material: MaterialMap, tube: TubeFrame, *, progress: Progress = no_progress) -> Sheet:
    """Return the sheet that a tube unrolls to.

    Parameters
    ----------
    material
        The map in the scan.
    tube
        The tube; its start, length and base tell how much is unrolled.

    Notes
    -----
    Memory: the scan once as float32 for the spline's coefficients, and the sheet.

    Examples
    --------
    See docs/theory/tubes.md.
    """
    spacing = np.asarray(material.spacing_um)
    step = float(spacing.min())
    diameter = max(material.rough_thickness_um, 3.0 * step)
    overlap = max(_OVERLAP_SHARE * tube.turn_um, _OVERLAP_DIAMETERS * diameter)
    air = max(_AIR_DIAMETERS * diameter, 8.0 * step)
    below = min(air, (1.0 - _LEAST_RADIUS) * (tube.radius_um + tube.base_um))
    ends = _ENDS_DIAMETERS * diameter
    height = np.arange(-below, -2.0 * tube.base_um + air + step, step)
    around = np.arange(0.0, tube.turn_um + overlap, step)
    along = np.arange(-ends, tube.length_um + ends + step, step)
    coefficients = ndimage.spline_filter(material.fraction, order=3, output=np.float32)
    fraction = np.empty((height.size, around.size, along.size), np.float32)
    solid = np.empty(fraction.shape, np.bool_)
    limit = np.asarray(material.fraction.shape) - 1
    plane = np.stack(np.broadcast_arrays(along[None, :], around[:, None], 0.0), axis=-1)
    for k, h in enumerate(height):
        at = tube.to_scan(plane + np.array([0.0, 0.0, h])) / spacing
        at = np.moveaxis(at, -1, 0)
        fraction[k] = ndimage.map_coordinates(
            coefficients, at, order=3, prefilter=False, output=np.float32, mode="mirror"
        )
        inside = ((at >= -0.5) & (at <= limit[:, None, None] + 0.5)).all(axis=0)
        fraction[k][~inside] = 0.0
        nearest = tuple(np.clip(np.rint(at), 0, limit[:, None, None]).astype(np.intp))
        solid[k] = material.solid[nearest] & inside
        progress("unroll", (k + 1) / height.size)
    sheet = replace(
        material,
        fraction=fraction,
        spacing_um=(step, step, step),
        solid=solid,
        # The noise's power per volume is the scan's own.
        noise_correlation_vox=material.noise_correlation_vox * float(np.prod(spacing)) / step**3,
        notices=(),
        unrolled=Unrolled(tube.radius_um + tube.base_um + float(height[0]), tube.radius_um),
    )
    return Sheet(sheet, _level(tube, height[0], along[0]), tube)


def _level(tube: TubeFrame, lowest_um: float, first_um: float) -> BuildFrame:
    """Return the frame in which the sheet's positions are (X, Y, H) of the tube."""
    return BuildFrame(
        kind="mandrel",
        origin_um=np.array([-lowest_um, 0.0, -first_um]),
        x=np.array([0.0, 0.0, 1.0]),
        y=np.array([0.0, 1.0, 0.0]),
        h=np.array([1.0, 0.0, 0.0]),
        up="+z",
        # Outward is up on a tube, and needs no telling.
        up_confirmed=True,
        mirrored_confirmed=tube.mirrored_confirmed,
        mount_tilt_deg=0.0,
        u_tilt_deg=tube.u_tilt_deg,
        h_from=tube.h_from,
    )


def stretch_of(cos: float, sin: float, ratio: float) -> float:
    """Return k, the width on the sheet of a strip of unit width.

    `ratio` is the fibre's radius over the sheet's; `cos` and `sin` of its direction on the sheet.

    >>> stretch_of(1.0, 0.0, 0.8), stretch_of(0.0, 1.0, 0.8)
    (1.25, 1.0)
    """
    return math.hypot(cos, ratio * sin) / ratio
