"""Modes become moves; layers and wall lines are found."""

from __future__ import annotations

import gzip
import math
from pathlib import Path

import numpy as np
import pytest

from tests.toolpath.printing import flat_file
from volscan.errors import InputError
from volscan.phantom.machine import commanded
from volscan.toolpath.layers import layers_of
from volscan.toolpath.lines import strokes_of, walls_of
from volscan.toolpath.state import moves_of
from volscan.toolpath.words import read_lines

REAL = Path(__file__).parent / "real_prints"


def moves(text: str):
    return moves_of(read_lines(text.encode()))


def walls(text: str):
    lines = read_lines(text.encode())
    found = moves_of(lines)
    return walls_of(strokes_of(found, layers_of(lines, found)))


@pytest.mark.parametrize(
    ("text", "end_um"),
    [
        ("G90 G21\nG1 X1 Y2\nX3", (3000, 2000, 0)),
        ("G91 G21\nG1 X1 Y2\nX3", (4000, 2000, 0)),
        ("G71\nG0 X1\nG91\nG1 X1\nG90\nY-2", (2000, -2000, 0)),
        ("G20\nG1 X1", (25400, 0, 0)),
        ("G70\nG1 X1", (25400, 0, 0)),
        ("G21\nG1 X5\nG92 X0\nG1 X1", (6000, 0, 0)),
        ("G21\nG1 X5\nG4 X2\nG1 Y1 M8", (5000, 1000, 0)),
        ("G21\nG1 X5\nM92 X80 Y80\nG1 Y1", (5000, 1000, 0)),
        ("G21\n/N10 G01 X+5. Y-.5 Z.25 F100 S3 T1 (X7)", (5000, -500, 250)),
        ("G1 X2\nG28\nG1 Y1", (0, 1000, 0)),
    ],
)
def test_modes(text, end_um):
    assert tuple(moves(text).end[-1, :3]) == end_um


def test_arcs_by_centre_and_by_radius_are_the_same():
    # A quarter of a circle of radius 2 mm about (2, 0) from (0, 0), clockwise, ends at (2, 2).
    by_centre = moves("G21\nG1 X0 Y0\nG2 X2 Y2 I2 J0")
    by_radius = moves("G21\nG1 X0 Y0\nG2 X2 Y2 R2")
    assert by_centre.centre_um[1] == pytest.approx([2000, 0])
    assert by_radius.centre_um[1] == pytest.approx([2000, 0])
    # A negative radius takes the way round the other side (common practice).
    assert moves("G21\nG1 X0 Y0\nG2 X2 Y2 R-2").centre_um[1] == pytest.approx([0, 2000])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("G21\nG1 X1\nG20\nG1 X1", "line 3: G20 changes the unit"),
        ("G21\nG1 X0\nG2 X2 Y2 I2 J1", "line 3: the arc's radius is"),
        ("G21\nG1 X0\nG2 X9 Y0 R2", "line 3: the radius of 2 does not reach"),
        ("G21\nX1", "line 2: it names an axis but no motion"),
        ("G21\nG1 X[1+2]\nG1 X#3 Y2", "line 3: macro expressions"),
        ("G21\nG1 X1\nG68 X0 Y0 R45", "line 3: G68 changes the coordinates"),
        ("G21 G18\nG2 X1 Z1 I1 K0", "line 2: an arc in the plane of G18"),
        ("; nothing\n", "holds no moves"),
    ],
)
def test_what_cannot_be_followed_is_refused_in_one_line(text, message):
    with pytest.raises(InputError, match=message) as told:
        moves(text)
    assert "\n" not in str(told.value)


def test_the_machine_of_the_phantoms_reads_the_same_path():
    # Two readings of one file, written apart from each other.
    text = flat_file(absolute=False, amplitude_mm=0.02)
    found = moves(text)
    laid = np.concatenate([line.points[1:] for line in commanded(text)])
    assert found.end[found.motion > 0, :2] == pytest.approx(laid, abs=1e-6)


@pytest.mark.parametrize("absolute", [True, False])
@pytest.mark.parametrize("amplitude", [0.0, 0.02])
def test_walls_of_a_pile(absolute, amplitude):
    found = walls(flat_file(absolute=absolute, amplitude_mm=amplitude))
    assert [(w.family, len(w.strokes)) for w in found] == [(0, 4)] * 5 + [(1, 4)] * 4
    # Lines 100 µm apart; the hull of a sampled wave is off by its chords' sagitta, far below 1 µm.
    at = np.array([w.position_um for w in found if w.family == 0])
    assert np.diff(at) == pytest.approx(100.0, abs=0.5)
    assert {round(w.direction_deg) for w in found} == {0, 90}
    assert {s.sense for w in found[:2] for s in w.strokes} == {1, -1}


def test_layers_by_height_and_by_passes():
    text = flat_file()
    bare = "\n".join(r for r in text.splitlines() if not r.startswith(";"))
    lines = read_lines(bare.encode())
    by_height = layers_of(lines, moves_of(lines))
    assert (by_height.rule, by_height.count) == ("height", 8)
    flat = "\n".join(r for r in bare.splitlines() if " Z" not in r or "Y" in r)
    assert [len(w.strokes) for w in walls(flat)] == [4] * 9


@pytest.mark.parametrize(
    ("name", "pieces", "directions", "counts"),
    [
        # Rows and columns as the files' own heads tell them; the H cells have two lines a row and
        # one more at the end, and a frame.
        ("stri_small", 1, (0, 60, 120), (5, 5, 5)),
        ("sreg_large", 1, (0, 90), (13, 13)),
    ],
)
def test_real_prints_have_their_walls(name, pieces, directions, counts):
    data = gzip.decompress((REAL / f"{name}.gcode.gz").read_bytes())
    lines = read_lines(data)
    found = moves_of(lines)
    layers = layers_of(lines, found)
    assert (layers.rule, layers.count, int(layers.piece.max()) + 1) == ("comments", 10, pieces)
    stacked = walls_of(strokes_of(found, layers))
    assert found.notices[0].code == "unit_assumed"
    for family, (direction, count) in enumerate(zip(directions, counts, strict=True)):
        own = [w for w in stacked if w.family == family]
        assert own[0].direction_deg == pytest.approx(direction, abs=0.01)
        assert len(own) == count
        assert {len(w.strokes) for w in own} == {10}
        gaps = np.diff([w.position_um for w in own])
        # The heads' pore size is 1 mm; rows of triangles stand sin 60° of it apart.
        expected = 1000.0 if name == "sreg_large" else 1000.0 * math.sin(math.radians(60))
        assert gaps == pytest.approx(expected, abs=1.5)


def test_a_file_without_lines_is_refused():
    with pytest.raises(InputError, match="no wall lines"):
        walls("G21 G90\nG0 X1\nG0 X2\n")
