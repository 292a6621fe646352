"""Walls held back in the first corrected file: its head, its table, the record, the next file."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

import volscan
from tests.toolpath.documents import RISE_UM, document
from tests.toolpath.printing import flat_file
from tests.toolpath.test_command import saved
from volscan.cli import main as cli
from volscan.toolpath import Asked, correct
from volscan.toolpath.records import Record, load_history

# Walls scatter by 0.3° about 8°, and are measured to 0.05°.
CHANCE = np.array([0.3, -0.2, 0.1, -0.4, 0.4, 0.2, -0.3, -0.1])
LEANING = {0.0: list(8.0 + CHANCE), 90.0: [0.1, -0.1, 0.0, 0.1]}
KNOWN = Asked(rotation_deg=0.0)
TEXT = flat_file(walls=(8, 4))


def shifts(done, key: str = "change") -> np.ndarray:
    """Change or whole shift of the walls along X, in order of Y."""
    rows = [w for w in done.walls if abs(math.cos(math.radians(w["direction_deg"]))) > 0.5]
    return np.array([w[f"{key}_y_um"] for w in sorted(rows, key=lambda w: w["position_um"])])


def answered(done, response: float, drift_deg: float) -> dict:
    """Return the scan of the next print: what was sent is answered by a share of it."""
    sent = np.degrees(
        np.arctan(np.tan(np.radians(8.0)) + response * shifts(done, "shift") / RISE_UM)
    )
    leans = {0.0: list(sent + drift_deg + CHANCE[::-1]), 90.0: LEANING[90.0]}
    return document(leans, scan="cd" * 32)


def test_the_first_file_holds_walls_back_and_says_so_everywhere():
    done = correct(document(LEANING), TEXT.encode(), asked=KNOWN)
    even = correct(document(LEANING), TEXT.encode(), asked=replace(KNOWN, witnesses=False))
    one, other = shifts(done), shifts(even)
    assert np.flatnonzero(np.abs(one) < 1e-3).tolist() == [1, 6]
    assert np.ptp(other) == pytest.approx(0.0, abs=1e-3)
    # Numbers in the table are rounded to 0.1 nm.
    assert one.mean() == pytest.approx(other.mean(), abs=1e-3)
    said = "\n".join(done.summary())
    assert "walls 1 and 6 held back: +0.000 µm per fibre, expected +8." in said
    assert "the 6 others: -4." in said
    assert "none is held back: not wanted" in "\n".join(even.summary())
    head = done.data.decode().split("correction ends")[0]
    assert "walls 1 and 6 held back" in head
    assert head.count("volscan apart 0 ") == 8
    assert "volscan apart" not in even.data.decode()
    # The family that stands is neither shifted nor held back.
    assert done.changes[1].witnesses is None


@pytest.mark.parametrize(("response", "drift"), [(0.7, 0.3), (0.7, -0.3), (1.2, 0.3)])
def test_the_second_file_evens_the_walls_and_knows_the_response(response, drift):
    first = correct(document(LEANING), TEXT.encode(), asked=KNOWN)
    scan = answered(first, response, drift)
    record = Record(
        first.record["scan"], first.record["toolpath"], first.record["corrected"],
        tuple(first.record["families"]),
    )  # fmt: skip
    for history in ((record,), ()):
        second = correct(scan, first.data, asked=KNOWN, history=history)
        change = second.changes[0]
        assert abs(change.response.value - response) < 2 * change.response.u
        # The walls' scatter of 0.29° over the lever of sqrt(8) · 3.3°; drift does not enter.
        assert change.response.u < 0.045
        total = shifts(second, "shift")
        assert total == pytest.approx(np.full(8, total.mean()), abs=1e-3)
        assert "get the same shift as the others again" in "\n".join(second.summary())
        assert "volscan apart" not in second.data.decode()
    assert second.changes[0].family.shift_used_um == pytest.approx(shifts(first).mean(), abs=1e-3)


def test_a_turned_scan_finds_the_same_walls_again():
    first = correct(document(LEANING), TEXT.encode(), asked=KNOWN)
    scan = answered(first, 0.7, 0.0)
    # The second scan lies the other way round: walls and leans are met from the other side.
    for w in scan["walls"]:
        w["position_um"] = -w["position_um"]
        w["tilt_deg"]["value"] = -w["tilt_deg"]["value"]
        w["offset_per_fibre_um"]["value"] = -w["offset_per_fibre_um"]["value"]
    turned = correct(scan, first.data, asked=replace(KNOWN, rotation_deg=180.0))
    straight = correct(answered(first, 0.7, 0.0), first.data, asked=KNOWN)
    assert turned.changes[0].response.value == pytest.approx(straight.changes[0].response.value)
    assert shifts(turned, "shift") == pytest.approx(shifts(straight, "shift"), abs=1e-3)


def test_a_family_that_is_left_keeps_what_set_its_walls_apart():
    first = correct(document(LEANING), TEXT.encode(), asked=KNOWN)
    # A response of -0.5 stops the advice for this family; the other one now leans.
    scan = answered(first, -0.5, 0.0)
    leans = [w["tilt_deg"]["value"] for w in scan["walls"] if w["family"] == 0]
    scan = document({0.0: leans, 90.0: [5.0] * 4}, scan="cd" * 32)
    second = correct(scan, first.data, asked=KNOWN)
    assert second.changes[0].refused
    assert second.shifts
    assert second.data.decode().count("volscan apart 0 ") == 8
    assert shifts(second, "shift") == pytest.approx(shifts(first, "shift"), abs=1e-3)


@pytest.mark.parametrize(
    ("options", "why"),
    [
        ({"witnesses": False}, "not wanted (--witnesses no)"),
        ({"from_layer": 2}, "--from-layer"),
        ({"damping": 1.0}, "the whole correction is asked for at once"),
    ],
)
def test_why_no_wall_is_held_back_is_said(options, why):
    done = correct(document(LEANING), TEXT.encode(), asked=replace(KNOWN, **options))
    assert np.ptp(shifts(done)) == pytest.approx(0.0, abs=1e-3)
    assert why in "\n".join(done.summary())


def test_a_scan_that_fits_at_several_places_holds_nothing_back():
    # Six of eight walls are seen: they may be the first or the last ones.
    part = {0.0: LEANING[0.0][:6], 90.0: LEANING[90.0]}
    done = correct(document(part), TEXT.encode(), asked=KNOWN)
    assert np.ptp(shifts(done)) == pytest.approx(0.0, abs=1e-3)
    assert "fit the file's lines in several ways" in "\n".join(done.summary())


def test_records_hold_each_walls_shift_and_older_ones_are_read(tmp_path):
    (tmp_path / "patch.nc").write_text(TEXT)
    first = volscan.correct(
        saved(tmp_path / "results", LEANING), tmp_path / "patch.nc", tmp_path / "one.nc",
        history=tmp_path / "prints", rotation_deg=0,
    )  # fmt: skip
    scan = answered(first.correction, 0.7, 0.3)
    leans = {0.0: [w["tilt_deg"]["value"] for w in scan["walls"] if w["family"] == 0],
             90.0: LEANING[90.0]}  # fmt: skip
    volscan.correct(
        saved(tmp_path / "second", leans, scan="cd" * 32), tmp_path / "one.nc",
        tmp_path / "two.nc", history=tmp_path / "prints", rotation_deg=0,
    )  # fmt: skip
    kept = json.loads((tmp_path / "prints" / "print-001.json").read_text())
    (family,) = [f for f in kept["families"] if len(f["walls"]) == 8]
    sent = [w["shift_um"] for w in family["walls"]]
    assert sent == pytest.approx(shifts(first.correction), abs=1e-3)
    assert family["shift_um"] == pytest.approx(np.mean(sent))
    assert family["beside_mean"]["response"] == pytest.approx(0.7, abs=0.1)
    before = json.loads((tmp_path / "prints" / "print-000.json").read_text())
    held, others = before["families"][0]["expected_of"]
    assert (held["walls"], held["held_back"], len(others["walls"])) == ([1, 6], True, 6)
    # The same as an older version wrote it: the means only.
    new = [r.past(0.0) for r in load_history(tmp_path / "prints")]
    for file in (tmp_path / "prints").glob("*.json"):
        values = json.loads(file.read_text())
        for f in values["families"]:
            del f["beside_mean"], f["walls"], f["expected_of"]
        file.write_text(json.dumps(values))
    old = [r.past(0.0) for r in load_history(tmp_path / "prints")]
    assert [replace(p, walls=None) for p in new] == old
    assert [p.walls is None for p in new] == [False, False]


def test_the_command_line_turns_it_off(tmp_path, capsys):
    (tmp_path / "patch.nc").write_text(TEXT)
    results = str(saved(tmp_path / "results", LEANING))
    command = ["correct", results, "--toolpath", str(tmp_path / "patch.nc"), "--rotation", "0",
               "--dry-run", "--quiet", "--witnesses"]  # fmt: skip
    assert cli.main([*command, "no"]) == 0
    assert "none is held back: not wanted" in capsys.readouterr().out
    assert cli.main([*command, "auto"]) == 0
    assert "walls 1 and 6 held back" in capsys.readouterr().out
    assert cli.main([*command, "perhaps"]) == 2
    assert "--witnesses is auto or no" in capsys.readouterr().err
