"""Which way is up in a flat print, and where its collector was.

The heights of all solid voxels, told along the true normal of the base plane, make the sharpest
profile there is: the print's top and bottom are steps and its layers are teeth. Any lean of the
walls shifts voxels sideways and leaves their heights alone, so a systematic lean cannot pull the
normal. (Principal axes and walls would swallow exactly that lean.) The frame found here is good
to about 0.1 degree; the fibre stage refines it once from the layers' own planes.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import binary_dilation

from volscan.frame.collector import collector_below
from volscan.geometry import BuildFrame, FloatArray, Up
from volscan.prepare.material import MaterialMap
from volscan.progress import Progress, no_progress

# A mounting farther off level than this is not searched.
LARGEST_MOUNT_TILT_DEG = 18.0
# Points that the search looks at: 1e5 hold the profile's noise under 1 % a bin.
_POINTS = 100_000
# The same for the last tenths of a degree, where edges are followed to parts of a voxel.
_FINE_POINTS = 200_000
# Bins and smoothing of the fine profile, in voxels: narrower than any blur.
_FINE_BINS = 0.5
_FINE_SMOOTH = 0.7
# Root of x⁴ = x + 1: the ratio whose powers spread points evenly in three dimensions.
_GOLDEN_3D = 1.2207440846057596

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
        Image axis that points away from the collector, to within about 18 degrees; None takes it
        from a plate in the scan, and without one assumes +z.
    mirrored
        Whether the user told the handedness (either way); None when it is assumed.

    Returns
    -------
    BuildFrame
        From the face of the plate in the scan where there is one below; otherwise `u_tilt_deg` is
        None until layers confirm the normal.

    Examples
    --------
    A level scan, up +z, has h = [1, 0, 0], x = [0, 0, 1] and y = [0, 1, 0] (stored z, y, x).
    """
    plate = collector_below(material, up)
    if plate is not None:
        shown = plate_frame(
            plate.normal,
            base_um=plate.offset_um,
            up=plate.up,
            mirrored=mirrored,
            u_tilt_deg=plate.u_tilt_deg,
            h_from="the upper face of the plate in the scan",
        )
        progress("frame", 1.0)
        return shown
    points = solid_points_um(material, limit=_POINTS)
    axis = np.array(_AXES[up or "+z"])
    rough = _sharpest_in_cone(points, axis, bin_um=max(material.spacing_um), progress=progress)
    h = sharpest_normal(material, rough)
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


def sharpest_normal(material: MaterialMap, h: FloatArray, *, reach_deg: float = 2.0) -> FloatArray:
    """Return the direction near `h` along which the solid's height profile is sharpest.

    Parameters
    ----------
    material
        The material map; what lies in and around its `solid` is used, weighted by fraction.
    h
        First guess, unit vector [z, y, x].
    reach_deg
        How far from the guess to look.

    Returns
    -------
    ndarray
        Unit vector [z, y, x].

    Notes
    -----
    Good to about 0.1 degree for any walls, straight or curved, single fibres or welded: only
    heights are looked at, and every part of a layer lies at its layer's height. Sharpness is the
    sum of squares of the profile's slope. That of the profile itself has a blind side: tipping the
    normal toward where walls lean squeezes heights by the product of tip and lean, a squeezed
    profile is taller, and a lean of 5 degrees pulled the normal of a tall, narrow print by 0.4.
    Slopes weigh edges and layers, which a tip smears, far above the squeeze.

    Examples
    --------
    >>> h = sharpest_normal(material, frame.h)  # doctest: +SKIP
    """
    h = np.asarray(h, dtype=np.float64) / np.linalg.norm(h)
    points, weights = weighted_points_um(material, limit=_FINE_POINTS)
    if len(points) < 8:
        return np.asarray(h)
    return _fine_normal(points, weights, h, reach_deg=reach_deg, bin_um=max(material.spacing_um))


def weighted_points_um(material: MaterialMap, *, limit: int) -> tuple[FloatArray, FloatArray]:
    """Return scan positions (n, 3) in and around the solid, and their polymer fractions.

    A surface that runs between two voxel planes shows in the fractions alone. Positions are
    spread over their voxels: left on the grid, the image axes would make the sharpest profile of
    all, whatever was scanned.
    """
    near = binary_dilation(material.solid, iterations=2)
    index = np.flatnonzero(near)
    if index.size > limit:
        index = index[np.linspace(0, index.size - 1, limit).astype(np.int64)]
    cells = np.stack(np.unravel_index(index, near.shape), axis=1).astype(np.float64)
    # Additive recurrence with the three-dimensional golden ratio: even in every direction.
    steps = 1.0 / _GOLDEN_3D ** np.arange(1, 4)
    cells += (np.arange(index.size)[:, None] * steps) % 1.0 - 0.5
    weights = material.fraction.ravel()[index].astype(np.float64)
    return np.asarray(cells * np.array(material.spacing_um)), weights


def _tangents(h: FloatArray) -> tuple[FloatArray, FloatArray]:
    first = np.array([0.0, 0.0, 1.0]) if abs(h[2]) < 0.5 else np.array([0.0, 1.0, 0.0])
    first = first - (first @ h) * h
    first /= np.linalg.norm(first)
    return first, np.asarray(np.cross(h, first))


def _sharpest_in_cone(
    points: FloatArray, axis: FloatArray, *, bin_um: float, progress: Progress
) -> FloatArray:
    """Search normals within a cone about `axis`, coarse to fine."""
    first, second = _tangents(axis)
    middle = points - points.mean(axis=0)
    extent = float(np.percentile(np.abs(middle), 99))
    best = np.zeros(2)
    reach = math.tan(math.radians(LARGEST_MOUNT_TILT_DEG))
    step = math.tan(math.radians(2.0))
    offsets = np.arange(-math.floor(reach / step), math.floor(reach / step) + 1) * step
    smallest = math.tan(math.radians(0.2))
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
                scores[tuple(tilt)] = float(np.sum(height_profile(heights / bin_um, width) ** 2))
        best = np.array(max(scores, key=lambda k: scores[k]))
        progress("frame", 0.8 * (1.0 - step / reach))
        step /= 2.0
        offsets = np.arange(-2, 3) * step
    normal = axis + best[0] * first + best[1] * second
    return np.asarray(normal / np.linalg.norm(normal))


def _fine_normal(
    points: FloatArray, weights: FloatArray, h: FloatArray, *, reach_deg: float, bin_um: float
) -> FloatArray:
    """Climb to the sharpest profile by ever smaller steps, then to the top of a fitted bowl."""
    first, second = _tangents(h)
    middle = points - points.mean(axis=0)
    across = np.stack([middle @ first, middle @ second])
    up = middle @ h
    extent = max(float(np.sqrt((across**2).mean(axis=1)).max()), bin_um)
    fine = _FINE_BINS * bin_um

    def score(tilt: FloatArray, smooth_um: float) -> float:
        heights = (up + tilt @ across) / math.sqrt(1.0 + float(tilt @ tilt))
        profile = height_profile(heights / fine, smooth_um / fine, weights)
        return float(np.sum(np.diff(profile) ** 2))

    best = np.zeros(2)
    step = math.radians(reach_deg) / 2.0
    # A step that moves the rim by a third of a voxel is as fine as the profile's own teeth.
    last = 0.3 * bin_um / extent
    grid = np.array([(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)], dtype=np.float64)
    while True:
        step = max(step, last)
        smooth = max(_FINE_SMOOTH * bin_um, 0.5 * extent * step)
        for _ in range(6):
            values = np.array([score(best + step * g, smooth) for g in grid])
            top = int(values.argmax())
            if grid[top] @ grid[top] == 0:
                break
            best = best + step * grid[top]
        if step <= last:
            break
        step /= 2.0
    return _unit(h + _bowl_top(best, step, grid, values) @ np.stack([first, second]))


def _bowl_top(best: FloatArray, step: float, grid: FloatArray, values: FloatArray) -> FloatArray:
    """Return the top of the quadratic surface through nine scores about `best`."""
    x, y = grid.T
    a = np.stack([np.ones(9), x, y, x * x, x * y, y * y], axis=1)
    _, bx, by, cxx, cxy, cyy = np.linalg.lstsq(a, values, rcond=None)[0]
    hessian = np.array([[2 * cxx, cxy], [cxy, 2 * cyy]])
    if cxx >= 0 or np.linalg.det(hessian) <= 0:
        return best
    move = -np.linalg.solve(hessian, np.array([bx, by]))
    return np.asarray(best + step * np.clip(move, -1.0, 1.0))


def _unit(v: FloatArray) -> FloatArray:
    return np.asarray(v / np.linalg.norm(v))


def height_profile(
    heights: FloatArray, width: float, weights: FloatArray | None = None
) -> FloatArray:
    """Return the profile of heights, told in bins, smoothed by a Gaussian of `width` bins.

    Each point is shared linearly between its two bins, so that the profile moves smoothly.
    """
    place = heights - heights.min()
    index = place.astype(np.int64)
    share = place - index
    upper = share if weights is None else share * weights
    lower = 1.0 - share if weights is None else weights - upper
    profile = np.zeros(int(index.max()) + 2)
    profile[:-1] += np.bincount(index, lower)
    profile[1:] += np.bincount(index, upper)
    half = int(4 * width) + 1
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / width) ** 2)
    return np.convolve(profile, kernel / kernel.sum())
