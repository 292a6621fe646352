"""Draw tubes without any graphics library: a parallel projection with a depth buffer, in numpy.

A tube is the envelope of the spheres along its centreline, so dense spheres splatted into a depth
buffer give its exact outline, visible surface and surface normal.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from volscan.polyline import arc_lengths, at_lengths

FloatArray = NDArray[np.float64]

# Light from the upper left in front of the picture (right, up, toward the viewer).
_LIGHT = np.array([-0.45, 0.62, 0.65]) / np.linalg.norm([-0.45, 0.62, 0.65])
# A dip of the outline that no eye sees.
_RIPPLE_PX = 0.04
# Sphere pixels that may be splatted; beyond it spheres are set wider apart (a few seconds' work).
_MOST_SPLATS = 150_000_000


def project_tubes(
    points_um: FloatArray,
    radii_um: FloatArray,
    starts: NDArray[np.int64],
    colours: FloatArray,
    axes: FloatArray,
    centre_um: FloatArray,
    um_per_px: float,
    width_px: int,
    height_px: int,
) -> NDArray[np.uint8]:
    """Return the picture (height_px, width_px, 3) of shaded tubes on white.

    Parameters
    ----------
    points_um, radii_um, starts, colours
        Centreline points (n, 3), radii (n,), index of each fibre's first point (m + 1,), and
        colour (m, 3) of each fibre.
    axes
        Unit vectors (3, 3) that point right, up and toward the viewer.
    centre_um
        Point in the middle of the picture.
    um_per_px, width_px, height_px
        Scale and size.
    """
    seen = (points_um - centre_um) @ axes.T / um_per_px
    radii = np.maximum(radii_um / um_per_px, 0.6)
    spheres, owner = _spheres(seen, radii, starts)
    return splat(spheres, colours[owner], (height_px, width_px))


def splat(
    spheres: FloatArray,
    colours: FloatArray,
    shape: tuple[int, int],
    normals: FloatArray | None = None,
) -> NDArray[np.uint8]:
    """Return the picture of shaded spheres on white, nearer ones hiding what lies behind.

    Parameters
    ----------
    spheres
        Spheres (k, 4) in pixels: right and up of the picture's middle, toward the viewer, radius.
    colours
        Colour (k, 3) of each, 0..1.
    shape
        Height and width of the picture in pixels.
    normals
        Surface normal (k, 3) of each, where the spheres stand for a surface; None to take the
        sphere's own at every pixel.
    """
    height_px, width_px = shape
    column = spheres[:, 0] + 0.5 * width_px
    row = 0.5 * height_px - spheres[:, 1]
    depth = np.full(height_px * width_px, -np.inf)
    normal = np.zeros((height_px * width_px, 3))
    owner = np.full(height_px * width_px, -1, dtype=np.int64)
    # Nearest last: of several spheres on one pixel in one pass, numpy keeps the last.
    order = np.argsort(spheres[:, 2], kind="stable")
    column, row, spheres, colours = column[order], row[order], spheres[order], colours[order]
    facing = None if normals is None else normals[order]
    base_c, base_r = np.floor(column).astype(np.int64), np.floor(row).astype(np.int64)
    reach = int(np.ceil(spheres[:, 3].max())) if len(spheres) else 0
    for dr in range(-reach, reach + 1):
        for dc in range(-reach, reach + 1):
            c, r = base_c + dc, base_r + dr
            x, y = c + 0.5 - column, row - (r + 0.5)
            rise = spheres[:, 3] ** 2 - x * x - y * y
            hit = (rise > 0) & (c >= 0) & (c < width_px) & (r >= 0) & (r < height_px)
            if not hit.any():
                continue
            up = np.sqrt(rise[hit])
            z = spheres[hit, 2] + up
            nearest = np.argsort(z, kind="stable")
            pixel = (r[hit] * width_px + c[hit])[nearest]
            z = z[nearest]
            closer = z > depth[pixel]
            pixel, z = pixel[closer], z[closer]
            chosen = np.nonzero(hit)[0][nearest][closer]
            depth[pixel] = z
            owner[pixel] = chosen
            if facing is not None:
                normal[pixel] = facing[chosen]
                continue
            normal[pixel] = (
                np.stack([x[chosen], y[chosen], up[nearest][closer]], axis=1)
                / spheres[chosen, 3][:, None]
            )
    return _shaded(depth, normal, owner, colours, shape)


def _spheres(
    seen: FloatArray, radii: FloatArray, starts: NDArray[np.int64]
) -> tuple[FloatArray, NDArray[np.int64]]:
    """Return spheres (k, 4) [right, up, toward, radius] in pixels along all fibres, and owners."""
    total = sum(
        float(np.linalg.norm(np.diff(seen[a:b, :], axis=0), axis=1).sum())
        for a, b in pairwise(starts.tolist())
    )
    area = float(np.pi * np.mean(radii + 0.5) ** 2)
    # Between two spheres of radius r at a distance g the outline dips by g² / (8 r).
    gap = max(0.5, float(np.sqrt(8 * radii.min() * _RIPPLE_PX)), total * area / _MOST_SPLATS)
    parts, owners = [], []
    for k, (a, b) in enumerate(pairwise(starts.tolist())):
        along = arc_lengths(seen[a:b])
        at = np.linspace(0.0, along[-1], int(along[-1] / gap) + 2)
        part = at_lengths(np.column_stack([seen[a:b], radii[a:b]]), along, at)
        parts.append(part)
        owners.append(np.full(len(part), k, dtype=np.int64))
    return np.concatenate(parts), np.concatenate(owners)


def _shaded(
    depth: FloatArray,
    normal: FloatArray,
    owner: NDArray[np.int64],
    colours: FloatArray,
    shape: tuple[int, int],
) -> NDArray[np.uint8]:
    """Return the lit picture, with a dark line where the depth jumps."""
    hit = owner >= 0
    light = 0.42 + 0.62 * np.clip(normal @ _LIGHT, 0, 1)
    gleam = np.clip(normal @ _LIGHT, 0, 1) ** 24 * 0.22
    picture = np.ones((*shape, 3))
    flat = picture.reshape(-1, 3)
    flat[hit] = np.clip(colours[owner[hit]] * light[hit, None] + gleam[hit, None], 0, 1)
    level = np.where(hit, depth, depth[hit].min() - 1e3 if hit.any() else 0.0).reshape(shape)
    edge = np.zeros(shape, dtype=bool)
    jump = 4.0
    for axis in (0, 1):
        step = np.diff(level, axis=axis)
        near = [slice(None), slice(None)]
        far = [slice(None), slice(None)]
        near[axis], far[axis] = slice(1, None), slice(None, -1)
        edge[tuple(near)] |= step > jump
        edge[tuple(far)] |= step < -jump
    picture[edge & hit.reshape(shape)] *= 0.45
    return np.asarray((255 * picture).round(), dtype=np.uint8)
