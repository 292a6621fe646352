"""The layer shift: its sign, its size, and when it is advised."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shift.leaning import frame, made
from volscan.fibres.field import FibreField
from volscan.shift import advise_shift
from volscan.walls.wallset import WallSet

MIDDLE = (0.0, 0.0)


def _plan(leans, *, u=0.1, rise=32.0, diameter=20.0, **frame_args):
    walls, field = made(leans, u=u, rise=rise, diameter=diameter)
    return advise_shift(walls, field, frame(**frame_args), middle_xy_um=MIDDLE)


def _advice(plan, level, number=None):
    (found,) = [a for a in plan.advice if a.level == level and a.id == number]
    return found


# Geometry: shift per layer = h_w tan(tilt), h_w the step between fibres of the same wall.
TABLE = [
    (10, 5, 0.874887),
    (10, 10, 1.763270),
    (10, 20, 3.639702),
    (10, 30, 5.773503),
    (10, 45, 10.0),
    (15, 10, 2.644905),
    (20, 10, 3.526540),
]


@pytest.mark.parametrize(("rise", "tilt", "shift"), TABLE)
def test_shift_is_minus_rise_times_tangent(rise, tilt, shift):
    plan = _plan({0.0: [tilt] * 5}, rise=rise, diameter=rise)
    found = _advice(plan, "family", 0)
    # The table is given to six digits.
    assert found.per_fibre_um.value == pytest.approx(-shift, abs=5e-7)
    assert -100 * found.per_fibre_um.value == pytest.approx(100 * shift, abs=5e-5)


@pytest.mark.parametrize(
    ("direction", "way"),
    # A wall along X leans toward its left normal, +Y; one along Y toward -X; at 45° toward (-, +).
    [(0.0, (0.0, 1.0)), (90.0, (-1.0, 0.0)), (45.0, (-math.sqrt(0.5), math.sqrt(0.5)))],
)
def test_the_advised_vector_brings_the_top_back(direction, way):
    plan = _plan({direction: [5.0] * 5})
    step = 32.0 * math.tan(math.radians(5.0))
    for found in (_advice(plan, "family", 0), _advice(plan, "wall", 2), _advice(plan, "print")):
        np.testing.assert_allclose(found.vector_um, -step * np.array(way), atol=1e-9)


def test_fibres_shifted_as_advised_stand_upright():
    walls, field = made({30.0: [4.0, -3.0, 6.0, 2.0, -5.0]})
    plan = advise_shift(walls, field, frame(), middle_xy_um=MIDDLE)
    for wall in walls.walls:
        change = _advice(plan, "wall", wall.id).per_fibre_um.value
        shifted = wall.layer_offset_um + change * np.arange(wall.layer_offset_um.size)
        np.testing.assert_allclose(shifted, 0.0, atol=1e-9)


def test_a_print_that_leans_as_one_is_advised_at_family_level():
    plan = _plan({0.0: [5.1, 4.9, 5.0, 5.2, 4.8], 90.0: [0.1, -0.1, 0.05, 0.0, -0.05]})
    first, second = _advice(plan, "family", 0), _advice(plan, "family", 1)
    assert first.advised
    assert not second.advised
    assert second.reason.startswith("upright within 1°")
    # The same lean in every wall is the family's: no wall is advised a value of its own.
    assert not any(a.advised for a in plan.advice if a.level == "wall")
    entries = {s.family: s for s in plan.systematic}
    assert entries[0].cause == "common to the family"
    assert entries[0].tilt_deg.value == pytest.approx(5.0, abs=1e-3)
    assert entries[0].lean_vector == pytest.approx((0.0, math.tan(math.radians(5.0))), abs=1e-4)
    # Standard deviation of -0.1, 0.1, 0, 0.2, -0.2 with n - 1.
    assert entries[0].scatter_deg == pytest.approx(math.sqrt(0.1 / 4), rel=1e-3)


def test_upright_within_the_uncertainty_is_not_advised():
    plan = _plan({0.0: [0.1, -0.2, 0.1, 0.0], 90.0: [-0.1, 0.1, 0.2, 0.0]})
    assert not any(a.advised for a in plan.advice)
    assert _advice(plan, "print").reason.startswith("upright within")
    assert all("upright within" in a.reason for a in plan.advice)


def test_between_upright_and_leaning_is_undecided():
    plan = _plan({0.0: [1.1, 1.1, 1.1, 1.1]}, u=0.3)
    found = _advice(plan, "family", 0)
    assert not found.advised
    assert found.reason.startswith("undecided")


def test_leaning_outward_with_the_distance_is_a_cause():
    tilts = [-6.0, -3.1, 0.1, 2.9, 6.1]
    plan = _plan({0.0: tilts, 90.0: [0.0, 0.1, -0.1, 0.0, 0.05]})
    causes = [s for s in plan.systematic if s.family == 0]
    assert any("distance" in s.cause for s in causes)
    (spread,) = [s for s in causes if "distance" in s.cause]
    assert spread.tilt_deg.value == pytest.approx(6.0, abs=0.2)
    # Walls that the cause predicts are advised one by one, the middle one stands.
    advised = [_advice(plan, "wall", k).advised for k in range(5)]
    assert advised == [True, True, False, True, True]
    assert not _advice(plan, "family", 0).advised
    assert "see the walls' own values" in _advice(plan, "family", 0).reason


def test_only_the_outermost_walls_lean():
    plan = _plan({0.0: [-5.0, 0.1, -0.1, 0.0, 0.1, -0.1, 0.0, 5.0]})
    (extra,) = [s for s in plan.systematic if "outermost" in s.cause]
    assert extra.tilt_deg.value == pytest.approx(5.0, abs=0.2)
    advised = [_advice(plan, "wall", k).advised for k in range(8)]
    assert advised == [True] + [False] * 6 + [True]


def test_chance_is_not_called_a_cause():
    plan = _plan({0.0: [6.0, -5.0, 3.0, -4.0, 1.5, -2.0]})
    assert [s.cause for s in plan.systematic] == ["none stands out: mean of the walls"]
    assert not any(a.advised for a in plan.advice)
    reasons = {a.reason for a in plan.advice if a.level == "wall"}
    assert "one print cannot tell a single wall's own lean from chance" in reasons


def test_causes_are_rarely_found_in_pure_chance():
    rng = np.random.default_rng(12)
    found = 0
    for _ in range(400):
        plan = _plan({0.0: list(rng.normal(0.0, 3.0, 6))})
        found += len(plan.systematic) > 1
    # Two terms at the 1 % level: at most 8 of 400 expected, each try independent; 20 would be
    # four standard deviations more.
    assert found < 20


@pytest.mark.parametrize(("up", "mirrored", "word"), [(False, True, "up"), (True, False, "mirror")])
def test_nothing_is_advised_before_up_and_handedness_are_confirmed(up, mirrored, word):
    plan = _plan({0.0: [5.0] * 5}, up=up, mirrored=mirrored)
    assert not any(a.advised for a in plan.advice)
    assert all(word in a.reason for a in plan.advice)
    # The values stand there all the same.
    assert _advice(plan, "family", 0).per_fibre_um.value < 0
    assert "shift_not_confirmed" in [n.code for n in plan.notices]


def test_nothing_is_advised_when_up_could_only_be_assumed():
    plan = _plan({0.0: [5.0] * 5})
    walls, field = made({0.0: [5.0] * 5})
    unknown = advise_shift(walls, field, frame(u=None), middle_xy_um=MIDDLE)
    assert _advice(plan, "family", 0).advised
    assert not _advice(unknown, "family", 0).advised
    assert _advice(unknown, "family", 0).per_fibre_um.u is None


def test_the_frames_uncertainty_does_not_average_out():
    few = made({0.0: [5.0, 5.0, 5.0]}, u=0.3)
    many = made({0.0: [5.0] * 30}, u=0.3)
    for walls, field in (few, many):
        plan = advise_shift(walls, field, frame(u=0.25), middle_xy_um=MIDDLE)
        (entry,) = plan.systematic
        own = math.sqrt(0.3**2 - 0.25**2) / math.sqrt(len(walls.walls))
        assert entry.tilt_deg.u == pytest.approx(math.hypot(0.25, own), rel=1e-2)
        shift = _advice(plan, "family", 0).per_fibre_um
        assert shift.u >= 32.0 * math.radians(0.25)


def test_welded_walls_refuse_a_mean_that_leaves_a_fibre_hanging():
    # Fibres weld (rise below the diameter). One wall stands apart by far: with the family's
    # shift its fibres would land 16 tan(50°) µm = 19 µm aside, over a radius of 10 µm.
    tilts = [20.0] * 11 + [-38.0]
    welded = _plan({0.0: tilts}, rise=16.0)
    apart = _plan({0.0: tilts}, rise=32.0)
    found = _advice(welded, "family", 0)
    assert not found.advised
    assert "held up" in found.reason
    assert "held up" not in _advice(apart, "family", 0).reason


def test_three_directions_tell_a_print_from_its_families():
    vector = np.array([0.06, 0.09])
    leans = {}
    for direction in (0.0, 60.0, 120.0):
        a = math.radians(direction)
        tilt = math.degrees(math.atan(vector @ [-math.sin(a), math.cos(a)]))
        leans[direction] = [tilt - 0.1, tilt + 0.1, tilt, tilt]
    plan = _plan(leans)
    assert {s.cause for s in plan.systematic} == {"common to the print"}
    found = _advice(plan, "print")
    assert found.advised
    np.testing.assert_allclose(found.vector_um, -32.0 * vector, atol=0.02)


def test_families_that_lean_their_own_ways_have_no_print_vector():
    # No vector leans three walls at 0, 60 and 120° by +5° each.
    plan = _plan({d: [5.0, 5.1, 4.9, 5.0] for d in (0.0, 60.0, 120.0)})
    assert not _advice(plan, "print").advised
    assert all(_advice(plan, "family", k).advised for k in range(3))
    assert {s.cause for s in plan.systematic} == {"common to the family"}


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.floats(-10, 10), min_size=3, max_size=6),
    st.floats(0.0, 179.0).map(lambda v: round(v, 1)),
)
def test_a_mirrored_scan_mirrors_the_advice(tilts, direction):
    # Mirroring x turns direction α into 180 - α and n into (-n_x, n_y) up to sign: a wall's left
    # normal turns round, so tilt and position change sign with it.
    plain = _plan({direction: tilts})
    other = (180.0 - direction) % 180.0
    sign = -1.0 if other != 0.0 else 1.0
    mirrored_tilts = [sign * t for t in tilts]
    if sign < 0:
        mirrored_tilts = mirrored_tilts[::-1]
    mirrored = _plan({other: mirrored_tilts})
    a, b = _advice(plain, "family", 0), _advice(mirrored, "family", 0)
    np.testing.assert_allclose(np.array(b.vector_um) * [-1.0, 1.0], a.vector_um, atol=1e-9)
    assert a.advised == b.advised
    assert [s.cause for s in plain.systematic] == [s.cause for s in mirrored.systematic]


def test_no_walls():
    plan = advise_shift(WallSet(), FibreField(), frame(), middle_xy_um=MIDDLE)
    assert plan.advice == ()
    assert [n.code for n in plan.notices] == ["no_walls"]
