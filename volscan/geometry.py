"""Value types that several stages share: build frame, fibres, walls, envelope.

Scan positions are arrays (..., 3) in µm ordered (z, y, x). Build positions are arrays (..., 3)
in µm ordered (X, Y, H). Unit vectors of the frame are stored [z, y, x], as in the results file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from volscan.quantity import Quantity

FloatArray = NDArray[np.float64]
Up = Literal["+z", "-z", "+y", "-y", "+x", "-x"]


def left_normal_xy(direction_deg: float) -> FloatArray:
    """Return the left normal (-sin, cos) of a direction in plan view."""
    a = math.radians(direction_deg)
    return np.array([-math.sin(a), math.cos(a)])


def turn_between_deg(a_deg: float, b_deg: float) -> float:
    """Return b - a for directions without a sense, from -90 to below 90 degrees."""
    return (b_deg - a_deg + 90.0) % 180.0 - 90.0


def _read_only(a: FloatArray) -> FloatArray:
    a = np.asarray(a, dtype=np.float64)
    a.flags.writeable = False
    return a


@dataclass(frozen=True)
class BuildFrame:
    """Where up is and where the collector lies.

    Parameters
    ----------
    kind
        "plate" or "mandrel".
    origin_um
        Foot of voxel (0, 0, 0) on the base plane, scan position [z, y, x].
    x, y, h
        Unit vectors of the build axes in the scan, each [z, y, x]; h points away from the
        collector, y = h × x with the cross product taken in (x, y, z).
    up
        Image axis that was named or assumed to be up.
    up_confirmed, mirrored_confirmed
        Whether the user told `up` and the handedness; a shift is advised only when both are.
    mount_tilt_deg
        Angle between h and the image axis `up`.
    u_tilt_deg
        Standard uncertainty of h, shared by all walls; None when h could only be assumed.
    h_from
        How h was found, in words.
    """

    kind: Literal["plate", "mandrel"]
    origin_um: FloatArray
    x: FloatArray
    y: FloatArray
    h: FloatArray
    up: Up
    up_confirmed: bool
    mirrored_confirmed: bool
    mount_tilt_deg: float
    u_tilt_deg: float | None
    h_from: str

    def __post_init__(self) -> None:
        for name in ("origin_um", "x", "y", "h"):
            object.__setattr__(self, name, _read_only(getattr(self, name)))

    @property
    def rotation(self) -> FloatArray:
        """Matrix (3, 3) whose rows are the build axes X, Y, H in scan order (z, y, x)."""
        return np.stack([self.x, self.y, self.h])

    def to_build(self, positions_um: FloatArray) -> FloatArray:
        """Turn scan positions (..., 3) [z, y, x] into build positions (..., 3) [X, Y, H]."""
        return (np.asarray(positions_um) - self.origin_um) @ self.rotation.T

    def to_scan(self, positions_um: FloatArray) -> FloatArray:
        """Turn build positions (..., 3) [X, Y, H] into scan positions (..., 3) [z, y, x]."""
        return np.asarray(positions_um) @ self.rotation + self.origin_um


@dataclass(frozen=True)
class TubeFrame:
    """A tube's axis and shell, and the sheet it unrolls to.

    The axis is a parabola, point + t axis + t² bend, whose cross-sections are planes normal to
    it. A position is (X, Y, H): X the arc length along the axis from the scaffold's start, Y the
    angle about it times `radius_um`, H the height above the shell's inner surface along the
    radius. y = h × x: seen with the axis pointing at the eye, Y runs clockwise.

    Parameters
    ----------
    point_um
        A point of the axis, scan position [z, y, x], near the scaffold's middle.
    axis, across
        Unit vectors [z, y, x]: the axis' direction at the point, and where Y is 0 there.
    bend_per_um
        The axis' deviation from straight, per length squared, along `across` and along y there.
    start_um, length_um
        Where the scaffold starts, as arc length from the point (X = 0), and how long it is.
    radius_um
        Mean radius of the scaffold's shell, where it is unrolled.
    oval
        Cosine and sine part of the radius' second harmonic in the angle, as shares of the radius.
    base_um
        Height of the shell's inner surface above the surface of mean radius; negative.
    u_radius_um, u_bend_um, u_ovality, u_tilt_deg, u_face_um
        Standard uncertainties; `u_tilt_deg` is that of "outward" on the sheet, shared by all
        walls, `u_face_um` that of the inner and of the outer radius. None where not known.
    mirrored_confirmed
        Whether the user told the scan's handedness.
    h_from
        How the shell was found, in words.
    """

    point_um: FloatArray
    axis: FloatArray
    across: FloatArray
    bend_per_um: tuple[float, float]
    start_um: float
    length_um: float
    radius_um: float
    oval: tuple[float, float]
    base_um: float
    mirrored_confirmed: bool
    h_from: str
    u_radius_um: float | None = None
    u_bend_um: float | None = None
    u_ovality: float | None = None
    u_tilt_deg: float | None = None
    u_face_um: float | None = None
    kind: Literal["mandrel"] = "mandrel"

    def __post_init__(self) -> None:
        for name in ("point_um", "axis", "across"):
            object.__setattr__(self, name, _read_only(getattr(self, name)))

    @property
    def bend_um(self) -> float:
        """Sagitta of the axis over the scaffold's length."""
        return float(np.hypot(*self.bend_per_um)) * (0.5 * self.length_um) ** 2

    @property
    def ovality(self) -> float:
        """(Largest - smallest) over mean radius."""
        return 2.0 * float(np.hypot(*self.oval))

    @property
    def origin_um(self) -> FloatArray:
        """Scan position of the axis where the scaffold starts."""
        s = np.array([self.start_um])
        return np.asarray(self._on_axis(_parameter(s, self.slope_per_um))[0][0])

    @property
    def turn_um(self) -> float:
        """Length of one turn of the sheet along Y."""
        return 2.0 * np.pi * self.radius_um

    @property
    def slope_per_um(self) -> float:
        """Growth of the axis' slope per µm."""
        return 2.0 * float(np.hypot(*self.bend_per_um))

    @property
    def basis(self) -> FloatArray:
        """Rows: axis, direction of the bend, and the normal of both, each [z, y, x]."""
        sideways = _cross(self.across, self.axis)
        size = float(np.hypot(*self.bend_per_um))
        c, s = (1.0, 0.0) if size == 0 else (v / size for v in self.bend_per_um)
        u = c * self.across + s * sideways
        return np.stack([self.axis, u, _cross(u, self.axis)])

    @property
    def bend_angle(self) -> float:
        """Angle from `across` to the bend's direction, radians."""
        c, s = self.bend_per_um
        return float(np.arctan2(s, c)) if c or s else 0.0

    def _on_axis(self, t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return positions on the axis, and its normals toward the bend and off it."""
        a, u, b = self.basis
        k = self.slope_per_um
        t = t[..., None]
        place = self.point_um + t * a + 0.5 * k * t * t * u
        inward = (u - k * t * a) / np.sqrt(1.0 + (k * t) ** 2)
        return place, inward, b

    def surface_um(self, angle: FloatArray) -> FloatArray:
        """Return the radius of the surface of mean radius at angles Y / radius."""
        c, s = self.oval
        return np.asarray(
            self.radius_um * (1.0 + c * np.cos(2.0 * angle) + s * np.sin(2.0 * angle))
        )

    def to_scan(self, positions_um: FloatArray) -> FloatArray:
        """Turn (X, Y, H) (..., 3) into scan positions (..., 3) [z, y, x]."""
        p = np.asarray(positions_um, dtype=np.float64)
        angle = p[..., 1] / self.radius_um
        r = self.surface_um(angle) + self.base_um + p[..., 2]
        place, inward, off = self._on_axis(_parameter(p[..., 0] + self.start_um, self.slope_per_um))
        turn = angle - self.bend_angle
        return np.asarray(
            place + (r * np.cos(turn))[..., None] * inward + (r * np.sin(turn))[..., None] * off
        )

    def to_cylinder(self, positions_um: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return X, radius and angle in [0, 2π) of scan positions (..., 3) [z, y, x]."""
        local = (np.asarray(positions_um, dtype=np.float64) - self.point_um) @ self.basis.T
        along, w, v = local[..., 0], local[..., 1], local[..., 2]
        k = self.slope_per_um
        t = along
        # The foot of the perpendicular on the axis, by Newton's method; the bend is small.
        for _ in range(4 if k else 0):
            t = t - (t - along - k * t * w + 0.5 * k * k * t**3) / (
                1.0 - k * w + 1.5 * (k * t) ** 2
            )
        side = (w - 0.5 * k * t * t - k * t * (along - t)) / np.sqrt(1.0 + (k * t) ** 2)
        angle = (np.arctan2(v, side) + self.bend_angle) % (2.0 * np.pi)
        return _arc(t, k) - self.start_um, np.hypot(side, v), angle

    def to_build(self, positions_um: FloatArray) -> FloatArray:
        """Turn scan positions (..., 3) [z, y, x] into (X, Y, H) (..., 3), Y within one turn."""
        x, r, angle = self.to_cylinder(positions_um)
        return np.stack(
            [x, angle * self.radius_um, r - self.surface_um(angle) - self.base_um], axis=-1
        )


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return a × b, taken in (x, y, z), of vectors stored [z, y, x]."""
    return np.asarray(np.cross(a[::-1], b[::-1])[::-1])


def _arc(t: FloatArray, slope: float) -> FloatArray:
    """Return the arc length of a parabola of that slope per length, from its vertex."""
    if slope == 0:
        return t
    m = slope * t
    return np.asarray(0.5 * (t * np.sqrt(1.0 + m * m) + np.arcsinh(m) / slope))


def _parameter(arc: FloatArray, slope: float) -> FloatArray:
    """Return the inverse of `_arc`, by Newton's method."""
    t = arc
    for _ in range(4 if slope else 0):
        t = t - (_arc(t, slope) - arc) / np.sqrt(1.0 + (slope * t) ** 2)
    return np.asarray(t)


@dataclass(frozen=True)
class Fibre:
    """One fibre: a polyline with a diameter at each point.

    Parameters
    ----------
    id, family, layer, wall
        Numbers from 0; `layer` counts distinct heights in the print from the collector up;
        `wall` is None for a fibre outside any wall.
    points_um
        Centreline (n, 3) in build coordinates [X, Y, H].
    diameters_um
        Diameter (n,) at each point; of the circle of equal cross-section.
    diameter_um
        Mean over the fibre with its standard uncertainty and spread along it.
    direction_deg
        Lay-down direction in [0, 180), from X toward Y.
    around
        True length per length of Y: on a tube the fibre's own radius over the sheet's.
    sag_um
        Mean drop at mid-span below the neighbouring supports; None without spans that show it.
    recruitment_strain
        Arc length over chord, minus one.
    diameter_change
        Relative change of the diameter from one end to the other.
    """

    id: int
    family: int
    layer: int
    wall: int | None
    points_um: FloatArray
    diameters_um: FloatArray
    diameter_um: Quantity
    direction_deg: float
    around: float = 1.0
    sag_um: Quantity | None = None
    recruitment_strain: Quantity | None = None
    diameter_change: Quantity | None = None

    def __post_init__(self) -> None:
        for name in ("points_um", "diameters_um"):
            object.__setattr__(self, name, _read_only(getattr(self, name)))

    @property
    def length_um(self) -> float:
        """Length along the centreline."""
        steps = np.diff(self.points_um, axis=0) * (1.0, self.around, 1.0)
        return float(np.linalg.norm(steps, axis=1).sum())

    @property
    def sinuosity(self) -> float:
        """Length along the centreline over the distance of its ends (on a tube: unrolled)."""
        whole = (self.points_um[-1] - self.points_um[0]) * (1.0, self.around, 1.0)
        chord = float(np.linalg.norm(whole))
        return self.length_um / chord if chord > 0 else float("nan")


@dataclass(frozen=True)
class Wave:
    """How the walls of a family wave in plan view.

    `shape` is "sine" or "zigzag"; the amplitude is half the swing; the mismatch is the spread
    (standard deviation) of the phases of a wall's layers about their mean.
    """

    shape: Literal["sine", "zigzag"]
    amplitude_um: Quantity
    wavelength_um: Quantity
    phase_mismatch_deg: Quantity | None


@dataclass(frozen=True)
class Family:
    """Fibres of one lay-down direction, pitch and height range."""

    id: int
    direction_deg: Quantity
    spacing_um: Quantity | None
    diameter_um: Quantity
    count: int
    layers: int
    walls: int
    rise_per_fibre_um: Quantity | None
    placement_rms_um: float | None
    placement_max_um: float | None
    wave: Wave | None = None


@dataclass(frozen=True)
class Wall:
    """Fibres of one family that stand on each other, and how they lean.

    `lean_vector` is tan(tilt) times the left normal, in (x, y): where the wall's top goes for
    each unit of rise. `layer_offset_um` and `layer_heights_um` run from the wall's lowest fibre
    up, NaN for a missing one, `u_layer_offset_um` beside it. `path_um` is the wall's path in plan
    view (n, 2), at half height. `bow_um` is how far the rise bulges from its chord at half height,
    positive toward the left normal: a wall that bends, apart from one that leans.
    """

    id: int
    family: int
    direction_deg: float
    position_um: float
    length_um: float
    height_um: float
    tilt_deg: Quantity | None
    lean_vector: tuple[float, float] | None
    lean: Literal["in", "out", "upright", "undecided"] | None
    tilt_along: tuple[tuple[float, float, float], ...]
    layer_heights_um: FloatArray
    layer_offset_um: FloatArray
    offset_per_fibre_um: Quantity | None
    path_um: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    bow_um: Quantity | None = None
    u_layer_offset_um: FloatArray = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        for name in ("layer_heights_um", "layer_offset_um", "path_um", "u_layer_offset_um"):
            object.__setattr__(self, name, _read_only(getattr(self, name)))


@dataclass(frozen=True)
class Envelope:
    """The volume that porosity refers to: a prism over an outline in plan view.

    Parameters
    ----------
    definition
        How it was drawn, in words.
    outline_um
        Corners (n, 2) in build coordinates [X, Y], counter-clockwise, not repeated at the end.
        For the whole array ("block") this is the array's outline and the prism's axis is the
        image axis.
    base_um, top_um
        Heights of its two planes above the base plane.
    u_volume_frac
        Relative standard uncertainty of its volume.
    inside
        Optional mask (z, y, x) that a user gave instead of a prism; None for a prism.
    whole_array
        True when the whole array is the envelope ("block").
    mask_volume_um3
        Volume of the mask, of the whole array, or of the part of a prism that the scan shows;
        None for a prism that is wholly in view.
    encloses_solid
        True when all solid of the piece lies inside by definition ("hull"), so that what blur
        carried over its side faces belongs to it.
    beyond_um
        For a tube: how far each voxel (z, y, x) lies beyond base or top, negative between them and
        infinite past the ends, so that blurred polymer can be looked for there; None otherwise.
    """

    definition: str
    outline_um: FloatArray
    base_um: float
    top_um: float
    u_volume_frac: float
    inside: NDArray[np.bool_] | None = None
    whole_array: bool = False
    mask_volume_um3: float | None = None
    encloses_solid: bool = False
    beyond_um: NDArray[np.float32] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "outline_um", _read_only(self.outline_um))

    @property
    def area_um2(self) -> float:
        """Area of the outline (shoelace formula)."""
        x, y = self.outline_um.T
        return float(0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))

    @property
    def volume_um3(self) -> float:
        """Volume of the prism, or of the user's mask."""
        if self.mask_volume_um3 is not None:
            return self.mask_volume_um3
        return self.area_um2 * (self.top_um - self.base_um)
