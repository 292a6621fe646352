"""The 3-D picture of a scan without fibres: the surface of its coarse preview volume."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.colors import to_rgb
from numpy.typing import NDArray
from scipy import ndimage

from volscan.report.camera import aim, framed
from volscan.report.projection import splat
from volscan.report.style import PALETTE, Drawing

FloatArray = NDArray[np.float64]

# A block belongs to the solid when half of it does.
_LEVEL_PERCENT = 50
# Spheres on the blocks of a surface close up when their radius reaches half a block's diagonal.
_RADIUS_BLOCKS = 0.5 * np.sqrt(3.0)


def draw_solid(preview: Mapping[str, NDArray[Any]], frame_axes: Any) -> Drawing | None:
    """Draw the surface of the preview; None where there is no solid in it.

    Parameters
    ----------
    preview
        Members of ``arrays/preview.npz``: solid_percent (z, y, x), spacing_um, origin_um.
    frame_axes
        The build axes of the results, {x, y, h} in [z, y, x], or None.
    """
    if "solid_percent" not in preview:
        return None
    percent = np.pad(np.asarray(preview["solid_percent"], dtype=np.float64), 1)
    solid = percent >= _LEVEL_PERCENT
    surface = solid & ~ndimage.binary_erosion(solid)
    voxels = np.argwhere(surface)
    if len(voxels) == 0:
        return None
    spacing = np.asarray(preview["spacing_um"], dtype=np.float64)
    build = build_axes(frame_axes)
    points = ((voxels - 1) * spacing + preview["origin_um"]) @ build.T
    radius = float(_RADIUS_BLOCKS * spacing.max())
    camera = aim(points, radius)
    seen = (points - camera.centre_um) @ camera.axes.T / camera.um_per_px
    spheres = np.column_stack([seen, np.full(len(seen), radius / camera.um_per_px)])
    normals = _normals(percent, voxels, spacing) @ build.T @ camera.axes.T
    colours = np.tile(to_rgb(PALETTE["copper"]), (len(seen), 1))
    image = splat(spheres, colours, (camera.height_px, camera.width_px), normals)
    return framed(
        image,
        camera,
        alt="Three-dimensional picture of the solid, seen from the front and above",
        caption=f"Surface of the solid, averaged over blocks of {spacing.max():.3g} µm. Parallel "
        "projection, so the scale bar holds everywhere in the picture plane. Drawn without OpenGL.",
        title="The solid in three dimensions",
        legend=[],
    )


def build_axes(frame_axes: Any) -> FloatArray:
    """Return the build axes X, Y, H as rows in scan order; the scan's own where there are none."""
    if not frame_axes or any(frame_axes.get(a) is None for a in "xyh"):
        return np.eye(3)[::-1]
    return np.array([frame_axes[a] for a in "xyh"], dtype=np.float64)


def _normals(percent: FloatArray, voxels: NDArray[np.int64], spacing: FloatArray) -> FloatArray:
    """Return outward surface normals (k, 3) in scan order, from the smoothed preview."""
    smooth = ndimage.gaussian_filter(percent, 1.2)
    slope = np.stack(np.gradient(smooth, *spacing), axis=-1)[tuple(voxels.T)]
    length = np.linalg.norm(slope, axis=1, keepdims=True)
    return np.asarray(-slope / np.maximum(length, 1e-12))
