"""Sections through an OCT wall: gathered from columns, and what fibres would show there."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Grey = NDArray[np.float32]

# Gaussians are cut at this many standard deviations.
_REACH = 3.5
# Columns of sight are this many standard deviations apart: their Gaussians sum to a flat wave.
_COLUMN = 0.5
# Scatter below the collector ends where it is this faint (noise floors).
_FAINTEST = 0.02


@njit(cache=True, nogil=True)
def gather_columns(
    intensity: Grey,
    path_rows: FloatArray,
    iy: NDArray[np.int64],
    ix: NDArray[np.int64],
    across: FloatArray,
    across0: float,
    across_step: float,
    row0: float,
    row_step: float,
    shape: tuple[int, int],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return sum and count (depth, across) of columns binned across, and the sum of places.

    Rows are told from each column's own collector row (`path_rows`): no value is interpolated.
    The third result (across,) sums the columns' own places, for the mean place of each bin.
    """
    total = np.zeros(shape)
    count = np.zeros(shape)
    place = np.zeros((2, shape[1]))
    rows = intensity.shape[0]
    for n in range(iy.size):
        a = math.floor((across[n] - across0) / across_step)
        if a < 0 or a >= shape[1]:
            continue
        place[0, a] += across[n]
        place[1, a] += 1.0
        start = path_rows[iy[n], ix[n]]
        for r in range(rows):
            v = math.floor((r - start - row0) / row_step)
            if 0 <= v < shape[0]:
                total[v, a] += intensity[r, iy[n], ix[n]]
                count[v, a] += 1.0
    return total, count, place


@njit(cache=True, nogil=True)
def section_model(
    u: FloatArray,
    v: FloatArray,
    fibres: FloatArray,
    optics: FloatArray,
    out: FloatArray,
) -> None:
    """Write the mean intensity (v, u) that stacked fibres on a collector send back.

    Parameters
    ----------
    u
        Places across of the section's columns, µm, rising.
    v
        Optical path below the free collector of its rows, µm, evenly spaced.
    fibres
        (k, 5) from the top: place across, height above the collector, half-width, half-height,
        amplitude of the echo of its level top.
    optics
        n_medium, n_polymer, blur's standard deviations (amplitude) across and along the beam,
        angle in radians at which the mirror's intensity has halved, underside's amplitude over
        the top's, rough share of the top's intensity, interior's intensity over the top's, power
        of the cosine that a surface passes, collector's amplitude, light lost per µm of polymer,
        rough share of the collector's intensity, the scatter below it over its own, the depth
        over which that falls to 1/e, the tangent of the half-angle of the cone of light, and the
        light (ln) lost by any crossing of a fibre.

    Notes
    -----
    Lines of sight are straight. Each column's optical path is integrated from the top, the
    polymer's index inside polymer only. A surface's mirror-like echo is one wave: its amplitudes
    are blurred before they are squared. Rough echoes and echoes of different surfaces add in
    intensity. Shadows: each ray of the cone loses light in the fibres that it crosses; what comes
    back from a place is the fourth power of the mean over rays of the one-way amplitude, since
    light is thrown in and collected through the same cone.
    """
    medium, polymer, su, sv = optics[0], optics[1], optics[2], optics[3]
    half_angle, under, rough, inner = optics[4], optics[5], optics[6], optics[7]
    flank, floor_amp, mu = optics[8], optics[9], optics[10]
    floor_rough, body, decay, cone = optics[11], optics[12], optics[13], optics[14]
    crossing = optics[15]
    k = fibres.shape[0]
    nu, nv = u.size, v.size
    dv = v[1] - v[0]
    fine = _COLUMN * su
    reach_u = _REACH * su
    start = u[0] - reach_u
    columns = int((u[nu - 1] - u[0] + 2.0 * reach_u) / fine) + 1
    reach_v = int(_REACH * sv / dv) + 1
    surfaces = 2 * k + 1
    # Rows of the section last: the innermost loops run down a column.
    waves = np.zeros((surfaces, nu, nv))
    touched_low = np.full(surfaces, nv)
    touched_high = np.zeros(surfaces, dtype=np.int64)
    power = np.zeros((columns, nv))
    lit_low = np.full(columns, nv)
    lit_high = np.zeros(columns, dtype=np.int64)
    norm_u = fine / (su * math.sqrt(2.0 * math.pi))
    profile = np.empty(2 * reach_v + 2)
    weights = np.empty((columns, nu))
    first_column = np.empty(columns, dtype=np.int64)
    last_column = np.empty(columns, dtype=np.int64)
    tops = np.empty(k)
    bottoms = np.empty(k)
    which = np.empty(k, dtype=np.int64)
    lights = _lights(fibres, start, fine, columns, flank, mu, cone, crossing)
    for j in range(columns):
        uj = start + j * fine
        first_column[j] = np.searchsorted(u, uj - reach_u)
        last_column[j] = first_column[j]
        while last_column[j] < nu and u[last_column[j]] - uj <= reach_u:
            t = (u[last_column[j]] - uj) / su
            weights[j, last_column[j]] = math.exp(-0.5 * t * t)
            last_column[j] += 1
        across = weights[j, first_column[j] : last_column[j]]
        # Pieces of this column from the top down, by height of their tops.
        n = 0
        for f in range(k):
            half = fibres[f, 3] * _mean_height(uj - fibres[f, 0], fine, fibres[f, 2])
            if half > 0.0:
                top, bottom = fibres[f, 1] + half, fibres[f, 1] - half
                if bottom < 0.0:
                    bottom = 0.0
                if top <= bottom:
                    continue
                m = n
                while m > 0 and tops[m - 1] < top:
                    tops[m], bottoms[m], which[m] = tops[m - 1], bottoms[m - 1], which[m - 1]
                    m -= 1
                tops[m], bottoms[m], which[m] = top, bottom, f
                n += 1
        solid = 0.0
        i = 0
        while i < n:
            f = which[i]
            light = lights[f, j]
            top, bottom, last = tops[i], bottoms[i], f
            m = i + 1
            while m < n and tops[m] >= bottom:
                if bottoms[m] < bottom:
                    bottom, last = bottoms[m], which[m]
                m += 1
            first = -medium * top + (polymer - medium) * solid
            chord = top - bottom
            solid += chord
            end = -medium * bottom + (polymer - medium) * solid
            for side in range(2):
                g = f if side == 0 else last
                q = (uj - fibres[g, 0]) / fibres[g, 2]
                if abs(q) >= 0.999:
                    slope = 1e3
                else:
                    slope = abs(fibres[g, 3] * q / (fibres[g, 2] * math.sqrt(1.0 - q * q)))
                angle = math.atan(slope)
                cosine = 1.0 / math.sqrt(1.0 + slope * slope)
                amplitude = fibres[g, 4]
                where = first if side == 0 else end
                if side == 1:
                    light *= math.exp(-mu * chord)
                passed = cosine**flank
                relative = 1.0 if side == 0 else under
                lit = math.sqrt(light * passed) if side == 1 else math.sqrt(light)
                mirror = amplitude * relative * lit
                mirror *= math.exp(-0.5 * math.log(2.0) * (angle / half_angle) ** 2)
                s = g if side == 0 else k + g
                _add_wave(
                    waves, touched_low, touched_high, s, mirror * norm_u, where,
                    first_column[j], across, v, sv, dv, reach_v, profile,
                )  # fmt: skip
                strength = rough * amplitude * amplitude * light
                if side == 1:
                    strength *= under * under
                row = (where - v[0]) / dv
                _add_point(power[j], row, strength * cosine * cosine * fine)
                lit_low[j] = min(lit_low[j], max(math.floor(row), 0))
                lit_high[j] = max(lit_high[j], min(math.floor(row) + 2, nv))
                light *= passed
                if side == 0:
                    glow = inner * amplitude * amplitude * light * fine * dv
                    _add_stretch(power[j], row, (end - v[0]) / dv, glow)
            i = m
        where = (polymer - medium) * solid
        light = lights[k, j]
        _add_wave(
            waves, touched_low, touched_high, surfaces - 1,
            floor_amp * math.sqrt(light * (1.0 - floor_rough)) * norm_u,
            where, first_column[j], across, v, sv, dv, reach_v, profile,
        )  # fmt: skip
        bright = floor_amp * floor_amp * light
        row = (where - v[0]) / dv
        _add_point(power[j], row, floor_rough * bright * fine)
        lit_low[j] = min(lit_low[j], max(math.floor(row), 0))
        lit_high[j] = max(lit_high[j], min(math.floor(row) + 2, nv))
        r = math.floor(row + 0.5)
        if body > 0.0 and 0 <= r < nv:
            part = body * bright * fine * dv
            power[j, r] += part * (r + 0.5 - row)
            fall = math.exp(-dv / decay)
            part *= math.exp(-(v[r] - where) / decay) * fall
            r += 1
            while r < nv and part >= _FAINTEST * fine * dv:
                power[j, r] += part
                part *= fall
                r += 1
            lit_high[j] = max(lit_high[j], r)
    seen = _blurred_power(
        power, lit_low, lit_high, weights, first_column, last_column, su, sv, dv, nu
    )
    for s in range(surfaces):
        for c in range(nu):
            for r in range(touched_low[s], touched_high[s]):
                seen[c, r] += waves[s, c, r] * waves[s, c, r]
    for r in range(nv):
        for c in range(nu):
            out[r, c] = 1.0 + seen[c, r]


@njit(cache=True, nogil=True)
def _mean_height(at, width, radius):  # type: ignore[no-untyped-def]
    """Return a circle's mean half-height over a column, as a share: no jump at its edge."""
    a = (at - 0.5 * width) / radius
    b = (at + 0.5 * width) / radius
    if a >= 1.0 or b <= -1.0:
        return 0.0
    a, b = max(a, -1.0), min(b, 1.0)
    area = b * math.sqrt(1.0 - b * b) + math.asin(b) - a * math.sqrt(1.0 - a * a) - math.asin(a)
    return 0.5 * area * radius / width


@njit(cache=True, nogil=True)
def _add_point(rows, at, value):  # type: ignore[no-untyped-def]
    """Share a point's light between the two rows beside it, so that it moves without jumps."""
    r = math.floor(at)
    share = at - r
    if 0 <= r < rows.size:
        rows[r] += value * (1.0 - share)
    if 0 <= r + 1 < rows.size:
        rows[r + 1] += value * share


@njit(cache=True, nogil=True)
def _add_stretch(rows, start, end, value):  # type: ignore[no-untyped-def]
    """Add `value` a row to the rows from start to end, to the first and last in part."""
    for r in range(max(math.floor(start + 0.5), 0), min(math.floor(end + 0.5) + 1, rows.size)):
        rows[r] += value * max(0.0, min(end, r + 0.5) - max(start, r - 0.5))


@njit(cache=True, nogil=True)
def _add_wave(  # type: ignore[no-untyped-def]
    waves, low, high, s, amplitude, where, column0, across, v, sv, dv, reach_v, profile
):
    """Add a point's blurred amplitude to a surface's wave."""
    if amplitude < 1e-6:
        return
    centre = math.floor((where - v[0]) / dv + 0.5)
    r0, r1 = max(centre - reach_v, 0), min(centre + reach_v + 1, v.size)
    if r1 <= r0:
        return
    low[s] = min(low[s], r0)
    high[s] = max(high[s], r1)
    # On even steps a Gaussian's ratio of neighbours changes by one factor.
    step = dv / sv
    t = (v[r0] - where) / sv
    value = amplitude * math.exp(-0.5 * t * t)
    ratio = math.exp(-step * (t + 0.5 * step))
    fall = math.exp(-step * step)
    rows = r1 - r0
    for r in range(rows):
        profile[r] = value
        value *= ratio
        ratio *= fall
    for c in range(across.size):
        _add_scaled(waves[s, column0 + c, r0:r1], profile[:rows], across[c])


@njit(cache=True, nogil=True)
def _blurred_power(  # type: ignore[no-untyped-def]
    power, low, high, weights, first_column, last_column, su, sv, dv, nu
):
    """Return incoherent light (across, rows), blurred by the square of the amplitude's spread."""
    columns, nv = power.shape
    across = np.zeros((nu, nv))
    norm = 1.0 / (su * math.sqrt(math.pi))
    top, end = nv, 0
    for j in range(columns):
        if high[j] <= low[j]:
            continue
        top, end = min(top, low[j]), max(end, high[j])
        for c in range(first_column[j], last_column[j]):
            w = norm * weights[j, c] * weights[j, c]
            _add_scaled(across[c, low[j] : high[j]], power[j, low[j] : high[j]], w)
    out = np.zeros((nu, nv))
    reach = int(2.6 * sv / dv) + 1
    for d in range(-reach, reach + 1):
        t = d * dv / sv
        w = math.exp(-t * t)
        r0, r1 = max(0, top - d), min(nv, end - d)
        if r1 <= r0:
            continue
        for c in range(nu):
            _add_scaled(out[c, r0:r1], across[c, r0 + d : r1 + d], w)
    return out


@njit(cache=True, nogil=True)
def _add_scaled(out, values, factor):  # type: ignore[no-untyped-def]
    for i in range(out.size):
        out[i] += factor * values[i]


@njit(cache=True, nogil=True)
def section_models(
    u: FloatArray, v: FloatArray, fibres: FloatArray, optics: FloatArray, out: FloatArray
) -> None:
    """Write several sections (n, v, u) of `section_model`: fibres (n, k, 5), optics (n, 16)."""
    for i in range(out.shape[0]):
        section_model(u, v, fibres[i], optics[i], out[i])


# Rays across the cone: points and weights of a disc of light seen from the side (semicircle law,
# Gauss-Chebyshev quadrature of the second kind).
_RAYS = 7
_RAY_AT = np.cos(np.arange(1, _RAYS + 1) * math.pi / (_RAYS + 1))
_RAY_WEIGHT = np.sin(np.arange(1, _RAYS + 1) * math.pi / (_RAYS + 1)) ** 2
_RAY_WEIGHT = _RAY_WEIGHT / _RAY_WEIGHT.sum()


@njit(cache=True, nogil=True)
def _lights(fibres, start, fine, columns, flank, mu, cone, crossing):  # type: ignore[no-untyped-def]
    """Return the light (fibre, column) that reaches each fibre and comes back; last: collector."""
    k = fibres.shape[0]
    out = np.ones((k + 1, columns))
    for t in range(k + 1):
        height = fibres[t, 1] if t < k else 0.0
        half = fibres[t, 3] if t < k else 0.0
        for j in range(columns):
            u = start + j * fine
            mean = 0.0
            for m in range(_RAY_AT.size):
                lost = 0.0
                passed = 1.0
                edge = 1.0
                for f in range(k):
                    above = fibres[f, 1] - height
                    if f == t or above <= 0.0:
                        continue
                    q = (u + cone * _RAY_AT[m] * above - fibres[f, 0]) / fibres[f, 2]
                    # Share of the column inside: a flank stops all light, and just past it none.
                    inside = (1.0 - abs(q)) * fibres[f, 2] / fine + 0.5
                    if inside <= 0.0:
                        continue
                    rest = max(1.0 - q * q, 0.002)
                    inner = mu * 2.0 * fibres[f, 3] * math.sqrt(rest)
                    # Welded to the one below: no surface lies between them.
                    welded = above <= 0.8 * (half + fibres[f, 3])
                    if not welded:
                        inner += crossing
                    if inside >= 1.0:
                        lost += inner
                        if not welded:
                            passed *= rest
                    else:
                        if not welded:
                            inner -= flank * math.log(rest)
                        edge *= 1.0 - inside + inside * math.exp(-0.25 * inner)
                if passed < 1.0:
                    lost -= flank * math.log(passed)
                mean += _RAY_WEIGHT[m] * edge * math.exp(-0.25 * lost)
            out[t, j] = mean**4
    return out


# Places across a fibre, in half-widths, at which the light on it is looked at.
_PLACES = np.array([-0.6, -0.3, 0.0, 0.3, 0.6])


@njit(cache=True, nogil=True)
def light_at(fibres: FloatArray, optics: FloatArray) -> FloatArray:
    """Return the greatest share of light (k,) that reaches each fibre's top and comes back.

    `fibres` and `optics` as `section_model` takes them. The greatest of five places across.
    """
    flank, mu, cone, crossing = optics[8], optics[10], optics[14], optics[15]
    out = np.zeros(fibres.shape[0])
    for f in range(out.size):
        for p in _PLACES:
            start = fibres[f, 0] + p * fibres[f, 2]
            light = _lights(fibres, start, 1.0, 1, flank, mu, cone, crossing)[f, 0]
            out[f] = max(out[f], light)
    return out
