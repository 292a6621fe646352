from dataclasses import replace

import numpy as np
import pytest
from pore_solids import block, level_frame, material, pile, prism, sampled
from scipy import ndimage

from volscan.errors import SettingsError
from volscan.geometry import Envelope
from volscan.pores import measure_pores
from volscan.pores.solid import noise_below_zero, smoothed_fraction, working_grid
from volscan.quantity import Quantity

VALUES = (
    "inscribed_mean_um",
    "inscribed_d10_um",
    "inscribed_d50_um",
    "inscribed_d90_um",
    "throat_x_um",
    "throat_y_um",
    "throat_h_um",
)


def _values(pores):
    found = [getattr(pores, name) for name in VALUES]
    return np.array([np.nan if q is None else q.value for q in found])


def _codes(pores):
    return {n.code for n in pores.notices}


D, S, H, LAYERS, PAD = 10.0, 32.0, 9.0, 4, 8
HEIGHT = D + (LAYERS - 1) * H
COUNTS = (round(HEIGHT) + 2 * PAD, 64, 64)
ENVELOPE = prism([[16, 16], [48, 16], [48, 48], [16, 48]], PAD - 0.5, PAD - 0.5 + HEIGHT)


@pytest.fixture(scope="module")
def scaffold():
    return sampled(pile(diameter=D, pitch=S, rise=H, layers=LAYERS, base=PAD - 0.5), COUNTS)


@pytest.fixture(scope="module")
def clean(scaffold):
    return measure_pores(material(scaffold), level_frame(), ENVELOPE)


def test_all_values_are_there(clean):
    assert np.isfinite(_values(clean)).all()
    assert clean.size_histogram[:, 1].sum() == pytest.approx(1.0)
    assert (np.diff(clean.size_histogram[:, 0]) > 0).all()
    d10, d50, d90 = _values(clean)[1:4]
    assert d10 <= d50 <= d90 <= clean.size_histogram[-1, 0]


def test_rescaling_the_voxel_rescales_the_lengths(scaffold, clean):
    k = 2.5
    big = prism(ENVELOPE.outline_um * k, ENVELOPE.base_um * k, ENVELOPE.top_um * k)
    pores = measure_pores(material(scaffold, spacing_um=(k, k, k)), level_frame(), big)
    np.testing.assert_allclose(_values(pores), _values(clean) * k, rtol=1e-3)
    assert pores.inscribed_mean_um is not None
    assert clean.inscribed_mean_um is not None
    assert pores.inscribed_mean_um.u == pytest.approx(k * clean.inscribed_mean_um.u, rel=1e-3)
    before, after = np.array(clean.accessible_by_probe), np.array(pores.accessible_by_probe)
    np.testing.assert_allclose(after[:, 0], before[:, 0] * k, rtol=1e-3)
    np.testing.assert_allclose(after[:, 1], before[:, 1], atol=0.01)


def test_padding_with_air_changes_nothing(scaffold, clean):
    padded = np.pad(scaffold, ((3, 5), (0, 0), (0, 0)))
    frame = replace(level_frame(), origin_um=np.array([3.0, 0.0, 0.0]))
    pores = measure_pores(material(padded), frame, ENVELOPE)
    np.testing.assert_allclose(_values(pores), _values(clean), atol=0.02)


def test_mirroring_swaps_nothing_but_sides(scaffold, clean):
    mirrored = np.ascontiguousarray(scaffold[:, :, ::-1])
    frame = replace(level_frame(), origin_um=np.array([0.0, 0.0, -1.0]))
    # x -> 63 - x: the outline 16..48 becomes 15..47, here told from an origin at x = -1.
    pores = measure_pores(material(mirrored), frame, ENVELOPE)
    # Discs are fitted face by face: mirrored ones differ only by rounding and by which of two
    # equal feet was met first.
    np.testing.assert_allclose(_values(pores), _values(clean), atol=0.1)


def test_a_mask_and_the_prism_it_fills_agree(scaffold):
    inside = np.zeros(COUNTS, bool)
    inside[PAD : PAD + round(HEIGHT), 16:49, 16:49] = True
    edges = [[15.5, 15.5], [48.5, 15.5], [48.5, 48.5], [15.5, 48.5]]
    drawn = prism(edges, ENVELOPE.base_um, ENVELOPE.top_um)
    masked = replace(drawn, inside=inside, mask_volume_um3=float(inside.sum()))
    one = measure_pores(material(scaffold), level_frame(), drawn)
    two = measure_pores(material(scaffold), level_frame(), masked)
    # The same voxels, wholly inside: only the drawing's rounding could differ.
    np.testing.assert_allclose(_values(two), _values(one), rtol=1e-3)


def test_solid_outside_the_envelope_limits_spheres(scaffold):
    # The outline runs between the middle fibres at 32 and the outer ones at 0 and 64. Taking the
    # outer ones away, though outside, lets spheres at the outline grow to 2 × (24 - D/2).
    wide = prism([[8, 8], [56, 8], [56, 56], [8, 56]], ENVELOPE.base_um, ENVELOPE.top_um)
    alone = scaffold.copy()
    for edge in (slice(None, 6), slice(59, None)):
        alone[:, edge] = 0
        alone[:, :, edge] = 0
    beside = measure_pores(material(scaffold), level_frame(), wide)
    free = measure_pores(material(alone), level_frame(), wide)
    # The diagonal cavity between fibres of both directions: sqrt(s² + h²) - d.
    assert beside.size_histogram[-1, 0] < np.hypot(S, H) - D + 0.5
    assert free.size_histogram[-1, 0] > 2 * (24 - D / 2) - 0.5


@pytest.mark.parametrize("noise", [0.1, 0.25])
def test_noise_leaves_pores_within_two_u(scaffold, clean, noise):
    # Contrast-to-noise 10 and 4 on a blurred scan (2 voxels FWHM).
    rng = np.random.default_rng(4)
    blurred = ndimage.gaussian_filter(scaffold, 2 / 2.3548)
    noisy = blurred + rng.normal(0, noise, COUNTS).astype(np.float32)
    pores = measure_pores(material(noisy), level_frame(), ENVELOPE)
    truth = measure_pores(material(blurred), level_frame(), ENVELOPE)
    assert "pores_smoothed" in _codes(pores)
    for name in VALUES:
        found, true = getattr(pores, name), getattr(truth, name)
        # Two standard uncertainties (JCGM 100); both readings carry one.
        assert abs(found.value - true.value) < 2 * found.u, name
    assert clean.inscribed_mean_um is not None
    assert pores.inscribed_mean_um.u > clean.inscribed_mean_um.u


def test_blur_without_a_corrected_level_is_in_u(scaffold):
    blurred = ndimage.gaussian_filter(scaffold, 3 / 2.3548)
    blur = Quantity(3.0, 0.1, "µm", 1)
    plain = measure_pores(material(blurred, blur_um=blur), level_frame(), ENVELOPE)
    # A level that encloses the true volume inside the envelope, as the porosity stage hands it.
    z = slice(PAD, PAD + round(HEIGHT))
    part = (z, slice(16, 48), slice(16, 48))
    level = float(np.quantile(blurred[part], 1 - scaffold[part].mean()))
    corrected = measure_pores(
        material(blurred, blur_um=blur), level_frame(), ENVELOPE, surface_level=level
    )
    # Half-maximum thinning of a round fibre: 0.3607 × 9 / 10 = 0.32.
    assert plain.inscribed_mean_um.u > corrected.inscribed_mean_um.u
    assert plain.throat_h_um.u == pytest.approx(np.hypot(0.25, 0.32), abs=0.1)
    assert corrected.throat_h_um.value == pytest.approx(S - D, abs=0.35)
    assert plain.throat_h_um.value > corrected.throat_h_um.value


def test_merged_voxels_stay_within_u(scaffold, clean):
    pores = measure_pores(material(scaffold), level_frame(), ENVELOPE, exact=False)
    assert "pores_merged_voxels" in _codes(pores)
    for name in VALUES:
        found, true = getattr(pores, name), getattr(clean, name)
        # A quarter of a merged voxel of 2 µm, and for quantiles more; throats are sought on the
        # scan's own voxels of 1 µm.
        assert found.u >= (0.25 if "throat" in name else 0.5) * (1 - 1e-9)
        assert abs(found.value - true.value) < 2 * found.u, name


def test_thinned_spheres_stay_within_u(scaffold, clean, monkeypatch):
    # As a scan of more than 256³ working voxels would be painted.
    monkeypatch.setattr("volscan.pores.paint.EXACT_VOXELS", scaffold.size // 6)
    pores = measure_pores(material(scaffold), level_frame(), ENVELOPE)
    assert "pores_thinned" in _codes(pores)
    for name in VALUES:
        found, true = getattr(pores, name), getattr(clean, name)
        assert abs(found.value - true.value) < 2 * found.u, name
    assert pores.accessible_share == clean.accessible_share
    before, after = np.array(clean.accessible_by_probe), np.array(pores.accessible_by_probe)
    # Nodes of 2 voxels at the border of what a probe covers: a percent or two of the volume.
    at = np.interp(before[:, 0], after[:, 0], after[:, 1])
    np.testing.assert_allclose(at[:-2], before[:-2, 1], atol=0.03)
    exact = measure_pores(material(scaffold), level_frame(), ENVELOPE, exact=True)
    np.testing.assert_array_equal(_values(exact), _values(clean))


def test_a_solid_model_replaces_the_scan(scaffold, clean):
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 0.3, COUNTS)
    pores = measure_pores(material(noise), level_frame(), ENVELOPE, solid_model=scaffold)
    np.testing.assert_array_equal(_values(pores), _values(clean))
    with pytest.raises(SettingsError, match="solid_model must have the scan's shape"):
        measure_pores(material(noise), level_frame(), ENVELOPE, solid_model=scaffold[1:])


def test_the_scan_is_not_touched(scaffold):
    before = scaffold.copy()
    measure_pores(material(scaffold), level_frame(), ENVELOPE, exact=False)
    np.testing.assert_array_equal(scaffold, before)


@pytest.mark.parametrize("value", [0.0, 1.0])
def test_without_solid_or_without_pore_nothing_is_measured(value):
    f = np.full((6, 7, 8), value, np.float32)
    pores = measure_pores(material(f), level_frame(), block(f.shape))
    assert np.isnan(_values(pores)).all()
    assert pores.accessible_by_probe == ()
    assert pores.accessible_share is None
    assert "pores_not_measured" in _codes(pores)


@pytest.mark.parametrize("counts", [(2, 9, 9), (9, 2, 9), (9, 9, 1), (1, 1, 5)])
def test_thin_arrays_are_measured_without_harm(counts):
    f = np.zeros(counts, np.float32)
    f[0, 0, 0] = 1.0
    for exact in (True, False):
        pores = measure_pores(material(f), level_frame(), block(counts), exact=exact)
        assert pores.notices


def test_an_empty_domain_is_told():
    f = np.zeros((8, 8, 8), np.float32)
    f[4] = 1
    flat = prism([[0, 0], [7, 0], [7, 0], [0, 0]], 0.0, 5.0)
    flat = replace(flat, inside=np.ones(f.shape, bool))
    pores = measure_pores(material(f), level_frame(), flat)
    assert pores.domain is None
    assert pores.throat_h_um is None
    assert "pores_no_domain" in _codes(pores)


def test_pores_larger_than_the_scaffold_is_high_are_told():
    counts = (30, 60, 60)
    f = sampled(
        lambda z, y, x: (abs(z - 15) <= 3) & ((abs(x - 2) <= 3) | (abs(x - 57) <= 3)) & (y == y),
        counts,
    )
    envelope = prism([[2, 0], [57, 0], [57, 59], [2, 59]], 12.0, 18.0)
    pores = measure_pores(material(f), level_frame(), envelope)
    assert "pores_larger_than_height" in _codes(pores)


def test_noise_is_read_below_zero_only():
    rng = np.random.default_rng(0)
    f = np.zeros((40, 40, 40), np.float32)
    f[:, :, 20:] = 1.0
    assert noise_below_zero(f) == 0.0
    noisy = f + rng.normal(0, 0.2, f.shape).astype(np.float32)
    # 16 000 values below zero: good to 1 / sqrt(2 × 16 000) = 0.6 %, three times.
    assert noise_below_zero(noisy) == pytest.approx(0.2, rel=0.02)


def test_the_smoothing_kernel_keeps_curved_faces():
    # Half-maximum radius of a blurred rod of radius 3.5 (sigma 1) before and after smoothing.
    f = sampled(lambda z, y, x: ((z - 15) ** 2 + (y - 15) ** 2 <= 3.5**2) & (x == x), (31, 31, 8))
    f = ndimage.gaussian_filter(f, 1.0).astype(np.float32)
    smooth, width = smoothed_fraction(f, 0.2)
    assert 0.6 <= width <= 1.25
    mid = slice(2, 6)

    def radius(g):
        return np.sqrt((g[:, :, mid] >= 0.5).sum() / 4 / np.pi)

    row = smooth[15, 15:, 4]
    k = int(np.argmax(row < 0.5))
    after = k - 1 + (row[k - 1] - 0.5) / (row[k - 1] - row[k])
    row = f[15, 15:, 4]
    k = int(np.argmax(row < 0.5))
    before = k - 1 + (row[k - 1] - 0.5) / (row[k - 1] - row[k])
    # A plain Gaussian of this width would take sigma² / 2R = 0.15 off; the fourth-order rest is
    # about (width / radius)^4 of the radius.
    assert after == pytest.approx(before, abs=3.5 * (width / 3.5) ** 4 + 0.02)


def test_working_grid_merges_where_it_must():
    assert working_grid((256, 256, 256), (1, 1, 1), exact=None).factors == (1, 1, 1)
    assert working_grid((257, 256, 256), (1, 1, 1), exact=None).factors == (2, 2, 2)
    assert working_grid((200, 500, 500), (2, 1, 1), exact=None).factors == (1, 2, 2)
    assert working_grid((900, 900, 900), (1, 1, 1), exact=True).factors == (1, 1, 1)
    grid = working_grid((5, 6, 7), (2.0, 1.0, 1.0), exact=False)
    assert grid.shape == (3, 3, 4)
    assert grid.spacing_um == (4.0, 2.0, 2.0)
    assert grid.origin_um == pytest.approx([1.0, 0.5, 0.5])


def test_hull_like_envelope_needs_no_families(scaffold):
    # A foam-like block: no direction is told, the frame's axes are taken.
    pores = measure_pores(material(scaffold), level_frame(), block(COUNTS), direction_deg=None)
    assert pores.domain is not None
    assert pores.domain.direction_deg == 0.0
    assert isinstance(ENVELOPE, Envelope)
    assert "pores_cut_faces_open" in _codes(pores)
