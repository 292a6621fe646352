"""Which way is up in a flat print, and where its collector was.

The heights of all solid voxels, told along the true normal of the base plane, make the sharpest
profile there is: the print's top and bottom are steps and its layers are teeth. Any lean of the
walls shifts voxels sideways and leaves their heights alone, so a systematic lean cannot pull the
normal. (Principal axes and walls would swallow exactly that lean.) The frame found here is good
to a few tenths of a degree; the fibre stage refines it once from the layers' own planes.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from volscan.geometry import BuildFrame, FloatArray, Up
from volscan.prepare.material import MaterialMap
from volscan.progress import Progress, no_progress

# A mounting farther off level than this is not searched.
LARGEST_MOUNT_TILT_DEG = 18.0
# Points that the search looks at: 1e5 hold the profile's noise under 1 % a bin.
_POINTS = 100_000

_AXES: dict[str, tuple[float, float, float]] = {
    "+z": (1.0, 0.0, 0.0),
    "-z": (-1.0, 0.0, 0.0),
    "+y": (0.0, 1.0, 0.0),
    "-y": (0.0, -1.0, 0.0),
    "+x": (0.0, 0.0, 1.0),
    "-x": (0.0, 0.0, -1.0),
}


def find_plate_frame(
    material: MaterialMap,
    *,
    up: Up | None = None,
    mirrored: bool | None = None,
    progress: Progress = no_progress,
) -> BuildFrame:
    """Return the build frame of a print on a flat collector.

    Parameters
    ----------
    material
        The material map; its `solid` voxels are used.
    up
        Image axis that points away from the collector, to within about 18 degrees; None assumes
        +z.
    mirrored
        Whether the user told the handedness (either way); None when it is assumed.

    Returns
    -------
    BuildFrame
        `u_tilt_deg` is None until layers confirm the normal.

    Examples
    --------
    A level scan, up +z, has h = [1, 0, 0], x = [0, 0, 1] and y = [0, 1, 0] (stored z, y, x).
    """
    points = solid_points_um(material, limit=_POINTS)
    axis = np.array(_AXES[up or "+z"])
    h = _sharpest_normal(points, axis, bin_um=max(material.spacing_um), progress=progress)
    heights = points @ h
    base = float(np.percentile(heights, 0.2))
    return plate_frame(
        h,
        base_um=base,
        up=up,
        mirrored=mirrored,
        u_tilt_deg=None,
        h_from="sharpest height profile of the solid",
    )


def level_frame(
    material: MaterialMap, *, up: Up | None = None, mirrored: bool | None = None
) -> BuildFrame:
    """Return a frame whose h is the image axis: for scans that hold nothing laid in layers."""
    h = np.array(_AXES[up or "+z"])
    points = solid_points_um(material, limit=_POINTS)
    base = float((points @ h).min()) if points.size else 0.0
    return plate_frame(
        h,
        base_um=base,
        up=up,
        mirrored=mirrored,
        u_tilt_deg=None,
        h_from="the image axis, assumed: no layers were found",
    )


def plate_frame(
    h: FloatArray,
    *,
    base_um: float,
    up: Up | None,
    mirrored: bool | None,
    u_tilt_deg: float | None,
    h_from: str,
) -> BuildFrame:
    """Return the frame with normal `h` [z, y, x] whose base plane lies at `base_um` along it."""
    h = h / np.linalg.norm(h)
    named = up or "+z"
    axis = np.array(_AXES[named])
    lead = np.array([0.0, 1.0, 0.0]) if named in ("+x", "-x") else np.array([0.0, 0.0, 1.0])
    x = lead - (lead @ h) * h
    x /= np.linalg.norm(x)
    # Cross products are taken in (x, y, z); vectors are stored [z, y, x].
    y = np.asarray(np.cross(h[::-1], x[::-1])[::-1])
    tilt = math.degrees(math.acos(min(1.0, float(h @ axis))))
    return BuildFrame(
        kind="plate",
        origin_um=h * base_um,
        x=x,
        y=y,
        h=h,
        up=named,
        up_confirmed=up is not None,
        mirrored_confirmed=mirrored is not None,
        mount_tilt_deg=tilt,
        u_tilt_deg=u_tilt_deg,
        h_from=h_from,
    )


def solid_points_um(material: MaterialMap, *, limit: int) -> FloatArray:
    """Return scan positions (n, 3) [z, y, x] of an evenly drawn part of the solid voxels."""
    index = np.flatnonzero(material.solid)
    if index.size > limit:
        # A fixed stride that shares no factor with row lengths draws evenly and repeatably.
        index = index[np.linspace(0, index.size - 1, limit).astype(np.int64)]
    z, y, x = np.unravel_index(index, material.solid.shape)
    return np.asarray(np.stack([z, y, x], axis=1) * np.array(material.spacing_um))


def _sharpest_normal(
    points: FloatArray, axis: FloatArray, *, bin_um: float, progress: Progress
) -> FloatArray:
    """Search normals within a cone about `axis`, coarse to fine."""
    first = np.array([0.0, 0.0, 1.0]) if abs(axis[2]) < 0.5 else np.array([0.0, 1.0, 0.0])
    second = np.cross(axis, first)
    middle = points - points.mean(axis=0)
    extent = float(np.percentile(np.abs(middle), 99))
    best = np.zeros(2)
    reach = math.tan(math.radians(LARGEST_MOUNT_TILT_DEG))
    step = math.tan(math.radians(2.0))
    offsets = np.arange(-math.floor(reach / step), math.floor(reach / step) + 1) * step
    smallest = math.tan(math.radians(0.03))
    while step > smallest:
        width = max(0.7, extent * step / (2.0 * bin_um))
        scores = {}
        for t in offsets:
            for s in offsets:
                tilt = best + np.array([t, s])
                if math.hypot(*tilt) > reach:
                    continue
                normal = axis + tilt[0] * first + tilt[1] * second
                heights = middle @ (normal / np.linalg.norm(normal))
                scores[tuple(tilt)] = _sharpness(heights / bin_um, width)
        best = np.array(max(scores, key=lambda k: scores[k]))
        progress("frame", 0.9 * (1.0 - step / reach))
        step /= 2.0
        offsets = np.arange(-2, 3) * step
    normal = axis + best[0] * first + best[1] * second
    return np.asarray(normal / np.linalg.norm(normal))


def _sharpness(heights: NDArray[np.float64], width: float) -> float:
    """Return the sum of squares of the height profile smoothed by a Gaussian of `width` bins."""
    index = (heights - heights.min()).astype(np.int64)
    profile = np.bincount(index).astype(np.float64)
    half = int(4 * width) + 1
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / width) ** 2)
    kernel /= kernel.sum()
    return float(np.sum(np.convolve(profile, kernel) ** 2))
