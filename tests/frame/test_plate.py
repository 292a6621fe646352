"""The plate frame: axes by definition, and the normal from heights whatever the walls lean."""

from __future__ import annotations

import numpy as np
import pytest

from volscan.frame.plate import find_plate_frame, plate_frame
from volscan.phantom.make import phantom_from_dict
from volscan.prepare.ct import prepare_ct


def test_a_level_scan_has_the_axes_of_the_contract():
    frame = plate_frame(
        np.array([1.0, 0.0, 0.0]), base_um=3.0, up="+z", mirrored=None, u_tilt_deg=None, h_from=""
    )
    assert np.allclose(frame.h, [1, 0, 0])
    assert np.allclose(frame.x, [0, 0, 1])
    assert np.allclose(frame.y, [0, 1, 0])
    assert np.allclose(frame.origin_um, [3, 0, 0])
    assert frame.up_confirmed
    assert not frame.mirrored_confirmed


@pytest.mark.parametrize("up", ["+z", "-z", "+y", "-y", "+x", "-x"])
def test_axes_are_right_handed_and_turn_back(up):
    axis = {"z": 0, "y": 1, "x": 2}[up[1]]
    h = np.zeros(3)
    h[axis] = 1.0 if up[0] == "+" else -1.0
    h = h + np.array([0.05, -0.08, 0.03])
    frame = plate_frame(h, base_um=12.0, up=up, mirrored=False, u_tilt_deg=0.1, h_from="")
    # In (x, y, z) order x × y = h.
    assert np.allclose(np.cross(frame.x[::-1], frame.y[::-1]), frame.h[::-1])
    points = np.random.default_rng(0).normal(size=(5, 3)) * 100
    assert np.allclose(frame.to_scan(frame.to_build(points)), points)
    # Voxel (0, 0, 0) stands over the origin.
    assert np.allclose(frame.to_build(np.zeros(3))[:2], 0.0)


@pytest.mark.parametrize("tilt", [0.0, 8.0, 14.0])
def test_a_systematic_lean_does_not_pull_the_normal(tilt):
    volume, truth, _ = phantom_from_dict(
        {
            "name": "leaning",
            "scaffold": {
                "directions_deg": [0, 90], "spacing_um": 120, "diameter_um": 20, "layers": 8,
                "layer_height_um": 16, "walls": 4, "lean": 8.0,
            },
            "scanner": {
                "voxel_um": 4.0, "psf_fwhm_um": 8.0, "contrast_to_noise": 8.0,
                "mount_tilt_deg": tilt, "mount_azimuth_deg": 50.0, "seed": 3,
            },
        },
        throats_too=False,
    )  # fmt: skip
    frame = find_plate_frame(prepare_ct(volume), up="+z", mirrored=False)
    true = np.array(truth["frame"]["axes"]["h"])
    off = np.degrees(np.arccos(min(1.0, float(frame.h @ true))))
    # Rough by design (the layers refine it): a voxel's step over 90 voxels of width is 0.6°; the
    # lean of 8° would show as several degrees.
    assert off < 0.8
