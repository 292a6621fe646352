"""How much of each voxel lies inside an envelope."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from volscan.envelope.polygon import edges
from volscan.geometry import BuildFrame, Envelope
from volscan.kernels.prism import inside_share

FloatArray = NDArray[np.float64]


def coverage(
    envelope: Envelope,
    frame: BuildFrame,
    shape: tuple[int, int, int],
    spacing_um: tuple[float, float, float],
) -> NDArray[np.float32]:
    """Return the share of each voxel that lies inside the envelope.

    Parameters
    ----------
    envelope
        A prism, a mask or the whole array.
    frame
        The build frame that the prism is drawn in.
    shape, spacing_um
        Shape and voxel spacing (z, y, x) of the scan.

    Returns
    -------
    numpy.ndarray
        Array (z, y, x), float32: 1 inside, 0 outside, a share where a face crosses the voxel.

    Notes
    -----
    Memory: the result alone. A prism's outline must be convex, as all drawn here are.
    """
    return coverage_of_slab(envelope, frame, shape, spacing_um, first=0, last=shape[0])


def coverage_of_slab(
    envelope: Envelope,
    frame: BuildFrame,
    shape: tuple[int, int, int],
    spacing_um: tuple[float, float, float],
    *,
    first: int,
    last: int,
) -> NDArray[np.float32]:
    """Return the coverage of the slices from `first` up to, not including, `last`."""
    part = (last - first, shape[1], shape[2])
    if envelope.inside is not None:
        return np.asarray(envelope.inside[first:last], dtype=np.float32)
    if envelope.whole_array:
        return np.ones(part, dtype=np.float32)
    return inside_share(
        extended_planes(envelope, frame), shape=part, spacing_um=spacing_um, first_slice=first
    )


def extended_planes(
    envelope: Envelope,
    frame: BuildFrame,
    *,
    below_um: float = 0.0,
    above_um: float = 0.0,
    around_um: float = 0.0,
) -> FloatArray:
    """Return the prism's planes (k, 4) in the scan, moved outward by the given lengths.

    Each row holds the unit normal pointing inward (z, y, x) and the offset: inside is where
    normal · position >= offset.
    """
    at_origin = frame.rotation @ frame.origin_um  # the base plane origin along X, Y, H
    rows = [
        [*frame.h, envelope.base_um - below_um + at_origin[2]],
        [*(-frame.h), -(envelope.top_um + above_um) - at_origin[2]],
    ]
    for normal, offset in zip(*edges(envelope.outline_um), strict=True):
        direction = normal[0] * frame.x + normal[1] * frame.y
        shift = normal[0] * at_origin[0] + normal[1] * at_origin[1]
        rows.append([*direction, offset - around_um + shift])
    return np.asarray(rows)


def covered_volume_um3(
    envelope: Envelope,
    frame: BuildFrame,
    shape: tuple[int, int, int],
    spacing_um: tuple[float, float, float],
) -> float:
    """Return the volume of the part of an envelope that the scan shows."""
    slab = max(1, int(4e6 // (shape[1] * shape[2])))
    total = 0.0
    for first in range(0, shape[0], slab):
        last = min(shape[0], first + slab)
        part = coverage_of_slab(envelope, frame, shape, spacing_um, first=first, last=last)
        total += float(part.sum(dtype=np.float64))
    return total * float(np.prod(spacing_um))
