"""What a scaffold is made of: laid strands, and the walls that they stand in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Kind = Literal["laid", "double", "bridge", "spike"]


@dataclass(frozen=True)
class Strand:
    """One laid fibre (or a piece of it), or a turning loop between two.

    Parameters
    ----------
    family, wall, step
        Where it belongs in the order of writing; -1 for bridges and spikes.
    loop
        Whether it is a turning loop.
    points_um
        Centreline (n, 3) [X, Y, H].
    widths_um
        Width at each point (n,); None: the scaffold's.
    sag_um
        Mean over its spans between supports of how far the middle hangs below the supports.
    kind
        "laid"; "double", a second fibre on the same path; "bridge"; "spike".
    """

    family: int
    wall: int
    step: int
    loop: bool
    points_um: FloatArray
    widths_um: FloatArray | None = None
    sag_um: float = 0.0
    kind: Kind = "laid"


@dataclass(frozen=True)
class BuiltWall:
    """A wall as built: height of each fibre, lowest first, and its place along the left normal.

    `ends_um` (n, 2, 3) holds the ends [X, Y, H] of each fibre's mean line.
    """

    family: int
    direction_deg: float
    heights_um: FloatArray
    positions_um: FloatArray
    ends_um: FloatArray

    @property
    def normal(self) -> FloatArray:
        """Left normal (-sin α, cos α)."""
        a = math.radians(self.direction_deg)
        return np.array([-math.sin(a), math.cos(a)])

    @property
    def along(self) -> FloatArray:
        """Unit vector along the wall."""
        return np.array([self.normal[1], -self.normal[0]])
