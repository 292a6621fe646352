"""How much light reaches a depth and comes back: absorption, shadows, roll-off, confocal gate."""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from volscan.phantom.oct_columns import Columns
from volscan.phantom.oct_spec import OctSpec

FloatArray = NDArray[np.float64]
Grey = NDArray[np.float32]

# Rays that stand for the cone of light, evenly spread over its disc.
_RAYS = 19
_GOLDEN_ANGLE = math.pi * (3 - math.sqrt(5))


def transmission(columns: Columns, spec: OctSpec, *, rows: int) -> Grey:
    """Return the share of light that reaches each place and comes back, (rows, y, x).

    Rows are geometric (`spec.geometric_um`). A ray of the cone passes the amplitude
    t = exp(-A/4), where A is what it loses in intensity there and back; a point scatterer sends
    the mean of t over the cone back through the same cone, so that the share of intensity is
    (mean t)⁴. Without a cone this is exp(-A).

    A single scatterer at depth z below a homogeneous medium is dimmed by A = 2 µ_t z: the
    single-scattering law.
    """
    ny, nx = columns.collector_um.shape
    losses = np.zeros((rows, ny, nx), dtype=np.float32)
    _losses(
        losses, columns.starts, columns.ends_um, columns.slopes, spec.geometric_um[0],
        2e-3 * spec.attenuation_per_mm, 2e-3 * spec.medium_attenuation_per_mm,
        spec.surface_loss_db * math.log(10) / 10, spec.flank_loss,
    )  # fmt: skip
    sine = spec.numerical_aperture / spec.index_medium
    rays = cone_rays(math.tan(math.asin(sine)))
    amplitude = np.zeros_like(losses)
    dz, dy, dx = spec.geometric_um
    for ray in rays:
        shift = np.rint(np.arange(rows)[:, None] * ray * dz / np.array([dy, dx]))
        _add_ray(amplitude, losses, shift.astype(np.int64), np.float32(1 / len(rays)))
    amplitude **= 4
    return amplitude


def cone_rays(tangent: float) -> FloatArray:
    """Slopes dy/dz, dx/dz of rays that fill a cone evenly, (n, 2)."""
    if tangent == 0:
        return np.zeros((1, 2))
    i = np.arange(_RAYS)
    radius = tangent * np.sqrt((i + 0.5) / _RAYS)
    rays = np.stack([np.sin(i * _GOLDEN_ANGLE), np.cos(i * _GOLDEN_ANGLE)], axis=1)
    rays = radius[:, None] * rays
    return np.asarray(rays - rays.mean(axis=0))


@njit(parallel=True, cache=True)
def _losses(out, starts, ends, slopes, dz, polymer, medium, surface, flank):  # type: ignore[no-untyped-def]
    """Loss there and back (natural logarithm of intensity) in the row around each depth."""
    rows, ny, nx = out.shape
    for iy in prange(ny):
        for ix in range(nx):
            c = iy * nx + ix
            for r in range(rows):
                out[r, iy, ix] = medium * dz
            for i in range(starts[c], starts[c + 1]):
                a, b = ends[i, 0] / dz + 0.5, ends[i, 1] / dz + 0.5
                for r in range(max(0, int(a)), min(rows - 1, int(b)) + 1):
                    share = min(b, r + 1.0) - max(a, float(r))
                    out[r, iy, ix] += (polymer - medium) * dz * share
                for side in range(2):
                    # In the row below the surface, which must not dim its own echo.
                    r = math.floor(ends[i, side] / dz) + 1
                    p, q = slopes[i, side, 0], slopes[i, side, 1]
                    # ln(1/cos), twice over for there and back being already in the power.
                    steep = 0.5 * flank * math.log(1.0 + p * p + q * q)
                    if 0 <= r < rows:
                        out[r, iy, ix] += 0.5 * surface + steep


@njit(parallel=True, cache=True)
def _add_ray(out, losses, shift, weight):  # type: ignore[no-untyped-def]
    """Add weight × exp(-A/4), A being what a ray has lost on its way down to each place.

    Places on one ray share y - shift and x - shift: one running sum each. Beyond the field the
    losses of its edge go on.
    """
    rows, ny, nx = out.shape
    reach = 0
    side = 0
    for r in range(rows):
        reach = max(reach, abs(shift[r, 0]))
        side = max(side, abs(shift[r, 1]))
    for s in prange(-reach, ny + reach):
        lost = np.zeros(nx + 2 * side, dtype=np.float64)
        for r in range(rows):
            y = s + shift[r, 0]
            near = min(ny - 1, max(0, y))
            for i in range(nx + 2 * side):
                x = i - side + shift[r, 1]
                here = losses[r, near, min(nx - 1, max(0, x))]
                if y == near and 0 <= x < nx:
                    out[r, y, x] += weight * math.exp(-0.25 * (lost[i] + 0.5 * here))
                lost[i] += here


def depth_factor(spec: OctSpec, *, rows: int) -> FloatArray:
    """Return the factor on the amplitude of each row: roll-off times confocal gate.

    Roll-off: sinc(π z / 2 z_max) exp(-(π² w² / (16 ln 2)) (z / z_max)²) with z from zero delay
    (Yun et al. 2003, Opt. Express 11, 2953; Leitgeb et al. 2003, Opt. Express 11, 889). Gate:
    intensity 1 / (1 + ((z - focus) / rayleigh)²), a Gaussian beam's on-axis intensity.
    """
    optical = np.arange(rows) * spec.step_um
    factor = np.ones(rows)
    if spec.depth_range_um:
        u = np.abs(optical + spec.zero_delay_um) / spec.depth_range_um
        # numpy's sinc has the factor π inside.
        spot = math.pi**2 * spec.rolloff_spot**2 / (16 * math.log(2))
        factor *= np.abs(np.sinc(u / 2)) * np.exp(-spot * u**2)
    if spec.rayleigh_um:
        factor /= np.sqrt(1 + ((optical - spec.focus_um) / spec.rayleigh_um) ** 2)
    return factor
