"""What is told of a tube as a whole: radii, wall, windings."""

from __future__ import annotations

import math
from dataclasses import dataclass

from volscan.geometry import TubeFrame
from volscan.quantity import Quantity
from volscan.tube.rolled import Rolled


@dataclass(frozen=True)
class TubeMeasures:
    """A tube's own numbers.

    `winding_angle_deg`, `pitch_um`, `pivot_points` hold one entry a family, in the families' order.
    The winding angle is minus the lay-down direction folded into (-90, 90]: positive for a
    right-handed helix. The pitch is per full turn; None for fibres along the axis. `pivot_points`
    counts a family's separate lines: they start evenly around one end, and where two families
    wind both ways it is the number of pivot points around the circumference.
    """

    mean_radius_um: Quantity
    lumen_diameter_um: Quantity
    wall_thickness_um: Quantity
    winding_angle_deg: tuple[Quantity, ...] = ()
    pitch_um: tuple[Quantity | None, ...] = ()
    pivot_points: tuple[int, ...] = ()


# A direction nearer to the axis than this has no pitch that a tube of any length could show.
_LEAST_WINDING_DEG = 0.5


def measure_tube(tube: TubeFrame, rolled: Rolled) -> TubeMeasures:
    """Return the tube's own numbers.

    The lumen's diameter and the outer one are those of the mean tangents inside the lowest and
    outside the highest layer; the wall's thickness is half their difference.
    """
    n = max(1, len(rolled.field.fibres))
    u_radius = tube.u_radius_um
    u_face = tube.u_face_um
    windings, pitches, counts = [], [], []
    for family, lines in zip(rolled.field.families, rolled.lines, strict=True):
        q = family.direction_deg
        angle = -((q.value + 90.0) % 180.0 - 90.0)
        angle = 90.0 if angle <= -90.0 else angle
        windings.append(Quantity(angle, q.u, "deg", family.walls, q.sd))
        pitches.append(_pitch(tube, lines.cos, lines.sin, q.u, family.walls))
        counts.append(len(lines.lines))
    return TubeMeasures(
        Quantity(tube.radius_um, u_radius, "µm", n),
        Quantity(
            2.0 * (tube.radius_um + tube.base_um),
            None if u_face is None else 2.0 * u_face,
            "µm",
            n,
        ),
        Quantity(-2.0 * tube.base_um, None if u_face is None else math.sqrt(2.0) * u_face, "µm", n),
        tuple(windings),
        tuple(pitches),
        tuple(counts),
    )


def _pitch(tube: TubeFrame, cos: float, sin: float, u_deg: float | None, n: int) -> Quantity | None:
    """Return 2πR / tan a, with R and a both of the sheet: the advance along the axis a turn."""
    if abs(math.degrees(math.atan2(sin, cos))) % 180.0 < _LEAST_WINDING_DEG:
        return None
    value = tube.turn_um * abs(cos / sin)
    u = None if u_deg is None else tube.turn_um * math.radians(u_deg) / sin**2
    return Quantity(value, u, "µm", n)
