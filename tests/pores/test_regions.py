import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pore_solids import block, level_frame, material, prism
from scipy import ndimage

from volscan.errors import InputError, SettingsError
from volscan.kernels.throat import widest_from_face
from volscan.pipeline_input import opened_regions
from volscan.pores import measure_pores, with_regions
from volscan.pores.regions import Region, part_of, region
from volscan.settings import Settings
from volscan.volume import Source, Volume

SHAPE, SPACING = (20, 30, 40), (1.0, 1.0, 1.0)
OUTLINE = [[5.0, 5.0], [35.0, 5.0], [35.0, 25.0], [5.0, 25.0]]
ENVELOPE = prism(OUTLINE, 2.0, 18.0)


def volume(envelope, text):
    part = part_of(envelope, region(text), level_frame(), shape=SHAPE, spacing_um=SPACING)
    return None if part is None else part.volume_um3


@pytest.mark.parametrize(
    ("text", "true"),
    [
        ("a=band:0,10", 30 * 20 * 8),
        ("a=box:0,15,0,15", 10 * 10 * 16),
        ("a=box:0,15,0,15,4,6", 10 * 10 * 2),
        ("a=cylinder:20,15,6", np.pi * 36 * 16),
        ("a=cylinder:20,15,6,0,3", np.pi * 36 * 1),
        # Left of a line along +y through x = 20: the half of smaller x.
        ("a=half:20,0,90", 15 * 20 * 16),
        ("a=half:20,0,-90", 15 * 20 * 16),
    ],
)
def test_regions_of_a_prism_have_their_volume(text, true):
    # The polygon of a circle has 0.1 % less area.
    assert volume(ENVELOPE, text) == pytest.approx(true, rel=2e-3)


def test_nothing_in_common_is_none_and_masks_are_cut_by_the_envelope():
    assert volume(ENVELOPE, "a=band:30,40") is None
    mask = np.zeros(SHAPE, bool)
    mask[:, :, :21] = True
    chosen = Region("left", "mask", (), mask)
    part = part_of(ENVELOPE, chosen, level_frame(), shape=SHAPE, spacing_um=SPACING)
    assert part.inside is not None
    # Voxels that lie in by half and more: up to half a voxel more on each of five faces.
    assert 15.5 * 20 * 16 <= part.volume_um3 <= 16 * 21 * 17
    inside = part_of(
        part, region("a=box:0,12,0,40"), level_frame(), shape=SHAPE, spacing_um=SPACING
    )
    assert inside.inside.sum() < part.inside.sum()
    assert not (inside.inside & ~part.inside).any()


@pytest.mark.parametrize("text", ["", "a", "a=ball:1,2,3", "a=band:1", "a=band:1,x", "=band:1,2"])
def test_unreadable_regions_are_refused(text):
    with pytest.raises(SettingsError, match="region"):
        region(text)


def test_two_halves_of_a_two_part_scaffold_are_told_apart():
    # Slits of 4 µm on the left, of 8 µm on the right.
    f = np.zeros((24, 24, 96), np.float32)
    for k in range(0, 48, 8):
        f[:, :, k : k + 4] = 1
    for k in range(48, 96, 16):
        f[:, :, k : k + 8] = 1
    envelope = prism([[4, 2], [88, 2], [88, 21], [4, 21]], 2.0, 21.0)
    options = {"direction_deg": 0.0}
    whole = measure_pores(material(f), level_frame(), envelope, **options)
    regions = (region("fine=half:48,0,90"), region("coarse=half:48,0,-90"), region("no=band:90,99"))
    found = with_regions(whole, regions, material(f), level_frame(), envelope, **options)
    assert set(found.regions) == {"fine", "coarse"}
    # A quarter of a voxel of voxelisation, twice.
    assert found.regions["fine"].inscribed_d50_um.value == pytest.approx(4, abs=0.5)
    assert found.regions["coarse"].inscribed_d50_um.value == pytest.approx(8, abs=0.5)
    assert "region_empty" in {n.code for n in found.notices}
    # Surface per volume: two faces every 8 and every 16 µm.
    for name, period in (("fine", 8), ("coarse", 16)):
        s = found.regions[name].structure.specific_surface_per_um.value
        assert s == pytest.approx(2 / period, rel=0.1)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 2), st.booleans())
def test_reach_from_one_face_equals_trying_every_width(seed, axis, last):
    rng = np.random.default_rng(seed)
    level = rng.integers(0, 6, (6, 7, 5)).astype(np.uint16)
    plain = np.zeros_like(level)
    for w in range(1, 6):
        labels, _ = ndimage.label(level >= w)
        face = labels.take(-1 if last else 0, axis=axis)
        plain[np.isin(labels, np.setdiff1d(face, [0]))] = w
    np.testing.assert_array_equal(widest_from_face(level, axis=axis, last=last), plain)


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 1000))
def test_reach_falls_with_the_probe_from_every_side(seed):
    rng = np.random.default_rng(seed)
    f = ndimage.gaussian_filter(rng.normal(size=(22, 24, 26)), 2)
    f = np.clip(0.5 + (f - np.quantile(f, 0.6)) * 8, 0, 1).astype(np.float32)
    pores = measure_pores(material(f), level_frame(), block(f.shape))
    curves = [pores.accessible_by_probe, *pores.accessible_from.values()]
    assert len(curves) == 7
    for curve in curves:
        probe, share = np.array(curve).T
        assert (np.diff(probe) > 0).all()
        assert (np.diff(share) <= 1e-9).all()
        assert (share >= 0).all()
        assert (share <= 1 + 1e-9).all()


def test_regions_come_from_settings_and_masks_from_files(tmp_path):
    samples = np.zeros((4, 5, 6), np.uint8)
    samples[:, :, :2] = 1
    np.save(tmp_path / "left.npy", samples)
    scan = Volume(
        np.zeros((4, 5, 6), np.uint16), (1.0, 1.0, 1.0), "given", "ct", Source("made", "", "npy")
    )
    told = ("low=band:0,2", f"left=mask:{tmp_path / 'left.npy'}")
    band, mask = opened_regions(Settings(regions=told), scan)
    assert (band.name, band.numbers) == ("low", (0.0, 2.0))
    np.testing.assert_array_equal(mask.mask, samples > 0)
    mirrored = opened_regions(Settings(regions=told[1:], mirrored=True), scan)[0]
    np.testing.assert_array_equal(mirrored.mask, samples[:, :, ::-1] > 0)
    with pytest.raises(SettingsError, match="names of their own"):
        opened_regions(Settings(regions=("a=band:0,1", "a=band:1,2")), scan)
    np.save(tmp_path / "small.npy", samples[1:])
    with pytest.raises(InputError, match="draw it on the same scan"):
        opened_regions(Settings(regions=(f"a=mask:{tmp_path / 'small.npy'}",)), scan)
