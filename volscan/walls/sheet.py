"""Wall sheets: a wall's cross-section averaged along it, for the eye and the report."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from volscan.geometry import BuildFrame, Fibre, Wall
from volscan.kernels.sections import mark_near_line, wall_sections
from volscan.prepare.material import MaterialMap
from volscan.walls.wallset import WallSheet


def wall_sheets(
    material: MaterialMap, frame: BuildFrame, fibres: tuple[Fibre, ...], walls: tuple[Wall, ...]
) -> tuple[WallSheet, ...]:
    """Return each wall's mean cross-section between crossings, in build coordinates."""
    if not walls:
        return ()
    spacing = np.array(material.spacing_um)
    bin_um = float(spacing.max())
    near = _near(material, frame, fibres)
    sheets = []
    for wall in walls:
        a = math.radians(wall.direction_deg)
        along = math.cos(a) * frame.x + math.sin(a) * frame.y
        across = -math.sin(a) * frame.x + math.cos(a) * frame.y
        axes = np.stack([along, across, frame.h])
        own = [f for f in fibres if f.wall == wall.id]
        radius = max(0.5 * f.diameter_um.value for f in own)
        low = float(np.nanmin(wall.layer_heights_um)) - 2.0 * radius
        high = float(np.nanmax(wall.layer_heights_um)) + 2.0 * radius
        reach = 2.5 * radius + float(np.nanmax(np.abs(wall.layer_offset_um)))
        ends = wall.path_um @ np.array([math.cos(a), math.sin(a)])
        shift = axes @ frame.origin_um
        bins = wall_sections(
            material.fraction,
            near,
            np.uint8(255 ^ (1 << (wall.family % 8))),
            spacing,
            axes,
            np.array([wall.position_um + shift[1]]),
            np.zeros(1),
            reach,
            np.array([low, high]) + shift[2],
            np.array([ends.min() + shift[0]]),
            np.array([float(np.ptp(ends))]),
            1,
            bin_um,
        )[0, 0]
        count = bins[..., 0]
        section = np.where(count > 0, bins[..., 1] / np.maximum(count, 1.0), 0.0)
        sheets.append(
            WallSheet(
                wall=wall.id,
                section=section.astype(np.float32),
                across_um=np.asarray(-reach + (np.arange(section.shape[1]) + 0.5) * bin_um),
                height_um=np.asarray(low + (np.arange(section.shape[0]) + 0.5) * bin_um),
            )
        )
    return tuple(sheets)


def _near(material: MaterialMap, frame: BuildFrame, fibres: tuple[Fibre, ...]) -> NDArray[np.uint8]:
    """Return (z, y, x) uint8 with bit j set near fibres of family j."""
    near = np.zeros(material.fraction.shape, np.uint8)
    spacing = np.array(material.spacing_um)
    blur = material.blur_um.value if material.blur_um is not None else 0.0
    for fibre in fibres:
        ends = frame.to_scan(fibre.points_um[[0, -1]])
        mark_near_line(
            near,
            np.uint8(1 << (fibre.family % 8)),
            spacing,
            ends[0],
            ends[1],
            0.5 * fibre.diameter_um.value + blur,
        )
    return near
