"""An OCT scan from file values to results: small, lean and mounting told apart, nulls named."""

from __future__ import annotations

from unittest.mock import patch

import numpy as np
import pytest

from volscan.errors import NothingToMeasureError, SettingsError
from volscan.phantom.make import phantom_from_dict
from volscan.pipeline import measure
from volscan.results_nulls import null_keys

PRINT = {
    "name": "small OCT print",
    "scaffold": {
        "directions_deg": [0, 90],
        "spacing_um": 90,
        "diameter_um": 20,
        "layers": 4,
        "layer_height_um": 16,
        "walls": 3,
        "overhang_um": 25,
        "lean": {"kind": "systematic", "mean": [6.0, -3.0]},
    },
    "oct": {
        "voxel_um": [3.5, 4.0, 4.0],
        "resolution_fwhm_um": [6.0, 8.0, 8.0],
        "mount_tilt_deg": 2.0,
        "mount_azimuth_deg": 60.0,
        "in_plane_deg": 12.0,
        "scan_curvature_um": [6.0, 4.0],
        "margin_um": [25.0, 15.0, 15.0],
        "averages": 2,
        "gain": 2.0,
        "offset": 45.0,
        "seed": 7,
    },
}


@pytest.fixture(scope="module")
def scanned():
    volume, truth, _ = phantom_from_dict(PRINT, throats_too=False)
    return volume, truth


@pytest.fixture(scope="module")
def results(scanned):
    # Pores take longest and are those of the fitted fibres, as with micro-CT.
    with patch("volscan.pipeline_oct.pores_of", return_value=None):
        return measure(scanned[0], modality="oct", up="-z", mirrored=False)


@pytest.fixture(scope="module")
def misled(scanned):
    """The same scan, the polymer's index told wrong by 0.08."""
    return measure(
        scanned[0], modality="oct", up="-z", mirrored=False, only_walls=True, index_polymer=1.55
    )


def test_lean_is_told_from_mounting(results, scanned):
    truth = scanned[1]
    assert len(results.walls) == len(truth["walls"]) == 6
    for wall, true in zip(results.walls, truth["walls"], strict=True):
        assert wall.position_um == pytest.approx(true["position_um"], abs=4.0)
        # Two fibres 32 µm apart: 0.4 µm in the place of one is 0.7 degree.
        assert wall.tilt_deg.value == pytest.approx(true["tilt_deg"], abs=1.2)
        assert abs(wall.tilt_deg.value - true["tilt_deg"]) < 3.0 * wall.tilt_deg.u
    assert results.frame.mount_tilt_deg == pytest.approx(2.0, abs=0.1)


def test_fibres_are_where_they_were_laid(results, scanned):
    fibres, true = results.fibres, scanned[1]["fibres"]
    assert (fibres.count, fibres.layer_count) == (true["count"], true["layer_count"])
    # The limits of the OCT suite: 0.4 voxel, 4 %, 1 %, 2 points.
    assert fibres.diameter_um.value == pytest.approx(true["diameter_um"], abs=0.4 * 4.0)
    assert fibres.layer_height_um.value == pytest.approx(true["layer_height_um"], rel=0.04)
    for family, told in zip(fibres.families, true["families"], strict=True):
        assert family.spacing_um.value == pytest.approx(told["spacing_um"], rel=0.01)
        assert family.direction_deg.value == pytest.approx(told["direction_deg"], abs=0.3)
    total = scanned[1]["porosity"]["total"]
    assert results.porosity.total.value == pytest.approx(total, abs=0.02)
    assert results.porosity.total_from == "fibre_model"


def test_every_null_is_named(results):
    document = results.to_dict()
    messages = " ".join(w["message"] for w in document["warnings"])
    plain = ("settings.", "design", "walls.layer_offset_um", "shift.advice.id", "frame.axis")
    plain += ("frame.radius_um", "frame.bend_um", "frame.ovality", "tube", "walls.bow_um")
    plain += ("fibres.families.wave",)
    nulls = {k.removesuffix(".u") for k in null_keys(document) if not k.startswith(plain)}
    assert {k for k in nulls if k not in messages} == set()
    assert {"porosity.estimators.threshold", "material.noise_polymer", "fibres.sag_um"} <= nulls


def test_what_was_met_is_told(results):
    told = results.to_dict()["oct"]
    # n_g / n_medium = T / (T - Δ): the phantom's polymer has 1.47.
    assert told["index_polymer"]["met"]["value"] == pytest.approx(1.47, abs=0.05)
    assert results.to_dict()["input"]["modality"] == "oct"
    assert told["stored"] == "db"
    assert told["grey_per_db"] == pytest.approx(2.0, rel=0.06)
    assert told["looks"] == pytest.approx(2.0, rel=0.15)
    assert told["blur_fwhm_um"]["across"] == pytest.approx(8.0, rel=0.1)


def test_the_index_is_met_whatever_was_told(results, misled):
    told = [r.to_dict()["oct"]["index_polymer"] for r in (results, misled)]
    assert [t["used"] for t in told] == [1.47, 1.55]
    # From two fibres a wall; the phantom's polymer has 1.47.
    for t in told:
        assert t["met"]["value"] == pytest.approx(1.47, abs=0.03)
    # What was told pulls at it by less than a fifth of its error.
    assert told[1]["met"]["value"] - told[0]["met"]["value"] == pytest.approx(0.0, abs=0.016)


def test_a_wrong_index_is_said(results, misled):
    def codes(r):
        return {w["code"] for w in r.to_dict()["warnings"]}

    assert "oct_index_differs" in codes(misled)
    assert not {"oct_index_differs", "oct_index_not_met"} & codes(results)


def test_welded_walls_have_no_tilt_and_say_why():
    fused = {"morphology": "fused", "layers": 4, "layer_height_um": 15.0}
    volume, truth, _ = phantom_from_dict(
        {**PRINT, "scaffold": {**PRINT["scaffold"], **fused}}, throats_too=False
    )
    document = measure(volume, modality="oct", up="-z", mirrored=False).to_dict()
    assert len(document["walls"]) == len(truth["walls"])
    assert {w["tilt_deg"] for w in document["walls"]} == {None}
    fibres = document["fibres"]
    assert fibres["layer_count"] is None
    assert document["porosity"]["total"] is None
    # Of the width only that it is somewhere there.
    diameter = fibres["diameter_um"]
    assert abs(diameter["value"] - 20.0) < 2.0 * diameter["u"]
    said = [w["message"] for w in document["warnings"] if w["code"] == "oct_welded_walls"]
    assert len(said) == 1
    assert "walls.tilt_deg" in said[0]


def test_the_scan_may_lie_on_any_axis(results, scanned):
    volume = scanned[0]
    turned = np.ascontiguousarray(volume.samples.transpose(1, 0, 2)[:, ::-1])
    # Depth now runs along -y, seen from its end; handedness: two changes of order and sense.
    again = measure(
        turned, modality="oct", up="+y", mirrored=False, only_walls=True,
        voxel_um=(4.0, 3.5, 4.0),
    )  # fmt: skip
    assert sorted(abs(w.tilt_deg.value) for w in again.walls) == pytest.approx(
        sorted(abs(w.tilt_deg.value) for w in results.walls), abs=0.3
    )
    assert again.fibres.count == results.fibres.count


def test_a_scan_without_a_collector_says_so(scanned):
    volume = scanned[0]
    with pytest.raises(NothingToMeasureError, match="collector surface"):
        measure(np.asarray(volume.samples[:18]), modality="oct", voxel_um=3.5, up="-z")


def test_indices_that_cannot_be_are_refused(scanned):
    with pytest.raises(SettingsError, match="index_medium"):
        measure(scanned[0], modality="oct", index_polymer=1.2, index_medium=1.34)
    with pytest.raises(SettingsError, match="axial_index"):
        measure(scanned[0], modality="oct", axial_index=0.5)
    with pytest.raises(SettingsError, match="flat collector"):
        measure(scanned[0], modality="oct", collector="mandrel")
