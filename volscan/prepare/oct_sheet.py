"""The collector's surface in an OCT scan, as a smooth sheet: a plane and the scan's curvature."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

FloatArray = NDArray[np.float64]
Grey = NDArray[np.float32]

# A column's deepest echo counts from this many noise floors on, and when it is no weaker than
# this share of the column's strongest.
_LEAST_ECHO, _LEAST_SHARE = 12.0, 0.05
# Steepest mounting that is looked for, and the steps of the first look, as dz/dx.
_STEEPEST, _SLOPES = 0.2, 21
# Fewest columns that must lie on the sheet, as a share of all: more than one layer's caps cover.
_LEAST_COLUMNS = 0.25
_TILES = 6


@dataclass(frozen=True)
class Sheet:
    """Optical path of the collector's surface, and what of it is tilt and what is curvature.

    Parameters
    ----------
    path_um
        (y, x): optical path from row 0 to the surface.
    plane_um
        Constant and slopes (µm, µm per row, µm per column) of its tilted plane.
    curvature_um
        (y, x): path_um minus that plane; 0 in the middle of the field.
    u_slope
        Standard uncertainty of a slope (µm optical per µm).
    rms_um
        Scatter of the surface's echoes about the sheet.
    share
        Share of all columns in which the surface is seen free.
    free
        (y, x) bool: those columns.
    """

    path_um: FloatArray
    plane_um: FloatArray
    curvature_um: FloatArray
    u_slope: float
    rms_um: float
    share: float
    free: NDArray[np.bool_]

    @property
    def bulge_um(self) -> float:
        """How far the curvature bends the sheet over the field, peak to valley."""
        return float(np.ptp(self.curvature_um))


def find_sheet(intensity: Grey, *, step_um: float, spacing_um: tuple[float, float]) -> Sheet | None:
    """Return the collector's surface under a print; None where too little of it is seen.

    Parameters
    ----------
    intensity
        (rows, y, x) in units of the noise floor, row 0 nearest to the scanner.
    step_um, spacing_um
        Optical path of a row; spacing of the columns (y, x).

    Notes
    -----
    In each column the deepest strong echo is a candidate. Under fibres the collector shows too
    deep, by (n_polymer - n_medium) times what lies above, or is hidden; in the open columns
    between them all candidates lie on one quadratic surface, which is the one that most of them
    share. It is fitted by least squares to those within one row of it.
    """
    depth = _deepest(intensity)
    seen = np.isfinite(depth)
    if seen.sum() < max(50, _LEAST_COLUMNS * seen.size):
        return None
    ny, nx = depth.shape
    iy, ix = np.nonzero(seen)
    d = depth[seen]
    y, x = iy - 0.5 * (ny - 1), ix - 0.5 * (nx - 1)
    plane = _commonest_plane(y, x, d, step_um, spacing_um)
    basis = np.stack([np.ones(y.size), y, x, y * y, y * x, x * x], axis=1)
    scale = np.array([1.0, ny / 2, nx / 2, ny * ny / 4, ny * nx / 4, nx * nx / 4])
    basis = basis / scale
    p = np.zeros(6)
    p[:3] = plane * scale[:3]
    for reach in (4.0, 3.0, 2.0, 1.5, 1.0, 1.0, 1.0):
        rest = d - basis @ p
        near = np.abs(rest) < reach
        if near.sum() < max(50, _LEAST_COLUMNS * seen.size):
            return None
        p = np.linalg.lstsq(basis[near], d[near], rcond=None)[0]
    rest = d - basis @ p
    near = np.abs(rest) < 1.0
    rms = float(np.sqrt(np.mean(rest[near] ** 2)))
    free = np.zeros(depth.shape, bool)
    free[iy[near], ix[near]] = True
    q = p / scale
    gy, gx = np.mgrid[:ny, :nx].astype(np.float64)
    gy, gx = gy - 0.5 * (ny - 1), gx - 0.5 * (nx - 1)
    curve = q[3] * gy * gy + q[4] * gy * gx + q[5] * gx * gx
    flat = q[0] + q[1] * gy + q[2] * gx
    return Sheet(
        path_um=(flat + curve) * step_um,
        plane_um=np.array([flat[0, 0], q[1], q[2]]) * step_um,
        curvature_um=curve * step_um,
        u_slope=_u_slope(y[near], x[near], rest[near], step_um, spacing_um),
        rms_um=rms * step_um,
        share=float(near.sum() / seen.size),
        free=free,
    )


def _deepest(intensity: Grey) -> FloatArray:
    """Return the row (y, x) of each column's deepest strong echo, NaN without one."""
    smooth = ndimage.uniform_filter1d(intensity, 3, axis=0)
    peak = smooth.max(axis=0)
    least = np.maximum(_LEAST_ECHO, _LEAST_SHARE * peak)
    rows = smooth.shape[0]
    deepest = rows - 1 - np.argmax(smooth[::-1] >= least, axis=0)
    there = peak >= least
    at = np.clip(deepest, 1, rows - 2)
    # Climb from the deep flank to the line's own top, and to a part of a row between.
    yy, xx = np.indices(at.shape)
    for _ in range(8):
        up = (smooth[at - 1, yy, xx] > smooth[at, yy, xx]) & (at > 1)
        at = np.where(up, at - 1, at)
    # A line of few rows: its centre of gravity scatters less than a parabola where speckle
    # dents it.
    low, mid, high = (intensity[at + k, yy, xx].astype(np.float64) for k in (-1, 0, 1))
    total = low + mid + high
    row = at + (high - low) / np.maximum(total, 1e-9)
    return np.where(there, row, np.nan)


def _commonest_plane(
    y: FloatArray, x: FloatArray, d: FloatArray, step_um: float, spacing_um: tuple[float, float]
) -> FloatArray:
    """Return constant and slopes (rows) of the plane that most candidates lie near."""
    every = max(1, d.size // 6000)
    y, x, d = y[::every], x[::every], d[::every]
    slopes = np.linspace(-_STEEPEST, _STEEPEST, _SLOPES)
    best, found = -1.0, np.zeros(3)
    for sy in slopes * spacing_um[0] / step_um:
        for sx in slopes * spacing_um[1] / step_um:
            rest = d - sy * y - sx * x
            low = float(rest.min())
            counts = np.bincount(((rest - low) / 2.0).astype(np.int64)).astype(float)
            pair = counts[:-1] + counts[1:] if counts.size > 1 else counts
            k = int(np.argmax(pair))
            if pair[k] > best:
                best, found = float(pair[k]), np.array([low + 2.0 * (k + 1), sy, sx])
    return found


def _u_slope(
    y: FloatArray, x: FloatArray, rest: FloatArray, step_um: float, spacing_um: tuple[float, float]
) -> float:
    """Return the standard uncertainty of the plane's slopes from the scatter of tile means."""
    means, places = [], []
    ty = np.minimum(((y - y.min()) / (np.ptp(y) + 1e-9) * _TILES).astype(int), _TILES - 1)
    tx = np.minimum(((x - x.min()) / (np.ptp(x) + 1e-9) * _TILES).astype(int), _TILES - 1)
    for k in range(_TILES * _TILES):
        own = ty * _TILES + tx == k
        if own.sum() >= 5:
            means.append(float(rest[own].mean()) * step_um)
            places.append(
                (float(y[own].mean()) * spacing_um[0], float(x[own].mean()) * spacing_um[1])
            )
    if len(means) < 8:
        return math.nan
    at = np.array(places)
    spread = np.sqrt(np.mean((at - at.mean(axis=0)) ** 2, axis=0)) * math.sqrt(len(means))
    # Six constants were fitted.
    sd = math.sqrt(float(np.sum(np.square(means))) / max(len(means) - 6, 1))
    return sd / float(spread.min())
