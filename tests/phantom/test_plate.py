"""The collector plate in the scan, scaffolds that curled off it, and prints of two parts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from volscan.errors import SettingsError
from volscan.phantom.collector import plate_share
from volscan.phantom.make import phantom_from_dict
from volscan.phantom.mounting import Mounting, mount_rotation
from volscan.phantom.release import Curl, released
from volscan.phantom.scaffold import build_scaffold
from volscan.phantom.scanner import ScannerSpec, mount, polymer_share
from volscan.phantom.spec import scaffold_spec

BASE = {
    "directions_deg": [0, 90], "spacing_um": 100, "diameter_um": 20, "layers": 4,
    "layer_height_um": 16, "walls": 4,
}  # fmt: skip
SCANNER = {"voxel_um": 5.0, "psf_fwhm_um": 8.0, "dtype": "float32"}


@pytest.mark.parametrize(("tilt", "azimuth"), [(0.0, 0.0), (7.0, 0.0), (15.0, 33.0)])
def test_the_plate_fills_what_a_plane_cuts(tilt, azimuth):
    rotation = mount_rotation(tilt_deg=tilt, azimuth_deg=azimuth)
    # Its middle plane passes through the middle of the block.
    shape, voxel = (60, 30, 30), (1.0, 1.5, 1.5)
    centre = np.array([14.5 * 1.5, 14.5 * 1.5, 29.5])
    place = Mounting(rotation, np.array([0.0, 0.0, -4.0]), centre)
    share = plate_share(shape, voxel, place, thickness_um=8.0)
    # Every upright line is cut over a length of thickness / cos(tilt).
    upright = share.sum(axis=0, dtype=np.float64)
    assert upright == pytest.approx(np.full((30, 30), 8.0 / math.cos(math.radians(tilt))), rel=1e-6)
    # Point sampling agrees voxel by voxel: 20³ points leave 0.5 / 20 of a face.
    rng = np.random.default_rng(3)
    for z in (26, 30, 33):
        points = (rng.random((8000, 3)) - 0.5) * voxel + np.array([z, 7, 20]) * voxel
        height = (points[:, ::-1] - centre) @ rotation[:, 2] - 4.0
        found = np.mean((height <= 0) & (height > -8.0))
        # Four standard errors of a share of 8000 points are at most 0.022.
        assert share[z, 7, 20] == pytest.approx(found, abs=0.023)


def test_the_plate_is_in_the_scan_and_in_the_truth():
    volume, truth, _ = phantom_from_dict(
        {"scaffold": BASE, "scanner": {**SCANNER, "collector_um": 40.0, "collector_level": 1.6,
                                       "mount_tilt_deg": 15.0, "mount_azimuth_deg": 20.0}},
        throats_too=False,
    )  # fmt: skip
    assert truth["collector"] == {"thickness_um": 40.0, "level": 1.6}
    origin, h = np.array(truth["frame"]["origin_um"]), np.array(truth["frame"]["axes"]["h"])
    grid = np.moveaxis(np.indices(volume.samples.shape), 0, -1) * 5.0
    height = (grid - origin) @ h
    air, polymer = truth["material"]["air"], truth["material"]["polymer"]
    level = (volume.samples - air) / (polymer - air)
    # Two spreads from both faces nothing else is seen, up to the faces of the scan.
    assert level[(height < -16) & (height > -24)] == pytest.approx(1.6, abs=0.01)
    assert np.abs(level[height < -40 - 16]).max() < 0.01
    # Half-way through the edge where no fibre lies near.
    corner = (height > -2.5) & (height < 2.5) & (level < 1.3)
    assert level[corner].mean() == pytest.approx(0.8, abs=0.05)


@pytest.mark.parametrize("azimuth", [0.0, 45.0, 200.0])
def test_a_tilt_of_15_degrees_stays_in_the_field_of_view(azimuth):
    built = build_scaffold(scaffold_spec(**BASE, lean=10.0, loops=True))
    scanner = ScannerSpec(voxel_um=(5.0, 5.0, 5.0), mount_tilt_deg=15.0, mount_azimuth_deg=azimuth)
    place, shape = mount(built, scanner)
    share = polymer_share(built, place, shape=shape, voxel_um=scanner.voxel_um, samples=2)
    for axis in range(3):
        at = np.flatnonzero(share.any(axis=tuple({0, 1, 2} - {axis})))
        assert at[0] >= 10
        assert at[-1] <= shape[axis] - 11


def test_a_bent_scaffold_curls_by_the_sagitta():
    built = build_scaffold(scaffold_spec(**BASE, release={"bend_radius_um": 1000.0}))
    curl = Curl(built)
    x = np.linspace(-curl.grid_um[:, 0].max(), curl.grid_um[:, 0].max(), 101)
    z = curl.height_um(np.column_stack([x, np.zeros_like(x)]))
    assert np.ptp(z) == pytest.approx(1000 - math.sqrt(1000**2 - x[-1] ** 2), rel=1e-9)
    # On a cylinder: all points one radius from its axis.
    assert np.ptp(np.hypot(x, z - z[50] - 1000.0)) < 1e-9
    # The mean plane lies level at 0.
    everywhere = curl.height_um(curl.grid_um)
    assert everywhere.mean() == pytest.approx(0.0, abs=1e-9)
    assert everywhere @ curl.grid_um == pytest.approx([0.0, 0.0], abs=1e-4)


def test_releasing_moves_fibres_and_keeps_the_truth():
    flat = {"scaffold": {**BASE, "lean": 4.0}, "scanner": SCANNER}
    release = {"amplitude_um": 15.0, "wavelength_um": 400.0, "wave_azimuth_deg": 30.0}
    curled = {"scaffold": {**flat["scaffold"], "release": release}, "scanner": SCANNER}
    (one, before, _), (two, after, _) = (
        phantom_from_dict(v, throats_too=False) for v in (flat, curled)
    )
    assert before["release"] is None
    # Over 300 µm, most of a wavelength and more, less the plane that is taken off.
    assert 15.0 < after["release"]["peak_to_valley_um"] < 30.0
    assert after["release"]["peak_to_valley_um"] <= after["release"]["patch_peak_to_valley_um"]
    assert after["fibres"]["families"] == before["fibres"]["families"]
    # The same flat print, integrated by another number of lines: four standard errors of each.
    error = before["porosity"]["total_error"] + after["porosity"]["total_error"]
    assert error < 5e-5
    assert after["porosity"]["total"] == pytest.approx(before["porosity"]["total"], abs=4 * error)
    assert after["porosity"]["mass_conserving"] == pytest.approx(
        before["porosity"]["mass_conserving"]
    )
    assert [w["tilt_deg"] for w in after["walls"]] == [w["tilt_deg"] for w in before["walls"]]
    # More than half as much as it curls is the scan taller.
    assert (two.samples.shape[0] - one.samples.shape[0]) * 5.0 > 10.0
    # As much polymer is seen: slopes of 15 * 2π / 400 lengthen fibres by up to 1.4 %, on
    # average over azimuths by 0.7 %.
    seen = [float((v.samples - 0.2).sum()) for v in (one, two)]
    assert 1.0 < seen[1] / seen[0] < 1.014


def test_what_cannot_curl_is_refused():
    with pytest.raises(SettingsError, match="membrane"):
        released(
            build_scaffold(
                scaffold_spec(
                    **BASE, release={"bend_radius_um": 900.0},
                    membrane={"base_um": 10.0, "thickness_um": 5.0},
                )
            )
        )  # fmt: skip
    with pytest.raises(SettingsError, match="bend_radius_um"):
        released(build_scaffold(scaffold_spec(**BASE, release={"bend_radius_um": 100.0})))


def test_two_parts_lie_side_by_side():
    part = {**BASE, "spacing_um": 70, "walls": 5, "layers": 6, "diameter_um": 16,
            "offset_um": [500.0, 0.0, 0.0], "lean": 3.0}  # fmt: skip
    values = {"scaffold": BASE, "part": [part], "scanner": SCANNER}
    volume, truth, _ = phantom_from_dict(values, throats_too=False)
    assert truth["envelope"] is None
    assert [p["base_um"] for p in truth["parts"]] == [0.0, 0.0]
    assert truth["fibres"]["count"] == 4 * 4 + 6 * 5
    assert [(f["part"], f["spacing_um"]) for f in truth["fibres"]["families"]] == [
        (0, pytest.approx(100)), (1, pytest.approx(70)),
        (0, pytest.approx(100)), (1, pytest.approx(70)),
    ]  # fmt: skip
    # The part's walls across x stand around an x 500 µm on.
    means = [
        np.mean([w["position_um"] for w in truth["walls"] if w["family"] == f]) for f in (2, 3)
    ]
    # Positions are told at half height; leaning walls have gone two of six layers' rise by then.
    assert means[0] - means[1] == pytest.approx(500.0 - 32 * math.tan(math.radians(3)), abs=1.0)
    # All of the polymer of both is in the scan: as much as of each alone.
    alone = 0.0
    for table in (BASE, {k: v for k, v in part.items() if k != "offset_um"}):
        one, _, _ = phantom_from_dict({"scaffold": table, "scanner": SCANNER}, throats_too=False)
        alone += float((one.samples - 0.2).sum())
    assert float((volume.samples - 0.2).sum()) == pytest.approx(alone, rel=2e-3)


def test_a_membrane_lies_between_two_halves_and_fibres_hang_between_heights():
    low = build_scaffold(scaffold_spec(**BASE)).top_um
    values = {
        "scaffold": {**BASE, "membrane": {"base_um": low - 2.0, "thickness_um": 12.0},
                     "bridges": [{"from_um": [-150, -250, 20], "to_um": [-150, -150, 60],
                                  "sag_um": 8.0}]},
        "part": [{**BASE, "spacing_um": 60, "walls": 6, "offset_um": [0.0, 0.0, low + 8.0]}],
        "scanner": SCANNER,
    }  # fmt: skip
    volume, truth, _ = phantom_from_dict(values, throats_too=False)
    assert truth["membrane"] == {"base_um": 66.0, "thickness_um": 12.0, "top_um": 78.0}
    assert truth["fibres"]["layer_count"] == 8
    assert truth["fibres"]["scaffold_height_um"] == pytest.approx(2 * low + 8.0)
    # Through the middle of a pore only the membrane is met: 12 µm of polymer, blurred.
    h0 = truth["frame"]["origin_um"][0]
    # Walls along x stand at y, those along y at -x; the patch's middle is a pore of both halves.
    middle = [
        np.mean([w["position_um"] for w in truth["walls"] if w["direction_deg"] == d])
        for d in (0.0, 90.0)
    ]
    y, x = round(middle[0] / 5), round(-middle[1] / 5)
    column = (volume.samples[:, y - 2 : y + 3, x - 2 : x + 3].mean(axis=(1, 2)) - 0.2) / 0.8
    at = np.arange(len(column)) * 5.0 - h0
    inside = (at > 45) & (at < 100)
    assert column[inside].sum() * 5.0 == pytest.approx(12.0, rel=0.02)
    assert (column[inside] * at[inside]).sum() / column[inside].sum() == pytest.approx(
        72.0, abs=0.3
    )


@pytest.mark.parametrize("part", [{}, {"offset_um": [0, 0]}, {"offset_um": [0, 0, 0], "colour": 1}])
def test_parts_that_cannot_be_are_refused(part):
    with pytest.raises(SettingsError):
        phantom_from_dict({"scaffold": BASE, "part": [{**BASE, **part}], "scanner": SCANNER})
