"""What the fibre stage hands on: the fibres, their families and layers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.geometry import Family, Fibre, FloatArray
from volscan.quantity import Notice, Quantity


@dataclass(frozen=True)
class WallStations:
    """A wall's fibres at common stations along it, as fitted: what its lean is read from.

    Parameters
    ----------
    wall, family
        Numbers from 0.
    layers
        (k,): the print's layer of each fibre, from the lowest.
    points_um
        (m, k, 3): centres [X, Y, H] at each station where the wall is seen.
    u_across_um
        (m, k): standard uncertainty of each centre's place across, from the noise.
    radius_um
        (k,): half the diameter of each fibre.
    curved
        Whether the wall follows a path that is not straight.
    u_model_um
        What the fitted model's own error may do to one fibre's place across; None: the usual share
        of its radius.
    """

    wall: int
    family: int
    layers: NDArray[np.int64]
    points_um: FloatArray
    u_across_um: FloatArray
    radius_um: FloatArray
    curved: bool = False
    u_model_um: float | None = None


@dataclass(frozen=True)
class FibreField:
    """All fibres of a scan; empty for a scan without fibres, with a notice that says so.

    Diameters are of circles of equal area; `height_over_width` is the fibres' common flatness.
    """

    fibres: tuple[Fibre, ...] = ()
    families: tuple[Family, ...] = ()
    diameter_um: Quantity | None = None
    layer_count: int | None = None
    layer_heights_um: tuple[float, ...] = ()
    layer_height_um: Quantity | None = None
    scaffold_height_um: Quantity | None = None
    height_over_width: float = 1.0
    notices: tuple[Notice, ...] = ()
    stations: tuple[WallStations, ...] = ()
    sag_um: Quantity | None = None
    recruitment_strain: Quantity | None = None
