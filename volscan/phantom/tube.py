"""A tube wound on a mandrel: what is wound, and the winding's closed relations.

Own coordinates (X, Y, Z) in µm: the axis runs along Z through the origin, which is its middle; a
bent axis leaves Z to either side. A place on the tube is (s, φ, r): arc length along the axis from
one end, angle about it (from X toward Y, seen with Z pointing at the eye counter-clockwise), and
radius.

A fibre is a helix φ = φ0 ± 2π s / P. Every layer of a direction has the same pitch P and start
angles, so that fibres stand on each other; its angle to the axis at radius r is then
tan a = 2π r / P and grows outward.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from scipy.optimize import brentq

from volscan.errors import SettingsError

Morphology = Literal["interleaved", "fused"]
ScanAxis = Literal["x", "y", "z"]

# Steeper windings than this advance by less than a tenth of the mandrel's diameter a turn.
_STEEPEST_DEG = 88.0
_LENGTHS = (
    "mandrel_diameter_um", "diameter_um", "layer_height_um", "length_um", "turn_um", "bend_um",
    "bend_toward_deg", "oval", "oval_toward_deg",
)  # fmt: skip
# A lay-down direction this close to 180° is told as its neighbour of 0°.
_FOLD_DEG = 0.5


@dataclass(frozen=True)
class TubeSpec:
    """What is wound.

    Parameters
    ----------
    mandrel_diameter_um
        Diameter of the mandrel, which the lowest fibres touch; the lumen's diameter.
    diameter_um
        Diameter of the fibres.
    winding_angles_deg
        Angle of each direction to the tube's axis at the mandrel's surface, positive for a
        right-handed helix, negative for a left-handed one, in the order of winding.
    starts
        Fibres of a direction around the circumference (pivot points), evenly spaced.
    layers
        Number of distinct fibre radii. Interleaved: layer l is wound in direction l mod n. Fused:
        every direction at each radius.
    layer_height_um
        Step between neighbouring radii.
    length_um
        Length along the axis, from fibre ends to fibre ends.
    tilt_deg
        Lean of each stack of fibres, one row a direction: successive fibres of a stack lie
        displaced by rise times its tangent toward the left normal of their lay-down direction,
        each on the sheet of its own radius.
    morphology
        "interleaved" or "fused".
    turn_um
        Interleaved, two directions of opposite hand: how far around the mandrel, along its
        surface, a fibre turns back at an end; 0: fibres end there. At the far end turns are as
        long as told; at the near end they lead to the nearest start of the next layer, and are
        as long only where `revolutions_per_cycle` is a whole number of parts 1 / starts.
    bend_um
        Sagitta of the axis, an arc: the largest distance of the axis from the straight line
        through its ends.
    bend_toward_deg
        The φ toward which the axis' middle is hollow (its centre of curvature).
    oval
        e: every surface's radius is r + e R cos 2(φ - φ_o), R the shell's mean radius. The
        ovality, (largest - smallest) over mean radius of the shell's middle, is 2 |e|.
    oval_toward_deg
        φ_o.
    axis
        The scan axis along which the tube lies before the scanner's tilt.

    Raises
    ------
    SettingsError
        If a value cannot be, or neighbouring fibres touch.
    """

    mandrel_diameter_um: float
    diameter_um: float
    winding_angles_deg: tuple[float, ...]
    starts: int
    layers: int
    layer_height_um: float
    length_um: float
    tilt_deg: tuple[tuple[float, ...], ...]
    morphology: Morphology = "interleaved"
    turn_um: float = 0.0
    bend_um: float = 0.0
    bend_toward_deg: float = 0.0
    oval: float = 0.0
    oval_toward_deg: float = 0.0
    axis: ScanAxis = "z"

    def __post_init__(self) -> None:
        for name in _LENGTHS:
            object.__setattr__(self, name, float(getattr(self, name)))
        if not all(math.isfinite(getattr(self, name)) for name in _LENGTHS):
            raise SettingsError("a tube's lengths and angles must be finite")
        n = len(self.winding_angles_deg)
        if n == 0 or any(abs(a) > _STEEPEST_DEG for a in self.winding_angles_deg):
            raise SettingsError(f"winding_angles_deg needs angles within ±{_STEEPEST_DEG:g}")
        lengths = (
            self.mandrel_diameter_um,
            self.diameter_um,
            self.layer_height_um,
            self.length_um,
        )
        if min(lengths) <= 0 or min(self.starts, self.layers) < 1:
            raise SettingsError("diameters, layer height, length, starts and layers must be > 0")
        if self.morphology not in ("interleaved", "fused"):
            raise SettingsError(f"morphology must be interleaved or fused, got {self.morphology!r}")
        if self.morphology == "interleaved" and self.layers < n:
            raise SettingsError(f"interleaved needs a layer for each of the {n} directions")
        if len(self.tilt_deg) != n or any(len(row) != self.starts for row in self.tilt_deg):
            raise SettingsError(f"tilt_deg needs {self.starts} values for each of {n} directions")
        if self.axis not in ("x", "y", "z"):
            raise SettingsError(f"axis must be x, y or z, got {self.axis!r}")
        if min(self.turn_um, self.bend_um) < 0 or abs(self.oval) >= 0.3:
            raise SettingsError("turn_um and bend_um must be at least 0, oval within ±0.3")
        if self.turn_um:
            hands = [math.copysign(1.0, a) if a else 0.0 for a in self.winding_angles_deg]
            if self.morphology != "interleaved" or n != 2 or hands[0] * hands[1] >= 0:
                raise SettingsError(
                    "turn_um needs interleaved layers in two directions of opposite hand"
                )
        if self.bend_um and self.curvature_per_um * self.outer_radius_um >= 0.5:
            raise SettingsError(f"bend_um of {self.bend_um:g} is too much for so short a tube")

    @property
    def inner_radius_um(self) -> float:
        """Mean radius of the shell's inner surface."""
        return self.mandrel_diameter_um / 2

    @property
    def wall_thickness_um(self) -> float:
        """From the underside of the lowest fibres to the top of the highest."""
        return (self.layers - 1) * self.layer_height_um + self.diameter_um

    @property
    def outer_radius_um(self) -> float:
        """Mean radius of the shell's outer surface."""
        return self.inner_radius_um + self.wall_thickness_um

    @property
    def mean_radius_um(self) -> float:
        """Half-way between the shell's inner and outer surface."""
        return (self.inner_radius_um + self.outer_radius_um) / 2

    @property
    def ovality(self) -> float:
        """(Largest - smallest) over mean radius of the shell's middle."""
        return 2 * abs(self.oval)

    @property
    def rise_per_fibre_um(self) -> float:
        """Radial step between successive fibres of a stack."""
        steps = 1 if self.morphology == "fused" else len(self.winding_angles_deg)
        return steps * self.layer_height_um

    def layers_of(self, direction: int) -> tuple[int, ...]:
        """Return the layers wound in a direction, lowest first."""
        if self.morphology == "fused":
            return tuple(range(self.layers))
        return tuple(range(direction, self.layers, len(self.winding_angles_deg)))

    def radius_um(self, layer: int) -> float:
        """Return the mean radius of a layer's centrelines."""
        return self.inner_radius_um + self.diameter_um / 2 + layer * self.layer_height_um

    def turns_per_um(self, direction: int) -> float:
        """Return dφ/ds in turns per µm of axis: one over the pitch, with the hand's sign."""
        angle = math.radians(self.winding_angles_deg[direction])
        return math.tan(angle) / (math.pi * self.mandrel_diameter_um)

    def pitch_um(self, direction: int) -> float:
        """Return the advance along the axis in a full turn, P = π D / tan a; positive.

        Infinite for fibres along the axis.

        Examples
        --------
        >>> spec = TubeSpec(3000.0, 20.0, (45.0, -45.0), 6, 2, 20.0, 3000.0, ((0.0,) * 6,) * 2)
        >>> round(spec.pitch_um(0), 2)
        9424.78
        """
        turns = abs(self.turns_per_um(direction))
        return 1 / turns if turns else math.inf

    def winding_deg(self, direction: int, radius_um: float) -> float:
        """Return the angle to the axis at a radius, tan a = 2π r / P; positive: right-handed."""
        return math.degrees(math.atan(2 * math.pi * radius_um * self.turns_per_um(direction)))

    @property
    def revolutions_per_cycle(self) -> float:
        """Turns of the mandrel for a way there and one back, the turning at both ends included.

        Without turning and at equal angles this is 2 L tan(a) / (π D).
        """
        ways = [abs(self.turns_per_um(d)) for d in range(len(self.winding_angles_deg))]
        turning = 2 * self.turn_um / (2 * math.pi * self.inner_radius_um)
        return 2 * self.length_um * sum(ways) / len(ways) + turning

    @cached_property
    def curvature_per_um(self) -> float:
        """Curvature k of the axis: sagitta = (1 - cos(k L / 2)) / k over its arc length L."""
        f, length = self.bend_um, self.length_um
        if f == 0:
            return 0.0
        # A half circle has the largest sagitta that still grows with the curvature's angle.
        if f >= length / math.pi:
            raise SettingsError(f"bend_um of {f:g} is more than a half circle's")

        def excess(k: float) -> float:
            return (1 - math.cos(k * length / 2)) / k - f

        return float(brentq(excess, 1e-3 * 8 * f / length**2, math.pi / length, xtol=1e-18))


def laydown_deg(winding_deg: float) -> float:
    """Return the lay-down direction on the sheet, in [0, 180); within 0.5° of 180 it is folded.

    Examples
    --------
    >>> laydown_deg(60.0), laydown_deg(-60.0)
    (120.0, 60.0)
    """
    direction = -winding_deg % 180.0
    return direction - 180.0 if direction >= 180.0 - _FOLD_DEG else direction
