"""Waves in plan view against the waves they were drawn from, and whether their u holds."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.stats import chi2

from volscan.fibres.wavefit import PlanPath
from volscan.fibres.waves import fit_wave

DIAMETER = 20.0
LENGTH = 336.0


def sine(s, amplitude, *, wavelength=LENGTH, phase_deg=0.0):
    return amplitude * np.sin(2 * np.pi * s / wavelength + math.radians(phase_deg))


def zigzag(s, amplitude, *, wavelength=LENGTH, phase_deg=0.0, corner=0.0):
    """Triangle wave of half swing `amplitude`, its corners a running mean over `corner`.

    The triangle is arcsin(sin) scaled; the mean is its exact integral over the length, the
    integral of arcsin(sin θ) being a chain of parabolas.
    """
    theta = 2 * np.pi * np.asarray(s) / wavelength + math.radians(phase_deg)

    def integral(t):
        # From -π/2: t²/2 - π²/8 up to π/2, then mirrored; zero over each whole turn.
        t = (t + np.pi / 2) % (2 * np.pi) - np.pi / 2
        return np.where(t <= np.pi / 2, t**2 / 2, np.pi**2 / 4 - (t - np.pi) ** 2 / 2)

    if corner == 0.0:
        return amplitude * np.arcsin(np.sin(theta)) / (np.pi / 2)
    half = np.pi * corner / wavelength
    mean = (integral(theta + half) - integral(theta - half)) / (2 * half)
    # The crest of a triangle of half swing 1 falls to 1 - corner / wavelength.
    return amplitude * mean / (np.pi / 2) / (1 - corner / wavelength)


def assert_calibrated(errors, us):
    """Hold Σ(error/u)² within the 99.9 % bound of χ², and u under 1.5 × the RMS error.

    15 % more for the scatter of an RMS over some 40 errors (1/√80 = 11 %).
    """
    errors, us = np.asarray(errors), np.asarray(us)
    assert np.sum((errors / us) ** 2) <= chi2.ppf(0.999, errors.size)
    assert np.median(us) <= 1.5 * 1.15 * math.sqrt(np.mean(errors**2))


def test_a_sine_without_noise_is_exact():
    s = np.linspace(0.0, 900.0, 181)
    wave = fit_wave([PlanPath(s, 12.0 + sine(s, 69.5, phase_deg=25.0))], diameter_um=DIAMETER)
    assert wave.shape == "sine"
    assert wave.amplitude_um.value == pytest.approx(69.5, rel=1e-6)
    assert wave.wavelength_um.value == pytest.approx(LENGTH, rel=1e-6)
    assert wave.phase_deg[0] == pytest.approx(25.0, abs=1e-3)
    assert wave.slope[0] == pytest.approx(0.0, abs=1e-6)
    assert wave.phase_mismatch_deg is None


def test_a_zigzag_is_half_its_swing():
    s = np.linspace(0.0, 900.0, 181)
    path = zigzag(s, 50.0, corner=30.0, phase_deg=200.0)
    assert np.ptp(zigzag(np.linspace(0, LENGTH, 40001), 50.0, corner=30.0)) == pytest.approx(100.0)
    wave = fit_wave([PlanPath(s, path)], diameter_um=DIAMETER)
    assert wave.shape == "zigzag"
    # Harmonics past the 39th are left out: 0.05 % of the wave.
    assert wave.amplitude_um.value == pytest.approx(50.0, rel=1e-3)
    assert wave.wavelength_um.value == pytest.approx(LENGTH, rel=1e-3)
    assert wave.phase_deg[0] == pytest.approx(200.0, abs=0.2)


# One per cent is what is asked for; each case comes with 0.5 µm of noise, which alone gives an
# amplitude of 30 µm from 150 stations 0.2 %, and a wavelength from two waves 0.3 %.
NOISE = 0.5


@pytest.mark.parametrize("draw", [sine, zigzag])
@pytest.mark.parametrize("waves", [1.3, 1.7, 2.6, 5.2])
def test_few_waves_unequal_stations_and_gaps(draw, waves):
    rng = np.random.default_rng(int(10 * waves))
    more = {"corner": 25.0} if draw is zigzag else {}
    walls = []
    for k in range(6):
        s = np.sort(rng.uniform(0.0, waves * LENGTH, 150))
        s = s[np.abs(s % 180.0 - 90.0) > 14.0]
        n = 200.0 * k + draw(s, 40.0, phase_deg=20.0 * k, **more)
        walls.append(PlanPath(s, n + rng.normal(0.0, NOISE, s.size), NOISE))
    wave = fit_wave(walls, diameter_um=DIAMETER)
    assert wave.shape == draw.__name__
    assert wave.amplitude_um.value == pytest.approx(40.0, rel=0.01)
    assert wave.wavelength_um.value == pytest.approx(LENGTH, rel=0.01)
    assert wave.amplitude_um.n == 6
    # Phases are known where the paths begin to some 2 degrees.
    off = (np.array(wave.phase_deg) - 20.0 * np.arange(6) + 180.0) % 360.0 - 180.0
    assert np.max(np.abs(off)) < 6.0


@pytest.mark.parametrize("lean_deg", [1.0, 3.0, -5.0])
def test_a_tilted_mean_line_is_no_part_of_the_wave(lean_deg):
    s = np.linspace(0.0, 3.5 * LENGTH, 300)
    n = sine(s, 69.5)
    c, d = math.cos(math.radians(lean_deg)), math.sin(math.radians(lean_deg))
    wave = fit_wave([PlanPath(c * s - d * n, d * s + c * n)], diameter_um=DIAMETER)
    assert wave.shape == "sine"
    # Turned to its mean line until it stays, the wave is the same again.
    assert wave.amplitude_um.value == pytest.approx(69.5, rel=1e-3)
    assert wave.wavelength_um.value == pytest.approx(LENGTH, rel=1e-3)
    assert wave.slope[0] == pytest.approx(math.tan(math.radians(lean_deg)), abs=1e-3)


def test_blur_is_undone():
    w = 30.0
    s = np.linspace(0.0, 900.0, 91)
    # A sine convolved with a Gaussian is the sine times exp(-x²/2), x = 2πw/λ: a textbook
    # transform (Bracewell, The Fourier Transform and Its Applications; from memory).
    x = 2 * math.pi * w / LENGTH
    wave = fit_wave(
        [PlanPath(s, sine(s, 40.0) * math.exp(-x * x / 2))], diameter_um=DIAMETER, blur_um=w
    )
    assert wave.amplitude_um.value == pytest.approx(40.0, rel=1e-6)
    # A sharp zigzag, blurred by scipy on a fine grid.
    fine = np.arange(-300.0, 1200.0, 1.0)
    blurred = gaussian_filter1d(zigzag(fine, 40.0), w)
    wave = fit_wave([PlanPath(s, np.interp(s, fine, blurred))], diameter_um=DIAMETER, blur_um=w)
    assert wave.shape == "zigzag"
    assert wave.amplitude_um.value == pytest.approx(40.0, rel=0.01)


def test_layers_out_of_phase_do_not_lower_the_amplitude():
    s = np.linspace(0.0, 1600.0, 161)
    offsets = np.array([-18.0, -9.0, 4.0, 7.0, 16.0])
    own = [sine(s, 40.0, phase_deg=o) for o in offsets]
    layers = [PlanPath(s, n) for n in own]
    wave = fit_wave([PlanPath(s, np.mean(own, axis=0))], [layers], diameter_um=DIAMETER)
    assert wave.phase_mismatch_deg.value == pytest.approx(np.std(offsets, ddof=1), rel=0.01)
    # Their mean alone waves 2.2 % less; what is left over is of fourth order in the phases.
    assert wave.amplitude_um.value == pytest.approx(40.0, rel=1e-3)


def correlated(rng, size, sd, rho):
    e = rng.normal(0.0, sd, size)
    for i in range(1, size):
        e[i] = rho * e[i - 1] + math.sqrt(1 - rho**2) * e[i]
    return e


@pytest.mark.parametrize(("draw", "rho"), [(sine, 0.0), (sine, 0.7), (zigzag, 0.0), (zigzag, 0.7)])
def test_u_holds_with_white_and_with_correlated_noise(draw, rho):
    more = {"corner": 30.0} if draw is zigzag else {}
    s = np.linspace(0.0, 900.0, 100)
    found = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        walls = [
            PlanPath(
                s,
                draw(s, 30.0, phase_deg=rng.uniform(0, 360), **more)
                + correlated(rng, s.size, 1.0, rho),
                1.0,
            )
            for _ in range(2)
        ]
        found.append(fit_wave(walls, diameter_um=DIAMETER))
    # Noise makes one parameter more pay in 2 % of cases (χ² of one degree past ln 200), so that
    # more than four wrong shapes in 40 are a chance of 0.1 %.
    assert sum(w.shape == draw.__name__ for w in found) >= 36
    for truth, told in (
        (30.0, [w.amplitude_um for w in found]),
        (LENGTH, [w.wavelength_um for w in found]),
    ):
        assert_calibrated([q.value - truth for q in told], [q.u for q in told])


def test_sharp_corners_stay_within_two_u():
    # Sharp corners are the end of what is possible: the amplitude can only be told too low.
    s = np.linspace(0.0, 900.0, 150)
    for seed in range(6):
        noise = np.random.default_rng(seed).normal(0.0, 0.5, s.size)
        wave = fit_wave([PlanPath(s, zigzag(s, 40.0) + noise, 0.5)], diameter_um=DIAMETER)
        assert wave.shape == "zigzag"
        assert abs(wave.amplitude_um.value - 40.0) <= 3.0 * wave.amplitude_um.u
        assert wave.amplitude_um.u < 1.0


def test_layers_out_of_phase_are_told_without_their_noise():
    s = np.linspace(0.0, 900.0, 100)
    errors, us = [], []
    for seed in range(25):
        rng = np.random.default_rng(seed)
        walls, layers = [], []
        for _ in range(3):
            start = rng.uniform(0, 360)
            own = [
                PlanPath(
                    s,
                    sine(s, 30.0, phase_deg=start + rng.normal(0.0, 5.0)) + rng.normal(0, 3.0, 100),
                    3.0,
                )
                for _ in range(5)
            ]
            layers.append(own)
            walls.append(PlanPath(s, np.mean([p.n_um for p in own], axis=0), 3.0 / math.sqrt(5)))
        mismatch = fit_wave(walls, layers, diameter_um=DIAMETER).phase_mismatch_deg
        assert mismatch.n == 15
        errors.append(mismatch.value - 5.0)
        us.append(mismatch.u)
    assert_calibrated(errors, us)


def test_layers_in_phase_show_no_mismatch_beyond_u():
    s = np.linspace(0.0, 900.0, 100)
    rng = np.random.default_rng(5)
    own = [PlanPath(s, sine(s, 30.0) + rng.normal(0.0, 2.0, 100), 2.0) for _ in range(8)]
    wall = PlanPath(s, np.mean([p.n_um for p in own], axis=0), 0.7)
    mismatch = fit_wave([wall], [own], diameter_um=DIAMETER).phase_mismatch_deg
    assert mismatch.value <= 2 * mismatch.u
    # One path's phase is noisy by √2 · 2 µm / (30 µm · √100), 0.54 degrees, and that is taken off.
    assert mismatch.u < 1.0


@pytest.mark.parametrize(
    "draw",
    [
        lambda s: 1e-3 * (s - 300.0) ** 2,
        lambda s: 1e-6 * (s - 300.0) ** 3,
        lambda s: 0.05 * s,
        lambda s: 3.0 * np.cumsum(np.random.default_rng(1).normal(size=s.size)),
        lambda s: sine(s, 1.5),
    ],
    ids=["arc", "cubic", "straight", "walk", "under a tenth of the diameter"],
)
def test_what_is_no_wave_is_none(draw):
    s = np.linspace(0.0, 700.0, 140)
    rng = np.random.default_rng(3)
    walls = [PlanPath(s, draw(s) + rng.normal(0.0, 0.3, s.size), 0.3) for _ in range(3)]
    assert fit_wave(walls, diameter_um=DIAMETER) is None


@pytest.mark.parametrize("rho", [0.0, 0.8])
def test_noise_alone_is_no_wave(rho):
    s = np.linspace(0.0, 700.0, 60)
    found = 0
    for seed in range(24):
        rng = np.random.default_rng(seed)
        walls = [PlanPath(s, correlated(rng, 60, 12.0, rho), 12.0) for _ in range(1 + seed % 4)]
        found += fit_wave(walls, diameter_um=DIAMETER) is not None
    # 0.024 false alarms are expected in 24 at 1 in 1000: two or more are a chance of 0.03 %.
    assert found <= 1


def test_missing_points_and_short_walls_are_left_out():
    s = np.linspace(0.0, 900.0, 181)
    n = sine(s, 30.0)
    n[40:60] = np.nan
    wave = fit_wave([PlanPath(s, n), PlanPath(s[:4], n[:4])], diameter_um=DIAMETER)
    assert wave.amplitude_um.value == pytest.approx(30.0, rel=1e-6)
    assert math.isnan(wave.phase_deg[1])
    assert fit_wave([PlanPath(s[:4], n[:4])], diameter_um=DIAMETER) is None
    with pytest.raises(ValueError, match="layers of 1 walls"):
        fit_wave([PlanPath(s, n)] * 2, [[PlanPath(s, n)]], diameter_um=DIAMETER)
    with pytest.raises(ValueError, match="a path needs"):
        fit_wave([PlanPath(s, n[:-1])], diameter_um=DIAMETER)
