"""What the shift stage hands on: systematic leans and the layer shift for the next print."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from volscan.quantity import Notice, Quantity


@dataclass(frozen=True)
class SystematicLean:
    """What a known cause predicts for a family, and how the walls scatter about it."""

    family: int
    cause: str
    tilt_deg: Quantity
    lean_vector: tuple[float, float]
    scatter_deg: float | None


@dataclass(frozen=True)
class Advice:
    """A change of the layer shift, relative to the file that the scanned print was made from.

    `id` is the wall's or family's number, None for the print; `per_fibre_um` is along the left
    normal (None for the print, where families differ in normal); `vector_um` is the same in
    (x, y) per fibre of one wall.
    """

    level: Literal["wall", "family", "print"]
    id: int | None
    per_fibre_um: Quantity | None
    vector_um: tuple[float, float]
    advised: bool
    reason: str


@dataclass(frozen=True)
class ShiftPlan:
    """Systematic leans and advice at every level."""

    systematic: tuple[SystematicLean, ...] = ()
    advice: tuple[Advice, ...] = ()
    notices: tuple[Notice, ...] = ()
