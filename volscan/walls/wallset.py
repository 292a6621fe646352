"""What the wall stage hands on: walls with their tilt, and the sheets they were measured on."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from volscan.geometry import Wall
from volscan.quantity import Notice


@dataclass(frozen=True)
class WallSheet:
    """A wall straightened: polymer fraction across it, averaged along its path.

    Parameters
    ----------
    wall
        Id of the wall.
    section
        Array (height, across), float32, mean polymer fraction along the wall.
    across_um, height_um
        Coordinates of the section's columns and rows: across along the left normal, from the
        wall's path at half height; height above the base plane.
    face, along_um
        Of a few walls the view from the side: array (height, along), float32, mean polymer
        fraction within half a radius of the leaning wall's middle, rows as the section's, columns
        at arc lengths `along_um` from where the path starts. None for the others.
    """

    wall: int
    section: NDArray[np.float32]
    across_um: NDArray[np.float64]
    height_um: NDArray[np.float64]
    face: NDArray[np.float32] | None = None
    along_um: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class WallSet:
    """All walls, in order of family and position."""

    walls: tuple[Wall, ...] = ()
    sheets: tuple[WallSheet, ...] = field(default=(), repr=False)
    notices: tuple[Notice, ...] = ()
