"""A plate that lies in the scan under the print: found by its flat upper face, and taken out.

The plate is a slab of anything brighter than air. It is told from a print by four signs: most
columns of the scan end on one plane (a print is mostly open seen from below); the slab is full
where a film of a print's own would end with the print; nothing lies beyond it; something stands
on it. Blur carries the slab's brightness over its face onto the lowest fibres. What it adds at
each height is seen beside the fibres, in open places, and is subtracted: imaging is linear, so
the fibres remain as if no plate had been there, in the voxels that they share with it too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, binary_erosion

from volscan.prepare.edgecurve import REACH_VOX, edge_curve, heights_um, subtract_plate
from volscan.prepare.slab import THINNEST_VOX, SlabFace, slab_face

FloatArray = NDArray[np.float64]
Grey = NDArray[np.float32]
Mask = NDArray[np.bool_]
Up = Literal["+z", "-z", "+y", "-y", "+x", "-x"]

# Half-way between two grey values lies on a flat face to within this part of a voxel.
_U_FACE_VOX = 0.02
_TILES = 6


@dataclass(frozen=True)
class Collector:
    """A plate found in the scan.

    Parameters
    ----------
    normal
        Unit vector [z, y, x] of its upper face, toward the print.
    offset_um
        Scan position of the face along the normal.
    u_tilt_deg, u_offset_um
        Standard uncertainties, from how flat the face is seen, part by part.
    up
        Image axis nearest to the normal.
    grey
        Grey value of the plate.
    mask
        (z, y, x) bool: voxels of the plate that hold nothing else.
    """

    normal: FloatArray
    offset_um: float
    u_tilt_deg: float
    u_offset_um: float
    up: Up
    grey: float
    mask: Mask

    def __post_init__(self) -> None:
        for name in ("normal", "mask"):
            getattr(self, name).flags.writeable = False


def find_collector(
    grey: Grey, smoothed: Grey, *, spacing_um: tuple[float, float, float], air: float, noise: float
) -> tuple[Collector, Grey] | None:
    """Find a plate under the print; return it and the scan without it.

    Parameters
    ----------
    grey
        The scan (z, y, x).
    smoothed
        The same, noise smoothed away.
    spacing_um
        Voxel spacing (z, y, x).
    air, noise
        Grey value of air in `smoothed`, and the noise's standard deviation there.

    Returns
    -------
    tuple or None
        The plate, and a copy of the scan in which it is air; None without a plate.

    Examples
    --------
    >>> find_collector(grey, smoothed, spacing_um=(4.0,) * 3, air=0.2, noise=0.01)
    ... # doctest: +SKIP
    """
    level = np.float32(air + 5.0 * noise)
    faces = [
        face
        for axis in range(3)
        for flipped in (False, True)
        if (face := slab_face(_seen(smoothed, axis, flipped), level, axis, flipped)) is not None
    ]
    if not faces:
        return None
    face = max(faces, key=lambda f: f.inliers)
    seen, seen_smooth = (_seen(a, face.axis, face.flipped) for a in (grey, smoothed))
    slab = _slab_level(seen_smooth, face)
    spacing = _turned_spacing(spacing_um, face.axis)
    open_columns = _open_columns(seen_smooth > level, face)
    fine = _fitted_plane(seen_smooth, face, open_columns, 0.5 * (air + slab), spacing)
    if fine is None:
        return None
    normal, offset, u_tilt, u_offset = fine
    voxel = min(spacing_um)
    left = seen.copy()
    segmented = np.unique(seen[:: max(1, seen.shape[0] // 40), ::3, ::3]).size <= 4
    if segmented:
        mask = heights_um(seen.shape, spacing, normal, offset) < 0.5 * voxel
        left[mask] = air
    else:
        curve = edge_curve(seen, open_columns, normal, offset, spacing, air=air)
        if curve is None:
            return None
        inner = _inner_columns(seen_smooth > level, face)
        mask = subtract_plate(left, curve, inner, normal, offset, spacing, air=air)
    sign = -1.0 if face.flipped else 1.0
    # Back from the turned view: its first axis ran along the axis looked along.
    length = seen.shape[0] * spacing[0] - spacing[0]
    if face.flipped:
        offset += -normal[0] * length
        normal = normal * (-1.0, 1.0, 1.0)
    back = np.empty(3)
    back[face.axis] = normal[0]
    back[[a for a in range(3) if a != face.axis]] = normal[1:]
    collector = Collector(
        normal=back,
        offset_um=float(offset),
        u_tilt_deg=u_tilt,
        u_offset_um=math.hypot(u_offset, _U_FACE_VOX * spacing[0]),
        up=_AXIS_NAMES[(face.axis, sign)],
        grey=slab,
        mask=_unseen(mask, face).copy(),
    )
    return collector, np.ascontiguousarray(_unseen(left, face))


_AXIS_NAMES: dict[tuple[int, float], Up] = {
    (0, 1.0): "+z",
    (0, -1.0): "-z",
    (1, 1.0): "+y",
    (1, -1.0): "-y",
    (2, 1.0): "+x",
    (2, -1.0): "-x",
}


def _seen(a: NDArray[Any], axis: int, flipped: bool) -> NDArray[Any]:
    """Return a view whose first axis leads away from a plate on that side."""
    a = np.moveaxis(a, axis, 0)
    return a[::-1] if flipped else a


def _unseen(a: NDArray[Any], face: SlabFace) -> NDArray[Any]:
    return np.moveaxis(a[::-1] if face.flipped else a, 0, face.axis)


def _turned_spacing(spacing_um: tuple[float, float, float], axis: int) -> FloatArray:
    order = [axis, *(a for a in range(3) if a != axis)]
    return np.array([spacing_um[a] for a in order])


def _slab_level(seen: Grey, face: SlabFace) -> float:
    """Return the plate's grey value: the median along the middle of its thickness."""
    n = seen.shape[0]
    rows, columns = np.meshgrid(*(np.arange(m) for m in seen.shape[1:]), indexing="ij")
    depth = min(0.5 * face.thickness, REACH_VOX)
    k = np.rint(face.heights(rows, columns) - depth).astype(np.int64)
    good = (k >= 0) & (k < n)
    return float(np.median(seen[k[good], rows[good], columns[good]]))


def _open_columns(bright: Mask, face: SlabFace) -> Mask:
    """Return columns (rows, columns) with nothing on the plate, nor close beside."""
    n = bright.shape[0]
    rows, columns = np.meshgrid(*(np.arange(m) for m in bright.shape[1:]), indexing="ij")
    height = face.heights(rows, columns)
    busy = np.zeros(height.shape, np.bool_)
    for k in range(n):
        over = k - height
        busy |= bright[k] & (over > 1.5) & (over < REACH_VOX + 3.0)
    # As far to the side as the plate's own edge is blurred; the rim may be cut in the same way.
    busy[:3] = busy[-3:] = busy[:, :3] = busy[:, -3:] = True
    busy = binary_dilation(busy, iterations=4)
    return np.asarray(~busy & (height > THINNEST_VOX) & (height < n - 4))


def _fitted_plane(
    seen: Grey, face: SlabFace, open_columns: Mask, half: float, spacing: FloatArray
) -> tuple[FloatArray, float, float, float] | None:
    """Fit the face where the grey value passes half-way, column by column, in µm.

    Returns
    -------
    tuple
        Normal (3,), offset along it, and their standard uncertainties (degrees, µm).
    """
    rows, columns = np.nonzero(open_columns)
    if rows.size < 400:
        return None
    start = face.heights(rows, columns)
    base = np.clip(np.floor(start).astype(np.int64), 5, seen.shape[0] - 4)
    run = np.stack([seen[np.clip(base + d, 0, None), rows, columns] for d in range(-5, 4)])
    falls = (run[:-1] >= half) & (run[1:] < half)
    hit = falls.any(axis=0)
    d = falls.argmax(axis=0)
    one = np.arange(rows.size)
    high, low = run[d, one], run[d + 1, one]
    top = (base - 5 + d + (high - half) / np.maximum(high - low, 1e-12)) * spacing[0]
    y, x = rows * spacing[1], columns * spacing[2]
    a = np.stack([np.ones_like(y), y - y.mean(), x - x.mean()], axis=1)[hit]
    top = top[hit]
    if top.size < 400:
        return None
    keep = np.ones(top.size, np.bool_)
    for _ in range(4):
        plane = np.linalg.lstsq(a[keep], top[keep], rcond=None)[0]
        rest = top - a @ plane
        spread = 1.4826 * float(np.median(np.abs(rest[keep]))) + 1e-6
        keep = np.abs(rest) < 4.0 * spread
    # A plate is flat to what its parts show: each tile is one witness.
    cells = (a[:, 1:] - a[:, 1:].min(axis=0)) / np.maximum(np.ptp(a[:, 1:], axis=0), 1e-9)
    cells = np.minimum((cells * _TILES).astype(np.int64), _TILES - 1)
    tile = cells[:, 0] * _TILES + cells[:, 1]
    score = np.zeros((_TILES**2, 3))
    np.add.at(score, tile[keep], a[keep] * rest[keep][:, None])
    inverse = np.linalg.pinv(a[keep].T @ a[keep])
    covariance = inverse @ (score.T @ score) @ inverse
    slope = plane[1:]
    length = math.sqrt(1.0 + float(slope @ slope))
    normal = np.array([1.0, -slope[0], -slope[1]]) / length
    offset = (plane[0] - slope[0] * y.mean() - slope[1] * x.mean()) / length
    u_tilt = math.degrees(math.sqrt(max(float(np.trace(covariance[1:, 1:])) / 2.0, 0.0)))
    return normal, float(offset), max(u_tilt, 1e-3), math.sqrt(max(float(covariance[0, 0]), 0.0))


def _inner_columns(bright: Mask, face: SlabFace) -> Mask:
    """Return columns (rows, columns) that stand on the plate, clear of its rim."""
    rows, columns = np.meshgrid(*(np.arange(m) for m in bright.shape[1:]), indexing="ij")
    k = np.rint(face.heights(rows, columns) - min(0.5 * face.thickness, 6.0)).astype(np.int64)
    filled = k < 0
    k = np.clip(k, 0, bright.shape[0] - 1)
    filled |= bright[k, rows, columns]
    return np.asarray(binary_erosion(filled, iterations=4, border_value=1))
