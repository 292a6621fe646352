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
    fine = 0.35 * su
    reach_u = _REACH * su
    start = u[0] - reach_u
    columns = int((u[nu - 1] - u[0] + 2.0 * reach_u) / fine) + 1
    reach_v = int(_REACH * sv / dv) + 1
    surfaces = 2 * k + 1
    waves = np.zeros((surfaces, nv, nu))
    touched_low = np.full(surfaces, nv)
    touched_high = np.zeros(surfaces, dtype=np.int64)
    power = np.zeros((nv, columns))
    norm_u = fine / (su * math.sqrt(2.0 * math.pi))
    profile = np.empty(2 * reach_v + 2)
    tops = np.empty(k)
    bottoms = np.empty(k)
    which = np.empty(k, dtype=np.int64)
    lights = _lights(fibres, start, fine, columns, flank, mu, cone, crossing)
    for j in range(columns):
        uj = start + j * fine
        # Pieces of this column from the top down, by height of their tops.
        n = 0
        for f in range(k):
            q = (uj - fibres[f, 0]) / fibres[f, 2]
            if abs(q) < 0.999:
                half = fibres[f, 3] * math.sqrt(1.0 - q * q)
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
                    waves, touched_low, touched_high, s, mirror * norm_u, uj, where,
                    u, v, su, sv, dv, reach_u, reach_v, profile,
                )  # fmt: skip
                strength = rough * amplitude * amplitude * light
                if side == 1:
                    strength *= under * under
                r = math.floor((where - v[0]) / dv + 0.5)
                if 0 <= r < nv:
                    power[r, j] += strength * cosine * cosine * fine
                light *= passed
                if side == 0:
                    r0 = math.floor((first - v[0]) / dv + 0.5)
                    r1 = math.floor((end - v[0]) / dv + 0.5)
                    for r in range(max(r0, 0), min(r1, nv)):
                        power[r, j] += inner * amplitude * amplitude * light * fine * dv
            i = m
        where = (polymer - medium) * solid
        light = lights[k, j]
        _add_wave(
            waves, touched_low, touched_high, surfaces - 1,
            floor_amp * math.sqrt(light * (1.0 - floor_rough)) * norm_u,
            uj, where, u, v, su, sv, dv, reach_u, reach_v, profile,
        )  # fmt: skip
        bright = floor_amp * floor_amp * light
        r = math.floor((where - v[0]) / dv + 0.5)
        if 0 <= r < nv:
            power[r, j] += floor_rough * bright * fine
        if body > 0.0:
            for r2 in range(max(r + 1, 0), nv):
                part = body * bright * math.exp(-(v[r2] - where) / decay)
                if part < 0.02:
                    break
                power[r2, j] += part * fine * dv
    out[:] = 1.0
    for s in range(surfaces):
        for r in range(touched_low[s], touched_high[s]):
            for c in range(nu):
                out[r, c] += waves[s, r, c] ** 2
    _add_power(out, power, u, start, fine, su, sv, dv)


@njit(cache=True, nogil=True)
def _add_wave(  # type: ignore[no-untyped-def]
    waves, low, high, s, amplitude, uj, where, u, v, su, sv, dv, reach_u, reach_v, profile
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
    for r in range(r0, r1):
        t = (v[r] - where) / sv
        profile[r - r0] = amplitude * math.exp(-0.5 * t * t)
    c0 = np.searchsorted(u, uj - reach_u)
    for c in range(c0, u.size):
        t = (u[c] - uj) / su
        if t > _REACH:
            break
        w = math.exp(-0.5 * t * t)
        for r in range(r0, r1):
            waves[s, r, c] += w * profile[r - r0]


@njit(cache=True, nogil=True)
def _add_power(out, power, u, start, fine, su, sv, dv):  # type: ignore[no-untyped-def]
    """Add incoherent light, blurred by the square of the amplitude's spread."""
    nv, columns = power.shape
    nu = u.size
    across = np.zeros((nv, nu))
    for c in range(nu):
        j0 = max(0, int((u[c] - 2.6 * su - start) / fine))
        j1 = min(columns, int((u[c] + 2.6 * su - start) / fine) + 1)
        for j in range(j0, j1):
            t = (u[c] - start - j * fine) / su
            w = math.exp(-t * t) / (su * math.sqrt(math.pi))
            for r in range(nv):
                if power[r, j] != 0.0:
                    across[r, c] += w * power[r, j]
    reach = int(2.6 * sv / dv) + 1
    for r in range(nv):
        for d in range(-reach, reach + 1):
            q = r + d
            if 0 <= q < nv:
                t = d * dv / sv
                w = math.exp(-t * t)
                for c in range(nu):
                    if across[q, c] != 0.0:
                        out[r, c] += w * across[q, c]


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
                for f in range(k):
                    above = fibres[f, 1] - height
                    if f == t or above <= 0.0:
                        continue
                    q = (u + cone * _RAY_AT[m] * above - fibres[f, 0]) / fibres[f, 2]
                    rest = 1.0 - q * q
                    if rest <= 0.0:
                        continue
                    rest = max(rest, 0.002)
                    lost += mu * 2.0 * fibres[f, 3] * math.sqrt(rest)
                    # Welded to the one below: no surface lies between them.
                    if above > 0.8 * (half + fibres[f, 3]):
                        lost += crossing - flank * math.log(rest)
                mean += _RAY_WEIGHT[m] * math.exp(-0.25 * lost)
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
