"""A study from prepared results: groups, resuming, failures, the page and its files."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.report.conftest import patch  # noqa: F401  the prepared measurement, as a fixture
from volscan.cli.main import main
from volscan.errors import NothingToMeasureError, SettingsError, UnreadableError
from volscan.report import study_figures
from volscan.report.paper.layout import written_as
from volscan.results import Results
from volscan.study import Study, read_manifest, run_study, write_study
from volscan.study.statistics import group_differences
from volscan.study.values import print_settings, study_values

# What is put between the two groups, in percentage points of porosity, and the scatter within.
DIFFERENCE, SCATTER = -2.0, 0.4


def write_manifest(folder: Path, header: str, rows: list[str]) -> Path:
    path = folder / "study.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def changed(base: Results, points: float, tilt: float = 1.0) -> Results:
    doc = base.to_dict()
    doc["porosity"]["total"]["value"] += points / 100
    for wall in doc["walls"]:
        if wall["tilt_deg"]:
            wall["tilt_deg"]["value"] *= tilt
    return replace(base, document=doc)


def written(study: Study, out: Path) -> Path:
    """Write a study with three panels a figure and one kind of file: drawing takes the time."""
    with pytest.MonkeyPatch.context() as patched, written_as(("svg",)):
        patched.setattr(study_figures, "_MOST_PANELS", 3)
        return write_study(study, out, title="Two speeds", style="single")


@pytest.fixture(scope="module")
def folder(patch: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:  # noqa: F811
    out = tmp_path_factory.mktemp("prepared")
    rng = np.random.default_rng(21)
    rows = []
    for k in range(12):
        group = "slow" if k < 6 else "fast"
        points = rng.normal(0, SCATTER) + (DIFFERENCE if group == "fast" else 0)
        changed(patch, points).save(out / f"s{k}")
        rows.append(f"s{k},{group},,,{4.0 + 0.1 * k}")
    for k in range(2):
        for state, tilt in (("before", 1.0), ("after", 0.1)):
            changed(patch, 0.0, tilt).save(out / f"p{k}{state}")
            rows.append(f"p{k}{state},pairs,{k},{state},")
    rows.append("nothing.tif,slow,,,")
    write_manifest(out, "file,group,pair,state,voltage_kv", rows)
    return out


@pytest.fixture(scope="module")
def done(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, Path]:
    out = tmp_path_factory.mktemp("study")
    study = run_study(read_manifest(folder / "study.csv"), out)
    return study, written(study, out)


def test_the_difference_put_in_is_found(done) -> None:
    study, _ = done
    table = group_differences(study_values(study))
    row = table[
        (table["key"] == "porosity.total") & (table["group"] == "slow") & (table["other"] == "fast")
    ].iloc[0]
    assert row["low"] <= DIFFERENCE <= row["high"]
    # Welch with six each: half the width is about t(10) × 0.4 × √(2/6) = 0.51 points.
    assert row["high"] - row["low"] < 2.0
    assert row["high"] < 0


def test_one_bad_scan_is_listed_and_stops_no_other(done) -> None:
    study, page = done
    assert list(study.failures) == ["nothing"]
    assert len(study.results) == 16
    text = page.read_text("utf-8")
    assert "Scans not measured (1)" in text
    assert "no such file" in text


def test_the_page_and_files_hold_what_was_compared(done, folder: Path) -> None:
    _, page = done
    text = page.read_text("utf-8")
    for words in ("Two speeds", "fast − slow", "Group means", "voltage", "research data"):
        assert words in text
    assert "http" not in text.replace("http://www.w3.org", "").replace("https://doi", "")
    with (page.parent / "tables_for_paper" / "values.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len({r["scan"] for r in rows}) == 16
    for name in ("groups.svg", "pairs.svg", "setting_voltage_kv.svg", "groups.csv"):
        assert (page.parent / "figures" / name).stat().st_size > 500


def test_the_same_results_give_the_same_page(done, tmp_path: Path) -> None:
    study, page = done
    again = written(study, tmp_path)
    assert again.read_bytes() == page.read_bytes()


def test_settings_are_kept_beside_the_values(done) -> None:
    table = print_settings(done[0])
    assert table.columns.tolist() == ["scan", "voltage_kv"]
    assert table["voltage_kv"].notna().sum() == 12


def test_a_broken_off_study_goes_on(patch: Results, tmp_path: Path) -> None:  # noqa: F811
    for name in ("a.raw", "b.raw", "c.raw"):
        (tmp_path / name).write_bytes(b"grey")
    path = write_manifest(tmp_path, "file,group", ["a.raw,x", "b.raw,x", "c.raw,y"])
    entries, measured = read_manifest(path), []

    def measure_scan(scan: Path, **given: Any) -> Results:
        measured.append(scan.name)
        if scan.name == "b.raw":
            raise NothingToMeasureError("no solid")
        if scan.name == "c.raw" and len(measured) == 3:
            raise ZeroDivisionError("a slip")
        return patch

    out = tmp_path / "out"
    first = run_study(entries, out, measure_scan=measure_scan)
    assert first.failures["b"] == "no solid"
    assert first.failures["c"] == "a bug of volscan: ZeroDivisionError: a slip"
    second = run_study(entries, out, measure_scan=measure_scan)
    assert second.reused == ("a",)
    assert measured == ["a.raw", "b.raw", "c.raw", "b.raw", "c.raw"]
    # A scan that was touched is another scan.
    (tmp_path / "a.raw").write_bytes(b"other grey")
    run_study(entries, out, measure_scan=measure_scan)
    assert "a.raw" in measured[5:]
    # Results that were damaged meanwhile are measured again and not trusted.
    (out / "scans" / "a" / "results.json").write_text("{", encoding="utf-8")
    third = run_study(entries, out, measure_scan=measure_scan)
    assert "a" in third.results
    assert "a" not in third.reused


def test_the_kept_entry_tells_what_it_was_measured_from(
    patch: Results,  # noqa: F811
    tmp_path: Path,
) -> None:
    (tmp_path / "a.raw").write_bytes(b"grey")
    path = write_manifest(tmp_path, "file,up,mirrored,voxel_um", ["a.raw,+z,no,4"])
    given: dict[str, Any] = {}

    def measure_scan(scan: Path, **options: Any) -> Results:
        given.update(options)
        return patch

    run_study(read_manifest(path), tmp_path / "out", measure_scan=measure_scan)
    assert given["voxel_um"] == 4.0
    assert given["settings"].up == "+z"
    assert given["settings"].mirrored is False
    kept = json.loads((tmp_path / "out" / "scans" / "a" / "study_entry.json").read_text("utf-8"))
    assert kept["options"] == {"up": "+z", "mirrored": "no", "voxel_um": "4"}


@pytest.mark.parametrize(
    ("header", "rows", "message"),
    [
        ("name,group", ["a,b"], "needs a column called file"),
        ("file", [""], "lists no scan"),
        ("file,group", ["a.tif,x", "a.tif,y"], "two scans are called a"),
        ("file,voltage_kv", ["a.tif,high"], "must be a number"),
        ("file,pair,state", ["a.tif,1,middle"], "before or after"),
        ("file,pair,state", ["a.tif,1,"], "both pair and state"),
        ("file,name", ["a.tif,../up"], "cannot be the name"),
        ("file", ["a.tif,more"], "more values than columns"),
    ],
)
def test_a_manifest_that_cannot_be_is_refused(
    tmp_path: Path, header: str, rows: list[str], message: str
) -> None:
    with pytest.raises(SettingsError, match=message):
        read_manifest(write_manifest(tmp_path, header, rows))


def test_a_manifest_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UnreadableError, match="cannot read the manifest"):
        read_manifest(tmp_path / "none.csv")


def test_the_command_ends_with_2_when_nothing_was_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_manifest(tmp_path, "file", ["none.tif"])
    assert main(["study", str(path), "--out", str(tmp_path / "out"), "--quiet"]) == 2
    assert "none of the 1 scans" in capsys.readouterr().err
