"""Image formation: that each asked-for property is what scipy then finds in the image."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage

from volscan.errors import SettingsError
from volscan.phantom.integrate import mean_solid_height
from volscan.phantom.make import phantom_from_dict
from volscan.phantom.mounting import Mounting, mount_rotation
from volscan.phantom.pointspread import blur
from volscan.phantom.scaffold import build_scaffold
from volscan.phantom.scanner import (
    ScannerSpec,
    correlated_noise,
    grey_volume,
    mount,
    polymer_share,
    scan,
)
from volscan.phantom.solids import cylinder, slab
from volscan.phantom.spec import scaffold_spec

SMALL = {
    "directions_deg": [0, 90], "spacing_um": 80, "diameter_um": 20, "layers": 4,
    "layer_height_um": 16, "walls": 3,
}  # fmt: skip


def scaffold(**changes):
    return build_scaffold(scaffold_spec(**{**SMALL, **changes}))


# A circle's area from binary samples a quarter voxel apart would err by up to 1 % at these sizes;
# samples that take their own cover from the distance leave the sampling of a continuous ramp.
@pytest.mark.parametrize("diameter", [5.0, 7.3, 14.0])
@pytest.mark.parametrize("direction", [(0, 0, 1), (0, 1, 1), (0.1, 0.4, 1)])
def test_the_area_across_a_cylinder_is_exact(diameter, direction):
    solid = cylinder(diameter_um=diameter, direction_zyx=direction, shape=(24, 64, 64))
    # Slices across x hold the whole ellipse; its area times the cosine is the circle's.
    cosine = direction[2] / np.linalg.norm(direction)
    area = solid.share[:, :, 20:44].sum(axis=(0, 1), dtype=np.float64).mean() * cosine
    assert area == pytest.approx(solid.truth["area_um2"], rel=2e-3)


def test_more_samples_come_nearer():
    errors = []
    for samples in (1, 2, 4):
        errors.append(
            np.mean(
                [
                    abs(
                        cylinder(
                            diameter_um=d, direction_zyx=(0, 0, 1), shape=(16, 16, 2),
                            samples=samples,
                        ).share[:, :, 0].sum(dtype=np.float64)
                        - math.pi * d**2 / 4
                    )
                    for d in np.linspace(5, 8, 13)
                ]
            )
        )  # fmt: skip
    assert errors[2] < errors[1] < errors[0]


def test_flat_voxels_hold_the_same_cylinder():
    fine = cylinder(diameter_um=9.0, direction_zyx=(0, 1, 2), shape=(24, 40, 40))
    flat = cylinder(
        diameter_um=9.0, direction_zyx=(0, 1, 2), shape=(12, 40, 40), spacing_um=(2.0, 1.0, 1.0)
    )
    pairs = fine.share.reshape(12, 2, 40, 40).mean(axis=1)
    # Both are sampled; a voxel's share is good to about a tenth of a sample.
    assert np.abs(pairs - flat.share).max() < 0.02
    assert flat.share.sum() * 2 == pytest.approx(fine.share.sum(), rel=1e-3)


@pytest.mark.parametrize(
    "changes",
    [{}, {"morphology": "fused"}, {"width_over_height": 1.2}, {"directions_deg": [10, 70]}],
)
def test_voxels_hold_the_volume_that_lines_find(changes):
    built = scaffold(lean=[3.0, -4.0], **changes)
    # A box of whole voxels about the middle, level and along the axes.
    shape, voxel = (60, 80, 80), (2.0, 1.0, 1.0)
    place = Mounting(np.eye(3), np.array([0.0, 0.0, 0.0]), np.array([39.5, 39.5, 1.0]))
    share = polymer_share(built, place, shape=shape, voxel_um=voxel)
    outline = np.array([[-40.0, -40.0], [40.0, -40.0], [40.0, 40.0], [-40.0, 40.0]])
    height, error = mean_solid_height(
        built.segments_um(),
        radius=built.width_um / 2,
        stretch=built.stretch,
        outline=outline,
        base=0.0,
        top=120.0,
    )
    # Spacings of 2 µm leave ten voxels across the fibre's height: 2e-3 of it covers both.
    assert share.mean(dtype=np.float64) * 120.0 == pytest.approx(height, rel=2e-3)
    assert error < 2e-3 * height


def test_air_stands_on_every_side():
    built = scaffold(loops=True, lean=[8.0, -8.0])
    scanner = ScannerSpec(
        voxel_um=(4.0, 2.0, 2.0), mount_tilt_deg=8.0, mount_azimuth_deg=70.0, in_plane_deg=33.0
    )
    place, shape = mount(built, scanner)
    share = polymer_share(built, place, shape=shape, voxel_um=scanner.voxel_um, samples=2)
    occupied = [np.flatnonzero(share.any(axis=tuple({0, 1, 2} - {a}))) for a in range(3)]
    for axis, at in enumerate(occupied):
        margin = 2.5 * 20.0 / scanner.voxel_um[axis]
        assert at[0] >= margin
        assert at[-1] <= shape[axis] - 1 - margin


def test_polymer_lies_where_the_mounting_says():
    # One direction, so that the centroid of a slab of slices is that of the leaning wall.
    built = scaffold(directions_deg=[0], walls=1, layers=6, morphology="fused", lean=9.0)
    scanner = ScannerSpec(
        voxel_um=(2.0, 2.0, 2.0), mount_tilt_deg=7.0, mount_azimuth_deg=200.0, in_plane_deg=30.0
    )
    place, shape = mount(built, scanner)
    share = polymer_share(built, place, shape=shape, voxel_um=scanner.voxel_um)
    found = np.array(ndimage.center_of_mass(share)) * 2.0
    middle = np.mean([s.points_um.mean(axis=0) for s in built.strands], axis=0)
    assert found[::-1] == pytest.approx(place.to_scan_xyz(middle), abs=0.02)


def test_a_tip_leans_up_toward_its_azimuth():
    up = mount_rotation(tilt_deg=10.0, azimuth_deg=90.0, in_plane_deg=25.0)[:, 2]
    assert up == pytest.approx(
        [0.0, math.sin(math.radians(10.0)), math.cos(math.radians(10.0))], abs=1e-12
    )


def test_the_image_of_a_mirrored_scaffold_is_the_mirrored_image():
    # Mirroring x: direction 60 becomes 120, a lean toward n turns its sign, and wall order turns.
    scanner = ScannerSpec(voxel_um=(3.0, 3.0, 3.0))
    one, _ = scan(scaffold(directions_deg=[60], spacing_um=60, lean=[[5, -2, 8]]), scanner)
    other, _ = scan(scaffold(directions_deg=[120], spacing_um=60, lean=[[5, -2, 8]]), scanner)
    flipped, _ = scan(scaffold(directions_deg=[120], spacing_um=60, lean=[[-8, 2, -5]]), scanner)
    assert one.shape == flipped.shape
    assert np.abs(one.samples.astype(float) - flipped.samples[:, :, ::-1]).max() <= 1.0
    assert np.abs(one.samples.astype(float) - other.samples[:, :, ::-1]).max() > 1000


@pytest.mark.parametrize("shape", ["gaussian", "two_gaussians", "long_tail"])
def test_the_line_spread_is_as_wide_as_asked(shape):
    edge = np.zeros((480, 5, 5), dtype=np.float32)
    edge[240:] = 1.0
    wide = np.pad(edge, ((0, 0), (30, 30), (30, 30)), mode="edge")
    seen = blur(wide, (10.0, 12.0, 12.0), spacing_um=(0.5, 4.0, 4.0), shape=shape)[:, 32, 32]
    # Off the faces, beyond which there is air.
    line = np.diff(seen.astype(np.float64))[120:-120]
    x = np.arange(len(line)) * 0.5
    half = np.flatnonzero(line >= line.max() / 2)
    left = np.interp(line.max() / 2, line[half[0] - 1 : half[0] + 1], x[half[0] - 1 : half[0] + 1])
    tail = slice(half[-1], half[-1] + 2)
    right = np.interp(-line.max() / 2, -line[tail], x[tail])
    # Linear interpolation on steps of a twentieth of the width.
    assert right - left == pytest.approx(10.0, rel=0.01)
    assert line.sum() == pytest.approx(1.0, abs=2e-3)


def test_other_point_spreads_have_longer_tails():
    point = np.zeros((61, 61, 61), dtype=np.float32)
    point[30, 30, 30] = 1.0
    spread = {
        s: blur(point, (5.0,) * 3, spacing_um=(1.0,) * 3, shape=s).sum(axis=(1, 2))
        for s in ("gaussian", "two_gaussians", "long_tail")
    }
    far = np.abs(np.arange(61) - 30) > 5
    gaussian = spread["gaussian"][far].sum()
    # Beyond one full width a normal curve holds 1.9 %.
    assert gaussian < 0.02
    assert spread["two_gaussians"][far].sum() > 5 * gaussian
    assert spread["long_tail"][far].sum() > 3 * gaussian


@pytest.mark.parametrize("length", [0.0, 2.0])
def test_noise_has_the_spread_and_reach_that_were_asked(length):
    noise = correlated_noise((96, 96, 96), length, np.random.default_rng(5)).astype(np.float64)
    # 96³ voxels hold at least 20 000 independent ones: the spread is known to 0.5 %.
    assert noise.std() == pytest.approx(1.0, abs=0.02)
    assert abs(noise.mean()) < 0.03
    lag = 2
    for axis in range(3):
        moved = np.roll(noise, lag, axis=axis)
        expected = math.exp(-((lag / length) ** 2)) if length else 0.0
        assert (noise * moved).mean() == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "float32"])
def test_contrast_to_noise_is_what_was_asked(dtype):
    share = slab(thickness_um=20.0, shape=(60, 50, 50)).share
    scanner = ScannerSpec(voxel_um=(1.0, 1.0, 1.0), contrast_to_noise=5.0, dtype=dtype, seed=2)
    volume = grey_volume(share, scanner)
    air, polymer = scanner.levels
    assert volume.samples.dtype == dtype
    seen_air = volume.samples[:18].astype(np.float64)
    seen_polymer = volume.samples[22:38].astype(np.float64)
    # 40 000 voxels: mean to 0.02 σ at four standard errors, σ to 1.5 %; rounding to whole greys
    # adds at most 1/12 to a variance of 256.
    assert seen_air.mean() == pytest.approx(air, abs=0.02 * scanner.noise)
    assert seen_polymer.mean() == pytest.approx(polymer, abs=0.02 * scanner.noise)
    ratio = (seen_polymer.mean() - seen_air.mean()) / seen_air.std()
    assert ratio == pytest.approx(5.0, rel=0.02)


def test_artefacts_are_as_deep_as_asked():
    share = np.zeros((20, 81, 81), dtype=np.float32)
    clean = {"voxel_um": (1.0, 1.0, 1.0), "dtype": "float32", "air": 0.0, "polymer": 1.0}
    bowl = grey_volume(share, ScannerSpec(**clean, cupping=0.1)).samples
    assert bowl[5, 40, 40] == pytest.approx(-0.1, abs=1e-6)
    assert bowl[5, 0, 0] == pytest.approx(0.0, abs=1e-6)
    drift = grey_volume(share, ScannerSpec(**clean, drift=0.2)).samples
    assert drift[-1].mean() - drift[0].mean() == pytest.approx(0.2, abs=1e-6)
    rings = grey_volume(share, ScannerSpec(**clean, rings=0.05, seed=1)).samples
    # Along a circle a ring is constant; from circle to circle it varies as asked (about 57 rings).
    assert rings[3, 40, 60] == pytest.approx(rings[3, 60, 40], abs=1e-6)
    assert rings[0, 40, 40:].std() == pytest.approx(0.05, rel=0.35)


def test_greys_beyond_the_type_are_told():
    share = np.zeros((20, 20, 20), dtype=np.float32)
    scanner = ScannerSpec(
        voxel_um=(1.0, 1.0, 1.0), contrast_to_noise=4.0, air=10.0, polymer=90.0, dtype="uint8"
    )
    volume = grey_volume(share, scanner)
    assert [n.code for n in volume.notices] == ["phantom_clipped"]
    # Noise of 20 about 10: 31 % of a normal curve lies beyond half a deviation below.
    assert volume.notices[0].count / share.size == pytest.approx(0.31, abs=0.02)


def test_the_same_seed_gives_the_same_scan():
    values = {
        "name": "twice",
        "scaffold": {**SMALL, "lean": {"kind": "mixed", "low": -5, "high": 5}, "seed": 3},
        "scanner": {
            "voxel_um": 4.0, "psf_fwhm_um": 8.0, "contrast_to_noise": 6.0, "rings": 0.01, "seed": 9,
        },
    }  # fmt: skip
    (one, truth, _), (two, again, _) = (
        phantom_from_dict(values, throats_too=False) for _ in range(2)
    )
    assert np.array_equal(one.samples, two.samples)
    assert truth == again
    other = {**values, "scanner": {**values["scanner"], "seed": 10}}
    three, _, _ = phantom_from_dict(other, throats_too=False)
    assert not np.array_equal(one.samples, three.samples)


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("scanner", {"voxel_um": [4.0, 4.0]}),
        ("scanner", {"voxel_um": 0.0}),
        ("scanner", {"voxel_um": 0.001}),
        ("scanner", {"psf": "square"}),
        ("scanner", {"dtype": "int7"}),
        ("scanner", {"contrast_to_noise": 0.0}),
        ("scanner", {"contrast_to_noise": "much"}),
        ("scanner", {"blur": 4.0}),
        ("scaffold", {"thickness": 4.0}),
        ("scaffold", {"diameter_um": "thin"}),
        ("scaffold", {"lean": {"kind": "mixed", "low": -4}}),
    ],
)
def test_what_cannot_be_scanned_is_refused_in_words(table, change):
    values = {"scaffold": dict(SMALL), "scanner": {"voxel_um": 4.0}}
    values[table].update(change)
    with pytest.raises(SettingsError):
        phantom_from_dict(values)
