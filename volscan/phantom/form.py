"""What bends, thins, breaks or joins a grid of straight fibres: plain settings, checked."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from volscan.errors import SettingsError

WaveShape = Literal["sine", "zigzag", "square", "trapezoid"]
SagShape = Literal["parabola", "cosine"]
Vector = tuple[float, float, float]


@dataclass(frozen=True)
class Wave:
    """How the walls of a family swing about their mean lines.

    Parameters
    ----------
    shape
        "sine"; "zigzag" (straight legs); "square" (legs along and across); "trapezoid" (flats
        of `flat` wavelengths joined by slants: a third with `amplitude_um` of √3/12 wavelengths
        and `mirrored` writes regular hexagons, more than a half re-entrant cells).
    amplitude_um
        Half the swing of the path, corners still sharp.
    wavelength_um
        Length of a period along the mean line.
    phase_deg
        Phase at the foot of the patch's middle.
    phase_jitter_deg
        Standard deviation of each layer's own phase; all walls of a layer keep in step.
    corner_um
        Radius that rounds the corners.
    mirrored
        Whether every other wall swings the opposite way, which closes cells between them.
    flat
        Length of each flat over the wavelength; trapezoid only.
    """

    shape: WaveShape
    amplitude_um: float
    wavelength_um: float
    phase_deg: float = 0.0
    phase_jitter_deg: float = 0.0
    corner_um: float = 0.0
    mirrored: bool = False
    flat: float = 1 / 3

    def __post_init__(self) -> None:
        if self.shape not in ("sine", "zigzag", "square", "trapezoid"):
            raise SettingsError(
                f"wave.shape must be sine, zigzag, square or trapezoid, got {self.shape!r}"
            )
        if not (self.amplitude_um > 0 and self.wavelength_um > 0):
            raise SettingsError("wave.amplitude_um and wave.wavelength_um must be > 0")
        if min(self.corner_um, self.phase_jitter_deg) < 0 or not 0 <= self.flat < 1:
            raise SettingsError(
                "wave.corner_um and phase_jitter_deg must be at least 0, flat from 0 below 1"
            )

    @property
    def flat_share(self) -> float:
        """Length of a flat over the wavelength."""
        return {"zigzag": 0.0, "square": 0.5}.get(self.shape, self.flat)

    @property
    def is_graph(self) -> bool:
        """Whether every place along the mean line is passed once."""
        return self.shape == "sine" or self.flat_share < 0.5

    @property
    def steepest(self) -> float:
        """Largest slope against the mean line."""
        if self.shape == "sine":
            return 2 * math.pi * self.amplitude_um / self.wavelength_um
        run = (0.5 - self.flat_share) * self.wavelength_um
        return 2 * self.amplitude_um / run if run > 0 else math.inf


@dataclass(frozen=True)
class Swell:
    """Periodic swelling: the diameter times 1 + relative × sin(2π s / period)."""

    relative: float
    period_um: float

    def __post_init__(self) -> None:
        if not (0 <= self.relative < 1 and self.period_um > 0):
            raise SettingsError("swell.relative must be from 0 below 1, swell.period_um > 0")


@dataclass(frozen=True)
class Site:
    """One fibre: family and wall in the order of writing, and its number in the wall from 0."""

    family: int
    wall: int
    fibre: int


@dataclass(frozen=True)
class Break:
    """A gap of clear air `gap_um` long, its middle `at_um` from the middle of the fibre."""

    site: Site
    at_um: float
    gap_um: float


@dataclass(frozen=True)
class Double:
    """A second fibre, `offset_um` along the left normal and `rise_um` above the first."""

    site: Site
    offset_um: float
    rise_um: float = 0.0


@dataclass(frozen=True)
class Bridge:
    """A fibre of its own between two points (X, Y, H), sagging as a parabola."""

    from_um: Vector
    to_um: Vector
    diameter_um: float
    sag_um: float = 0.0


@dataclass(frozen=True)
class Spikes:
    """Upright cones on the top crossings of the first two families."""

    height_um: float
    base_um: float
    tip_um: float

    def __post_init__(self) -> None:
        if min(self.height_um, self.base_um, self.tip_um) <= 0:
            raise SettingsError("spikes need height_um, base_um and tip_um > 0")


@dataclass(frozen=True)
class Membrane:
    """A slab from `base_um` up, `thickness_um` thick, that fills the patch in plan."""

    base_um: float
    thickness_um: float

    def __post_init__(self) -> None:
        if self.base_um < 0 or self.thickness_um <= 0:
            raise SettingsError("membrane needs base_um of at least 0 and thickness_um > 0")


@dataclass(frozen=True)
class Release:
    """How a released scaffold curls: heights moved by a field over (X, Y), its mean removed.

    A cylinder of `bend_radius_um` (0: none; positive: edges up) bent along `azimuth_deg`, and a
    sine of `amplitude_um` and `wavelength_um` along `wave_azimuth_deg`.
    """

    bend_radius_um: float = 0.0
    azimuth_deg: float = 0.0
    amplitude_um: float = 0.0
    wavelength_um: float = 0.0
    wave_azimuth_deg: float = 0.0
    phase_deg: float = 0.0

    def __post_init__(self) -> None:
        if self.amplitude_um and not self.wavelength_um > 0:
            raise SettingsError("release.amplitude_um needs release.wavelength_um > 0")


@dataclass(frozen=True)
class Form:
    """All that departs from straight, level, equal fibres.

    Parameters
    ----------
    waves
        One a family, None where straight; empty: all straight.
    layer_phases_deg
        Each layer's own phase, one row a family.
    sag_um, sag_shape
        Drop in the middle between neighbouring supports. The lowest fibres lie on the plate.
    diameter_trend
        Relative change of the diameter from the start of each fibre to its end.
    layer_factor
        Diameter of the top layer over that of the lowest; in proportion between.
    swell
        Periodic swelling.
    bend_radius_um
        Each family's paths bent to this radius in plan, toward the left normal; 0: not.
    twist_deg_per_mm
        Change of the lean along each wall, one a family: tan(tilt) changes by tan of it per mm.
    rise_bow_um
        How far the middle of a wall's height stands out from the line through its lowest and
        highest fibre along the left normal (a parabola over height), one row a family.
    missing, broken, doubled
        Fibres left out, with a gap, and written twice.
    bridges, spikes, membrane
        What stands beside the grid.
    release
        How it curled off the plate.
    """

    waves: tuple[Wave | None, ...] = ()
    layer_phases_deg: tuple[tuple[float, ...], ...] = ()
    sag_um: float = 0.0
    sag_shape: SagShape = "parabola"
    diameter_trend: float = 0.0
    layer_factor: float = 1.0
    swell: Swell | None = None
    bend_radius_um: tuple[float, ...] = ()
    twist_deg_per_mm: tuple[float, ...] = ()
    rise_bow_um: tuple[tuple[float, ...], ...] = ()
    missing: tuple[Site, ...] = ()
    broken: tuple[Break, ...] = ()
    doubled: tuple[Double, ...] = ()
    bridges: tuple[Bridge, ...] = ()
    spikes: Spikes | None = None
    membrane: Membrane | None = None
    release: Release | None = None

    def __post_init__(self) -> None:
        if self.sag_shape not in ("parabola", "cosine"):
            raise SettingsError(f"sag_shape must be parabola or cosine, got {self.sag_shape!r}")
        if abs(self.diameter_trend) >= 2 or self.layer_factor <= 0:
            raise SettingsError("diameter_trend must lie within -2 to 2, layer_factor above 0")

    def wave(self, family: int) -> Wave | None:
        """Wave of a family."""
        return self.waves[family] if self.waves else None

    def bend(self, family: int) -> float:
        """Bend radius of a family's paths; 0 where they are straight."""
        return self.bend_radius_um[family] if self.bend_radius_um else 0.0

    def twist(self, family: int) -> float:
        """Change of a family's lean along its walls."""
        return self.twist_deg_per_mm[family] if self.twist_deg_per_mm else 0.0

    def bow(self, family: int, wall: int) -> float:
        """Bow of a wall over its height."""
        return self.rise_bow_um[family][wall] if self.rise_bow_um else 0.0

    def phase_deg(self, family: int, fibre: int) -> float:
        """Phase of a layer's wave; a family without one has phase 0."""
        wave = self.wave(family)
        own = self.layer_phases_deg[family][fibre] if self.layer_phases_deg else 0.0
        return 0.0 if wave is None else wave.phase_deg + own

    @property
    def is_straight(self) -> bool:
        """Whether all walls are straight in plan and alike along their length."""
        return not (any(self.waves) or any(self.bend_radius_um) or any(self.twist_deg_per_mm))

    @property
    def is_plain(self) -> bool:
        """Whether nothing departs from the plain grid."""
        return self == Form()
