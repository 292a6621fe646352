"""The print's design: what was meant to be printed, read from a TOML file.

A design is only ever compared with what was measured; no stage that measures imports it.
The keys are described in docs/design_file.md.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Literal, TypeVar

from volscan.errors import SettingsError, UnreadableError

Morphology = Literal["interleaved", "fused"]

# Tolerances where the file names none: common practice of the trade, no published source.
# The first is a share of the designed diameter, the others are absolute.
DEFAULT_DIAMETER_SHARE = 0.10
DEFAULT_SPACING_PERCENT = 2.0
DEFAULT_DIRECTION_DEG = 1.0
DEFAULT_TILT_DEG = 1.0
DEFAULT_POROSITY_POINTS = 2.0
DEFAULT_LAYER_HEIGHT_PERCENT = 10.0


@dataclass(frozen=True)
class Tolerances:
    """How far from the design is still in; each is a half-width about the designed value.

    Parameters
    ----------
    diameter_um
        Of the mean fibre diameter; None takes 10 % of the designed one.
    spacing_percent, layer_height_percent
        Of the designed spacing and layer height.
    direction_deg, tilt_deg
        Of a family's direction relative to the other families, and of its mean tilt.
    porosity_points
        Of the porosity, in percentage points.
    """

    diameter_um: float | None = None
    spacing_percent: float = DEFAULT_SPACING_PERCENT
    direction_deg: float = DEFAULT_DIRECTION_DEG
    tilt_deg: float = DEFAULT_TILT_DEG
    porosity_points: float = DEFAULT_POROSITY_POINTS
    layer_height_percent: float = DEFAULT_LAYER_HEIGHT_PERCENT

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if value is not None:
                object.__setattr__(self, f.name, _positive(f"tolerances.{f.name}", value))


@dataclass(frozen=True)
class Weighing:
    """A weighed piece, from which a gravimetric porosity follows.

    Parameters
    ----------
    mass_mg, u_mass_mg
        Mass of the weighed piece and its standard uncertainty.
    polymer_density_g_cm3, u_polymer_density_g_cm3
        Density of the solid polymer.
    area_mm2, u_area_mm2
        Outline area of the weighed piece in plan view (of a punched disc: π/4 times its diameter
        squared). None leaves the gravimetric porosity null: a mass alone says nothing about the
        volume it fills.
    thickness_um, u_thickness_um
        Thickness of the piece; None takes the scaffold height measured in the scan.
    """

    mass_mg: float
    u_mass_mg: float
    polymer_density_g_cm3: float
    u_polymer_density_g_cm3: float = 0.0
    area_mm2: float | None = None
    u_area_mm2: float = 0.0
    thickness_um: float | None = None
    u_thickness_um: float = 0.0

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if value is None:
                continue
            check = _not_negative if f.name.startswith("u_") else _positive
            object.__setattr__(self, f.name, check(f"weighing.{f.name}", value))


@dataclass(frozen=True)
class Anchor:
    """A mean fibre diameter of the same piece from another microscope, with its uncertainty."""

    fibre_diameter_um: float
    u: float

    def __post_init__(self) -> None:
        value = _positive("anchor.fibre_diameter_um", self.fibre_diameter_um)
        object.__setattr__(self, "fibre_diameter_um", value)
        object.__setattr__(self, "u", _not_negative("anchor.u", self.u))


@dataclass(frozen=True)
class Design:
    """What was meant to be printed.

    Parameters
    ----------
    directions_deg
        Lay-down directions in the order in which they take turns, each in [0, 180).
    spacing_um
        Distance of neighbouring fibres of one direction, centre to centre, one value a direction.
    fibre_diameter_um
        Fibre diameter.
    layers
        Distinct fibre heights in the print. Interleaved: one direction a layer, in turn. Fused:
        every direction at every height, the crossing fibres welded into each other.
    layer_height_um
        Rise from one fibre height to the next.
    morphology
        "interleaved" or "fused".
    walls_per_direction
        Walls of each direction; None when not told.
    wanted_tilt_deg
        Tilt that every wall should have.
    name, collector
        Name of the print; "plate" or "mandrel".

    Raises
    ------
    SettingsError
        If a value cannot be, with the key named.

    Examples
    --------
    >>> Design((0.0, 90.0), (200.0, 200.0), 20.0, 10, 16.0).passes
    (5, 5)
    """

    directions_deg: tuple[float, ...]
    spacing_um: tuple[float, ...]
    fibre_diameter_um: float
    layers: int
    layer_height_um: float
    morphology: Morphology = "interleaved"
    walls_per_direction: tuple[int, ...] | None = None
    wanted_tilt_deg: float = 0.0
    name: str = ""
    collector: Literal["plate", "mandrel"] = "plate"
    tolerances: Tolerances = field(default_factory=Tolerances)
    weighing: Weighing | None = None
    anchor: Anchor | None = None

    def __post_init__(self) -> None:
        n = len(self.directions_deg)
        if n == 0:
            raise SettingsError("design: pattern.directions_deg needs at least one direction")
        directions = tuple(_number("pattern.directions_deg", a) for a in self.directions_deg)
        if any(not 0 <= a < 180 for a in directions):
            raise SettingsError(
                f"design: pattern.directions_deg must lie in [0, 180), got {list(directions)}"
            )
        if len(set(directions)) != n:
            raise SettingsError("design: pattern.directions_deg names a direction twice")
        spacing = tuple(_positive("pattern.spacing_um", s) for s in self.spacing_um)
        if len(spacing) != n:
            raise SettingsError(
                f"design: pattern.spacing_um needs one value or one for each of the {n} "
                f"directions, got {len(spacing)}"
            )
        diameter = _positive("pattern.fibre_diameter_um", self.fibre_diameter_um)
        if diameter >= min(spacing):
            raise SettingsError(
                f"design: pattern.fibre_diameter_um ({diameter:g}) must be smaller than the "
                f"spacing ({min(spacing):g})"
            )
        layers = _whole("pattern.layers", self.layers)
        if self.morphology not in ("interleaved", "fused"):
            raise SettingsError(
                f"design: pattern.morphology must be interleaved or fused, got {self.morphology!r}"
            )
        if self.collector not in ("plate", "mandrel"):
            raise SettingsError(
                f"design: print.collector must be plate or mandrel, got {self.collector!r}"
            )
        tilt = _number("pattern.wanted_tilt_deg", self.wanted_tilt_deg)
        if abs(tilt) >= 60:
            raise SettingsError(
                f"design: pattern.wanted_tilt_deg must lie within ±60, got {tilt:g}"
            )
        if self.walls_per_direction is not None:
            walls = tuple(
                _whole("pattern.walls_per_direction", w) for w in self.walls_per_direction
            )
            if len(walls) != n:
                raise SettingsError(
                    f"design: pattern.walls_per_direction needs one value or one for each of the "
                    f"{n} directions, got {len(walls)}"
                )
            object.__setattr__(self, "walls_per_direction", walls)
        object.__setattr__(self, "directions_deg", directions)
        object.__setattr__(self, "spacing_um", spacing)
        object.__setattr__(self, "fibre_diameter_um", diameter)
        object.__setattr__(self, "layers", layers)
        height = _positive("pattern.layer_height_um", self.layer_height_um)
        object.__setattr__(self, "layer_height_um", height)
        object.__setattr__(self, "wanted_tilt_deg", tilt)

    @classmethod
    def load(cls, path: str | Path) -> Design:
        """Read a design file (TOML).

        Raises
        ------
        UnreadableError
            If the file is missing or is not TOML.
        SettingsError
            If a key is unknown (the nearest known one is named), missing, or has a value that
            cannot be.
        """
        try:
            values = tomllib.loads(Path(path).read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "not a UTF-8 text file"
            raise UnreadableError(f"cannot read the design file {path}: {reason}") from error
        except tomllib.TOMLDecodeError as error:
            raise UnreadableError(f"design file {path} is not TOML: {error}") from error
        return cls.from_dict(values)

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Design:
        """Build a design from the tables of a design file."""
        _known("", values, tuple(_SECTIONS))
        parts = {}
        for section, keys in _SECTIONS.items():
            part = values.get(section, {})
            if not isinstance(part, Mapping):
                raise SettingsError(f"design: {section} must be a table, written [{section}]")
            _known(section, part, keys)
            parts[section] = dict(part)
        pattern = parts["pattern"]
        for key in (
            "directions_deg",
            "spacing_um",
            "fibre_diameter_um",
            "layers",
            "layer_height_um",
        ):
            if key not in pattern:
                raise SettingsError(f"design: pattern.{key} is missing")
        directions = _tuple(pattern["directions_deg"], 1)
        pattern["directions_deg"] = directions
        pattern["spacing_um"] = _tuple(pattern["spacing_um"], len(directions))
        if "walls_per_direction" in pattern:
            pattern["walls_per_direction"] = _tuple(pattern["walls_per_direction"], len(directions))
        return cls(
            **pattern,
            **parts["print"],
            tolerances=Tolerances(**parts["tolerances"]),
            weighing=_section(Weighing, "weighing", values, parts),
            anchor=_section(Anchor, "anchor", values, parts),
        )

    @property
    def passes(self) -> tuple[int, ...]:
        """Fibre heights of each direction: what `families.layers` is compared with."""
        n = len(self.directions_deg)
        if self.morphology == "fused":
            return (self.layers,) * n
        return tuple((self.layers - i + n - 1) // n for i in range(n))

    @property
    def height_um(self) -> float:
        """From the underside of the lowest fibre to the top of the highest."""
        return (self.layers - 1) * self.layer_height_um + self.fibre_diameter_um

    @property
    def diameter_tolerance_um(self) -> float:
        """The tolerance of the mean fibre diameter, default included."""
        told = self.tolerances.diameter_um
        return DEFAULT_DIAMETER_SHARE * self.fibre_diameter_um if told is None else told


_SECTIONS: dict[str, tuple[str, ...]] = {
    "print": ("name", "collector"),
    "pattern": (
        "directions_deg",
        "spacing_um",
        "fibre_diameter_um",
        "layers",
        "layer_height_um",
        "walls_per_direction",
        "wanted_tilt_deg",
        "morphology",
    ),
    "tolerances": tuple(f.name for f in fields(Tolerances)),
    "weighing": tuple(f.name for f in fields(Weighing)),
    "anchor": tuple(f.name for f in fields(Anchor)),
}

T = TypeVar("T", Weighing, Anchor)


def _section(
    kind: type[T], name: str, values: Mapping[str, Any], parts: Mapping[str, Any]
) -> T | None:
    if name not in values:
        return None
    needed = {
        "weighing": ("mass_mg", "u_mass_mg", "polymer_density_g_cm3"),
        "anchor": ("fibre_diameter_um", "u"),
    }[name]
    for key in needed:
        if key not in parts[name]:
            raise SettingsError(f"design: {name}.{key} is missing")
    return kind(**parts[name])


def _known(section: str, values: Mapping[str, Any], known: tuple[str, ...]) -> None:
    for key in values:
        if key in known:
            continue
        full = f"{section}.{key}" if section else key
        near = difflib.get_close_matches(key, known, n=1, cutoff=0.0)[0]
        raise SettingsError(f"design: unknown key {full}; the nearest known key is {near}")


def _tuple(value: Any, repeat: int) -> tuple[Any, ...]:
    return tuple(value) if isinstance(value, list | tuple) else (value,) * repeat


def _number(key: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise SettingsError(f"design: {key} must be a finite number, got {value!r}")
    return float(value)


def _positive(key: str, value: Any) -> float:
    number = _number(key, value)
    if number <= 0:
        raise SettingsError(f"design: {key} must be positive, got {value!r}")
    return number


def _not_negative(key: str, value: Any) -> float:
    number = _number(key, value)
    if number < 0:
        raise SettingsError(f"design: {key} must not be negative, got {value!r}")
    return number


def _whole(key: str, value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise SettingsError(f"design: {key} must be a whole number from 1, got {value!r}")
    return int(value)
