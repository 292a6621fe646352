"""What the fibre stage hands on: the fibres, their families and layers."""

from __future__ import annotations

from dataclasses import dataclass

from volscan.geometry import Family, Fibre
from volscan.quantity import Notice, Quantity


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
