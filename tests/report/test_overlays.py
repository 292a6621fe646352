"""Pictures of what was found: places along paths, seams, and what the page shows of hard prints."""

from __future__ import annotations

import copy
import math
from pathlib import Path

import matplotlib.figure
import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import LineCollection, PolyCollection

from volscan.geometry import TubeFrame
from volscan.report import write_report
from volscan.report.along_walls import MOST_WALLS, tilt_along_walls
from volscan.report.form_numbers import release_rows, tube_rows, wave_rows
from volscan.report.overlays import arc_along, centrelines, centrelines_from_above, wall_face
from volscan.report.roll import rolled_up
from volscan.report.wording import number
from volscan.results import Results

Figure = matplotlib.figure.Figure


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    """Collect every figure that is written."""
    seen: list[Figure] = []
    plain = Figure.savefig

    def savefig(self: Figure, *args: object, **kwargs: object) -> None:
        seen.append(self)
        plain(self, *args, **kwargs)

    monkeypatch.setattr(Figure, "savefig", savefig)
    return seen


def _lines(figure: Figure) -> list[np.ndarray]:
    found = [c for c in figure.axes[0].collections if isinstance(c, LineCollection)]
    return [np.asarray(s) for c in found for s in c.get_segments()]


def test_arc_length_along_a_circle() -> None:
    """On a quarter circle of radius r the place at angle a is r a, whichever side it is told from.

    Chords of 0.5 degrees shorten the arc by a²/24 = 3e-6 of itself: 1e-3 µm here.
    """
    angle = np.radians(np.arange(0.0, 90.5, 0.5))
    path = 200.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    asked = np.radians([3.3, 41.0, 77.7])
    for radius in (190.0, 200.0, 212.0):
        points = radius * np.column_stack([np.cos(asked), np.sin(asked)])
        # Off the path, the foot on a chord moves against the arc by at most 12 µm × 0.25°.
        assert arc_along(path, points) == pytest.approx(200.0 * asked, abs=0.06)
    beyond = np.array([[200.0, -30.0]])
    assert arc_along(path, beyond)[0] == pytest.approx(-30.0, abs=0.2)


def test_lines_are_drawn_where_they_are(drawn: list[Figure]) -> None:
    x, y = np.arange(0.0, 100.0, 4.0), np.arange(0.0, 80.0, 4.0)
    t = np.linspace(0.0, 90.0, 40)
    wave = np.column_stack([t, 40 + 8 * np.sin(t / 9), np.full(40, 5.0)])
    straight = np.column_stack([np.full(40, 50.0), np.linspace(0, 75, 40), np.full(40, 9.0)])
    picture = centrelines_from_above(np.ones((20, 25)), x, y, {3: wave, 8: straight}, {3: 0, 8: 1})
    assert picture is not None
    assert "2 fibres in 2 families" in picture.alt
    first, second = _lines(drawn[0])
    # A curved wall follows its path, point by point.
    np.testing.assert_array_equal(first, wave[:, :2])
    np.testing.assert_array_equal(second, straight[:, :2])
    colours = {tuple(c.get_colors()[0]) for c in drawn[0].axes[0].collections}
    assert len(colours) == 2


def test_without_fibres_there_is_no_overlay() -> None:
    plain = np.ones((4, 4))
    assert centrelines_from_above(plain, np.arange(4.0), np.arange(4.0), {}, {}) is None
    assert centrelines(None) == {}


def test_a_helix_is_cut_at_the_seam_and_seen_from_outside(drawn: list[Figure]) -> None:
    turn, length = 300.0, 200.0
    t = np.array([*np.linspace(0.0, 40.0, 5), *np.linspace(57.0, length, 16)])
    # From half a turn below zero: cut at 0, where a point lies, and at 300, between two.
    helix = np.column_stack([t, -150.0 + 3.75 * t, np.full(21, 5.0)])
    y = np.arange(0.0, turn + 1, 5.0)
    picture = centrelines_from_above(
        np.ones((y.size, 41)), np.arange(0, 201, 5.0), y, {0: helix}, {0: 0}, turn_um=turn
    )
    assert picture is not None
    assert "Unrolled" in picture.title
    pieces = _lines(drawn[0])
    assert len(pieces) == 3
    for piece in pieces:
        assert piece[:, 0].min() >= -1e-9
        assert piece[:, 0].max() <= turn + 1e-9
    # No length is lost or added, and nothing jumps across the picture.
    whole = sum(np.linalg.norm(np.diff(p, axis=0), axis=1).sum() for p in pieces)
    assert whole == pytest.approx(math.hypot(length, 3.75 * length), rel=1e-9)
    # Axis up, around to the left: a quarter turn of (X, Y), so that the hand of a helix stays.
    run = pieces[0][-1] - pieces[0][0]
    turned = np.array([[0.0, -1.0], [1.0, 0.0]]) @ np.array([1.0, 3.75])
    assert run[1] / run[0] == pytest.approx(turned[1] / turned[0], rel=1e-9)
    assert np.sign(run[0]) == np.sign(turned[0])


def test_a_face_shows_fibres_at_their_arc_and_height(drawn: list[Figure]) -> None:
    angle = np.radians(np.arange(0.0, 61.0))
    path = 150.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    fibres = [np.column_stack([path, np.full(len(path), h)]) for h in (10.0, 24.0)]
    length = 150.0 * math.radians(60)
    along, height = np.linspace(1, length - 1, 80), np.arange(0.0, 36.0, 2.0)
    picture = wall_face(
        np.ones((18, 80), np.float32), along, height, {"id": 4, "family": 1}, path, fibres
    )
    assert "2 fibres" in picture.caption
    lines = [line for line in drawn[0].axes[0].lines if len(line.get_xdata()) == len(path)]
    assert len(lines) == 2
    for line, h in zip(lines, (10.0, 24.0), strict=True):
        # Chords of 1 degree: 1.3e-5 of the arc.
        assert np.asarray(line.get_xdata())[-1] == pytest.approx(length, rel=2e-5)
        assert set(np.asarray(line.get_ydata()).tolist()) == {h}


def _walls(count: int) -> list[dict]:
    return [
        {
            "id": i,
            "family": i % 2,
            "tilt_deg": {"value": 3.0, "u": 0.1, "unit": "deg", "n": 5},
            "tilt_along": [[400.0, 3.2, 0.3], [200.0, 2.8, 0.2], [600.0, 3.1, 0.25]],
        }
        for i in range(count)
    ]


def test_the_band_is_two_standard_uncertainties(drawn: list[Figure]) -> None:
    picture = tilt_along_walls(_walls(3), 1.0)
    assert picture is not None
    panels = [a for a in drawn[0].axes if a.get_visible()]
    assert len(panels) == 3
    for panel in panels:
        band = next(
            c for c in panel.collections if isinstance(c, PolyCollection) and len(c.get_paths())
        )
        corners = band.get_paths()[0].vertices
        for s, tilt, u in ((200.0, 2.8, 0.2), (400.0, 3.2, 0.3), (600.0, 3.1, 0.25)):
            at = corners[np.isclose(corners[:, 0], s), 1]
            assert at.min() == pytest.approx(tilt - 2 * u)
            assert at.max() == pytest.approx(tilt + 2 * u)


def test_many_walls_are_thinned_and_none_is_no_picture() -> None:
    picture = tilt_along_walls(_walls(MOST_WALLS + 1), 1.0)
    assert picture is not None
    assert f"13 of {MOST_WALLS + 1} walls" in picture.caption
    assert tilt_along_walls([{**w, "tilt_along": None} for w in _walls(2)], 1.0) is None


def _q(value: float, u: float, unit: str, n: int = 8) -> dict:
    return {"value": value, "u": u, "unit": unit, "n": n}


@pytest.fixture
def sleeve(patch: Results) -> Results:
    """The patch told as a tube, each number its own."""
    doc = copy.deepcopy(patch.to_dict())
    doc["frame"] |= {
        "kind": "mandrel", "axes": None, "mount_tilt_deg": None, "up": None,
        "axis": [1.0, 0.0, 0.0], "radius_um": 231.4, "bend_um": 12.31, "ovality": 0.0213,
        "u_radius_um": 0.3, "u_bend_um": 0.42, "u_ovality": 0.0011,
        "point_um": [360.0, 300.0, 300.0], "across": [0.0, 0.0, 1.0],
        "axis_bend_per_um": [0.0, 0.0], "start_um": -360.0, "length_um": 720.0,
        "oval": [0.0, 0.0], "base_um": -79.0,
    }  # fmt: skip
    doc["tube"] = {
        "mean_radius_um": _q(231.4, 0.3, "µm"),
        "lumen_diameter_um": _q(304.8, 0.7, "µm"),
        "wall_thickness_um": _q(158.3, 0.5, "µm"),
        "winding_angle_deg": [_q(-44.37, 0.06, "deg"), _q(46.02, 0.05, "deg")],
        "pitch_um": [_q(1487.0, 3.0, "µm"), None],
        "pivot_points": [9, 11],
    }
    return Results(doc, patch.tables, patch.arrays, {})


def test_a_tubes_numbers_are_told(sleeve: Results) -> None:
    rows = {r.name: r.value.text for r in tube_rows(sleeve.to_dict())}
    assert rows["Lumen diameter"] == "304.8 ± 0.7 µm"
    assert rows["Wall thickness"] == "158.3 ± 0.5 µm"
    assert rows["Winding angle, family 0"] == "−44.37 ± 0.06°"
    assert rows["Winding angle, family 1"] == "46.02 ± 0.05°"
    assert rows["Pitch, family 0"] == "1487 ± 3 µm"
    assert "Pitch, family 1" not in rows
    assert rows["Separate helices, family 1"] == "11"
    assert rows["Bend of the axis"] == "12.3 ± 0.4 µm"
    assert rows["Ovality"] == "2.13 ± 0.11 %"


def test_a_plate_print_has_no_tube_lines(patch: Results) -> None:
    assert tube_rows(patch.to_dict()) == []
    assert wave_rows(patch.to_dict()) == []


def test_waves_and_release_are_told_where_they_are(patch: Results) -> None:
    doc = copy.deepcopy(patch.to_dict())
    doc["fibres"]["families"][1]["wave"] = {
        "shape": "zigzag",
        "amplitude_um": _q(31.27, 0.05, "µm"),
        "wavelength_um": _q(402.6, 0.3, "µm"),
        "phase_mismatch_deg": None,
    }
    doc["frame"]["release_um"] = _q(41.2, 1.1, "µm")
    rows = {r.name: (r.value.text, r.note) for r in wave_rows(doc)}
    assert set(rows) == {"Wave amplitude, family 1", "Wavelength, family 1"}
    assert rows["Wave amplitude, family 1"][0] == "31.27 ± 0.05 µm"
    assert rows["Wave amplitude, family 1"][1].startswith("zigzag")
    assert release_rows(doc)[0].value.text == "41.2 ± 1.1 µm"


def test_a_rolled_up_line_lies_on_its_cylinder(sleeve: Results) -> None:
    """Distance from the axis is the mean radius plus base plus height, and X stays along it."""
    frame = sleeve.to_dict()["frame"]
    x, y = np.linspace(0, 720, 9), np.linspace(0, 900, 9)
    flat = pd.DataFrame({"fibre": 5, "x_um": x, "y_um": y, "h_um": 20.0, "diameter_um": 15.0})
    round_ = rolled_up(flat, frame)
    assert round_ is not None
    distance = np.hypot(round_["y_um"], round_["h_um"])
    assert distance.to_numpy() == pytest.approx(231.4 - 79.0 + 20.0, abs=1e-6)
    assert round_["x_um"].iloc[[0, -1]].to_numpy() == pytest.approx([-360.0, 360.0], abs=1e-6)
    # y = h × x, so that at Y = a quarter turn the line faces along y.
    quarter = pd.DataFrame(
        {"fibre": 5, "x_um": [0.0, 1.0], "y_um": 231.4 * math.pi / 2, "h_um": 0.0, "diameter_um": 9}
    )
    place = rolled_up(quarter, frame)
    assert place is not None
    assert place["y_um"].to_numpy() == pytest.approx(231.4 - 79.0, abs=1e-6)
    assert place["h_um"].to_numpy() == pytest.approx(0.0, abs=1e-6)


def test_a_plates_lines_stay_as_they_are(patch: Results) -> None:
    table = patch.tables["centrelines"]
    assert rolled_up(table, patch.to_dict()["frame"]) is table


def test_the_page_of_a_tube_shows_all_of_it(sleeve: Results, tmp_path: Path) -> None:
    folder = sleeve.save(tmp_path / "results")
    text = write_report(folder, folder).read_text("utf-8")
    for told in (
        "Unrolled tube, fibres over the scan",
        "Wall tilts on the unrolled tube",
        number(-44.37, 0.06),
        "Bend of the axis",
    ):
        assert told in text
    assert f"one turn ({2 * math.pi * 231.4:.0f} µm)" in text


def test_tube_frame_keys_are_those_of_the_results() -> None:
    """The page rebuilds a tube from its results: every field it has none for has a default."""
    from volscan.results_document import _frame

    tube = TubeFrame(
        np.zeros(3), np.array([1.0, 0, 0]), np.array([0.0, 0, 1]), (1e-5, 0.0), -50.0, 100.0,
        80.0, (0.01, 0.0), -9.0, True, "told",
    )  # fmt: skip
    line = pd.DataFrame(
        {"fibre": 0, "x_um": [0.0, 90.0], "y_um": [0.0, 40.0], "h_um": 4.0, "diameter_um": 8.0}
    )
    told = rolled_up(line, _frame(tube))
    assert told is not None
    ends = tube.to_scan(line[["x_um", "y_um", "h_um"]].to_numpy())
    assert told[["x_um"]].iloc[[0, -1]].to_numpy().ravel() == pytest.approx(ends[:, 0])
