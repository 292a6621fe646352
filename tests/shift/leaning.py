"""Walls that lean by hand-made geometry: fibre k of a wall lies k steps along its left normal."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Family, Wall
from volscan.quantity import Quantity
from volscan.walls.wallset import WallSet


def frame(*, up: bool = True, mirrored: bool = True, u: float | None = 0.05) -> BuildFrame:
    return BuildFrame(
        "plate", np.zeros(3), np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0]),
        np.array([1.0, 0.0, 0.0]), "+z", up, mirrored, 0.0, u, "told",
    )  # fmt: skip


def family(number: int, direction: float, *, rise: float = 32.0, diameter: float = 20.0) -> Family:
    return Family(
        number, Quantity(direction, 0.05, "deg", 5), Quantity(100.0, 0.1, "µm", 4),
        Quantity(diameter, 0.1, "µm", 5), 50, 10, 5, Quantity(rise, 0.1, "µm", 5), None, None,
    )  # fmt: skip


def wall(
    number: int,
    group: Family,
    position: float,
    tilt: float,
    *,
    u: float = 0.1,
    fibres: int = 10,
) -> Wall:
    a = math.radians(group.direction_deg.value)
    normal = np.array([-math.sin(a), math.cos(a)])
    rise = group.rise_per_fibre_um.value
    step = rise * math.tan(math.radians(tilt))
    middle = position * normal
    along = np.array([math.cos(a), math.sin(a)])
    lean = math.tan(math.radians(tilt)) * normal
    return Wall(
        number, group.id, group.direction_deg.value, position, 500.0, rise * fibres,
        Quantity(tilt, u, "deg", fibres), (float(lean[0]), float(lean[1])), None, (),
        rise * np.arange(fibres), step * np.arange(fibres),
        Quantity(step, rise * math.radians(u), "µm", fibres),
        np.stack([middle - 250 * along, middle + 250 * along]),
    )  # fmt: skip


def made(
    leans: dict[float, list[float]], *, u: float = 0.1, rise: float = 32.0, diameter: float = 20.0
) -> tuple[WallSet, FibreField]:
    """Return walls 100 µm apart about the middle, by direction and tilt of each."""
    families, walls = [], []
    for number, (direction, tilts) in enumerate(sorted(leans.items())):
        group = replace(family(number, direction, rise=rise, diameter=diameter), walls=len(tilts))
        families.append(group)
        places = 100.0 * (np.arange(len(tilts)) - 0.5 * (len(tilts) - 1))
        for place, tilt in zip(places, tilts, strict=True):
            walls.append(wall(len(walls), group, float(place), tilt, u=u))
    return WallSet(tuple(walls)), FibreField(families=tuple(families))
