"""`volscan correct`, its files, its history, and what it says of unusable input."""

from __future__ import annotations

import csv
import json

import pytest

import volscan
from tests.toolpath.documents import document
from tests.toolpath.printing import flat_file
from volscan.cli import main as cli
from volscan.results import Results
from volscan.results_json import dumps
from volscan.results_tables import TABLES, make_table, write_table

LEANING = {0.0: [5.0, 5.1, 4.9, 5.0, 5.0], 90.0: [0.1, -0.1, 0.0, 0.1]}


def saved(folder, leans, **options):
    made = {"format": "volscan-results", **document(leans, **options)}
    (folder / "tables").mkdir(parents=True)
    (folder / "results.json").write_text(dumps(made), "utf-8")
    for name in TABLES:
        (folder / "tables" / f"{name}.csv").write_text(write_table(make_table(name, [])), "utf-8")
    return folder


@pytest.fixture
def print_zero(tmp_path):
    (tmp_path / "patch.nc").write_text(flat_file())
    return saved(tmp_path / "results", LEANING)


def test_files_are_written_beside_the_corrected_one(print_zero, tmp_path, capsys):
    out = tmp_path / "next" / "patch.nc"
    command = ["correct", str(print_zero), "--toolpath", str(tmp_path / "patch.nc"), "--out",
               str(out), "--rotation", "0", "--history", str(tmp_path / "prints"),
               "--quiet"]  # fmt: skip
    assert cli.main(command) == 0
    said = capsys.readouterr().out
    assert "family 0 (0.0°): -2.0" in said  # damping 1 / 1.4 of 2.8 µm
    assert "high voltage off" in said
    table = (tmp_path / "next" / "patch.nc.shift.csv").read_text("utf-8")
    rows = list(csv.DictReader(table.splitlines()))
    assert len(rows) == 9
    assert float(rows[0]["change_y_um"]) == pytest.approx(-2.80 / 1.4, abs=0.01)
    shift = json.loads((tmp_path / "next" / "patch.nc.shift.json").read_text())
    assert shift["walls"][0]["fibres"] == 4
    assert (tmp_path / "next" / "patch.nc.path.png").read_bytes()[:4] == b"\x89PNG"
    assert cli.main(command) == 2  # nothing is replaced unasked
    assert cli.main([*command, "--force"]) == 0
    assert [p.name for p in (tmp_path / "prints").iterdir()] == ["print-000.json"]


def test_the_history_learns_the_response_and_says_what_was_expected(print_zero, tmp_path):
    first = volscan.correct(
        print_zero, tmp_path / "patch.nc", tmp_path / "one.nc", history=tmp_path / "prints",
        rotation_deg=0,
    )  # fmt: skip
    assert first.correction.changes[0].response.value == 1.0
    # A printer that answers with 0.7: of the 2.0 µm sent, 1.4 came; 2.8 - 1.4 = 1.4 µm are 2.5°.
    second = saved(tmp_path / "second", {0.0: [2.5] * 5, 90.0: [0.0] * 4}, scan="cd" * 32)
    done = volscan.correct(
        second, tmp_path / "one.nc", tmp_path / "two.nc", history=tmp_path / "prints",
        rotation_deg=0,
    )  # fmt: skip
    change = done.correction.changes[0]
    assert change.response.from_history
    # The prior of 1 ± 0.4 and that of the drift draw it up by little: u of an offset is 0.03 µm.
    assert change.response.value == pytest.approx(0.7, abs=0.05)
    assert change.surprise is not None
    assert abs(change.surprise[2]) < 2
    assert change.family.shift_used_um == pytest.approx(-2.0, abs=0.01)
    assert len(list((tmp_path / "prints").iterdir())) == 2
    # The first file again does not fit the history any more.
    third = saved(tmp_path / "third", {0.0: [1.0] * 5, 90.0: [0.0] * 4}, scan="ef" * 32)
    other = tmp_path / "other.nc"
    other.write_text(flat_file() + "\n")
    with pytest.raises(volscan.VolscanError, match="history's last corrected file"):
        volscan.correct(third, other, tmp_path / "x.nc", history=tmp_path / "prints")


def test_a_dry_run_writes_nothing(print_zero, tmp_path):
    before = sorted(tmp_path.rglob("*"))
    done = volscan.correct(print_zero, tmp_path / "patch.nc", rotation_deg=0, dry_run=True)
    assert done.correction.shifts
    assert done.files == ()
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    ("text", "options", "message"),
    [
        ("G21\nG1 X0\n", [], "no wall lines"),
        ("hello\n", [], "holds no moves"),
        (flat_file(spacing_mm=0.3), [], "do not fit the toolpath's lines"),
        (flat_file().replace("M30", "G20\nG1 X1"), [], "mixed units"),
        (flat_file().replace("M30", "G2 X1 Y1 I3 J0"), [], "the arc's radius"),
        (flat_file(), [], "symmetric"),
        (flat_file(), ["--rotation", "45"], "no placement with a rotation near 45"),
        (flat_file(), ["--by", "layer"], "--by is wall, family or print"),
        (flat_file(), ["--target-tilt", "up"], "--target-tilt is DEG"),
        (flat_file(), ["--damping", "2"], "damping must lie in (0, 1]"),
        (flat_file(), ["--allow", "all"], "--allow knows"),
        (flat_file(), ["--origin", "1"], "--origin needs two numbers"),
        (flat_file(), ["--bed", "missing.toml"], "cannot read the bed file"),
    ],
)
def test_unusable_input_gets_one_line_and_status_2(
    print_zero, tmp_path, capsys, text, options, message
):
    (tmp_path / "bad.nc").write_text(text)
    command = ["correct", str(print_zero), "--toolpath", str(tmp_path / "bad.nc"), "--out",
               str(tmp_path / "out.nc"), "--quiet", *options]  # fmt: skip
    assert cli.main(command) == 2
    told = capsys.readouterr().err.strip()
    assert message in told
    assert "\n" not in told
    assert not (tmp_path / "out.nc").exists()


def test_results_can_be_given_as_they_are(print_zero, tmp_path):
    results = Results.load(print_zero)
    done = volscan.correct(results, tmp_path / "patch.nc", rotation_deg=0, dry_run=True)
    assert len(done.correction.summary()) >= 3
