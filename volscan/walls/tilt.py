"""How far each wall leans: a line through its fibre centres, in the build frame.

The tilt is the slope of the fibres' place across the wall against their height, told in the plane
of h and the wall's left normal. A centroid of all polymer against height would be a staircase in
a welded wall and read low; fibre centres do not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from volscan.geometry import BuildFrame, Fibre, FloatArray, Wall
from volscan.quantity import Quantity, combine_u

# The disc model's own error in the slope of a wall, degrees: from the phantoms of the validation.
_MODEL_U_DEG = 0.03

Lean = Literal["in", "out", "upright", "undecided"]


@dataclass(frozen=True)
class WallFit:
    """A wall's fibres at common stations along it, and the line through them."""

    stations_um: FloatArray
    across_um: FloatArray
    height_um: FloatArray
    numbers: FloatArray
    slope: float
    slopes: FloatArray
    steps: FloatArray
    start: FloatArray
    end: FloatArray


def fit_wall(fibres: list[Fibre], numbers: FloatArray, *, direction_deg: float) -> WallFit:
    """Bring a wall's fibres (from the lowest) to common stations and fit its lean at each.

    `numbers` are the fibres' numbers in the wall from 0, missing fibres keeping theirs.
    """
    a = math.radians(direction_deg)
    along, normal = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    s = [f.points_um[:, :2] @ along for f in fibres]
    low = max(float(v.min()) for v in s)
    high = min(float(v.max()) for v in s)
    count = max(3, min(v.size for v in s) - 2)
    stations = np.linspace(low, high, count + 2)[1:-1]
    across = np.empty((count, len(fibres)))
    height = np.empty((count, len(fibres)))
    for k, (fibre, v) in enumerate(zip(fibres, s, strict=True)):
        order = np.argsort(v)
        across[:, k] = np.interp(stations, v[order], (fibre.points_um[:, :2] @ normal)[order])
        height[:, k] = np.interp(stations, v[order], fibre.points_um[order, 2])
    if len(fibres) > 1:
        slopes = np.array([np.polyfit(h, n, 1)[0] for h, n in zip(height, across, strict=True)])
        steps = np.array([np.polyfit(numbers, n, 1)[0] for n in across])
        slope = float(np.polyfit(height.mean(axis=0), across.mean(axis=0), 1)[0])
    else:
        slopes, steps, slope = np.empty(0), np.empty(0), float("nan")
    middle = float(across.mean())
    return WallFit(
        stations,
        across,
        height,
        numbers,
        slope,
        slopes,
        steps,
        low * along + middle * normal,
        high * along + middle * normal,
    )


def wall_of(
    number: int,
    fit: WallFit,
    fibres: list[Fibre],
    *,
    layers: int,
    direction_deg: float,
    frame: BuildFrame,
    middle_um: float,
    half_spacing_um: float,
    tolerance_deg: float,
) -> Wall:
    """Sum up a wall.

    Parameters
    ----------
    middle_um
        The scaffold's middle along this wall's left normal.
    half_spacing_um
        Within this distance of the middle a lean is neither in nor out.
    tolerance_deg
        A wall is upright when |tilt| + 2u stays within it.
    """
    across, height = fit.across_um.mean(axis=0), fit.height_um.mean(axis=0)
    radius = np.array([0.5 * f.diameter_um.value for f in fibres])
    base, top = float(height[0] - radius[0]), float(height[-1] + radius[-1])
    half = 0.5 * (base + top)
    slope_known = math.isfinite(fit.slope)
    position = float(across.mean())
    if slope_known:
        position += fit.slope * (half - float(height.mean()))
    tilt = step = None
    vector = None
    along: tuple[tuple[float, float, float], ...] = ()
    if slope_known:
        tilt = _tilt(fit, frame)
        a = math.radians(direction_deg)
        vector = (-math.sin(a) * fit.slope, math.cos(a) * fit.slope)
        step = _step(fit, frame, height)
        along = _along(fit)
    heights = np.full(layers, np.nan)
    offsets = np.full(layers, np.nan)
    index = fit.numbers.astype(int)
    heights[index] = height
    offsets[index] = across - across[0]
    return Wall(
        id=number,
        family=fibres[0].family,
        direction_deg=direction_deg,
        position_um=position,
        length_um=float(np.mean([f.length_um for f in fibres])),
        height_um=top - base,
        tilt_deg=tilt,
        lean_vector=vector,
        lean=_lean(tilt, position - middle_um, half_spacing_um, tolerance_deg),
        tilt_along=along,
        layer_heights_um=heights,
        layer_offset_um=offsets,
        offset_per_fibre_um=step,
        path_um=np.stack([fit.start, fit.end]),
    )


def _tilt(fit: WallFit, frame: BuildFrame) -> Quantity:
    """Return the tilt; scatter along the wall, the frame and the model make its u."""
    value = math.degrees(math.atan(fit.slope))
    per_slope = math.degrees(1.0) / (1.0 + fit.slope**2)
    scatter = per_slope * float(fit.slopes.std(ddof=1)) / math.sqrt(fit.slopes.size)
    u = combine_u([scatter, frame.u_tilt_deg or 0.0, _MODEL_U_DEG])
    return Quantity(
        value,
        u if frame.u_tilt_deg is not None else None,
        "deg",
        fit.numbers.size,
        per_slope * float(fit.slopes.std(ddof=1)),
    )


def _step(fit: WallFit, frame: BuildFrame, height: FloatArray) -> Quantity:
    """Return the offset per fibre: slope of the place across on the fibre's number."""
    value = float(np.polyfit(fit.numbers, fit.across_um.mean(axis=0), 1)[0])
    rise = abs(float(np.polyfit(fit.numbers, height, 1)[0]))
    scatter = float(fit.steps.std(ddof=1)) / math.sqrt(fit.steps.size)
    frame_part = rise * math.radians(math.hypot(frame.u_tilt_deg or 0.0, _MODEL_U_DEG))
    u = combine_u([scatter, frame_part])
    return Quantity(
        value,
        u if frame.u_tilt_deg is not None else None,
        "µm",
        fit.numbers.size,
        float(fit.steps.std(ddof=1)),
    )


def _along(fit: WallFit) -> tuple[tuple[float, float, float], ...]:
    """Return (station, tilt, u) rows: u of one station is the scatter between them."""
    tilts = np.degrees(np.arctan(fit.slopes))
    u = float(tilts.std(ddof=1))
    start = fit.stations_um[0]
    return tuple(
        (float(s - start), float(t), u) for s, t in zip(fit.stations_um, tilts, strict=True)
    )


def _lean(
    tilt: Quantity | None, from_middle: float, half_spacing: float, tolerance: float
) -> Lean | None:
    if tilt is None or tilt.u is None:
        return None
    size = abs(tilt.value)
    if size + 2.0 * tilt.u <= tolerance:
        return "upright"
    if size - 2.0 * tilt.u <= tolerance:
        return "undecided"
    # A small share of the spacing keeps the middle wall of an odd number in the middle.
    if abs(from_middle) <= 1.02 * half_spacing:
        return None
    return "out" if tilt.value * from_middle > 0 else "in"
