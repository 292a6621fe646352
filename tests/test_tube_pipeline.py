"""A small tube, oblique, bent and oval, from the scan to the results; truth from its geometry."""

from __future__ import annotations

import numpy as np
import pytest

from volscan.phantom.make import phantom_from_dict
from volscan.pipeline import measure
from volscan.report import write_report

VOXEL_UM = 5.0
TUBE = {
    "winding_angle_deg": 45, "starts": 4, "mandrel_diameter_um": 200, "diameter_um": 25,
    "layers": 4, "layer_height_um": 20, "length_um": 360, "lean": [3.0, -2.0], "bend_um": 10,
    "bend_toward_deg": 50, "oval": 0.015, "axis": "x",
}  # fmt: skip
SCANNER = {
    "voxel_um": VOXEL_UM, "psf_fwhm_um": 10.0, "contrast_to_noise": 12.0, "seed": 2,
    "mount_tilt_deg": 10.0, "mount_azimuth_deg": 25.0,
}  # fmt: skip


@pytest.fixture(scope="module")
def found():
    volume, truth, _ = phantom_from_dict({"name": "tube", "tube": TUBE, "scanner": SCANNER})
    return measure(volume, mirrored=False), truth


def test_a_tube_is_told_from_a_plate_and_its_frame_is_right(found):
    results, truth = found
    frame = results.to_dict()["frame"]
    assert frame["kind"] == "mandrel"
    assert frame["axes"] is None
    off = np.degrees(np.arccos(min(1.0, float(np.dot(frame["axis"], truth["frame"]["axis"])))))
    # The ends are known to a few µm, and a bent axis turns by 0.3° over 10 µm.
    assert off < 0.4
    assert frame["radius_um"] == pytest.approx(truth["frame"]["radius_um"], abs=0.5 * VOXEL_UM)
    assert frame["bend_um"] == pytest.approx(10.0, abs=2.0)
    assert frame["ovality"] == pytest.approx(truth["frame"]["ovality"], abs=0.005)


def test_its_radii_and_windings_are_right(found):
    # Limits: the aims of the tool, half a voxel and 0.2 degrees.
    results, truth = found
    tube = results.to_dict()["tube"]
    for key in ("mean_radius_um", "wall_thickness_um", "lumen_diameter_um"):
        assert tube[key]["value"] == pytest.approx(truth["tube"][key], abs=0.5 * VOXEL_UM)
        assert abs(tube[key]["value"] - truth["tube"][key]) < 3 * tube[key]["u"]
    told = [q["value"] for q in tube["winding_angle_deg"]]
    assert told == pytest.approx(truth["tube"]["winding_angle_deg"], abs=0.2)
    pitches = [q["value"] for q in tube["pitch_um"]]
    assert pitches == pytest.approx(truth["tube"]["pitch_um"], rel=0.01)
    assert tube["pivot_points"] == [4, 4]


def test_its_fibres_and_walls_are_whole(found):
    results, truth = found
    fibres = results.to_dict()["fibres"]
    assert fibres["count"] == truth["fibres"]["count"]
    assert fibres["layer_count"] == 4
    assert fibres["diameter_um"]["value"] == pytest.approx(25.0, abs=0.15 * VOXEL_UM)
    walls = results.to_dict()["walls"]
    assert len(walls) == len(truth["walls"])
    for family, true in enumerate(truth["fibres"]["families"]):
        tilts = [w["tilt_deg"]["value"] for w in walls if w["family"] == family]
        assert np.mean(tilts) == pytest.approx(true["mean_tilt_deg"], abs=0.3)
    assert all(w["lean"] is None for w in walls)


def test_its_porosity_is_right_by_every_estimator(found):
    # The ends of the two envelopes differ; the solid's share along the axis does not, by more
    # than the crossings' few tenths of a point.
    results, truth = found
    porosity = results.to_dict()["porosity"]
    for name in ("threshold", "partial_volume", "fibre_model"):
        value = porosity["estimators"][name]["value"]
        assert value == pytest.approx(truth["porosity"]["union"], abs=0.01)
    heights = [h for h, _ in porosity["by_height"]]
    assert 0 < heights[0] < heights[-1] < truth["tube"]["wall_thickness_um"]
    assert results.to_dict()["pores"]["throat_um"]["h"]["value"] > 50


def test_a_shift_is_told_in_degrees_too(found):
    results, _ = found
    document = results.to_dict()
    inner = document["tube"]["lumen_diameter_um"]["value"] / 2
    for advice in document["shift"]["advice"]:
        radii = inner + np.array(document["fibres"]["layer_heights_um"])
        expected = np.degrees(advice["vector_um"][1] / radii)
        assert advice["rotation_deg"] == pytest.approx(expected, rel=1e-5, abs=1e-9)


def test_a_tube_is_reported(found, tmp_path):
    results, _ = found
    page = write_report(results, tmp_path)
    assert "mandrel" in page.read_text("utf-8")
