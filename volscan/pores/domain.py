"""The box that throats and transport refer to."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PoreDomain:
    """The box that throats and transport refer to.

    `origin_um` and `size_um` are (x, y, h) along the domain's own axes: x is the lay-down
    direction of the first family (`direction_deg`, from the frame's X), y = h × x.
    """

    origin_um: tuple[float, float, float]
    size_um: tuple[float, float, float]
    direction_deg: float
