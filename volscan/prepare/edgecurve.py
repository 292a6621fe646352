"""Take a plate's blurred edge out of a scan, by what it adds beside the print."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Grey = NDArray[np.float32]
Mask = NDArray[np.bool_]

# How far from the face, in voxels, blur is followed: ten standard deviations of a sharp scan,
# five of a soft one.
REACH_VOX = 12.0
_PER_VOX = 4


def heights_um(
    shape: tuple[int, ...], spacing: FloatArray, normal: FloatArray, offset: float
) -> NDArray[np.float32]:
    """Return each voxel's height over the plate's face, array (z, y, x) of the turned view."""
    z, y, x = (
        np.arange(n, dtype=np.float32) * np.float32(s * c)
        for n, s, c in zip(shape, spacing, normal, strict=True)
    )
    return np.asarray(z[:, None, None] + (y[:, None] + x - np.float32(offset)))


def edge_curve(
    seen: Grey,
    open_columns: Mask,
    normal: FloatArray,
    offset: float,
    spacing: FloatArray,
    *,
    air: float,
) -> FloatArray | None:
    """Return what the plate adds to air at heights -reach to +reach, seen in open columns."""
    bins = int(2 * REACH_VOX * _PER_VOX) + 1
    total, count = np.zeros(bins), np.zeros(bins)
    step = float(spacing.max()) / _PER_VOX
    rows, columns = np.nonzero(open_columns)
    flat = rows * spacing[1] * normal[1] + columns * spacing[2] * normal[2] - offset
    for k in range(seen.shape[0]):
        place = (k * spacing[0] * normal[0] + flat) / step + (bins - 1) / 2
        near = (place >= 0) & (place < bins - 1)
        if not near.any():
            continue
        index = place[near].astype(np.int64)
        share = place[near] - index
        value = seen[k, rows[near], columns[near]] - air
        for i, w in ((index, 1.0 - share), (index + 1, share)):
            total += np.bincount(i, w * value, bins)
            count += np.bincount(i, w, bins)
    known = count > 20.0
    # A level plate is seen at whole voxels only, and is then subtracted at just those heights.
    if known.sum() < REACH_VOX or np.diff(np.flatnonzero(known)).max() > _PER_VOX + 1:
        return None
    curve = np.interp(np.arange(bins), np.flatnonzero(known), total[known] / count[known])
    # Air's own level and drift stay in the scan: the curve ends at nothing.
    quiet = 2 * _PER_VOX
    return np.asarray(curve - float(curve[-quiet:].mean()))


def subtract_plate(
    left: Grey,
    curve: FloatArray,
    inner: Mask,
    normal: FloatArray,
    offset: float,
    spacing: FloatArray,
    *,
    air: float,
) -> Mask:
    """Subtract the plate from `left` in place; return the voxels that hold nothing but plate."""
    bins = curve.size
    step = float(spacing.max()) / _PER_VOX
    at = (np.arange(bins) - (bins - 1) / 2) * step
    # Fibres' own blur reaches as far below the face as the plate's reaches above it.
    deep = float(at[np.flatnonzero(curve >= 0.99 * curve.max())[-1]])
    # Beside a plate smaller than the scan its rim is taken out whole, to where blur ends.
    clear = float(at[np.flatnonzero(curve >= 0.01 * curve.max())[-1]])
    cut = np.where(inner, min(deep, -step), clear)
    mask = np.zeros(left.shape, np.bool_)
    for k in range(left.shape[0]):
        height = heights_um((1, *left.shape[1:]), spacing, normal, offset)[0]
        height += np.float32(k * spacing[0] * normal[0])
        mask[k] = height < cut
        near = (height < at[-1]) & ~mask[k]
        left[k][near] -= np.interp(height[near], at, curve).astype(np.float32)
        left[k][mask[k]] = air
    return mask
