"""Walls: where they stand, how far they lean."""

from __future__ import annotations

import numpy as np

from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Fibre, FloatArray
from volscan.prepare.material import MaterialMap
from volscan.progress import Progress, no_progress
from volscan.quantity import Notice
from volscan.walls.sheet import wall_sheets
from volscan.walls.tilt import WallFit, fit_stations, fit_wall, wall_of
from volscan.walls.wallset import WallSet, WallSheet

__all__ = ["WallSet", "WallSheet", "measure_walls"]


def measure_walls(
    material: MaterialMap,
    frame: BuildFrame,
    field: FibreField,
    *,
    upright_tolerance_deg: float = 1.0,
    progress: Progress = no_progress,
) -> WallSet:
    """Return every wall with its tilt, in order of family and position.

    Parameters
    ----------
    material
        The material map, for the wall sheets.
    frame
        The build frame as refined by the layers.
    field
        The fibres; those that share a `wall` number stand on each other.
    upright_tolerance_deg
        A wall is upright when |tilt| + 2u stays within it.

    Notes
    -----
    Tilt is positive toward the left normal (-sin, cos) of the lay-down direction. The frame's
    u is shared by all walls and enters each.
    """
    stations = {s.wall: s for s in field.stations}
    fits: list[tuple[int, WallFit, list[Fibre]]] = []
    for number in sorted({f.wall for f in field.fibres if f.wall is not None}):
        fibres = _stacked([f for f in field.fibres if f.wall == number])
        numbers = _numbers(fibres, field)
        direction = fibres[0].direction_deg
        seen = stations.get(number)
        if seen is None or len(seen.layers) != len(fibres):
            fit = fit_wall(fibres, numbers, direction_deg=direction)
        else:
            fit = fit_stations(seen, numbers, direction_deg=direction, path_um=_path(fibres))
        fits.append((number, fit, fibres))
    progress("walls", 0.3)
    walls = []
    for number, fit, fibres in fits:
        own = [f.across_um.mean() for _, f, fs in fits if fs[0].family == fibres[0].family]
        family = field.families[fibres[0].family]
        spacing = family.spacing_um.value if family.spacing_um is not None else 0.0
        walls.append(
            wall_of(
                number,
                fit,
                fibres,
                layers=len(_layers(field, family.id)),
                direction_deg=fibres[0].direction_deg,
                frame=frame,
                middle_um=float(0.5 * (min(own) + max(own))),
                half_spacing_um=0.5 * spacing,
                tolerance_deg=upright_tolerance_deg,
            )
        )
    sheets = wall_sheets(material, frame, field.fibres, tuple(walls))
    progress("walls", 1.0)
    short = sum(1 for w in walls if w.tilt_deg is None)
    notices = (
        (Notice("single_fibre_walls", "walls of one fibre have no tilt", short),) if short else ()
    )
    return WallSet(tuple(walls), sheets, notices)


def _stacked(fibres: list[Fibre]) -> list[Fibre]:
    """Return a wall's fibres from the lowest; of a broken one the longest piece."""
    longest: dict[int, Fibre] = {}
    for fibre in fibres:
        if fibre.layer not in longest or fibre.length_um > longest[fibre.layer].length_um:
            longest[fibre.layer] = fibre
    return sorted(longest.values(), key=lambda f: float(f.points_um[:, 2].mean()))


def _path(fibres: list[Fibre]) -> FloatArray:
    """Return the wall seen from above (m, 2): the mean of its fibres."""
    sizes = {len(f.points_um) for f in fibres}
    if len(sizes) > 1:
        return np.asarray(fibres[len(fibres) // 2].points_um[:, :2])
    return np.asarray(np.mean([f.points_um[:, :2] for f in fibres], axis=0))


def _layers(field: FibreField, family: int) -> list[int]:
    """Return the layers of the print that a family has fibres in, from the lowest."""
    return sorted({f.layer for f in field.fibres if f.family == family})


def _numbers(fibres: list[Fibre], field: FibreField) -> FloatArray:
    """Return each fibre's number in its wall from the family's lowest layer, gaps counted."""
    layers = _layers(field, fibres[0].family)
    rank = {layer: i for i, layer in enumerate(layers)}
    return np.array([rank[f.layer] for f in fibres], dtype=np.float64)
