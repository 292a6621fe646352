"""Every choice that changes a number: the same for Python, the command line and a config file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal, get_args

from volscan.errors import SettingsError
from volscan.geometry import Up
from volscan.volume import Modality


@dataclass(frozen=True)
class Settings:
    """Settings of `measure`; defaults are what the command line uses.

    Parameters
    ----------
    modality
        "ct" or "oct".
    collector
        "auto", "plate" or "mandrel".
    voxel_u_percent
        Relative standard uncertainty of the voxel size, in percent; None when unknown.
    up
        Axis of the image as stored that points away from the collector; None to assume +z (no
        shift is then advised).
    mirrored
        True undoes a mirrored export, False confirms that there is none, None assumes none (no
        shift is then advised).
    envelope
        "auto", "block", "hull", or the path of a mask file.
    threshold
        "half-max", "otsu", or a grey value.
    upright_tolerance_deg
        A wall is upright when |tilt| + 2u stays within it.
    only_walls
        Stop after the walls and the shift.
    index_polymer, index_medium
        Group indices of the fibres and of what surrounds them (OCT).
    axial_index
        Index by which an OCT scanner has already divided its depth scale.
    oct_scale
        What an OCT scan stores: "db", "amplitude", "intensity"; "auto" tells it from the noise.
    permeability
        Solve Stokes' equation in the pores too.
    transport_sides
        Sides of the box that diffusion and flow are solved in: "closed" (symmetry planes) or
        "periodic".
    solid_diffusivity
        Diffusivity in the solid over that in the pores, for fibres that swell; 0 for a solid that
        nothing passes.
    regions
        Parts of the envelope whose pores are measured apart, each "NAME=KIND:NUMBERS" (band, box,
        cylinder, half) or "NAME=mask:FILE".

    Raises
    ------
    SettingsError
        If a value is not one of those named.
    """

    modality: Modality = "ct"
    collector: Literal["auto", "plate", "mandrel"] = "auto"
    voxel_u_percent: float | None = None
    up: Up | None = None
    mirrored: bool | None = None
    envelope: str = "auto"
    threshold: str | float = "half-max"
    upright_tolerance_deg: float = 1.0
    only_walls: bool = False
    index_polymer: float = 1.47
    index_medium: float = 1.0
    axial_index: float = 1.0
    oct_scale: Literal["auto", "db", "amplitude", "intensity"] = "auto"
    permeability: bool = False
    transport_sides: Literal["closed", "periodic"] = "closed"
    solid_diffusivity: float = 0.0
    regions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _one_of("modality", self.modality, get_args(Modality))
        _one_of("collector", self.collector, ("auto", "plate", "mandrel"))
        if self.up is not None:
            _one_of("up", self.up, get_args(Up))
        if isinstance(self.threshold, str):
            _one_of("threshold", self.threshold, ("half-max", "otsu"))
        if self.voxel_u_percent is not None and not 0 <= self.voxel_u_percent < 50:
            raise SettingsError(
                f"voxel_u_percent must lie between 0 and 50, got {self.voxel_u_percent}"
            )
        _one_of("oct_scale", self.oct_scale, ("auto", "db", "amplitude", "intensity"))
        for name in ("index_polymer", "index_medium", "axial_index"):
            value = getattr(self, name)
            if not 1.0 <= value < 4.0:
                raise SettingsError(f"{name} must be from 1 to below 4, got {value}")
        if self.index_polymer < self.index_medium:
            raise SettingsError(
                f"index_polymer ({self.index_polymer}) must not be below index_medium "
                f"({self.index_medium}): fibres are told by what they delay"
            )
        _one_of("transport_sides", self.transport_sides, ("closed", "periodic"))
        if not 0 <= self.solid_diffusivity <= 1000:
            raise SettingsError(
                f"solid_diffusivity must lie between 0 and 1000, got {self.solid_diffusivity}"
            )
        if not 0 < self.upright_tolerance_deg < 90:
            raise SettingsError(
                f"upright_tolerance_deg must lie between 0 and 90, got {self.upright_tolerance_deg}"
            )

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Settings:
        """Build settings from a mapping, as a config file gives it; unknown keys are refused."""
        known = {f.name for f in fields(cls)}
        unknown = sorted(set(values) - known)
        if unknown:
            raise SettingsError(
                f"unknown setting {', '.join(unknown)}; known are {', '.join(sorted(known))}"
            )
        return cls(**values)

    def to_dict(self) -> dict[str, Any]:
        """Return all settings, defaults included."""
        return asdict(self)


def _one_of(name: str, value: object, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise SettingsError(f"{name} must be one of {', '.join(allowed)}, got {value!r}")
