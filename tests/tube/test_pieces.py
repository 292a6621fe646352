"""Helices on a sheet, cut at its edges, become whole again: against lines drawn by hand."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from volscan.fibres.field import FibreField
from volscan.geometry import Family, Fibre, TubeFrame, Wall
from volscan.quantity import Quantity
from volscan.tube import measure_tube, roll_up
from volscan.tube.pieces import family_lines
from volscan.walls.wallset import WallSet

R, LENGTH, HEIGHTS = 100.0, 500.0, (5.0, 25.0)
TURN = 2 * math.pi * R
SEEN = 1.15 * TURN


def tube() -> TubeFrame:
    return TubeFrame(
        np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 0, 1.0]), (0.0, 0.0), -LENGTH / 2,
        LENGTH, R, (0.0, 0.0), -15.0, True, "given", u_radius_um=0.1, u_face_um=0.15,
        u_tilt_deg=0.01,
    )  # fmt: skip


def sheet(direction_deg: float, starts: int, *, lean: float = 0.0) -> tuple[FibreField, WallSet]:
    """Helices of one hand as a sheet shows them: every piece of every line, two layers high."""
    a = math.radians(direction_deg)
    along, normal = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    fibres: list[Fibre] = []
    walls: list[Wall] = []
    for start in range(starts):
        for turn in range(-12, 13):
            y0 = start * TURN / starts + turn * TURN
            # Where y = y0 + x tan a lies within the sheet.
            x = np.linspace(0, LENGTH, 4001)
            y = y0 + x * math.tan(a)
            on = (y >= 0) & (y <= SEEN)
            if on.sum() < 60:
                continue
            x = np.linspace(x[on].min(), x[on].max(), 9)
            line = np.stack([x, y0 + x * math.tan(a)], axis=-1)
            line = line[np.argsort(line @ along)]
            for layer, height in enumerate(HEIGHTS):
                off = lean * (height - HEIGHTS[0]) * normal
                points = np.column_stack([line + off, np.full(9, height)])
                fibres.append(
                    Fibre(
                        len(fibres), 0, layer, len(walls), points, np.full(9, 10.0),
                        Quantity(10.0, 0.1, "µm", 1), direction_deg,
                    )
                )  # fmt: skip
            q = Quantity(math.degrees(math.atan(lean)), 0.1, "deg", 2)
            walls.append(
                Wall(
                    len(walls), 0, direction_deg, float(line[0] @ normal), 100.0, 30.0, q,
                    (0.0, 0.0), "in", ((0.0, q.value, 0.1),), np.array(HEIGHTS),
                    np.array([0.0, lean * 20.0]), Quantity(lean * 20.0, 0.1, "µm", 2),
                )
            )  # fmt: skip
    spacing = TURN * abs(math.cos(a)) / starts
    family = Family(
        0, Quantity(direction_deg, 0.01, "deg", 9), Quantity(spacing, 0.1, "µm", 8),
        Quantity(10.0, 0.1, "µm", len(fibres)), len(fibres), 2, len(walls), None, None, None,
    )  # fmt: skip
    field = FibreField(
        tuple(fibres), (family,), Quantity(10.0, 0.1, "µm", len(fibres)), 2, HEIGHTS,
        Quantity(20.0, 0.1, "µm", 1), Quantity(30.0, 0.1, "µm", 1),
    )  # fmt: skip
    return field, WallSet(tuple(walls))


@pytest.mark.parametrize("direction", [120.0, 60.0, 150.0, 35.0, 100.0])
@pytest.mark.parametrize("starts", [1, 5, 12])
def test_every_helix_is_found_once_and_whole(direction, starts):
    field, _ = sheet(direction, starts)
    (family,) = family_lines(field, turn_um=TURN, seen_um=(LENGTH, SEEN))
    assert len(family.lines) == starts
    for line in family.lines:
        # Pieces follow each other and cover the line: its length along itself is L / cos a.
        covered = np.ptp([line[0].start_um, max(p.end_um for p in line)])
        # A rest of up to three diameters past a longer piece's end is left out as its corner.
        assert covered == pytest.approx(LENGTH / abs(family.cos), abs=3 * 10.0 + 2.0)
        for one, other in pairwise(line):
            assert other.start_um < one.end_um
            assert other.place_um == pytest.approx(one.place_um, abs=1e-6)


@pytest.mark.parametrize("winding", [60.0, -60.0, 35.0])
def test_rolled_up_every_number_is_that_of_the_fibres_own_radius(winding):
    field, walls = sheet(-winding % 180.0, 6)
    rolled = roll_up(field, walls, tube(), around_um=SEEN)
    assert len(rolled.field.fibres) == 12
    assert len(rolled.walls.walls) == 6
    # tan a = r dφ/dx: the inner layer lies at radius 85 + 5, the outer at 85 + 25.
    rate = math.tan(math.radians(winding)) / R
    wanted = [math.degrees(math.atan(r * rate)) for r in (90.0, 110.0)]
    for fibre in rolled.field.fibres:
        angle = wanted[fibre.layer]
        assert fibre.direction_deg == pytest.approx(-angle % 180.0, abs=1e-6)
        # The same three diameters.
        whole = LENGTH / math.cos(math.radians(angle))
        assert fibre.length_um == pytest.approx(whole, abs=3 * 10.0 + 2.0)
    told = measure_tube(tube(), rolled)
    assert told.winding_angle_deg[0].value == pytest.approx(sum(wanted) / 2, abs=1e-6)
    # P = π D / tan a, any radius with its own angle.
    pitch = 2 * math.pi / abs(rate)
    assert told.pitch_um[0] is not None
    assert told.pitch_um[0].value == pytest.approx(pitch, rel=1e-6)
    assert told.pivot_points == (6,)
    assert told.lumen_diameter_um.value == pytest.approx(170.0)
    assert told.wall_thickness_um.value == pytest.approx(30.0)
    # Sections were fitted at their own width: what a fibre measures does not change.
    for fibre in rolled.field.fibres:
        assert fibre.diameter_um.value == pytest.approx(10.0, rel=1e-9)


def test_a_lean_is_told_at_the_fibres_own_radius():
    field, walls = sheet(120.0, 6, lean=0.05)
    rolled = roll_up(field, walls, tube(), around_um=SEEN)
    # On the sheet the upper fibre is 1.0 off; at its own radius of 110 the same angle is k less.
    upper = math.atan(1.1 * math.tan(math.radians(60)))
    k = math.cos(math.radians(60)) / math.cos(upper) / 1.1
    for wall in rolled.walls.walls:
        assert wall.lean is None
        assert wall.layer_offset_um[1] == pytest.approx(1.0 / k, rel=1e-6)
        assert wall.tilt_deg is not None
        assert wall.tilt_deg.value == pytest.approx(math.degrees(math.atan(0.05 / k)), abs=1e-6)


def test_fibres_along_the_axis_have_no_pitch():
    field, walls = sheet(0.0, 8)
    told = measure_tube(tube(), roll_up(field, walls, tube(), around_um=SEEN))
    assert told.pitch_um == (None,)
    assert told.pivot_points == (8,)
    assert told.winding_angle_deg[0].value == pytest.approx(0.0, abs=1e-9)
