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

from volscan.fibres.field import WallStations
from volscan.fibres.serial import variance_inflation
from volscan.geometry import BuildFrame, Fibre, FloatArray, Wall
from volscan.quantity import Quantity, combine_u

# The disc model's own error in the place of one fibre, in radii: from the phantoms of the
# validation.
_MODEL_U_RADII = 0.0015
# A parabola through fewer fibres says nothing of how the rise bends.
_FEWEST_FOR_BOW = 3
# Shifts of fibres along a winding wall are told from so many stations, where its slope in plan view
# varies by this (RMS), and taken out where one is so many times its own u.
_FEWEST_FOR_PHASE, _LEAST_SLOPE, _PLAIN_SHIFT = 12, 0.1, 5.0

Lean = Literal["in", "out", "upright", "undecided"]


@dataclass(frozen=True)
class WallFit:
    """A wall's fibres at common stations along it, and the line through them.

    `slopes`, `steps` and `bows` are told at each station; `u_across_um` (stations, fibres) is what
    the scan's noise makes of a place across; `path_um` (m, 2) is the wall seen from above.
    """

    stations_um: FloatArray
    across_um: FloatArray
    height_um: FloatArray
    numbers: FloatArray
    slope: float
    slopes: FloatArray
    steps: FloatArray
    bows: FloatArray
    u_across_um: FloatArray
    path_um: FloatArray
    start_um: float
    radius_um: float
    u_model_um: float = 0.0


def fit_wall(fibres: list[Fibre], numbers: FloatArray, *, direction_deg: float) -> WallFit:
    """Bring a wall's fibres (from the lowest) to common stations and fit its lean at each.

    `numbers` are the fibres' numbers in the wall from 0, missing fibres keeping theirs.
    """
    along, _ = _axes(direction_deg)
    s = [f.points_um[:, :2] @ along for f in fibres]
    low = max(float(v.min()) for v in s)
    high = min(float(v.max()) for v in s)
    count = max(3, min(v.size for v in s) - 2)
    stations = np.linspace(low, high, count + 2)[1:-1]
    points = np.empty((count, len(fibres), 3))
    for k, (fibre, v) in enumerate(zip(fibres, s, strict=True)):
        order = np.argsort(v)
        for i in range(3):
            points[:, k, i] = np.interp(stations, v[order], fibre.points_um[order, i])
    return _fit(
        points,
        numbers,
        np.zeros(points.shape[:2]),
        direction_deg=direction_deg,
        radius_um=0.5 * float(np.mean([f.diameter_um.value for f in fibres])),
        ends=(low, high),
    )


def fit_stations(
    stations: WallStations, numbers: FloatArray, *, direction_deg: float, path_um: FloatArray
) -> WallFit:
    """Fit a wall's lean at the stations where its fibres were fitted.

    A curved wall's fibres are compared at equal places along its mean line, so that its lean is
    told along the mean line's normal.
    """
    along, _ = _axes(direction_deg)
    points = stations.points_um
    if stations.curved:
        s = points[..., :2] @ along
        middle = np.sort(s.mean(axis=1))
        inside = (middle >= s.min(axis=0).max()) & (middle <= s.max(axis=0).min())
        at = middle[inside] if inside.sum() >= 3 else middle
        common = np.empty((at.size, points.shape[1], 3))
        for k in range(points.shape[1]):
            order = np.argsort(s[:, k])
            for i in range(3):
                common[:, k, i] = np.interp(at, s[order, k], points[order, k, i])
        u = np.broadcast_to(np.median(stations.u_across_um, axis=0), common.shape[:2])
        return _fit(
            _in_phase(common, u, path_um, direction_deg),
            numbers,
            u,
            direction_deg=direction_deg,
            radius_um=float(stations.radius_um.mean()),
            u_model_um=stations.u_model_um,
            path=path_um,
        )
    ends = path_um @ along
    return _fit(
        points,
        numbers,
        stations.u_across_um,
        direction_deg=direction_deg,
        radius_um=float(stations.radius_um.mean()),
        u_model_um=stations.u_model_um,
        ends=(float(ends.min()), float(ends.max())),
    )


def _in_phase(
    points: FloatArray, u: FloatArray, path_um: FloatArray, direction_deg: float
) -> FloatArray:
    """Return a winding wall's fibres (stations, fibres, 3) without what moves them along it.

    A fibre laid a little late is moved along its wall: across, by that times the path's slope
    there. Over a whole wave this cancels, but stations between crossings see the same part of
    every wave. Each fibre's own shift is found by least squares beside its offset and a turn, and
    taken out where it is plain.
    """
    along, normal = _axes(direction_deg)
    s = points[:, 0, :2] @ along
    across = points[..., :2] @ normal
    mean = across.mean(axis=1)
    seen = path_um[np.argsort(path_um @ along)]
    ahead = np.diff(seen @ along)
    if s.size < _FEWEST_FOR_PHASE or len(seen) < _FEWEST_FOR_PHASE or np.any(ahead <= 0):
        return points
    slope = np.interp(s, seen @ along, np.gradient(seen @ normal, seen @ along))
    plain = np.stack([np.ones(s.size), s - s.mean()], axis=1)
    bent = slope - plain @ np.linalg.lstsq(plain, slope, rcond=None)[0]
    power = float(bent @ bent)
    if power < s.size * _LEAST_SLOPE**2:
        return points
    rest = across - mean[:, None]
    shift = bent @ rest / power
    left = rest - plain @ np.linalg.lstsq(plain, rest, rcond=None)[0] - np.outer(bent, shift)
    noise = np.maximum(np.square(left).sum(axis=0) / (s.size - 3), np.square(u).mean(axis=0))
    if not np.any(np.abs(shift) > _PLAIN_SHIFT * np.sqrt(noise / power)):
        return points
    moved = points.copy()
    moved[..., :2] -= np.outer(slope, shift)[..., None] * normal
    return moved


def _axes(direction_deg: float) -> tuple[FloatArray, FloatArray]:
    a = math.radians(direction_deg)
    return np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])


def _fit(
    points: FloatArray,
    numbers: FloatArray,
    u: FloatArray,
    *,
    direction_deg: float,
    radius_um: float,
    u_model_um: float | None = None,
    ends: tuple[float, float] | None = None,
    path: FloatArray | None = None,
) -> WallFit:
    along, normal = _axes(direction_deg)
    across, height = points[..., :2] @ normal, points[..., 2]
    places = (points[..., :2] @ along).mean(axis=1)
    fibres = points.shape[1]
    slopes = steps = bows = np.empty(0)
    slope = float("nan")
    if fibres > 1:
        slopes = np.array([np.polyfit(h, n, 1)[0] for h, n in zip(height, across, strict=True)])
        steps = np.array([np.polyfit(numbers, n, 1)[0] for n in across])
        slope = float(np.polyfit(height.mean(axis=0), across.mean(axis=0), 1)[0])
    if fibres > _FEWEST_FOR_BOW:
        bows = np.array([_bow(h, n) for h, n in zip(height, across, strict=True)])
    if path is None:
        assert ends is not None
        middle = float(across.mean())
        path = np.stack([e * along + middle * normal for e in ends])
    return WallFit(
        places,
        across,
        height,
        numbers,
        slope,
        slopes,
        steps,
        bows,
        np.asarray(u),
        path,
        float((path @ along).min()),
        radius_um,
        _MODEL_U_RADII * radius_um if u_model_um is None else u_model_um,
    )


def _bow(height: FloatArray, across: FloatArray) -> float:
    """Return how far a parabola through the fibres bulges from its chord at half height."""
    half = 0.5 * float(np.ptp(height))
    v = (height - 0.5 * (height.max() + height.min())) / half
    return -float(np.polyfit(v, across, 2)[0])


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
    tilt = step = bow = None
    vector = None
    along: tuple[tuple[float, float, float], ...] = ()
    if slope_known:
        tilt = _tilt(fit, frame)
        a = math.radians(direction_deg)
        vector = (-math.sin(a) * fit.slope, math.cos(a) * fit.slope)
        step = _step(fit, frame, height)
        along = _along(fit, pitch_um=2.0 * half_spacing_um)
        bow = _bow_of(fit)
    heights = np.full(layers, np.nan)
    offsets = np.full(layers, np.nan)
    index = fit.numbers.astype(int)
    heights[index] = height
    offsets[index] = across - across[0]
    u_offsets = np.full(layers, np.nan)
    u_offsets[index] = _u_offsets(fit)
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
        path_um=fit.path_um,
        bow_um=bow,
        u_layer_offset_um=u_offsets,
    )


def _u_mean(values: FloatArray, noise: FloatArray, stations: FloatArray) -> float:
    """Return the standard uncertainty of a mean over stations along a wall.

    The scatter about a line along the wall, neighbours that repeat each other counted as fewer;
    and not less than what the scan's noise alone gives, for few stations scatter little by
    chance.
    """
    count = values.size
    from_noise = float(np.sqrt(np.sum(noise**2))) / count
    if count < 4:
        return combine_u([from_noise, float(values.std(ddof=1)) / math.sqrt(count)])
    s = stations - stations.mean()
    rest = values - values.mean() - s * float(s @ values) / float(s @ s)
    inflation = variance_inflation([rest], parameters=2)
    from_scatter = math.sqrt(float(rest @ rest) / (count - 2) * inflation / count)
    # Both tell the same where noise is all: weigh the scatter by its freedom.
    share = (count - 2) / (count + 6)
    return math.sqrt(share * from_scatter**2 + (1.0 - share) * max(from_noise, from_scatter) ** 2)


def _slope_noise(fit: WallFit) -> FloatArray:
    """Return what noise makes of each station's slope."""
    lever = fit.height_um - fit.height_um.mean(axis=1, keepdims=True)
    power = np.sum(lever**2, axis=1)
    noise = np.sqrt(np.sum((lever * fit.u_across_um) ** 2, axis=1)) / np.maximum(power, 1e-12)
    return np.asarray(noise)


def _u_model_slope(fit: WallFit) -> float:
    """Return what the discs' departures from real fibres may do to a slope."""
    lever = fit.height_um.mean(axis=0)
    spread = math.sqrt(float(np.sum((lever - lever.mean()) ** 2)))
    return fit.u_model_um / spread if spread > 0 else 0.0


def _tilt(fit: WallFit, frame: BuildFrame) -> Quantity:
    """Return the tilt; scatter along the wall, the frame and the model make its u."""
    value = math.degrees(math.atan(fit.slope))
    per_slope = math.degrees(1.0) / (1.0 + fit.slope**2)
    own = _u_mean(fit.slopes, _slope_noise(fit), fit.stations_um)
    u = combine_u([per_slope * own, frame.u_tilt_deg or 0.0, per_slope * _u_model_slope(fit)])
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
    own = _u_mean(fit.steps, _slope_noise(fit) * rise, fit.stations_um)
    shared = rise * math.hypot(math.radians(frame.u_tilt_deg or 0.0), _u_model_slope(fit))
    return Quantity(
        value,
        combine_u([own, shared]) if frame.u_tilt_deg is not None else None,
        "µm",
        fit.numbers.size,
        float(fit.steps.std(ddof=1)),
    )


def _bow_of(fit: WallFit) -> Quantity | None:
    """Return how far the wall's rise bulges from its chord, apart from its lean."""
    if fit.bows.size < 2:
        return None
    value = float(_bow(fit.height_um.mean(axis=0), fit.across_um.mean(axis=0)))
    # A parabola's noise at its middle is about that of three places across.
    noise = np.sqrt(np.mean(fit.u_across_um**2, axis=1) * 3.0 / math.sqrt(fit.numbers.size))
    own = _u_mean(fit.bows, noise, fit.stations_um)
    u = combine_u([own, fit.u_model_um])
    return Quantity(value, u, "µm", fit.numbers.size, float(fit.bows.std(ddof=1)))


def _u_offsets(fit: WallFit) -> FloatArray:
    """Return the standard uncertainty of each fibre's offset from the lowest fibre."""
    offsets = fit.across_um - fit.across_um[:, :1]
    u = np.zeros(offsets.shape[1])
    for k in range(1, offsets.shape[1]):
        noise = np.hypot(fit.u_across_um[:, k], fit.u_across_um[:, 0])
        u[k] = combine_u([_u_mean(offsets[:, k], noise, fit.stations_um), fit.u_model_um])
    return u


def _along(fit: WallFit, *, pitch_um: float) -> tuple[tuple[float, float, float], ...]:
    """Return (station, tilt, u) rows, a pitch apart: u is their scatter about a line."""
    length = float(np.ptp(fit.stations_um))
    groups = fit.stations_um.size
    if pitch_um > 0:
        groups = min(groups, max(3, round(length / pitch_um)))
    parts = np.array_split(np.argsort(fit.stations_um), groups)
    at = np.array([fit.stations_um[p].mean() for p in parts])
    noise = _slope_noise(fit)
    tilts = np.degrees(np.arctan([fit.slopes[p].mean() for p in parts]))
    own = np.degrees([math.sqrt(float(np.sum(noise[p] ** 2))) / p.size for p in parts])
    rest = tilts - tilts.mean()
    if groups > 3:
        s = at - at.mean()
        rest = rest - s * float(s @ rest) / float(s @ s)
    scatter = math.sqrt(float(rest @ rest) / max(1, groups - 2))
    return tuple(
        (float(a - fit.start_um), float(t), max(scatter, float(u)))
        for a, t, u in zip(at, tilts, own, strict=True)
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
