"""The pictures kept beside the numbers, so that a report needs no scan.

Files of ``arrays/`` and their members:

``slices.npz``
    Three orthogonal slices of the scan through the middle of the scaffold, for a in z, y, x:
    ``grey_a`` (the scan's own grey values), ``solid_a`` (bool), and ``index`` (z, y, x) of the
    three planes, ``spacing_um`` (z, y, x). Rows and columns keep the scan's axis order.
``plan.npz``
    ``mean_fraction`` (Y, X), float32: polymer fraction averaged over the scaffold's height, in
    build coordinates, with ``x_um`` and ``y_um`` of its columns and rows; NaN outside the scan.
    Of a tube: one turn of it, unrolled.
``wall_sheets.npz``
    For each wall i ``section_i`` (height, across), ``across_um_i``, ``height_um_i``: the wall
    straightened along its path, averaged along it. For a few walls also ``face_i``
    (height, along): the wall from the side, and ``along_um_i``, arc lengths from its path's start.
``wall_paths.npz``
    For each wall i ``path_um_i`` (n, 2): its path in plan view, [X, Y].
``preview.npz``
    ``solid_percent`` (z, y, x), uint8: the map averaged over blocks and clipped to 0..100, for a
    3-D picture only, with ``spacing_um`` and ``origin_um`` (centre of its first block).
``pores.npz``
    ``diameter_um`` and ``probe_um`` (h, y, x) over the pores' domain, for pictures only: the
    largest sphere that holds each point, and the largest probe from outside that covers it; 0 in
    solid. ``steps_um`` (h, y, x). Missing where there is no domain.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from volscan.fibres.threads import on_each
from volscan.geometry import BuildFrame, TubeFrame
from volscan.pores.maps import PoreMaps
from volscan.pores.space import PoreSpace
from volscan.prepare.material import MaterialMap
from volscan.volume import Volume
from volscan.walls.wallset import WallSet

# Enough pixels for a printed page; more would only fill the disk.
PLAN_PIXELS = 640
PLAN_HEIGHTS = 32
PREVIEW_EDGE = 112

Members = dict[str, NDArray[Any]]


def arrays_of(
    volume: Volume,
    material: MaterialMap,
    frame: BuildFrame | TubeFrame,
    walls: WallSet,
    pores: PoreSpace | None = None,
    *,
    middle_um: tuple[float, float, float],
    heights_um: tuple[float, float],
) -> dict[str, Members]:
    """Return every array file's members; see the module for what they hold.

    Parameters
    ----------
    volume, material, frame, walls, pores
        The scan and what was found in it.
    middle_um
        Build position [X, Y, H] that the slices go through.
    heights_um
        Heights between which the plan view is averaged.
    """
    return {
        "slices": _slices(volume, material, frame, middle_um),
        "plan": _plan(material, frame, heights_um),
        "wall_sheets": {
            f"{name}_{s.wall}": getattr(s, name)
            for s in walls.sheets
            for name in ("section", "across_um", "height_um", "face", "along_um")
            if getattr(s, name) is not None
        },
        "wall_paths": {f"path_um_{w.id}": w.path_um for w in walls.walls},
        "preview": _preview(material),
        **({} if pores is None or pores.maps is None else {"pores": _pores(pores.maps)}),
    }


def _pores(maps: PoreMaps) -> Members:
    return {
        "diameter_um": maps.diameter_um,
        "probe_um": maps.probe_um,
        "steps_um": np.array(maps.steps_um),
    }


def _slices(
    volume: Volume,
    material: MaterialMap,
    frame: BuildFrame | TubeFrame,
    middle_um: tuple[float, float, float],
) -> Members:
    position = frame.to_scan(np.array(middle_um)) / np.array(volume.spacing_um)
    index = np.clip(np.rint(position).astype(np.int64), 0, np.array(volume.shape) - 1)
    members: Members = {"index": index, "spacing_um": np.array(volume.spacing_um)}
    for axis, name in enumerate("zyx"):
        members[f"grey_{name}"] = np.array(np.take(volume.samples, index[axis], axis=axis))
        part = np.take(material.fraction, index[axis], axis=axis)
        members[f"solid_{name}"] = part >= np.float32(material.level)
    return members


def _plan_corners(
    material: MaterialMap, frame: BuildFrame | TubeFrame
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the lower and upper corner (X, Y) of the plan view: of a tube, one turn unrolled."""
    if isinstance(frame, TubeFrame):
        return np.zeros(2), np.array([frame.length_um, frame.turn_um])
    ends_um = (np.array(material.fraction.shape) - 1) * np.array(material.spacing_um)
    ends = np.stack(np.meshgrid(*zip(np.zeros(3), ends_um, strict=True)), -1)
    corners = frame.to_build(ends.reshape(-1, 3))
    return corners[:, :2].min(axis=0), corners[:, :2].max(axis=0)


def _plan(
    material: MaterialMap, frame: BuildFrame | TubeFrame, heights_um: tuple[float, float]
) -> Members:
    spacing = np.array(material.spacing_um)
    low, high = _plan_corners(material, frame)
    pixel = max(float(spacing.min()), float((high - low).max()) / PLAN_PIXELS)
    x_um, y_um = (np.arange(a, b + pixel / 2, pixel) for a, b in zip(low, high, strict=True))
    base, top = heights_um
    step = max(float(spacing.min()), (top - base) / PLAN_HEIGHTS)
    total = np.zeros((y_um.size, x_um.size))
    count = np.zeros((y_um.size, x_um.size), dtype=np.int64)
    grid = np.stack(np.meshgrid(x_um, y_um), axis=-1)

    def level_at(h: float) -> NDArray[np.float32]:
        build = np.concatenate([grid, np.full((*grid.shape[:2], 1), h)], axis=-1)
        voxel = (frame.to_scan(build) / spacing).reshape(-1, 3).T
        sampled = ndimage.map_coordinates(
            material.fraction, voxel, order=1, mode="constant", cval=np.nan
        )
        return np.asarray(sampled.reshape(total.shape))

    heights = [float(h) for h in np.arange(base + step / 2, max(top, base + step), step)]
    for sampled in on_each(level_at, heights):
        known = np.isfinite(sampled)
        total[known] += sampled[known]
        count += known
    with np.errstate(invalid="ignore"):
        mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return {"mean_fraction": mean.astype(np.float32), "x_um": x_um, "y_um": y_um}


def _preview(material: MaterialMap) -> Members:
    """Average over blocks of equal edge, slab by slab, so that no full-size copy is made."""
    fraction, spacing = material.fraction, np.array(material.spacing_um)
    edge_um = max(float((np.array(fraction.shape) * spacing).max()) / PREVIEW_EDGE, spacing.min())
    block = np.maximum(np.rint(edge_um / spacing).astype(int), 1)
    block = np.minimum(block, np.array(fraction.shape))
    kept = np.array(fraction.shape) // block
    out = np.empty(kept, dtype=np.uint8)
    for k in range(kept[0]):
        slab = fraction[k * block[0] : (k + 1) * block[0], : kept[1] * block[1]]
        slab = slab[:, :, : kept[2] * block[2]]
        blocks = slab.reshape(block[0], kept[1], block[1], kept[2], block[2])
        mean = blocks.mean(axis=(0, 2, 4), dtype=np.float64)
        out[k] = np.clip(np.rint(100 * mean), 0, 100).astype(np.uint8)
    return {
        "solid_percent": out,
        "spacing_um": block * spacing,
        "origin_um": (block - 1) / 2 * spacing,
    }
