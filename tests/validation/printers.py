"""Simulated printers for the loop: what they answer is told by these lines and nothing else.

A wall of N fibres, fibre k displaced by k (rise · tan(lean) + r · shift) plus a lag that grows with
height, each wall leaning by chance besides. The measurement is the slope through the fibres, with
errors of each wall and of the scan's "up". No code is shared with the estimate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from volscan.shift.choose import choose
from volscan.shift.history import PastPrint
from volscan.shift.leans import FamilyLeans

RISE_UM, FIBRES, WALLS, START_DEG = 32.0, 10, 8, 8.0
# Errors of the measurement: common to what the validation of tilts shows (docs/validation).
U_WALL_DEG, U_UP_DEG = 0.05, 0.05
# Trial shifts of the earlier prints, µm per fibre, in the runs that start with a history.
TRIALS_UM = (0.0, -1.5, 1.5)


@dataclass(frozen=True)
class Printer:
    """Response to a shift; drift in degrees a print; scatter of walls in degrees; lag in µm.

    `start_deg` is the lean of print 0, `walls` the number of walls.
    """

    response: float
    drift_deg: float = 0.0
    scatter_deg: float = 0.3
    lag_um: float = 0.0
    start_deg: float = START_DEG
    walls: int = WALLS

    def leans_deg(
        self, shift_um: np.ndarray | float, number: int, chance: np.ndarray
    ) -> np.ndarray:
        """Lean of each wall of a print, as the slope through its fibres."""
        k = np.arange(FIBRES)
        lean = np.radians(self.start_deg + self.drift_deg * number + chance)
        sent = np.broadcast_to(np.asarray(shift_um, dtype=np.float64), chance.shape)
        place = k[None, :] * (RISE_UM * np.tan(lean) + self.response * sent)[:, None]
        place = place + self.lag_um * (k / (FIBRES - 1)) ** 2
        slope = np.polyfit(k, place.T, 1)[0]
        return np.degrees(np.arctan(slope / RISE_UM))


PRINTERS = (
    Printer(1.0, 0.0, 0.1),
    Printer(1.0, 0.3),
    Printer(1.0, -0.3),
    Printer(0.5, 0.0),
    Printer(0.5, 0.3),
    Printer(0.5, -0.3),
    Printer(0.7, 0.15),
    Printer(0.7, -0.3),
    Printer(0.85, 0.3, 0.2),
    Printer(1.15, -0.15),
    Printer(1.15, 0.3),
    Printer(1.3, 0.0),
    Printer(1.3, -0.3),
    Printer(0.6, 0.1, 0.3, lag_um=6.0),
)


@dataclass(frozen=True)
class Run:
    """True family mean of each print in degrees, the uncorrected one first; why it stopped.

    `surprises`: how far each corrected print was measured from what was stated before it, in the
    standard uncertainties stated.
    """

    mean_deg: tuple[float, ...]
    stopped: str | None
    surprises: tuple[float, ...]


def measured(tilt_deg: np.ndarray, rng: np.random.Generator) -> FamilyLeans:
    """Return a measurement of a print whose walls lean so."""
    seen = tilt_deg + U_WALL_DEG * rng.standard_normal(tilt_deg.size)
    seen = seen + U_UP_DEG * rng.standard_normal()
    u = RISE_UM * math.radians(math.hypot(U_WALL_DEG, U_UP_DEG))
    nothing = np.full(tilt_deg.size, np.nan)
    return FamilyLeans(
        0, 0.0, RISE_UM, 20.0, FIBRES, tuple(range(tilt_deg.size)),
        100.0 * (np.arange(tilt_deg.size) - (tilt_deg.size - 1) / 2),
        RISE_UM * np.tan(np.radians(seen)), np.full(tilt_deg.size, u),
        RISE_UM * math.radians(U_UP_DEG), nothing, nothing,
    )  # fmt: skip


def remembered(leans: FamilyLeans, shift_um: float) -> PastPrint:
    """Return what a table of earlier prints keeps of a print."""
    scatter = float(leans.offset_um.std(ddof=1)) / math.sqrt(leans.offset_um.size)
    return PastPrint(
        shift_um, float(leans.offset_um.mean()), math.hypot(scatter, leans.u_shared_um)
    )


def run(
    printer: Printer, seed: int, *, with_history: bool, witnesses: bool = True, prints: int = 6
) -> Run:
    """Print, measure and correct, the loop's own prints being kept as history."""
    rng = np.random.default_rng(seed)
    past: list[PastPrint] = []
    if with_history:
        for number, trial in enumerate(TRIALS_UM):
            chance = printer.scatter_deg * rng.standard_normal(printer.walls)
            tilt = printer.leans_deg(trial, number - len(TRIALS_UM), chance)
            past.append(remembered(measured(tilt, rng), trial))
    shift, apart = np.zeros(printer.walls), np.zeros(printer.walls)
    means: list[float] = []
    surprises: list[float] = []
    for number in range(prints):
        chance = printer.scatter_deg * rng.standard_normal(printer.walls)
        tilt = printer.leans_deg(shift, number, chance)
        means.append(float(np.degrees(np.arctan(np.tan(np.radians(tilt)).mean()))))
        seen = replace(
            measured(tilt, rng), shift_used_um=float(shift.mean()), apart_um=apart,
            past=tuple(past),
        )  # fmt: skip
        (change,) = choose([seen], no_witnesses=None if witnesses else "not wanted")
        if change.surprise is not None and not (with_history and number == 0):
            surprises.append(change.surprise[2])
        if change.response.trouble:
            return Run(tuple(means), change.response.trouble, tuple(surprises))
        past.append(change.seen)
        if change.shifts:
            shift = shift + change.change_um
            apart = change.witnesses.apart_um if change.witnesses else np.zeros(printer.walls)
    return Run(tuple(means), None, tuple(surprises))
