"""A machine that prints a numeric-control file: an own reader of the file, and where fibres land.

It reads what a controller of the common kind reads (G0 to G3, G90/G91, G20/G21, X Y Z A F I J)
and shares no code with `volscan.toolpath`, so that a file written there is held against another
reading of it. Fibres are laid by G1, G2 and G3, none by G0; Z is the height of the layer's
underside. A lean is put in as a process would: what is laid at height Z lands displaced by
tan(tilt) Z toward the left normal of the line's direction.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.errors import SettingsError
from volscan.phantom.pieces import BuiltWall, Strand
from volscan.phantom.scaffold import Scaffold, ScaffoldSpec
from volscan.phantom.tube import TubeSpec
from volscan.phantom.tube_wind import Tube, TubeStrand

FloatArray = NDArray[np.float64]
# Tilt in degrees that the process gives a line of a direction in [0, 180).
Mechanism = Callable[[float], float]

_ARC_STEP_DEG = 4.0
# Rows of a helix a degree of turn: chords within 0.02 % of the radius of their arc.
_TURN_STEP_DEG = 2.0


@dataclass(frozen=True)
class Laid:
    """A line as commanded: points (n, 2) [X, Y in µm] or [X in µm, A in degrees], and Z in µm."""

    points: FloatArray
    z_um: float


def commanded(text: str) -> list[Laid]:
    """Follow a file as a controller does and return each line that it lays.

    Examples
    --------
    >>> [line.points.tolist() for line in commanded("G21 G91\\nG0 X1\\nG1 X2 Y1\\n")]
    [[[1000.0, 0.0], [3000.0, 1000.0]]]
    """
    place = {"X": 0.0, "Y": 0.0, "Z": 0.0, "A": 0.0}
    motion, absolute, unit = 0, True, 1000.0
    turning = " A" in re.sub(r";.*|\(.*?\)", "", text)
    out: list[Laid] = []
    points: list[tuple[float, float]] = []

    def here() -> tuple[float, float]:
        return place["X"], place["A" if turning else "Y"]

    def lift() -> None:
        if len(points) > 1:
            out.append(Laid(np.array(points), place["Z"]))
        points.clear()

    for row in text.splitlines():
        bare = re.sub(r";.*|\([^)]*\)", "", row)
        words = [(a, float(v)) for a, v in re.findall(r"([A-Z])\s*([-+]?\d*\.?\d+)", bare)]
        for letter, value in words:
            if letter == "G" and value in (0, 1, 2, 3):
                motion = int(value)
            elif letter == "G" and value in (90, 91):
                absolute = value == 90
            elif letter == "G" and value in (20, 21):
                unit = 25400.0 if value == 20 else 1000.0
        told = {a: v for a, v in words if a in place}
        if not told:
            continue
        before = here()
        if motion == 0:
            lift()
        elif not points:
            points.append(before)
        for letter, value in told.items():
            size = value * (1.0 if letter == "A" else unit)
            place[letter] = size if absolute else place[letter] + size
        if motion in (2, 3):
            spoke = {a: v * unit for a, v in words if a in "IJ"}
            centre = np.array([before[0] + spoke.get("I", 0.0), before[1] + spoke.get("J", 0.0)])
            points += _arc(np.array(before), np.array(here()), centre, motion)
        elif motion == 1:
            points.append(here())
    lift()
    return out


def _arc(
    a: FloatArray, b: FloatArray, centre: FloatArray, motion: int
) -> list[tuple[float, float]]:
    first, last = (math.atan2(*(p - centre)[::-1]) for p in (a, b))
    turn = (last - first) % (2 * math.pi) - (2 * math.pi if motion == 2 else 0.0)
    radius = float(np.hypot(*(a - centre)))
    angles = first + turn * np.linspace(0, 1, 2 + int(abs(math.degrees(turn)) / _ARC_STEP_DEG))[1:]
    return [(float(centre[0] + radius * math.cos(t)), float(centre[1] + radius * math.sin(t)))
            for t in angles]  # fmt: skip


def _direction(points: FloatArray) -> float:
    """Direction of a line from its first to its last point, in [0, 180)."""
    x, y = points[-1] - points[0]
    direction = math.degrees(math.atan2(y, x)) % 180.0
    return direction - 180.0 if direction >= 179.5 else direction


def printed_scaffold(text: str, mechanism: Mechanism, *, diameter_um: float) -> Scaffold:
    """Print a file on a plate.

    Parameters
    ----------
    text
        The file.
    mechanism
        Tilt in degrees that the process gives lines of a direction.
    diameter_um
        Diameter of the round fibres.

    Returns
    -------
    Scaffold
        Strands centred on X = Y = 0, to be scanned like any other.

    Raises
    ------
    SettingsError
        If the file lays no lines.
    """
    lines = commanded(text)
    if not lines:
        raise SettingsError("the file lays no lines (G1, G2, G3)")
    every = np.concatenate([line.points for line in lines])
    middle = (every.min(axis=0) + every.max(axis=0)) / 2
    lowest = min(line.z_um for line in lines)
    strands, walls = [], []
    for number, line in enumerate(lines):
        a = math.radians(_direction(line.points))
        normal = np.array([-math.sin(a), math.cos(a)])
        rise = line.z_um - lowest
        plan = (
            line.points
            - middle
            + rise * math.tan(math.radians(mechanism(math.degrees(a)))) * (normal)
        )
        height = np.full((len(plan), 1), diameter_um / 2 + rise)
        points = np.hstack([plan, height])
        strands.append(Strand(0, number, 0, False, points))
        walls.append(
            BuiltWall(0, math.degrees(a), height[0], np.array([plan[0] @ normal]),
                      points[None, [0, -1]])
        )  # fmt: skip
    spec = ScaffoldSpec(
        directions_deg=(0.0,), spacing_um=(1e9,), diameter_um=diameter_um, layers=1,
        layer_height_um=diameter_um, walls=(1,), tilt_deg=((0.0,),),
        shift_per_fibre_um=((0.0,),), wall_offset_um=((0.0,),),
    )  # fmt: skip
    return Scaffold(spec, diameter_um, diameter_um, tuple(strands), tuple(walls))


def printed_tube(
    text: str, mechanism: Mechanism, *, diameter_um: float, mandrel_diameter_um: float
) -> Tube:
    """Print a file whose axis A turns a mandrel along X.

    Turned by +A the mandrel is wound toward +Y of the unrolled sheet (x along the axis, y = h × x),
    which is toward -φ of `TubeSpec`'s own coordinates. Directions are those on the sheet at the
    radius where the fibre lies.
    """
    lines = commanded(text)
    if not lines:
        raise SettingsError("the file lays no lines (G1, G2, G3)")
    along = np.concatenate([line.points[:, 0] for line in lines])
    start, length = float(along.min()), float(np.ptp(along))
    lowest = min(line.z_um for line in lines)
    strands = []
    for number, line in enumerate(lines):
        rise = line.z_um - lowest
        r = mandrel_diameter_um / 2 + diameter_um / 2 + rise
        sheet = np.column_stack([line.points[:, 0], np.radians(line.points[:, 1]) * r])
        a = math.radians(_direction(sheet))
        sheet += (
            rise
            * math.tan(math.radians(mechanism(math.degrees(a))))
            * np.array([-math.sin(a), math.cos(a)])
        )
        turn = math.degrees(float(np.ptp(sheet[:, 1])) / r)
        count = max(2, 1 + math.ceil(turn / _TURN_STEP_DEG))
        at = np.linspace(0, len(sheet) - 1, count)
        s, y = (np.interp(at, np.arange(len(sheet)), sheet[:, i]) for i in (0, 1))
        strands.append((number, np.column_stack([s - start, -y / r, np.full(count, r)])))
    spec = TubeSpec(mandrel_diameter_um, diameter_um, (45.0,), 1, 1, diameter_um, length, ((0.0,),))
    return Tube(spec, tuple(TubeStrand(0, n, 0, p) for n, p in strands))
