from __future__ import annotations

from pathlib import Path

import pytest

from volscan.cli import demo
from volscan.cli import main as cli
from volscan.errors import UnreadableError
from volscan.phantom.files import NAMES
from volscan.results import OUTPUT_NAMES, Results

SPEC = """
name = "test strip"
[scaffold]
directions_deg = [0, 90]
spacing_um = 100
diameter_um = 20
layers = 4
layer_height_um = 16
walls = 3
lean = 5.0
[scanner]
voxel_um = 4.0
psf_fwhm_um = 8.0
contrast_to_noise = 10.0
seed = 5
"""


@pytest.fixture(scope="module")
def sample(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("samples")
    (folder / "spec.toml").write_text(SPEC)
    out = folder / "strip"
    assert cli.main(["phantom", str(folder / "spec.toml"), "--out", str(out), "--quiet"]) == 0
    return out


def test_phantom_writes_scan_design_and_truth(sample, capsys):
    assert sorted(p.name for p in sample.iterdir()) == sorted(NAMES)
    out = str(sample)
    assert cli.main(["phantom", str(sample.parent / "spec.toml"), "--out", out]) == 2
    assert "--force" in capsys.readouterr().err


def test_a_phantom_file_that_cannot_be_is_one_line(tmp_path, capsys):
    (tmp_path / "spec.toml").write_text('name = "x"\nscafold = 1\n')
    for spec in ("spec.toml", "missing.toml"):
        out = tmp_path / "out"
        assert cli.main(["phantom", str(tmp_path / spec), "--out", str(out)]) == 2
        assert len(capsys.readouterr().err.splitlines()) == 1
        assert not out.exists()


def test_demo_runs_the_whole_job_and_prints_the_report(sample, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(demo, "sample_folder", lambda name: sample)
    monkeypatch.chdir(tmp_path)
    # What an earlier demo left in its own folder is the demo's to replace.
    (tmp_path / "volscan_demo").mkdir()
    (tmp_path / "volscan_demo" / "results.json").write_text("{}")
    assert cli.main(["demo", "--quiet"]) == 0
    shown = capsys.readouterr()
    folder = tmp_path / "volscan_demo"
    names = ["scan.tif", "design.toml", "report.html", *OUTPUT_NAMES]
    assert sorted(p.name for p in folder.iterdir()) == sorted(names)
    assert shown.out.splitlines()[-1] == str(folder / "report.html")
    assert shown.err == ""
    results = Results.load(folder)
    assert results.fibres.layer_count == 4
    assert results.design.name == "test strip"


def test_demo_does_not_touch_a_named_folder_with_results(sample, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(demo, "sample_folder", lambda name: sample)
    (tmp_path / "results.json").write_text("mine")
    assert cli.main(["demo", "--out", str(tmp_path)]) == 2
    assert "--force" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["results.json"]


def test_a_missing_sample_is_told():
    with pytest.raises(UnreadableError, match="install it again"):
        demo.sample_folder("no such sample")
