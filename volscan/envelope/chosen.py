"""Envelopes that do not follow the fibres: a user's mask and the whole array."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from volscan.envelope import polygon
from volscan.envelope.solid import mask_extent
from volscan.errors import NothingToMeasureError, SettingsError
from volscan.geometry import BuildFrame, Envelope
from volscan.quantity import Notice


def mask_envelope(
    mask: NDArray[np.bool_],
    frame: BuildFrame,
    shape: tuple[int, ...],
    spacing: tuple[float, float, float],
) -> tuple[Envelope, tuple[Notice, ...]]:
    """Return the envelope of the voxels that a user marked."""
    if mask.shape != shape:
        raise SettingsError(
            f"the envelope's mask must have the scan's shape {shape} (z, y, x), got {mask.shape}"
        )
    inside = np.ascontiguousarray(mask != 0)
    count = int(np.count_nonzero(inside))
    if count == 0:
        raise NothingToMeasureError("the envelope's mask is empty: mark the voxels to measure")
    inside.flags.writeable = False
    extent = mask_extent(inside, frame, spacing)
    return (
        Envelope(
            definition="mask given by the user",
            outline_um=extent.outline_um,
            base_um=extent.base_um,
            top_um=extent.top_um,
            u_volume_frac=0.0,
            inside=inside,
            mask_volume_um3=count * float(np.prod(spacing)),
        ),
        (),
    )


def block_envelope(
    frame: BuildFrame, shape: tuple[int, ...], spacing: tuple[float, float, float]
) -> tuple[Envelope, tuple[Notice, ...]]:
    """Return the whole array as envelope, drawn along the image axes."""
    size = np.asarray(shape) * np.asarray(spacing)
    axis = "zyx".index(frame.up[1])
    sign = 1.0 if frame.up[0] == "+" else -1.0
    low = -0.5 * np.asarray(spacing)
    ends = sign * (np.array([low[axis], low[axis] + size[axis]]) - frame.origin_um[axis])
    across = [k for k in (2, 1, 0) if k != axis]
    # The outline as seen along the image axis: first side along the scan's x (its y for up ±x).
    corner = low[across] - frame.origin_um[across]
    outline = polygon.counter_clockwise_box(corner, corner + size[across])
    envelope = Envelope(
        definition="block: the whole array",
        outline_um=outline,
        base_um=float(ends.min()),
        top_um=float(ends.max()),
        u_volume_frac=0.0,
        whole_array=True,
        mask_volume_um3=float(np.prod(size)),
    )
    notice = Notice(
        "field_of_view_cuts",
        "the envelope is the whole array: its cut faces count as open to the air outside",
    )
    return envelope, (notice,)
