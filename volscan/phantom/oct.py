"""OCT image formation: from a scaffold on its collector to a picture in optical depth.

The order is that of light: lines of sight through the fibres -> light that reaches each place and
comes back -> field that each place sends (speckle and mirrors) by optical depth -> point spread ->
roll-off -> mirror image, saturation, fixed lines, noise floor -> logarithm and storage type. It
knows nothing of any fit.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy import ndimage

from volscan.errors import SettingsError
from volscan.phantom.mounting import Mounting, mount_rotation
from volscan.phantom.oct_columns import Columns, trace_columns
from volscan.phantom.oct_field import Field, curvature_um, emitted
from volscan.phantom.oct_lens import bent
from volscan.phantom.oct_light import depth_factor, transmission
from volscan.phantom.oct_spec import OctSpec
from volscan.phantom.scaffold import Scaffold
from volscan.quantity import Notice
from volscan.volume import Source, Volume

FloatArray = NDArray[np.float64]
Grey = NDArray[np.float32]

_MOST_VOXELS = 5e8
_FWHM = math.sqrt(8 * math.log(2))
# Echoes are laid into rows so fine that the point spread's standard deviation is this many: an
# echo is shared between the two rows about it, f (1 - f) row² of variance, 1/6 in the mean, which
# is taken from the point spread. What is left is within 0.1 row² of 9 (0.5 % of the width).
_FINE_ROWS = 3.0
_SHARED_VARIANCE = 1.0 / 6.0
# Standard deviations at which the point spread is cut.
_REACH = 4.0
# Below this intensity (noise floors) the logarithm is cut: 0 has none.
_LEAST_INTENSITY = 1e-6
# Scan axes (x, y, z) of a print that looks at the scanner: y and z turned over, which is a
# rotation by half a turn about x and mirrors nothing.
_FACING = np.diag([1.0, -1.0, -1.0])


def place(scaffold: Scaffold, spec: OctSpec) -> tuple[Mounting, tuple[int, int]]:
    """Lay a print under the scanner.

    Returns
    -------
    mounting
        The map from build coordinates to scan positions (lengths, not optical paths).
    shape
        Columns (y, x).

    Raises
    ------
    SettingsError
        If nothing of the print is in the field.
    """
    tip = mount_rotation(
        tilt_deg=spec.mount_tilt_deg,
        azimuth_deg=-spec.mount_azimuth_deg,
        in_plane_deg=spec.in_plane_deg,
    )
    rotation = _FACING @ tip
    centre = np.zeros(3)
    reached = np.concatenate([scaffold.segments_um(), scaffold.boxes_um()]).reshape(-1, 3)
    around = (reached - centre) @ rotation.T
    radius = float(np.max(scaffold.radii_um())) * max(1.0, 1 / scaffold.stretch)
    low, high = around.min(axis=0) - radius, around.max(axis=0) + radius
    if spec.margin_um is None:
        margin = 3 * scaffold.diameter_um + 2 * np.array(spec.resolution_fwhm_um)[::-1]
    else:
        margin = np.array(spec.margin_um)[::-1]
    voxel = np.array(spec.geometric_um)[::-1]
    counts = np.ceil((high - low + 2 * margin) / voxel).astype(np.int64) + 1
    if counts[:2].min() < 1:
        raise SettingsError("margin_um leaves nothing of the print in the field of view")
    middle = (counts - 1) * voxel / 2
    middle[2] = (low[2] + high[2]) / 2 - low[2] + margin[2]
    at = middle - (low + high) / 2 + np.array(spec.shift_um)[::-1]
    return Mounting(rotation, centre, at), (int(counts[1]), int(counts[0]))


def oct_scan(
    scaffold: Scaffold, spec: OctSpec, *, laid: Scaffold | None = None, rows: int | None = None
) -> tuple[Volume, Mounting]:
    """Image a print by optical coherence tomography.

    Parameters
    ----------
    scaffold
        The finished print, which decides the field of view.
    spec
        How it is mounted and imaged.
    laid
        What lies on the collector so far; by default all.
    rows
        Rows along the beam where `spec` has none.

    Returns
    -------
    volume
        Array (z, y, x), z along the beam, row 0 nearest to the scanner.
    mounting
        Where the print lies in it.

    Raises
    ------
    SettingsError
        If the volume would hold more than 500 million voxels.
    """
    print_ = scaffold if laid is None else laid
    mounting, shape = place(scaffold, spec)
    columns = trace_columns(
        print_, mounting, shape=shape, voxel_um=spec.voxel_um[1:], beyond=beyond(spec)
    )
    n = spec.rows or rows or rows_needed(columns, spec)
    if float(n) * shape[0] * shape[1] > _MOST_VOXELS:
        raise SettingsError(
            f"an OCT phantom of {n} × {shape[0]} × {shape[1]} voxels is too large: "
            "widen voxel_um or lessen margin_um"
        )
    intensity = np.zeros((n, *shape), dtype=np.float32)
    deepest = float(max(columns.collector_um.max(), columns.ends_um.max(initial=0.0)))
    light = transmission(columns, spec, rows=math.ceil(deepest / spec.geometric_um[0]) + 2)
    for number in range(spec.averages):
        rng = np.random.default_rng([spec.seed, number])
        real, imag = field(columns, light, spec, rows=n, strands=len(print_.strands), rng=rng)
        by, bx = columns.beyond
        seen = (slice(None), slice(by, by + shape[0]), slice(bx, bx + shape[1]))
        _add_intensity(intensity, real[seen], imag[seen], np.float32(1 / spec.averages))
    return _stored(intensity, spec), mounting


def beyond(spec: OctSpec) -> tuple[int, int]:
    """Columns (y, x) beyond each side of the picture whose light the point spread brings in."""
    y, x = (
        math.ceil(_REACH * f / v / _FWHM)
        for f, v in zip(spec.resolution_fwhm_um[1:], spec.voxel_um[1:], strict=True)
    )
    return y, x


def rows_needed(columns: Columns, spec: OctSpec) -> int:
    """Rows for the deepest echo and the margin below it."""
    push = (spec.index_polymer - spec.index_medium) * columns.solid_um
    deepest = columns.collector_um * spec.index_medium + push + curvature_um(spec, columns)
    margin = spec.margin_um[0] if spec.margin_um is not None else 8 * spec.resolution_fwhm_um[0]
    return math.ceil((float(deepest.max()) + margin) / spec.step_um) + 1


def field(
    columns: Columns,
    light: Grey,
    spec: OctSpec,
    *,
    rows: int,
    strands: int,
    rng: np.random.Generator,
) -> Field:
    """Return the field of one picture, real and imaginary part, in units of the noise floor."""
    sigma_um = np.array(spec.resolution_fwhm_um) / _FWHM
    fine = max(1, math.ceil(_FINE_ROWS * spec.step_um / float(sigma_um[0])))
    step = spec.step_um / fine
    beam = _kernel(math.sqrt((float(sigma_um[0]) / step) ** 2 - _SHARED_VARIANCE))
    across = [_kernel(s / v) for s, v in zip(sigma_um[1:], spec.voxel_um[1:], strict=True)]
    powers = [float((k**2).sum()) for k in (beam, *across)]
    real, imag = emitted(
        columns,
        light,
        spec,
        rows=fine * (rows - 1) + 1,
        peak=float(beam.max()),
        power=math.prod(powers),
        row_power=powers[0],
        n_strands=strands,
        step_um=step,
        rng=rng,
    )
    if spec.lens:
        real, imag = bent((real, imag), columns, light, spec, step_um=step)
    parts = []
    for part in (real, imag):
        ndimage.correlate1d(part, beam, axis=0, output=part, mode="constant")
        parts.append(np.ascontiguousarray(part[::fine]))
    real, imag = parts
    factor = depth_factor(spec, rows=rows).astype(np.float32)[:, None, None]
    for part in (real, imag):
        for axis, kernel in enumerate(across, 1):
            ndimage.correlate1d(part, kernel, axis=axis, output=part, mode="constant")
        part *= factor
    if not math.isinf(spec.mirror_db):
        _add_mirror(real, imag, spec)
    if not math.isinf(spec.saturation_db):
        # A stream of its own: speckle and noise are those of the picture without.
        _add_streaks(real, imag, spec, rng.spawn(1)[0])
    if spec.fixed_lines:
        _add_fixed_lines(real, imag, spec)
    if spec.noise:
        # Unit mean intensity: half in each part.
        for part in (real, imag):
            noise = rng.standard_normal(part.shape, dtype=np.float32)
            noise *= np.float32(math.sqrt(0.5))
            part += noise
    return real, imag


def _kernel(sigma: float) -> FloatArray:
    """Sampled Gaussian (sigma in voxels) of unit sum."""
    reach = max(1, math.ceil(_REACH * sigma))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.asarray(kernel / kernel.sum())


def _add_mirror(real: Grey, imag: Grey, spec: OctSpec) -> None:
    """Add the complex conjugate at the opposite side of zero delay."""
    rows = len(real)
    zero = -spec.zero_delay_um / spec.step_um
    other = np.rint(2 * zero - np.arange(rows)).astype(np.int64)
    seen = (other >= 0) & (other < rows)
    weak = np.float32(10 ** (spec.mirror_db / 20))
    added = real[other[seen]] * weak, -imag[other[seen]] * weak
    real[seen] += added[0]
    imag[seen] += added[1]


def _add_streaks(real: Grey, imag: Grey, spec: OctSpec, rng: np.random.Generator) -> None:
    """Light all depths of columns whose detector ran full."""
    peak = (real**2 + imag**2).max(axis=0)
    excess = np.maximum(peak - 10 ** (spec.saturation_db / 10), 0.0)
    amplitude = np.sqrt(excess * 10 ** (-spec.streak_db / 10) / 2).astype(np.float32)
    y, x = np.nonzero(amplitude)
    for part in (real, imag):
        part[:, y, x] += amplitude[y, x] * rng.standard_normal((len(part), len(y)), np.float32)


def _add_fixed_lines(real: Grey, imag: Grey, spec: OctSpec) -> None:
    """Add the same field to all columns at a few depths, the same in every picture."""
    rng = np.random.default_rng([spec.seed, 2**16])
    rows = rng.choice(len(real), min(spec.fixed_lines, len(real)), replace=False)
    phase = rng.uniform(0, 2 * math.pi, len(rows))
    level = 10 ** (spec.fixed_lines_db / 20)
    real[rows] += (level * np.cos(phase)).astype(np.float32)[:, None, None]
    imag[rows] += (level * np.sin(phase)).astype(np.float32)[:, None, None]


@njit(parallel=True, cache=True)
def _add_intensity(out, real, imag, weight):  # type: ignore[no-untyped-def]
    for z in prange(out.shape[0]):
        for y in range(out.shape[1]):
            for x in range(out.shape[2]):
                out[z, y, x] += weight * (real[z, y, x] ** 2 + imag[z, y, x] ** 2)


def _stored(intensity: Grey, spec: OctSpec) -> Volume:
    gain, offset = spec.gain_offset
    values = intensity
    if spec.scale == "db":
        np.maximum(values, np.float32(_LEAST_INTENSITY), out=values)
        np.log10(values, out=values)
        values *= np.float32(10)
    elif spec.scale == "amplitude":
        np.sqrt(values, out=values)
    values *= np.float32(gain)
    values += np.float32(offset)
    samples: NDArray[Any] = values
    notices: tuple[Notice, ...] = ()
    if spec.dtype != "float32":
        most = np.iinfo(spec.dtype).max
        clipped = int(np.count_nonzero((values < -0.5) | (values > most + 0.5)))
        samples = np.clip(np.rint(values, out=values), 0, most, out=values).astype(spec.dtype)
        if clipped:
            notices = (Notice("phantom_clipped", f"grey values beyond {spec.dtype}", clipped),)
    return Volume(
        samples,
        spacing_um=spec.voxel_um,
        spacing_from="synthetic phantom",
        source=Source("(synthetic phantom)", "", "array"),
        modality="oct",
        notices=notices,
    )
