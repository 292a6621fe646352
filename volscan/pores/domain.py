"""The box that throats and transport refer to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Axis = Literal["x", "y", "h"]

# Which axis of the domain's grid (h, y, x) each name stands for.
AXES: dict[Axis, int] = {"x": 2, "y": 1, "h": 0}


@dataclass(frozen=True)
class PoreDomain:
    """The box that throats and transport refer to.

    `origin_um` and `size_um` are (x, y, h) along the domain's own axes: x is the lay-down
    direction of the first family (`direction_deg`, from the frame's X), y = h × x.
    """

    origin_um: tuple[float, float, float]
    size_um: tuple[float, float, float]
    direction_deg: float
