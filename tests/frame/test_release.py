"""Bent prints are laid flat by moving heights; flat ones are left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from volscan.frame.plate import find_plate_frame
from volscan.frame.release import flatten
from volscan.phantom.make import phantom_from_dict
from volscan.prepare.ct import prepare_ct

PRINT = {
    "directions_deg": [0, 90], "spacing_um": 100, "diameter_um": 20, "layers": 4,
    "layer_height_um": 16, "walls": 5,
}  # fmt: skip


def looked_at(**scaffold):
    volume, truth, _ = phantom_from_dict(
        {
            "name": "released",
            "scaffold": {**PRINT, **scaffold},
            "scanner": {
                "voxel_um": 5.0, "psf_fwhm_um": 8.0, "contrast_to_noise": 8.0, "seed": 3,
                "mount_tilt_deg": 4.0, "mount_azimuth_deg": 50.0,
            },
        },
        throats_too=False,
    )  # fmt: skip
    material = prepare_ct(volume)
    frame = find_plate_frame(material, up="+z", mirrored=False)
    return material, truth, *flatten(material, frame)


@pytest.mark.parametrize(
    "release",
    [
        {"amplitude_um": 20.0, "wavelength_um": 400.0, "wave_azimuth_deg": 0.0, "phase_deg": 90.0},
        {"bend_radius_um": 1500.0, "azimuth_deg": 20.0},
    ],
)
def test_a_bent_print_is_flattened(release):
    material, truth, flat, found = looked_at(release=release, lean=4.0)
    assert found.flattened
    depth = found.peak_to_valley_um
    # Over the envelope's outline, whose corners are not exactly where the surface's part ends: a
    # bend is steepest there, by its slope times a tenth of a spacing.
    assert depth.value == pytest.approx(truth["release"]["peak_to_valley_um"], abs=2 * depth.u + 2)
    # Even fields: their mean plane is level whatever part is seen. A tenth of a fibre over the
    # print's width is 0.25 degrees.
    assert np.degrees(np.arccos(float(found.frame.h @ truth["frame"]["axes"]["h"]))) < 0.25
    # Columns move as a whole: no polymer is made or lost, beyond what noise brings in at the ends.
    before, after = (float(m.fraction.sum(dtype=np.float64)) for m in (material, flat))
    assert after == pytest.approx(before, rel=0.005)
    # The layers are as thin as they were printed: four layers of 16 µm and a fibre, blurred.
    z = found.frame.to_build(np.argwhere(flat.solid) * 5.0)[:, 2]
    low, high = np.percentile(z, [0.5, 99.5])
    assert high - low < 3 * 16 + 20 + 2 * 5
    assert "release_flattened" in [n.code for n in flat.notices]
    # There and back.
    points = np.random.default_rng(1).uniform(0, 500, (50, 3))
    assert np.allclose(found.to_scan(found.to_flat(points)), points, atol=1e-6)


@pytest.mark.parametrize(
    "scaffold",
    [
        {"lean": 8.0, "sag_um": 10.0},
        {"missing": [{"family": 0, "wall": w, "fibre": 0} for w in (1, 2)]},
        pytest.param(
            {"morphology": "fused", "layer_height_um": 14, "lean": 3.0}, marks=pytest.mark.slow
        ),
        {"layers": 2},
    ],
)
def test_flat_prints_are_left_alone(scaffold):
    material, _, same, found = looked_at(**scaffold)
    assert not found.flattened
    assert same.fraction is material.fraction
    if "missing" not in scaffold:
        # 2.6 standard uncertainties: 99 % of a flat print's depths.
        assert found.peak_to_valley_um.value < 2.6 * found.peak_to_valley_um.u


def test_too_small_a_print_is_told_as_such():
    material, _, _, found = looked_at(layers=2)
    corner = replace(
        material,
        fraction=np.ascontiguousarray(material.fraction[:, :24, :24]),
        solid=np.ascontiguousarray(material.solid[:, :24, :24]),
        release_um=None,
    )
    same, untold = flatten(corner, found.frame)
    assert untold.peak_to_valley_um is None
    assert "frame.release_um is null" in untold.notices[0].message
    assert same.release_um is None


def test_a_flat_print_of_many_directions_is_not_called_bent():
    """Its tiles hold different layers: shifts between them say nothing of a bend."""
    material, _, flat, found = looked_at(
        directions_deg=[0, 30, 60, 90, 120, 150], layers=12, walls=4, spacing_um=150
    )
    assert found.peak_to_valley_um is None
    assert not found.flattened
    assert flat.fraction is material.fraction
    assert any(n.code == "release_untold" for n in found.notices)
