"""Rings, fringes and cut grey scales: found where they are, left alone where they are not.

The scans are drawn here with numpy and scipy alone; the truth is what was put in.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage
from scipy.stats import truncnorm

from tests.prepare.test_ct import SPACING, pile, scan
from volscan.errors import NothingToMeasureError
from volscan.prepare.ct import prepare_ct
from volscan.prepare.fringes import find_fringes, undo_fringes
from volscan.prepare.greys import grey_scale, noise_between, restore_ends
from volscan.prepare.rings import remove_rings
from volscan.volume import Volume

REMOVED = {
    "background_removed", "rings_removed", "fringes_undone", "fringes_faint", "grey_scale_cut",
    "coarse_grey_steps", "dense_specks_excluded", "holder_excluded", "sheet_excluded",
    "lump_excluded",
}  # fmt: skip


def rings(shape: tuple[int, int, int], centre: tuple[float, float], *, seed: int) -> np.ndarray:
    """Return rings (y, x) of unit standard deviation, one value a voxel of radius."""
    y, x = np.mgrid[: shape[1], : shape[2]]
    radius = np.hypot(y - centre[0], x - centre[1])
    heights = np.random.default_rng(seed).standard_normal(int(radius.max()) + 2)
    return np.interp(radius, np.arange(heights.size), heights)


@pytest.mark.parametrize("noise", [0.02, 0.1, 0.25])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_nothing_is_found_in_a_clean_scan(noise, seed):
    codes = {n.code for n in prepare_ct(scan(pile(noise=noise, seed=seed))).notices}
    assert codes & REMOVED == set()


def test_correlated_noise_is_no_ring():
    rng = np.random.default_rng(9)
    noise = ndimage.gaussian_filter(rng.standard_normal((40, 96, 96)), 1.5).astype(np.float32)
    noise *= 0.1 / noise.std()
    before = noise.copy()
    assert remove_rings(noise, np.ones(noise.shape, bool)) is None
    assert np.array_equal(noise, before)


@pytest.mark.parametrize("centre", [(47.5, 47.5), (50.0, 44.0), (41.0, 53.0)])
@pytest.mark.parametrize("strength", [0.02, 0.08])
def test_rings_about_any_axis_are_found_and_most_of_them_removed(centre, strength):
    shape = (48, 96, 96)
    rng = np.random.default_rng(5)
    noise = 0.1 * rng.standard_normal(shape).astype(np.float32)
    drawn = strength * rings(shape, centre, seed=6)
    values = (noise + drawn).astype(np.float32)
    found = remove_rings(values, np.ones(shape, bool))
    assert found is not None
    # The axis is looked for in quarters of a voxel; a ring is one voxel wide.
    assert np.hypot(found.centre[0] - centre[0], found.centre[1] - centre[1]) < 0.6
    left = (values - noise).mean(axis=0)
    # A mean over 48 slices and half a circle of 50 voxels holds the noise to 0.1 / 60; what the
    # half-voxel rings do not follow is a fifth of the rings (see the theory page).
    assert left.std() < 0.4 * drawn.std() + 0.1 / math.sqrt(48 * 50)


def test_rings_do_not_eat_thin_structures():
    fraction = pile(noise=0.05)
    with_rings = fraction + 0.08 * rings(fraction.shape, (35.5, 35.5), seed=2)
    clean, material = prepare_ct(scan(fraction)), prepare_ct(scan(with_rings))
    assert "rings_removed" in {n.code for n in material.notices}
    solid = ndimage.binary_erosion(fraction > 0.5)
    span = [m.polymer - m.air for m in (clean, material)]
    kept = [
        float(m.fraction[solid].mean(dtype=np.float64)) * s / 400.0
        for m, s in zip((clean, material), span, strict=True)
    ]
    # Rings average out over hundreds of radii: 0.08 / √70 at most.
    assert kept[1] == pytest.approx(kept[0], abs=0.01)


def test_undoing_fringes_is_the_inverse_of_the_transport_of_intensity():
    # A plane wave of the cosine transform is an eigenfunction: 1 + k (2 - 2 cos(π m / n)).
    n, m, k = 40, 7, 1.7
    wave = np.cos(math.pi * m * (np.arange(n) + 0.5) / n).astype(np.float32)
    image = np.broadcast_to(wave[:, None, None], (n, 6, 6)).copy()
    gain = 1 + k * (2 - 2 * math.cos(math.pi * m / n))
    assert np.abs(undo_fringes(image, k) * gain - image).max() < 1e-5


@pytest.mark.parametrize("k", [0.6, 1.5])
def test_fringes_are_found_with_their_strength(k):
    fraction = pile(noise=0.0, blur=1.2)
    bent = fraction - k * ndimage.laplace(fraction, mode="nearest")
    bent += 0.04 * np.random.default_rng(3).standard_normal(bent.shape)
    found = find_fringes(
        bent.astype(np.float32), fraction > 0.5, None, noise=0.04, correlation_vox=1.0
    )
    assert found is not None
    # The rim vanishes a little before the blur is whole again (blur's own tail fills it).
    assert 0.7 * k < found.k < 1.1 * k


def test_blur_alone_has_no_rim():
    for blur in (0.6, 1.0, 2.0):
        fraction = pile(noise=0.05, blur=blur).astype(np.float32)
        assert find_fringes(fraction, fraction > 0.5, None, noise=0.05, correlation_vox=1.0) is None


def test_fringes_too_faint_to_undo_are_told_and_widen_the_blur():
    fraction = pile(noise=0.0, blur=1.2)
    noise = 0.03 * np.random.default_rng(5).standard_normal(fraction.shape)

    def prepared(k: float):  # type: ignore[no-untyped-def]
        bent = fraction - k * ndimage.laplace(fraction, mode="nearest")
        return prepare_ct(scan((bent + noise).astype(np.float32)))

    plain, faint, strong = (prepared(k) for k in (0.0, 0.33, 0.8))
    codes = [{n.code for n in m.notices} for m in (plain, faint, strong)]
    assert [c & {"fringes_faint", "fringes_undone"} for c in codes] == [
        set(), {"fringes_faint"}, {"fringes_undone"},
    ]  # fmt: skip
    assert plain.u_blur_share == strong.u_blur_share == 0.0
    assert faint.u_blur_share > 0.0


@pytest.mark.parametrize("low", [-2.0, -0.5, 0.3])
def test_noise_is_read_between_cut_ends(low):
    # Standard deviation of a normal distribution whose lower end was cut: quantiles above it.
    values = np.clip(np.random.default_rng(1).normal(0, 20, 200_000), 20 * low, 60.0)
    scale = grey_scale(values.astype(np.float32))
    assert scale.low == pytest.approx(20 * low)
    # 2e5 values hold a quantile to 0.4 % of the spread.
    assert noise_between(values, scale) == pytest.approx(20.0, rel=0.02)


def test_cut_ends_are_restored_to_their_mean():
    rng = np.random.default_rng(2)
    noise = rng.normal(1000, 50, (40, 40, 40))
    cut = np.clip(noise, 960, None).astype(np.float32)
    scale = grey_scale(cut)
    smoothed = ndimage.gaussian_filter(cut, 2.0)
    restore_ends(cut, smoothed, scale, noise=50.0)
    # Closed form of the mean beyond the end (scipy's truncated normal).
    beyond = truncnorm(-np.inf, (960 - 1000) / 50, loc=1000, scale=50).mean()
    assert cut[noise < 960].mean() == pytest.approx(beyond, abs=3.0)
    assert cut.mean() == pytest.approx(1000.0, abs=1.0)


def test_a_whole_scale_is_not_called_cut():
    noise = np.random.default_rng(4).normal(1000, 30, (50, 50, 50))
    for dtype in (np.uint16, np.float32):
        assert not grey_scale(noise.astype(dtype)).cut
    # Twelve bits in sixteen: the ends of the file's type are far off.
    assert grey_scale((np.rint(noise) * 16).astype(np.uint16)).step == 16.0


def test_a_clipped_scan_keeps_air_at_nothing_and_tells():
    fraction = pile(noise=0.15)
    plain = prepare_ct(scan(fraction))
    clipped = prepare_ct(scan(np.clip(fraction, -0.05, 1.05)))
    assert "grey_scale_cut" in {n.code for n in clipped.notices}
    assert clipped.noise_air == pytest.approx(plain.noise_air, rel=0.05)
    assert clipped.air == pytest.approx(plain.air, abs=0.01 * 400)


def test_flat_tops_leave_the_contrast_unsure():
    fraction = pile(noise=0.1)
    whole = prepare_ct(scan(np.clip(fraction, -0.5, 1.1)))
    cut = prepare_ct(scan(np.clip(fraction, -0.5, 0.93)))
    assert whole.u_contrast_share == 0.0
    assert cut.u_contrast_share > 0.0
    assert any("middles of fibres" in n.message for n in cut.notices)


def test_polymer_beyond_the_scale_is_refused():
    fraction = pile(noise=0.05)
    with pytest.raises(NothingToMeasureError, match="wider grey window"):
        prepare_ct(scan(np.clip(fraction, -0.05, 0.7)))


def test_few_grey_steps_are_told():
    fraction = pile(noise=0.1)
    stored = np.rint(40 + 12 * fraction).astype(np.uint8)
    codes = {n.code for n in prepare_ct(Volume(stored, SPACING, "given by the user")).notices}
    assert "coarse_grey_steps" in codes
