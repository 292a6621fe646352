"""The light that comes back from each column, before the point spread: speckle and mirrors."""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from volscan.phantom.oct_columns import Columns
from volscan.phantom.oct_spec import OctSpec

FloatArray = NDArray[np.float64]
Grey = NDArray[np.float32]
Field = tuple[Grey, Grey]


def curvature_um(spec: OctSpec, columns: Columns) -> FloatArray:
    """Optical path (y, x) by which each column appears deeper than the middle one."""
    y, x = (
        (np.arange(n) - (n - 1) / 2) / max((n - 1) / 2 - b, 1.0)
        for n, b in zip(columns.collector_um.shape, columns.beyond, strict=True)
    )
    a, b = spec.scan_curvature_um
    return np.asarray(a * y[:, None] ** 2 + b * x[None, :] ** 2)


def emitted(
    columns: Columns,
    light: Grey,
    spec: OctSpec,
    *,
    rows: int,
    peak: float,
    power: float,
    row_power: float,
    n_strands: int,
    step_um: float,
    rng: np.random.Generator,
) -> Field:
    """Return real and imaginary part (rows, y, x) of the field by optical depth.

    Parameters
    ----------
    columns, light
        Solid pieces of each column and the light that reaches them and comes back.
    rows
        Rows by optical depth.
    peak, power, row_power
        Of the point spread: greatest value of a thin sheet's axial profile (of unit sum), sum of
        squares in all and along the beam. With them a level mirror and wide speckle come out of
        the blur at the levels stated.
    n_strands
        Fibres, each of whose two surfaces has a phase of its own.
    step_um
        Optical path of one of these rows.
    rng
        Draws speckle and phases.
    """
    shape = (rows, *columns.collector_um.shape)
    real = rng.standard_normal(shape, dtype=np.float32)
    imag = rng.standard_normal(shape, dtype=np.float32)
    phases = rng.uniform(0, 2 * math.pi, (n_strands + 2, 2))
    skin = row_power / peak**2 / power

    def mirror(db: float) -> float:
        return 10 ** (db / 20) / peak

    rough = spec.collector_rough
    levels = np.array(
        [
            mirror(spec.cap_db),
            0.0 if math.isinf(spec.underside_db) else mirror(spec.cap_db + spec.underside_db),
            10 ** (spec.skin_db / 10) * skin,
            10 ** (spec.interior_db / 10) / power,
            mirror(spec.collector_db) * math.sqrt(1 - rough),
            10 ** (spec.collector_db / 10) * skin * rough,
            10 ** (spec.interior_db / 10) / power if spec.collector_body_um else 0.0,
            max(spec.collector_body_um, 1e-9),
        ]
    )
    _emit(
        real, imag, columns.starts, columns.ends_um, columns.slopes, columns.strands,
        columns.collector_um, curvature_um(spec, columns), light, phases,
        levels, math.radians(spec.cap_half_angle_deg), spec.geometric_um[0], step_um,
        spec.index_medium, spec.index_polymer,
    )  # fmt: skip
    return real, imag


@njit(cache=True)
def _lit(light, depth, dz, y, x):  # type: ignore[no-untyped-def]
    """Light at a surface: that of the row above it."""
    r = min(max(math.floor(depth / dz), 0), light.shape[0] - 1)
    return light[r, y, x]


@njit(cache=True)
def _deposit(line, row, value):  # type: ignore[no-untyped-def]
    """Share a value between the two rows around a depth; `volscan.phantom.oct` allows for it."""
    r = math.floor(row)
    f = row - r
    if 0 <= r < line.shape[0]:
        line[r] += (1 - f) * value
    if 0 <= r + 1 < line.shape[0]:
        line[r + 1] += f * value


@njit(parallel=True, cache=True)
def _emit(  # type: ignore[no-untyped-def]
    real, imag, starts, ends, slopes, strands, collector, curve, light, phases, levels,
    half_angle, dz, step, medium, polymer,
):  # fmt: skip
    rows, ny, nx = real.shape
    cap, under, skin, interior, flat, rough = (
        levels[0], levels[1], levels[2], levels[3], levels[4], levels[5],
    )  # fmt: skip
    body, decay = levels[6], levels[7]
    for iy in prange(ny):
        power = np.empty(rows)
        wave_re, wave_im = np.empty(rows), np.empty(rows)
        for ix in range(nx):
            power[:] = 0.0
            wave_re[:] = 0.0
            wave_im[:] = 0.0
            c = iy * nx + ix
            optical, above = curve[iy, ix], 0.0
            for i in range(starts[c], starts[c + 1]):
                a, b = ends[i, 0], ends[i, 1]
                optical += medium * (a - above)
                first = optical / step
                optical += polymer * (b - a)
                last = optical / step
                above = b
                for side in range(2):
                    at = first if side == 0 else last
                    depth = a if side == 0 else b
                    lit = _lit(light, depth, dz, iy, ix)
                    square = slopes[i, side, 0] ** 2 + slopes[i, side, 1] ** 2
                    angle = math.atan(math.sqrt(square))
                    mirror = (cap if side == 0 else under) * math.sqrt(
                        lit * 0.5 ** ((angle / half_angle) ** 2)
                    )
                    phase = phases[strands[i, side], side]
                    _deposit(wave_re, at, mirror * math.cos(phase))
                    _deposit(wave_im, at, mirror * math.sin(phase))
                    # Skin with the square of the cosine; below, as weak as the mirror is.
                    part = 1.0 if side == 0 or cap == 0.0 else (under / cap) ** 2
                    _deposit(power, at, skin * part * lit / (1.0 + square))
                for r in range(max(0, math.floor(first + 0.5)), min(rows - 1, int(last + 0.5)) + 1):
                    share = min(last, r + 0.5) - max(first, r - 0.5)
                    depth = a + (min(last, max(first, float(r))) - first) * step / polymer
                    power[r] += share * interior * _lit(light, depth, dz, iy, ix)
            optical += medium * (collector[iy, ix] - above)
            at = optical / step
            lit = _lit(light, collector[iy, ix], dz, iy, ix)
            _deposit(wave_re, at, flat * math.sqrt(lit))
            _deposit(power, at, rough * lit)
            for r in range(max(0, math.floor(at) + 1), rows):
                power[r] += body * lit * math.exp(-(r - at) * step / decay)
            for r in range(rows):
                # Both parts of the noise have unit variance, the field unit intensity.
                share = math.sqrt(0.5 * power[r])
                real[r, iy, ix] = real[r, iy, ix] * share + wave_re[r]
                imag[r, iy, ix] = imag[r, iy, ix] * share + wave_im[r]
