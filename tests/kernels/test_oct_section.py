"""Sections of OCT walls against plain numpy and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage

from volscan.kernels.oct_section import _lights, gather_columns, light_at, section_model

U = np.arange(-40.0, 40.01, 1.0)
V = np.arange(-60.0, 40.01, 1.0)
SU, SV = 3.0, 2.2


def optics(**changes: float) -> np.ndarray:
    """Return the optical constants, by default a lossless mirror world."""
    values = {
        "medium": 1.0, "polymer": 1.47, "su": SU, "sv": SV, "half_angle": math.radians(18.0),
        "under": 0.0, "rough": 0.0, "inner": 0.0, "flank": 0.0, "floor": 100.0, "mu": 0.0,
        "floor_rough": 0.0, "body": 0.0, "decay": 5.0, "cone": 0.05, "crossing": 0.0,
    }  # fmt: skip
    return np.array(list({**values, **changes}.values()))


def seen(fibres: list[list[float]], **changes: float) -> np.ndarray:
    out = np.empty((V.size, U.size))
    section_model(U, V, np.array(fibres).reshape(-1, 5), optics(**changes), out)
    return out


def test_a_bare_collector_is_the_square_of_a_gaussian():
    image = seen([])
    # Amplitude 100 and the noise's floor of 1; fine columns sum to a flat wave to 0.1 %.
    expected = 1.0 + 1e4 * np.exp(-((V / SV) ** 2))
    assert image[:, 40] == pytest.approx(expected, rel=5e-3)


def test_a_fibre_pushes_the_collector_down_by_what_it_delays():
    # 20 µm and 1.47 push the substrate's echo down 9.4 µm (REFERENCE_VALUES, section 7).
    wide = seen([[0.0, 20.0, 400.0, 10.0, 0.0]])
    assert V[np.argmax(wide[:, 40])] == pytest.approx(9.4, abs=0.5)


def test_a_fibre_matches_a_plain_picture_of_it():
    fibre = [2.0, 30.0, 10.0, 10.0, 50.0]
    image = seen([fibre], under=0.4, floor=0.0)
    fine, step = 8, 0.125
    u = np.arange(-40.0, 40.0, step)
    v = np.arange(-60.0, 40.0, step)
    q = (u - 2.0) / 10.0
    inside = np.abs(q) < 0.999
    half = 10.0 * np.sqrt(1.0 - q[inside] ** 2)
    angle = np.arcsin(np.abs(q[inside]))
    mirror = 50.0 * 0.5 ** (0.5 * (angle / math.radians(18.0)) ** 2)
    total = np.ones((v.size, u.size))
    tops = -(30.0 + half)
    for depth, share in ((tops, 1.0), (tops + 1.47 * 2.0 * half, 0.4)):
        wave = np.zeros((v.size, u.size))
        rows = np.rint((depth - v[0]) / step).astype(int)
        wave[rows, np.flatnonzero(inside)] = share * mirror
        # Unit sum across; unit peak along the beam.
        wave = ndimage.gaussian_filter(wave, (SV * fine, SU * fine), mode="constant", truncate=6)
        total += (wave * SV * fine * math.sqrt(2.0 * math.pi)) ** 2
    plain = total[
        np.ix_((np.round((V[:-1] - v[0]) * fine)).astype(int), np.arange(0, u.size, fine))
    ]
    mine = image[:-1, :-1]
    # Depths rounded to an eighth of a micrometre, Gaussians cut at 3.5 standard deviations.
    assert np.abs(np.sqrt(mine) - np.sqrt(plain)).max() < 0.03 * np.sqrt(plain.max())


def test_at_the_edge_of_a_shadow_half_of_the_amplitude_is_left():
    # Of an opaque half-plane half of the rays are stopped: the one-way amplitude halves, and the
    # intensity falls to 1/16. Just inside and just outside add up to the whole.
    wide = np.array([[300.0, 200.0, 300.0, 1.0, 0.0]])
    lights = _lights(wide, -0.01, 0.02, 2, 0.0, 0.0, 0.05, 60.0)
    amplitude = lights[1] ** 0.25
    assert amplitude.sum() == pytest.approx(1.0, abs=1e-6)
    # Seven rays: the middle one falls on either side.
    assert pytest.approx(float(np.mean(amplitude)) ** 4, abs=1e-6) == 1.0 / 16.0
    far = [_lights(wide, at, 0.02, 1, 0.0, 0.0, 0.05, 60.0)[1, 0] for at in (-30.0, 30.0)]
    assert far == pytest.approx([1.0, 0.0], abs=1e-6)


def test_the_picture_moves_without_jumps():
    # Three fibres moved by a twentieth of a micrometre at a time: no step changes ln intensity by
    # much more than its neighbours (a sharp edge that crosses a column of sight would).
    def shown(moved: float) -> np.ndarray:
        fibres = [[moved + i, 80.0 - 32.0 * i, 10.0, 10.0, 30.0] for i in range(3)]
        lossy = {"under": 0.4, "rough": 0.02, "inner": 1e-3, "flank": 2.0, "crossing": 0.1}
        return np.log(seen(fibres, **lossy, body=1e-3, mu=0.01, floor_rough=0.3) + 2.0)

    pictures = np.array([shown(m) for m in np.arange(0.0, 3.0, 0.05)])
    steps = np.abs(np.diff(pictures, axis=0)).sum(axis=(1, 2))
    # Straight motion of a smooth picture: neighbouring steps alike; 1.5 leaves room for what
    # enters the grid. A flank counted per column, not by its covered share, gives 6 and more.
    assert steps.max() < 1.5 * np.median(steps)


def test_the_light_on_a_fibre_is_that_of_its_best_lit_place():
    # The lower fibre half under the upper, straight rays: its far side is free, its middle is lit
    # past the edge of the upper one; fully under it, all is lost but what the crossing leaves.
    upper, half_under = [0.0, 60.0, 10.0, 10.0, 1.0], [8.0, 20.0, 10.0, 10.0, 1.0]
    under = [0.0, 20.0, 10.0, 10.0, 1.0]
    free = light_at(np.array([upper, half_under]), optics(cone=1e-6, crossing=2.0))
    assert free == pytest.approx([1.0, 1.0])
    dark = light_at(np.array([upper, under]), optics(cone=1e-6, crossing=2.0))
    assert dark == pytest.approx([1.0, math.exp(-2.0)])


def test_columns_are_gathered_without_interpolation():
    rng = np.random.default_rng(1)
    image = rng.exponential(size=(20, 6, 7)).astype(np.float32)
    path = rng.uniform(8.0, 12.0, (6, 7))
    iy, ix = (a.ravel() for a in np.mgrid[:6, :7])
    across = rng.uniform(-6.0, 6.0, 42)
    total, count, place = gather_columns(
        image, path, iy, ix, across, -5.0, 0.5, -14.0, 0.5, (50, 20)
    )
    plain, held = np.zeros((50, 20)), np.zeros((50, 20))
    for n in range(42):
        a = math.floor((across[n] + 5.0) / 0.5)
        for r in range(20):
            v = math.floor((r - path[iy[n], ix[n]] + 14.0) / 0.5)
            if 0 <= a < 20 and 0 <= v < 50:
                plain[v, a] += image[r, iy[n], ix[n]]
                held[v, a] += 1
    assert total == pytest.approx(plain)
    assert np.array_equal(count, held)
    assert place[1].sum() == np.sum((across >= -5.0) & (across < 5.0))
