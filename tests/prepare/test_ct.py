"""CT preparation: anchors, the unclipped map, drift, thresholds, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from volscan.errors import NothingToMeasureError, SettingsError
from volscan.prepare.ct import prepare_ct
from volscan.volume import Volume

SPACING = (2.0, 2.0, 2.0)


def pile(*, noise: float, seed: int = 0, size: int = 72, blur: float = 0.8) -> np.ndarray:
    """Return a plain two-layer pile of rods of 8 voxels: fraction, blurred, with noise."""
    z, y, x = np.meshgrid(*(np.arange(size, dtype=float),) * 3, indexing="ij")
    solid = np.zeros((size,) * 3)
    for centre in (18.0, 36.0, 54.0):
        solid[(z - 30) ** 2 + (y - centre) ** 2 <= 16.0] = 1.0
        solid[(z - 37) ** 2 + (x - centre) ** 2 <= 16.0] = 1.0
    fraction = gaussian_filter(solid, blur)
    return fraction + noise * np.random.default_rng(seed).standard_normal(fraction.shape)


def scan(fraction: np.ndarray, *, air: float = 1000.0, span: float = 400.0) -> Volume:
    return Volume((air + span * fraction).astype(np.float32), SPACING, "given by the user")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_air_integrates_to_nothing_at_low_contrast_to_noise(seed):
    fraction = pile(noise=0.25, seed=seed)
    material = prepare_ct(scan(fraction))
    region = material.fraction[46:, :, :]
    error = 0.25 / np.sqrt(region.size)
    # Three standard errors; the air anchor's own error is that of all air and a third as large.
    assert abs(float(region.mean(dtype=np.float64))) < 3.0 * error
    # Clipping would have lifted it by 0.4 standard deviations of noise (half-normal mean).
    assert float(np.clip(region, 0, None).mean()) > 0.09


def test_the_map_is_not_clipped_and_keeps_the_scans_samples():
    volume = scan(pile(noise=0.1))
    before = volume.samples.copy()
    material = prepare_ct(volume)
    assert np.array_equal(volume.samples, before)
    assert material.fraction.min() < -0.2
    assert material.fraction.max() > 1.2


def test_noise_and_anchors_are_those_put_in():
    material = prepare_ct(scan(pile(noise=0.1), air=1000.0, span=400.0))
    # Noise from 2e5 voxels: 0.2 % of itself; 2 % leaves room for the little blur reaches.
    assert material.noise_air == pytest.approx(40.0, rel=0.02)
    assert material.air == pytest.approx(1000.0, abs=0.4)
    # Few voxels lie deeper than three inside a rod of eight: the plateau is a first guess there.
    assert material.polymer == pytest.approx(1400.0, rel=0.05)
    assert material.contrast_to_noise == pytest.approx(10.0, rel=0.05)


def test_correlated_noise_is_told_from_white():
    rng = np.random.default_rng(4)
    white = prepare_ct(scan(pile(noise=0.1)))
    noise = gaussian_filter(rng.standard_normal((72,) * 3), 1.0)
    correlated = prepare_ct(scan(pile(noise=0.0) + 0.1 * noise / noise.std()))
    assert white.noise_correlation_vox < 1.5
    # A Gaussian of σ = 1 voxel: the sum of its autocorrelation is (4π)^(3/2) = 44.5; blocks of
    # eight voxels cut part of it off.
    assert 15.0 < correlated.noise_correlation_vox < 60.0


def test_a_slow_drift_is_removed_and_told():
    fraction = pile(noise=0.05)
    ramp = np.linspace(-0.05, 0.05, fraction.shape[2])
    material = prepare_ct(scan(fraction + ramp))
    assert "background_removed" in {n.code for n in material.notices}
    left = material.fraction[50:, :, :10].mean(dtype=np.float64)
    right = material.fraction[50:, :, -10:].mean(dtype=np.float64)
    # The ramp's ends differ by 0.09; a surface of second order takes all of it.
    assert abs(float(left - right)) < 0.005


def test_a_level_background_is_left_alone():
    assert not prepare_ct(scan(pile(noise=0.1))).notices


@pytest.mark.parametrize(("gain", "offset"), [(3.0, -500.0), (0.01, 7.0)])
def test_grey_scale_does_not_matter(gain, offset):
    plain = prepare_ct(scan(pile(noise=0.1)))
    scaled = prepare_ct(
        Volume(
            (gain * (1000.0 + 400.0 * pile(noise=0.1)) + offset).astype(np.float32),
            SPACING,
            "given by the user",
        )
    )
    # float32 and histogram bins: a thousandth of the contrast.
    assert np.abs(plain.fraction - scaled.fraction).max() < 5e-3


def test_a_segmented_scan_needs_no_noise():
    solid = (pile(noise=0.0, blur=0.01) > 0.5).astype(np.uint8) * 255
    material = prepare_ct(Volume(solid, SPACING, "given by the user"))
    assert material.air == 0.0
    assert material.polymer == 255.0
    assert set(np.unique(material.fraction)) == {0.0, 1.0}


def test_nothing_there_is_refused():
    rng = np.random.default_rng(0)
    with pytest.raises(NothingToMeasureError, match="constant"):
        prepare_ct(Volume(np.full((30, 30, 30), 7, np.uint16), SPACING, "given by the user"))
    noise = rng.normal(100, 5, (64, 64, 64)).astype(np.float32)
    with pytest.raises(NothingToMeasureError, match="no solid"):
        prepare_ct(Volume(noise, SPACING, "given by the user"))


def test_a_threshold_outside_the_anchors_is_refused():
    with pytest.raises(SettingsError, match="between air"):
        prepare_ct(scan(pile(noise=0.05)), threshold=900.0)


def test_otsu_is_taken_where_it_holds_and_refused_where_it_splits_the_background():
    good = prepare_ct(scan(pile(noise=0.05)), threshold="otsu")
    assert good.threshold_rule == "otsu"
    assert 0.3 < good.level < 0.7
    # 2 % solid with noise of a fifth of the contrast: Otsu collapses onto the background
    # (checked against the table of two Gaussian classes in tests/external/test_thresholds.py).
    size = 96
    z, y, x = np.meshgrid(*(np.arange(size, dtype=float),) * 3, indexing="ij")
    thin = np.zeros((size,) * 3)
    for centre in (24.0, 48.0, 72.0):
        thin[(z - 40) ** 2 + (y - centre) ** 2 <= 9.0] = 1.0
        thin[(z - 46) ** 2 + (x - centre) ** 2 <= 9.0] = 1.0
    assert 0.01 < thin.mean() < 0.025
    noisy = thin + 0.2 * np.random.default_rng(1).standard_normal(thin.shape)
    with pytest.raises(SettingsError, match="splits the background"):
        prepare_ct(scan(noisy), threshold="otsu")


@pytest.mark.parametrize("size", [32, 40, 64, 96])
@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_noise_alone_is_no_solid(size, seed):
    noise = np.random.default_rng(seed).normal(100, 5, (size,) * 3).astype(np.float32)
    with pytest.raises(NothingToMeasureError, match="no solid"):
        prepare_ct(Volume(noise, SPACING, "given by the user"))
