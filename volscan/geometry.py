"""Value types that several stages share: build frame, fibres, walls, envelope.

Scan positions are arrays (..., 3) in µm ordered (z, y, x). Build positions are arrays (..., 3)
in µm ordered (X, Y, H). Unit vectors of the frame are stored [z, y, x], as in the results file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from volscan.quantity import Quantity

FloatArray = NDArray[np.float64]
Up = Literal["+z", "-z", "+y", "-y", "+x", "-x"]


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
    """

    id: int
    family: int
    layer: int
    wall: int | None
    points_um: FloatArray
    diameters_um: FloatArray
    diameter_um: Quantity
    direction_deg: float

    def __post_init__(self) -> None:
        for name in ("points_um", "diameters_um"):
            object.__setattr__(self, name, _read_only(getattr(self, name)))

    @property
    def length_um(self) -> float:
        """Length along the centreline."""
        return float(np.linalg.norm(np.diff(self.points_um, axis=0), axis=1).sum())

    @property
    def sinuosity(self) -> float:
        """Length along the centreline over the distance of its ends."""
        chord = float(np.linalg.norm(self.points_um[-1] - self.points_um[0]))
        return self.length_um / chord if chord > 0 else float("nan")


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


@dataclass(frozen=True)
class Wall:
    """Fibres of one family that stand on each other, and how they lean.

    `lean_vector` is tan(tilt) times the left normal, in (x, y): where the wall's top goes for
    each unit of rise. `layer_offset_um` and `layer_heights_um` run from the wall's lowest fibre
    up, NaN for a missing one. `path_um` is the wall's path in plan view (n, 2), at half height.
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

    def __post_init__(self) -> None:
        for name in ("layer_heights_um", "layer_offset_um", "path_um"):
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
