"""What is written beside a phantom: scan, design and truth, whole or not at all."""

from __future__ import annotations

import json
import tomllib

import numpy as np
import pytest

from volscan.design import Design
from volscan.errors import OutputError, SettingsError, UnreadableError
from volscan.phantom.files import design_file, make_phantom
from volscan.phantom.make import phantom_from_dict
from volscan.phantom.spec import scaffold_spec
from volscan.readers import open_scan

PHANTOM = """
name = "sleeve sample"
wanted_tilt_deg = 2
[scaffold]
directions_deg = [0, 90]
spacing_um = [80, 90]
diameter_um = 20
layers = 4
layer_height_um = 16
walls = 3
lean = { kind = "fan", edge = 4 }
[scanner]
voxel_um = 4
contrast_to_noise = 8
[tolerances]
tilt_deg = 0.5
"""


@pytest.fixture
def spec(tmp_path):
    path = tmp_path / "sleeve.toml"
    path.write_text(PHANTOM, encoding="utf-8")
    return path


def test_the_three_files_read_back(spec, tmp_path):
    paths = make_phantom(spec, tmp_path / "out", throats_too=False)
    assert sorted(p.name for p in paths) == ["design.toml", "scan.tif", "truth.json"]
    scan = open_scan(tmp_path / "out" / "scan.tif")
    volume, truth, _ = phantom_from_dict(tomllib.loads(PHANTOM), throats_too=False)
    assert np.array_equal(scan.samples, volume.samples)
    assert scan.spacing_um == pytest.approx((4.0, 4.0, 4.0))
    assert json.loads((tmp_path / "out" / "truth.json").read_text("utf-8")) == truth
    design = Design.load(tmp_path / "out" / "design.toml")
    assert design.name == "sleeve sample"
    assert design.spacing_um == (80.0, 90.0)
    assert design.walls_per_direction == (3, 3)
    assert (design.wanted_tilt_deg, design.tolerances.tilt_deg) == (2.0, 0.5)


def test_outermost_walls_of_a_fan_lean_outward(spec, tmp_path):
    make_phantom(spec, tmp_path / "out", throats_too=False)
    truth = json.loads((tmp_path / "out" / "truth.json").read_text("utf-8"))
    tilts = [w["tilt_deg"] for w in truth["walls"] if w["family"] == 0]
    assert tilts == pytest.approx([-4.0, 0.0, 4.0])


def test_nothing_is_replaced_unasked(spec, tmp_path):
    make_phantom(spec, tmp_path / "out", throats_too=False)
    before = (tmp_path / "out" / "scan.tif").read_bytes()
    with pytest.raises(OutputError, match="--force"):
        make_phantom(spec, tmp_path / "out", throats_too=False)
    make_phantom(spec, tmp_path / "out", throats_too=False, force=True)
    assert (tmp_path / "out" / "scan.tif").read_bytes() == before


def test_bad_phantom_files_are_refused_and_leave_nothing(spec, tmp_path):
    with pytest.raises(UnreadableError, match="cannot read"):
        make_phantom(tmp_path / "missing.toml", tmp_path / "out")
    spec.write_text("name = ", encoding="utf-8")
    with pytest.raises(UnreadableError, match="not TOML"):
        make_phantom(spec, tmp_path / "out")
    spec.write_text(PHANTOM.replace("[tolerances]", "[limits]"), encoding="utf-8")
    with pytest.raises(SettingsError, match="limits"):
        make_phantom(spec, tmp_path / "out")
    spec.write_text("name = 'x'\n[scaffold]\ndirections_deg = [0]\n", encoding="utf-8")
    with pytest.raises(SettingsError, match="scanner"):
        make_phantom(spec, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_design_folds_directions():
    spec = scaffold_spec(
        directions_deg=[-60, 0, 240], spacing_um=100, diameter_um=20, layers=6,
        layer_height_um=15.5, walls=4, morphology="fused",
    )  # fmt: skip
    text = design_file(spec, name='"quoted" name')
    pattern = tomllib.loads(text)["pattern"]
    assert pattern["directions_deg"] == [120, 0, 60]
    assert pattern["layer_height_um"] == 15.5
    assert tomllib.loads(text)["print"]["name"] == '"quoted" name'


HARD = """
name = "wavy sleeve"
[scaffold]
directions_deg = [0, 90]
spacing_um = 80
diameter_um = 20
layers = 4
layer_height_um = 16
walls = 3
sag_um = 3.0
wave = [{ shape = "sine", amplitude_um = 8.0, wavelength_um = 80.0 }, false]
missing = { count = 1, seed = 3 }
release = { bend_radius_um = 2000.0 }
[[part]]
offset_um = [0.0, 0.0, 70.0]
directions_deg = [0, 90]
spacing_um = 60
diameter_um = 20
layers = 2
layer_height_um = 16
walls = 4
[scanner]
voxel_um = 5
collector_um = 30.0
mount_tilt_deg = 12.0
"""


def test_a_hard_phantom_is_written_like_any(tmp_path):
    path = tmp_path / "hard.toml"
    path.write_text(HARD, encoding="utf-8")
    make_phantom(path, tmp_path / "out", throats_too=False)
    truth = json.loads((tmp_path / "out" / "truth.json").read_text("utf-8"))
    assert truth["collector"]["thickness_um"] == 30.0
    assert truth["release"]["peak_to_valley_um"] > 0
    assert truth["fibres"]["count"] == 4 * 3 - 1 + 2 * 4
    assert Design.load(tmp_path / "out" / "design.toml").spacing_um == (80.0, 80.0)
