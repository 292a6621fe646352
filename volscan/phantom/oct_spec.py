"""How a print is mounted and imaged by optical coherence tomography: settings, checked."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from volscan.errors import SettingsError
from volscan.volume import checked_spacing_um

OctScale = Literal["db", "amplitude", "intensity"]
OctDtype = Literal["uint8", "uint16", "float32"]

# Largest stored value, and the span of 10 log10(intensity / noise floor) that fills the type: of an
# exponential intensity 0.3 % lies below the lower end.
_MOST = {"uint8": 255.0, "uint16": 65535.0, "float32": 1.0}
_DB_SPAN = (-25.0, 60.0)
# Linear values: the brightest level surface then lands at half the range.
_ROOM = 0.5


@dataclass(frozen=True)
class OctSpec:
    """One OCT volume: array (z, y, x) with z along the beam and row 0 nearest to the scanner.

    All levels are in dB of intensity above the noise floor, unattenuated.

    Parameters
    ----------
    voxel_um
        Spacing (z, y, x) as it stands in the file. The optical path of a row is
        row × voxel z × `axial_index`.
    axial_index
        Index by which the scanner has divided its depth scale.
    index_medium, index_polymer
        Group indices of what surrounds the fibres and of the fibres.
    resolution_fwhm_um
        FWHM (z, y, x) of the amplitude that a point reflector gives; z as optical path, which is
        (2 ln 2 / π) λ²/Δλ for a Gaussian spectrum. In intensity it is narrower by √2.
    layers_laid
        Only so many layers lie on the collector; None: all.
    shift_um
        How far print and collector have moved in the scan (z, y, x), geometric.
    mount_tilt_deg, mount_azimuth_deg, in_plane_deg
        The print is turned by `in_plane_deg` about its own H, then H is leaned by
        `mount_tilt_deg` from the scan's -z toward `mount_azimuth_deg` (from x toward y).
    scan_curvature_um
        Optical path (y, x) by which columns at the edge of the field appear deeper than the
        middle one, a parabola each way; negative: shallower.
    margin_um
        Geometric room (z, y, x) around the print; negative in y, x for a field smaller than it.
        By default three diameters and two resolutions.
    rows
        Rows along the beam; None: as many as print, index and margin need.
    cap_db, cap_half_angle_deg
        Mirror-like echo of a level surface, and the angle of the surface at which its intensity
        has halved, as 2^-(angle / half angle)².
    underside_db
        Echo of the underside relative to the cap; -inf: none.
    skin_db
        Rough share of the surface echo, with the square of the cosine of its angle.
    interior_db
        Speckle of the polymer's inside.
    collector_db, collector_rough
        Echo of the collector, and which share of its intensity is speckle.
    collector_body_um
        Depth (optical) over which the speckle below its surface falls to 1/e; 0: none.
    attenuation_per_mm, medium_attenuation_per_mm
        Total attenuation coefficient of polymer and medium: intensity falls as exp(-2 µ z).
    surface_loss_db
        Light lost, there and back, by each fibre that is crossed along its middle.
    flank_loss
        Further loss of off-middle rays: each of a fibre's surfaces passes cos(angle) to this
        power, in intensity there and back.
    numerical_aperture
        Half-width of the cone of light, as a sine in air; shadows fade below a fibre with it.
    lens
        Whether rays that cross a fibre are bent, as by a thin prism at each place.
    depth_range_um
        Optical depth z_max at which the fringes reach the sampling limit; 0: no roll-off.
    rolloff_spot
        Spectral width of the spot over the sampling distance, w.
    zero_delay_um
        Optical depth of row 0 below zero delay; negative where zero delay lies in the picture.
    focus_um, rayleigh_um
        Depth of focus below row 0 as optical path, and half the depth of field; 0: no confocal
        gate.
    mirror_db
        Strength of the mirror image about zero delay; -inf: none.
    saturation_db, streak_db
        Columns whose peak exceeds `saturation_db` show a line over all depths, `streak_db` below
        what exceeds it; inf: none.
    noise
        Whether there is a noise floor.
    fixed_lines, fixed_lines_db
        Number of lines at fixed depth that all columns share, and their level.
    averages
        Independent pictures whose intensities are averaged (contrast of speckle 1/√averages).
    scale, dtype, gain, offset
        Stored is offset + gain × v, with v = 10 log10(I) ("db"), √I ("amplitude") or I
        ("intensity"), I in units of the noise floor. None: what suits the type.
    seed
        Seeds speckle, noise, phases and fixed lines.

    Raises
    ------
    SettingsError
        If a value cannot be.
    """

    voxel_um: tuple[float, float, float]
    axial_index: float = 1.0
    index_medium: float = 1.0
    index_polymer: float = 1.47
    resolution_fwhm_um: tuple[float, float, float] = (6.0, 8.0, 8.0)
    layers_laid: int | None = None
    shift_um: tuple[float, float, float] = (0.0, 0.0, 0.0)
    mount_tilt_deg: float = 0.0
    mount_azimuth_deg: float = 0.0
    in_plane_deg: float = 0.0
    scan_curvature_um: tuple[float, float] = (0.0, 0.0)
    margin_um: tuple[float, float, float] | None = None
    rows: int | None = None
    cap_db: float = 42.0
    cap_half_angle_deg: float = 18.0
    underside_db: float = -8.0
    skin_db: float = 22.0
    interior_db: float = 14.0
    collector_db: float = 45.0
    collector_rough: float = 0.5
    collector_body_um: float = 5.0
    attenuation_per_mm: float = 3.0
    medium_attenuation_per_mm: float = 0.0
    surface_loss_db: float = 1.0
    flank_loss: float = 2.0
    numerical_aperture: float = 0.06
    lens: bool = False
    depth_range_um: float = 0.0
    rolloff_spot: float = 0.5
    zero_delay_um: float = 100.0
    focus_um: float = 0.0
    rayleigh_um: float = 0.0
    mirror_db: float = -math.inf
    saturation_db: float = math.inf
    streak_db: float = 30.0
    noise: bool = True
    fixed_lines: int = 0
    fixed_lines_db: float = 12.0
    averages: int = 1
    scale: OctScale = "db"
    dtype: OctDtype = "uint8"
    gain: float | None = None
    offset: float | None = None
    seed: int = 0

    def __post_init__(self) -> None:
        object.__setattr__(self, "voxel_um", checked_spacing_um(self.voxel_um))
        if self.dtype not in _MOST or self.scale not in ("db", "amplitude", "intensity"):
            raise SettingsError(
                "scale must be db, amplitude or intensity and dtype uint8, uint16 or float32, "
                f"got {self.scale!r} and {self.dtype!r}"
            )
        if min(self.axial_index, self.index_medium, self.index_polymer) < 1:
            raise SettingsError("axial_index, index_medium and index_polymer must be at least 1")
        if len(self.resolution_fwhm_um) != 3 or min(self.resolution_fwhm_um) <= 0:
            raise SettingsError("resolution_fwhm_um needs three values (z, y, x) above 0")
        least = {
            "attenuation_per_mm": 0.0,
            "medium_attenuation_per_mm": 0.0,
            "surface_loss_db": 0.0,
            "flank_loss": 0.0,
            "collector_body_um": 0.0,
            "depth_range_um": 0.0,
            "rolloff_spot": 0.0,
            "rayleigh_um": 0.0,
            "fixed_lines": 0,
            "averages": 1,
        }
        for name, value in least.items():
            if not getattr(self, name) >= value:
                raise SettingsError(f"{name} must be at least {value:g}")
        if not (self.cap_half_angle_deg > 0 and 0 <= self.collector_rough <= 1):
            raise SettingsError("cap_half_angle_deg must be > 0 and collector_rough from 0 to 1")
        if not 0 <= self.numerical_aperture < self.index_medium:
            raise SettingsError("numerical_aperture must be from 0 to below index_medium")
        if self.rows is not None and self.rows < 1:
            raise SettingsError("rows must be at least 1")
        if self.layers_laid is not None and self.layers_laid < 1:
            raise SettingsError("layers_laid must be at least 1")

    @property
    def step_um(self) -> float:
        """Optical path of one row."""
        return self.voxel_um[0] * self.axial_index

    @property
    def geometric_um(self) -> tuple[float, float, float]:
        """Spacing (z, y, x) of the rows in the medium as lengths."""
        return self.step_um / self.index_medium, self.voxel_um[1], self.voxel_um[2]

    @property
    def gain_offset(self) -> tuple[float, float]:
        """Gain and offset of the stored values."""
        most = _MOST[self.dtype]
        gain, offset = 1.0, 0.0
        if self.scale == "db" and self.dtype != "float32":
            low, high = _DB_SPAN
            gain, offset = most / (high - low), -low * most / (high - low)
        elif self.dtype != "float32":
            brightest = 10 ** (max(self.cap_db, self.collector_db) / 10)
            peak = brightest if self.scale == "intensity" else math.sqrt(brightest)
            gain = _ROOM * most / peak
        return (
            gain if self.gain is None else self.gain,
            offset if self.offset is None else self.offset,
        )
