"""The walls of a family as measured, and what is to be changed in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from volscan.geometry import left_normal_xy
from volscan.shift.history import NextShift, PastPrint, Response
from volscan.shift.witness import WitnessPlan

FloatArray = NDArray[np.float64]
Level = Literal["wall", "family", "print"]

# Shifts closer than this are the same: a hundredth of what toolpaths are written with.
_SAME_SHIFT_UM = 1e-3


@dataclass(frozen=True)
class FamilyLeans:
    """One family's walls as measured: offsets per fibre along the left normal of the family.

    `position_um` along the normal; `u_shared` the part of u that all walls share (the frame's), in
    the same unit as the offsets; `bow_um` NaN where unknown. `shift_used_um` is the shift per
    fibre already in the print, mean of the walls; `apart_um` by how much each wall's was set apart
    from the others' on purpose (None: not at all); `past` its earlier prints, oldest first.
    """

    id: int
    direction_deg: float
    rise_um: float
    diameter_um: float
    fibres: int
    wall_ids: tuple[int, ...]
    position_um: FloatArray
    offset_um: FloatArray
    u_offset_um: FloatArray
    u_shared_um: float
    bow_um: FloatArray
    u_bow_um: FloatArray
    shift_used_um: float = 0.0
    past: tuple[PastPrint, ...] = ()
    apart_um: FloatArray | None = None

    @property
    def normal(self) -> FloatArray:
        """Left normal (-sin α, cos α)."""
        return left_normal_xy(self.direction_deg)

    @property
    def welded(self) -> bool:
        """Whether fibres of a wall rest on each other all along."""
        return self.rise_um < 1.05 * self.diameter_um

    @property
    def u_own_um(self) -> FloatArray:
        """What of the offsets' u is each wall's own."""
        return np.sqrt(np.maximum(self.u_offset_um**2 - self.u_shared_um**2, 0.0))

    @property
    def distance_um(self) -> FloatArray:
        """Distance of each wall from the middle of its family."""
        middle = float(self.position_um.max() + self.position_um.min()) / 2
        return np.asarray(self.position_um - middle)

    @property
    def uneven_um(self) -> FloatArray:
        """By how much each wall's shift lies beside the mean of the measured walls on purpose."""
        if self.apart_um is None:
            return np.zeros_like(self.offset_um)
        off = self.apart_um - self.apart_um.mean()
        return np.where(np.abs(off) > _SAME_SHIFT_UM, off, 0.0)


@dataclass(frozen=True)
class WallsExpected:
    """Walls of a family that get the same shift, and what is expected of them.

    `change_um` per fibre; `expected_um` ± `u_expected_um`, one standard uncertainty of a
    measurement of their mean in the next print.
    """

    wall_ids: tuple[int, ...]
    witness: bool
    change_um: float
    expected_um: float
    u_expected_um: float


@dataclass(frozen=True)
class FamilyChange:
    """What to change in one family.

    `change_um` for each wall, per fibre along the normal, all 0 where nothing is to be changed;
    `bend_um` how far the shift of the middle fibre departs from a constant shift per fibre, so
    that fibre k of n moves by k · change + 4 bend t (1 - t), t = k / (n - 1). `refused` names the
    limit that forbids it; None where none does. `seen` is what the history keeps of this print.
    `witnesses` tells which walls are held back in the next print and by how much each wall's shift
    is set apart, or why none are; None where the question does not arise. `expected_of` holds, with
    witnesses, what is expected of them and of the others.
    """

    family: FamilyLeans
    level: Level | None
    change_um: FloatArray
    bend_um: float
    response: Response
    expected: NextShift
    surprise: tuple[float, float, float] | None
    reason: str
    seen: PastPrint
    refused: str | None = None
    witnesses: WitnessPlan | None = None
    expected_of: tuple[WallsExpected, ...] = ()

    @property
    def shifts(self) -> bool:
        """Whether anything moves."""
        return self.refused is None and bool(np.any(self.change_um) or self.bend_um)
