"""Fibres, layers and optics of small phantoms against their exact truth."""

from __future__ import annotations

import numpy as np
import pytest

from volscan.fibres import find_fibres
from volscan.fibres.layers import find_stack
from volscan.frame.plate import find_plate_frame
from volscan.phantom.make import phantom_from_dict
from volscan.phantom.scaffold import build_scaffold
from volscan.phantom.scanner import scan
from volscan.phantom.spec import specs_from_dict
from volscan.prepare.ct import prepare_ct
from volscan.volume import Volume


def found(scaffold, scanner):
    volume, truth, _ = phantom_from_dict(
        {"name": "small", "scaffold": scaffold, "scanner": scanner}, throats_too=False
    )
    material = prepare_ct(volume)
    frame = find_plate_frame(material, up="+z", mirrored=False)
    return find_fibres(material, frame), truth, max(volume.spacing_um)


PILE = dict(
    directions_deg=[0, 90], spacing_um=120, diameter_um=20, layers=8, layer_height_um=16, walls=4,
    lean={"kind": "mixed", "low": -8, "high": 8}, seed=5,
)  # fmt: skip
SCANNER = dict(
    voxel_um=3.0, psf_fwhm_um=6.0, contrast_to_noise=8.0, mount_tilt_deg=4.0,
    mount_azimuth_deg=70.0, in_plane_deg=20.0, seed=9,
)  # fmt: skip


@pytest.mark.parametrize(
    ("scaffold", "scanner"),
    [
        (PILE, SCANNER),
        ({**PILE, "morphology": "fused"}, SCANNER),
        ({**PILE, "directions_deg": [0, 60, 120], "layers": 9}, SCANNER),
        ({**PILE, "width_over_height": 1.15}, {**SCANNER, "psf": "two_gaussians"}),
    ],
)
def test_diameter_layers_spacing_and_directions(scaffold, scanner):
    stage, truth, voxel = found(scaffold, scanner)
    field, true = stage.field, truth["fibres"]
    # The limits of the validation list (tests/validation/compare.py), on smaller phantoms.
    assert field.diameter_um.value == pytest.approx(true["diameter_um"], abs=0.15 * voxel)
    assert field.layer_count == true["layer_count"]
    assert field.layer_height_um.value == pytest.approx(true["layer_height_um"], rel=0.02)
    assert len(field.fibres) == true["count"]
    for got, family in zip(field.families, true["families"], strict=True):
        assert got.direction_deg.value == pytest.approx(family["direction_deg"], abs=0.2)
        assert got.spacing_um.value == pytest.approx(family["spacing_um"], rel=5e-3)
        assert got.layers == family["layers"]
        assert got.walls == family["walls"]
    h = np.array(truth["frame"]["axes"]["h"])
    assert np.degrees(np.arccos(min(1.0, float(stage.frame.h @ h)))) < 0.05
    assert stage.frame.u_tilt_deg is not None


def test_polymer_anchor_and_blur_are_those_of_the_scanner():
    stage, truth, _ = found(PILE, SCANNER)
    material, true = stage.material, truth["material"]
    assert material.polymer == pytest.approx(true["polymer"], abs=2.0 * material.u_polymer)
    # 5 %: a Gaussian point spread of two voxels, fibres of 6.7.
    assert material.blur_um.value == pytest.approx(6.0, rel=0.05)


def test_elliptic_fibres_show_their_flatness():
    stage, _, _ = found({**PILE, "width_over_height": 1.25}, {**SCANNER, "contrast_to_noise": 15.0})
    assert stage.field.height_over_width == pytest.approx(0.8, abs=0.04)


def test_one_family_alone_is_found():
    spec, scanner = specs_from_dict(
        {
            "name": "parallel",
            "scaffold": {**PILE, "directions_deg": [30], "layers": 6},
            "scanner": SCANNER,
        }
    )
    volume, _ = scan(build_scaffold(spec), scanner)
    material = prepare_ct(volume)
    stage = find_fibres(material, find_plate_frame(material, up="+z", mirrored=False))
    assert len(stage.field.families) == 1
    assert stage.field.layer_count == 6
    assert stage.field.families[0].walls == 4
    assert stage.field.diameter_um.value == pytest.approx(20.0, abs=0.15 * 3.0)


def test_a_foam_has_no_fibres_and_says_so():
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(2)
    field = gaussian_filter(rng.standard_normal((72, 72, 72)), 4.0)
    solid = (field > np.quantile(field, 0.75)).astype(np.float32)
    grey = 100 + 50 * gaussian_filter(solid, 0.8) + 4 * rng.standard_normal(solid.shape)
    material = prepare_ct(Volume(grey.astype(np.float32), (5.0, 5.0, 5.0), "given by the user"))
    frame = find_plate_frame(material)
    stage = find_fibres(material, frame)
    assert not stage.field.fibres
    assert {n.code for n in stage.field.notices} == {"no_fibres"}
    assert np.allclose(stage.frame.h, [1, 0, 0])


@pytest.mark.parametrize(("count", "rise"), [(1, 16.0), (5, 32.0), (8, 14.0), (12, 16.0)])
def test_the_stack_whose_profile_fits_is_the_stack_that_was_drawn(count, rise):
    from scipy.ndimage import gaussian_filter1d

    height = np.arange(-60.0, 60.0 + rise * count, 2.0)
    centres = rise * np.arange(count)
    fine = np.arange(height[0], height[-1], 0.05)
    q = (fine[:, None] - centres) / 10.0
    chord = 20.0 * np.sqrt(np.clip(1 - q**2, 0, None)).max(axis=1)
    profile = np.interp(height, fine, gaussian_filter1d(chord, 3.0 / 0.05))
    stack = find_stack(height, profile, diameter_um=22.0, blur_um=3.5)
    assert stack.heights_um.size == count
    assert np.abs(stack.heights_um - centres).max() < 0.3
