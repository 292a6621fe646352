from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import volscan
from volscan.cli import main as cli
from volscan.phantom.make import phantom_from_dict
from volscan.results import OUTPUT_NAMES, Results

PHANTOM = {
    "name": "patch",
    "scaffold": {
        "directions_deg": [0, 90], "spacing_um": 100, "diameter_um": 20, "layers": 4,
        "layer_height_um": 16, "walls": 3, "lean": 5.0,
    },
    "scanner": {"voxel_um": 4.0, "psf_fwhm_um": 8.0, "contrast_to_noise": 10.0, "seed": 5},
}  # fmt: skip

DESIGN = """
[print]
name = "test strip"
[pattern]
directions_deg = [0, 90]
spacing_um = 100
fibre_diameter_um = 20
layers = 4
layer_height_um = 16
"""


@pytest.fixture(scope="session")
def scan(tmp_path_factory) -> Path:
    volume, _, _ = phantom_from_dict(PHANTOM, throats_too=False)
    path = tmp_path_factory.mktemp("scan") / "patch.npy"
    np.save(path, volume.samples)
    return path


@pytest.fixture(scope="session")
def saved(scan, tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("saved") / "out"
    told = ["--voxel-um", "4", "--up", "+z", "--mirrored", "no", "--quiet"]
    assert cli.main(["measure", str(scan), "--out", str(out), *told]) == 0
    return out


def run(*arguments: object, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command line in a process of its own."""
    return subprocess.run(
        [sys.executable, "-c", "from volscan.cli.main import run; run()", *map(str, arguments)],
        capture_output=True, text=True, timeout=120, check=False,
        env={**os.environ, "PYTHONPATH": str(Path(volscan.__file__).parents[1]), **environment},
    )  # fmt: skip


def test_measure_writes_the_folder_and_sums_up_on_stdout(scan, tmp_path, capsys):
    (tmp_path / "design.toml").write_text(DESIGN)
    out = tmp_path / "out"
    status = cli.main(
        [
            "measure", str(scan), "--out", str(out), "--voxel-um", "4,4,4", "--up", "+z",
            "--mirrored", "no", "--voxel-u-percent", "0.5", "--design",
            str(tmp_path / "design.toml"), "--quiet",
        ]
    )  # fmt: skip
    shown = capsys.readouterr()
    assert status == 0
    assert shown.err == ""
    assert sorted(p.name for p in out.iterdir()) == sorted(OUTPUT_NAMES)
    results = Results.load(out)
    assert results.settings.voxel_u_percent == 0.5
    assert results.design.name == "test strip"
    assert results.run["command"].startswith(f"volscan measure {scan} --out ")
    for words in ("porosity", "designed against measured: test strip", "kilovolts", str(out)):
        assert words in shown.out
    assert max(len(line) for line in shown.out.splitlines()) <= 120


def test_results_are_the_same_bytes_as_from_python(scan, saved):
    again = volscan.measure(scan, voxel_um=4.0, up="+z", mirrored=False)
    assert again.to_json() == (saved / "results.json").read_text("utf-8")


def test_no_caution_where_no_shift_is_told(tmp_path, capsys):
    rng = np.random.default_rng(4)
    block = rng.normal(100, 5, (40, 40, 40))
    block[8:32, 8:32, 8:32] += 200
    np.save(tmp_path / "block.npy", block.astype(np.float32))
    out = tmp_path / "out"
    scan = str(tmp_path / "block.npy")
    assert cli.main(["measure", scan, "--out", str(out), "--voxel-um", "5", "--quiet"]) == 0
    assert "kilovolts" not in capsys.readouterr().out


def test_report_works_after_the_scan_is_gone(saved, tmp_path, capsys):
    out = tmp_path / "page"
    assert cli.main(["report", str(saved), "--out", str(out), "--quiet"]) == 0
    shown = capsys.readouterr()
    assert shown.out.strip() == str(out / "report.html")
    assert "<html" in (out / "report.html").read_text("utf-8")


def test_info_tells_size_and_spacing(scan, capsys):
    assert cli.main(["info", str(scan), "--voxel-um", "8,4,4"]) == 0
    shown = capsys.readouterr()
    assert "8 × 4 × 4 µm" in shown.out
    assert shown.err == ""


def test_raw_files_are_read_with_their_layout(tmp_path, capsys):
    samples = np.random.default_rng(1).integers(0, 999, (6, 7, 8)).astype(">u2")
    (tmp_path / "scan.raw").write_bytes(b"head" + samples.tobytes())
    raw = ["--raw-shape", "6,7,8", "--raw-type", "uint16", "--raw-order", "big"]
    scan = str(tmp_path / "scan.raw")
    command = ["info", scan, "--voxel-um", "2", *raw, "--raw-offset", "4"]
    assert cli.main(command) == 0
    out = capsys.readouterr().out
    assert "6 × 7 × 8" in out
    assert f"{samples.min()} to {samples.max()}" in out


def test_version_and_help(capsys):
    assert cli.main(["--version"]) == 0
    assert capsys.readouterr().out == f"volscan {volscan.__version__}\n"
    for arguments in ([], ["--help"]):
        assert cli.main(arguments) == 0
        out = capsys.readouterr().out
        for command in ("info", "measure", "phantom", "demo", "report"):
            assert command in out


def test_measure_has_the_options_of_the_contract_and_no_later_ones(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "300")
    assert cli.main(["measure", "--help"]) == 0
    told = capsys.readouterr().out
    for option in (
        "--out", "--modality", "--collector", "--voxel-um", "--voxel-u-percent", "--up",
        "--mirrored", "--envelope", "--threshold", "--design", "--only", "--raw-shape",
        "--index-polymer", "--index-medium", "--axial-index", "--oct-scale",
        "--raw-type", "--raw-order", "--raw-offset", "--permeability", "--transport-sides",
        "--solid-diffusivity", "--region", "--force", "--quiet",
    ):  # fmt: skip
        assert option in told
    for later in ("--memory", "--scheduler"):
        assert later not in told


BAD_OPTIONS = [
    (["--modality", "oct", "--collector", "mandrel"], "flat collector"),
    (["--index-medium", "0.9"], "index_medium"),
    (["--oct-scale", "log"], "oct_scale"),
    (["--modality", "mri"], "modality"),
    (["--collector", "mandrel"], "no hollow tube"),
    (["--up", "z"], "up must be one of"),
    (["--mirrored", "maybe"], "--mirrored"),
    (["--threshold", "high"], "--threshold"),
    (["--voxel-um", "1,2"], "--voxel-um"),
    (["--voxel-um", "0"], "positive"),
    (["--voxel-um", "nan"], "finite"),
    (["--voxel-u-percent", "60"], "voxel_u_percent"),
    (["--only", "pores"], "--only"),
    (["--raw-shape", "1,2,3"], "--raw-type"),
    (["--raw-order", "big"], "--raw-shape"),
    (["--design", "nowhere.toml"], "nowhere.toml"),
    (["--envelope", "nowhere.npy"], "nowhere.npy"),
    (["--transport-sides", "open"], "transport"),
    (["--solid-diffusivity", "-1"], "solid_diffusivity"),
    (["--region", "lower"], "region"),
    (["--voxel-u-percent", "much"], "--voxel-u-percent"),
]


@pytest.mark.parametrize(("options", "said"), BAD_OPTIONS)
def test_options_that_cannot_be_are_one_line_and_exit_2(scan, tmp_path, capsys, options, said):
    out = tmp_path / "out"
    voxel = [] if "--voxel-um" in options else ["--voxel-um", "4"]
    status = cli.main(["measure", str(scan), "--out", str(out), *voxel, *options])
    shown = capsys.readouterr()
    assert status == 2
    assert shown.out == ""
    assert len(shown.err.splitlines()) == 1
    assert said in shown.err
    assert not out.exists()


def test_a_missing_or_unknown_command_line_part_is_one_line(capsys):
    for arguments, said in (
        (["measure"], "scan"),
        (["measure", "x.tif"], "--out"),
        (["masure"], "masure"),
        (["--loud"], "--loud"),
    ):
        assert cli.main(arguments) == 2
        shown = capsys.readouterr()
        assert len(shown.err.splitlines()) == 1
        assert said in shown.err.lower()


def bad_scan(kind: str, folder: Path) -> Path:
    rng = np.random.default_rng(6)
    if kind == "empty folder":
        (folder / "slices").mkdir()
        return folder / "slices"
    if kind == "text":
        (folder / "scan.tif").write_text("voxel size 4 µm\nand nothing else\n")
        return folder / "scan.tif"
    if kind == "missing":
        return folder / "nothing.tif"
    arrays = {
        "constant": np.full((30, 30, 30), 9, dtype=np.uint16),
        "one slice": rng.integers(0, 99, (1, 30, 30)).astype(np.uint8),
        "not a number": np.full((30, 30, 30), np.nan, dtype=np.float32),
        "saturated": np.where(rng.random((30, 30, 30)) < 0.3, 255, rng.integers(5, 9, (30, 30, 30)))
        .astype(np.uint8),
        "no solid": rng.normal(1000, 50, (64, 64, 64)).astype(np.float32),
    }  # fmt: skip
    path = folder / "scan.npy"
    np.save(path, arrays["constant"] if kind == "truncated" else arrays[kind])
    if kind == "truncated":
        path.write_bytes(path.read_bytes()[:-999])
    return path


@pytest.mark.parametrize(
    "kind",
    [
        "empty folder", "text", "missing", "constant", "one slice", "not a number", "saturated",
        "no solid", "truncated",
    ],
)  # fmt: skip
def test_scans_that_cannot_be_used_are_one_line_and_leave_nothing(kind, tmp_path):
    scan = bad_scan(kind, tmp_path)
    before = sorted(tmp_path.rglob("*"))
    done = run("measure", scan, "--out", tmp_path / "out", "--voxel-um", 4, "--quiet")
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.startswith("volscan: ")
    assert "Traceback" not in done.stderr
    assert sorted(tmp_path.rglob("*")) == before


def test_an_unwritable_folder_is_told_before_the_work(scan, tmp_path, capsys, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setattr("volscan.pipeline.measure", lambda *a, **k: pytest.fail("work was begun"))
    out = tmp_path / "file" / "out"
    assert cli.main(["measure", str(scan), "--out", str(out), "--voxel-um", "4"]) == 2
    shown = capsys.readouterr()
    assert len(shown.err.splitlines()) == 1
    assert "cannot write into" in shown.err


def test_results_already_there_need_force(scan, saved, tmp_path, capsys):
    before = (saved / "results.json").read_bytes()
    assert cli.main(["measure", str(scan), "--out", str(saved), "--voxel-um", "4"]) == 2
    assert "--force" in capsys.readouterr().err
    assert (saved / "results.json").read_bytes() == before


def test_a_bug_of_ours_is_exit_1_in_one_line_unless_debugging(scan, tmp_path, capsys, monkeypatch):
    def broken(*args, **kwargs):
        raise ZeroDivisionError("division by zero\nsecond line")

    monkeypatch.setattr("volscan.pipeline.measure", broken)
    monkeypatch.delenv("VOLSCAN_DEBUG", raising=False)
    command = ["measure", str(scan), "--out", str(tmp_path / "out"), "--quiet"]
    assert cli.main(command) == 1
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    assert "ZeroDivisionError" in err
    assert "report it" in err
    monkeypatch.setenv("VOLSCAN_DEBUG", "1")
    with pytest.raises(ZeroDivisionError):
        cli.main(command)


@pytest.mark.parametrize(
    ("error", "status", "said"),
    [
        (KeyboardInterrupt(), 130, "nothing was written"),
        (MemoryError(), 2, "memory"),
        (PermissionError(13, "Permission denied", "scan.tif"), 2, "scan.tif"),
    ],
)
def test_stops_of_other_kinds(scan, tmp_path, capsys, monkeypatch, error, status, said):
    def stopped(*args, **kwargs):
        raise error

    monkeypatch.setattr("volscan.pipeline.measure", stopped)
    command = ["measure", str(scan), "--out", str(tmp_path / "out"), "--quiet"]
    assert cli.main(command) == status
    shown = capsys.readouterr()
    assert len(shown.err.splitlines()) == 1
    assert said in shown.err
    assert list(tmp_path.iterdir()) == []


def test_plain_lines_name_each_stage_once_when_work_takes_long(capsys, monkeypatch):
    from volscan.cli import console

    monkeypatch.setattr(console, "QUIET_START_S", 0.0)
    with console.shown_progress(quiet=False) as progress:
        for stage in ("read", "prepare", "prepare", "pores"):
            progress(stage, 0.5)
    assert capsys.readouterr().err.splitlines() == [
        "volscan: read ...",
        "volscan: prepare ...",
        "volscan: pores ...",
    ]


def test_a_terminal_gets_a_bar_with_the_stage(monkeypatch, capsys):
    from volscan.cli import console

    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("FORCE_COLOR", "1")
    with console.shown_progress(quiet=False) as progress:
        progress("prepare", 0.4)
        progress("pores", 1.5)
    assert "pores" in capsys.readouterr().err


def test_output_cut_short_by_its_reader_is_no_error(scan):
    code = "from volscan.cli.main import run; run()"
    with subprocess.Popen(
        [sys.executable, "-c", code, "info", str(scan), "--voxel-um", "4"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(Path(volscan.__file__).parents[1])},
    ) as pipe:  # fmt: skip
        assert pipe.stdout is not None
        assert pipe.stderr is not None
        pipe.stdout.close()
        assert pipe.stderr.read() == b""
        assert pipe.wait(timeout=60) == 0


def test_run_json_holds_stages_and_no_result(saved):
    run_facts = json.loads((saved / "run.json").read_text("utf-8"))
    assert run_facts["stages"][0]["stage"] == "read"
    assert run_facts["seconds"] > 0
    assert "porosity" not in run_facts
