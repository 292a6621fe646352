"""OCT preparation against closed forms: compression, the collector's sheet, speckle's size."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import polygamma

from volscan.prepare.oct import _clean_noise, beam_axes
from volscan.prepare.oct_scale import find_compression
from volscan.prepare.oct_sheet import find_sheet
from volscan.prepare.oct_speckle import speckle_sigma_um


def noise(looks: int, seed: int = 0, size: int = 60_000) -> np.ndarray:
    """Intensity of unit mean over so many looks: gamma distributed."""
    return np.random.default_rng(seed).gamma(looks, 1.0 / looks, size)


@pytest.mark.parametrize("looks", [1, 2, 5])
def test_the_logarithm_is_undone_by_the_noise_alone(looks):
    # Goodman, Speckle Phenomena in Optics, chapter 3: exponential intensity; the logarithm of one
    # look has a standard deviation of 5.57 dB (REFERENCE_VALUES, section 7).
    stored = np.rint(45.0 + 2.0 * 10.0 * np.log10(noise(looks)))
    found = find_compression(stored)
    assert found is not None
    assert found.scale == "db"
    # 60 000 values tell a quantile gap to about 1 %; the shape N to a few percent.
    assert found.per_db == pytest.approx(2.0, rel=0.04)
    assert found.floor == pytest.approx(45.0, abs=0.3)
    assert found.looks == pytest.approx(looks, rel=0.12)
    sd = 2.0 * 10.0 / math.log(10.0) * math.sqrt(float(polygamma(1, looks)))
    assert found.noise_sd == pytest.approx(sd, rel=0.02)
    # A value 30 dB over the floor is a thousand times the noise.
    assert found.intensity(np.array([105.0]))[0] == pytest.approx(1000.0, rel=0.35)


def test_one_looks_logarithm_spreads_by_5_57_db():
    found = find_compression(10.0 * np.log10(noise(1, size=400_000)))
    assert found is not None
    assert found.noise_sd / found.per_db == pytest.approx(5.57, rel=0.02)


def test_values_cut_off_below_do_not_matter():
    stored = np.maximum(10.0 * np.log10(noise(1)) + 20.0, 0.0)
    found = find_compression(stored)
    assert found is not None
    assert found.per_db == pytest.approx(1.0, rel=0.04)


def test_linear_storage_is_told():
    # Rayleigh amplitude: sd/mean 0.5227 (REFERENCE_VALUES, section 7).
    amplitude = find_compression(100.0 * np.sqrt(noise(1)))
    assert amplitude is not None
    assert (amplitude.scale, round(amplitude.looks, 1)) == ("amplitude", 1.0)
    assert amplitude.intensity(np.array([1000.0]))[0] == pytest.approx(100.0, rel=0.02)
    intensity = find_compression(30.0 * noise(3))
    assert intensity is not None
    assert (intensity.scale, round(intensity.looks)) == ("intensity", 3)


def test_nothing_is_told_of_flat_noise():
    assert find_compression(np.zeros(1000)) is None


def test_the_collector_is_a_plane_and_a_curvature():
    ny, nx, step = 60, 70, 3.0
    y, x = np.mgrid[:ny, :nx].astype(float)
    curve = 4.0 * ((y - 29.5) / 29.5) ** 2 + 3.0 * ((x - 34.5) / 34.5) ** 2
    row = 25.0 + 0.08 * y - 0.05 * x + curve / step
    z = np.arange(48.0)[:, None, None]
    rng = np.random.default_rng(3)
    image = 3000.0 * np.exp(-(((z - row) / 1.1) ** 2)) + rng.exponential(size=(48, ny, nx))
    # Fibres hide every third band and push the line below them down.
    hidden = (np.arange(nx) // 5) % 3 == 0
    image[:, :, hidden] = np.roll(image[:, :, hidden], 3, axis=0)
    sheet = find_sheet(image.astype(np.float32), step_um=step, spacing_um=(4.0, 4.0))
    assert sheet is not None
    # A centre of gravity over three rows follows a line of 1.1 rows to about 0.1 row.
    assert np.abs(sheet.path_um - step * row).max() < 0.15 * step
    assert sheet.plane_um[1:] == pytest.approx([0.08 * step, -0.05 * step], abs=0.005 * step)
    assert sheet.bulge_um == pytest.approx(7.0, abs=0.5)
    assert sheet.share == pytest.approx(1.0 - hidden.mean(), abs=0.05)


def test_no_collector_no_sheet():
    rng = np.random.default_rng(0)
    empty = rng.exponential(size=(30, 40, 40)).astype(np.float32)
    assert find_sheet(empty, step_um=3.0, spacing_um=(4.0, 4.0)) is None


@pytest.mark.parametrize(("sigma", "mirror"), [((0.9, 1.2), 0.0), ((1.1, 0.8), 0.7)])
def test_speckle_is_as_large_as_the_point_spread(sigma, mirror):
    # Field of white circular noise, smoothed: its intensity's covariance is known in closed form.
    rng = np.random.default_rng(5)
    field = rng.standard_normal((160, 160)) + 1j * rng.standard_normal((160, 160))
    field = ndimage.gaussian_filter(field.real, sigma) + 1j * ndimage.gaussian_filter(
        field.imag, sigma
    )
    field /= np.sqrt(np.mean(np.abs(field) ** 2))
    line = np.abs(field + mirror) ** 2 * 1000.0
    image = np.ones((9, 160, 160), np.float32)
    image[4] = line
    found = speckle_sigma_um(
        image, np.full((160, 160), 4.0), np.ones((160, 160), bool), (2.0, 3.0), 1.0
    )
    # About 160² / (4 π σ²) = 1700 independent grains: 4 % for a width.
    assert found == pytest.approx((2.0 * sigma[0], 3.0 * sigma[1]), rel=0.08)


@pytest.mark.parametrize("up", ["-z", "+z", "+y", "-y", "+x", "-x"])
def test_beam_axes_lead_there_and_back(up):
    shape = (5, 6, 7)
    axes = beam_axes(up, shape)
    samples = np.arange(210).reshape(shape)
    seen = axes.seen(samples)
    place = (1, 2, 3)
    spacing = np.ones(3)
    back = axes.to_scan(np.array(place, dtype=float) * spacing, 1.0).astype(int)
    assert samples[tuple(back)] == seen[place]
    # Up points from the collector to the scanner: against the beam.
    v = axes.direction_to_scan(np.array([-1.0, 0.0, 0.0]))
    expected = np.zeros(3)
    expected["zyx".index(up[1])] = 1.0 if up[0] == "+" else -1.0
    assert v.tolist() == expected.tolist()


def test_columns_lit_over_all_depths_do_not_spoil_the_noise():
    rng = np.random.default_rng(4)
    intensity = rng.gamma(2.0, 0.5, (20, 60, 60))
    # A quarter of the columns is lit by 3 to 25 dB, each by its own.
    lit = rng.random((60, 60)) < 0.25
    light = 10.0 ** rng.uniform(0.3, 2.5, (60, 60))
    intensity[:, lit] += light[lit] * rng.gamma(2.0, 0.5, (20, int(lit.sum())))
    stored = np.rint(45.0 + 20.0 * np.log10(intensity))
    found = find_compression(_clean_noise(stored, list(range(20))))
    assert found is not None
    assert found.scale == "db"
    # The faintest lit columns stay: 72 000 values would tell it to 1 %.
    assert found.per_db == pytest.approx(2.0, rel=0.12)
    assert found.floor == pytest.approx(45.0, abs=0.6)
