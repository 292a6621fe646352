"""Walls held back in a first corrected print: which, how far, and what they tell."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.validation.printers import RISE_UM, Printer, measured
from volscan.shift.choose import choose
from volscan.shift.history import PastPrint, WallEvidence, estimate_response
from volscan.shift.witness import answer_within, foreseen_u, place_witnesses, plan_witnesses

DEGREE_UM = RISE_UM * math.radians(1.0)
PRIORS = {"u_shared_um": 0.05 * DEGREE_UM, "u_drift_um": 0.3 * DEGREE_UM, "u_response": 0.4}
# A family of eight walls that leans by 8° and scatters by 0.3°, half a degree wanted.
EIGHT = {
    "full_um": np.full(8, -8.0 * DEGREE_UM), "damping": 1 / 1.4, "scatter_um": 0.3 * DEGREE_UM,
    "freedom": 7, "goal_um": 0.5 * DEGREE_UM, "rise_um": RISE_UM, **PRIORS,
}  # fmt: skip
PLACES = 100.0 * np.arange(8)


@pytest.mark.parametrize("count", [6, 7, 8, 9, 12, 30, 61])
@pytest.mark.parametrize("number", [2, 3, 5])
def test_neither_place_nor_its_square_tells_which_walls_are_held_back(count, number):
    place = np.arange(count) - (count - 1) / 2
    chosen = place_witnesses(100.0 * place, number)
    if chosen is None:
        assert number > count // 3
        return
    assert len(set(chosen)) == number
    assert not {0, count - 1} & set(chosen)
    mark = np.isin(np.arange(count), chosen).astype(float)
    # A tenth of the choice's variance may be explained: a correlation of 0.32.
    for column in (place, place**2):
        assert abs(np.corrcoef(mark, column)[0, 1]) < 0.32


def test_walls_in_any_order_are_told_by_their_index():
    order = np.array([3, 0, 7, 1, 6, 2, 5, 4])
    chosen = place_witnesses(PLACES[order], 2)
    assert chosen is not None
    assert sorted(order[list(chosen)]) == [1, 6]


def test_the_mean_is_that_of_an_even_shift_and_no_wall_goes_beyond_geometry():
    plan = plan_witnesses(PLACES, **EIGHT)
    assert plan.walls == (1, 6)
    assert plan.apart_um.sum() == pytest.approx(0.0, abs=1e-12)
    shift = EIGHT["full_um"] / 1.4 + plan.apart_um
    assert (np.abs(shift) <= np.abs(EIGHT["full_um"]) + 1e-12).all()
    # Two of eight stay as they are: the six others carry 8 / 1.4 / 6 of the correction.
    assert shift[[1, 6]] == pytest.approx(0.0, abs=1e-9)
    assert shift[0] == pytest.approx(-8.0 * DEGREE_UM * 8 / 1.4 / 6)


def test_walls_that_scatter_less_are_set_apart_less():
    plans = [
        plan_witnesses(PLACES, **{**EIGHT, "scatter_um": s * DEGREE_UM})
        for s in (0.06, 0.1, 0.15, 0.3)
    ]
    apart = [float(np.abs(plan.apart_um).max()) for plan in plans]
    assert apart == sorted(apart)
    assert 0 < apart[0] < 0.5 * apart[-1]


@pytest.mark.parametrize(
    ("change", "places", "why"),
    [
        ({"full_um": np.full(5, 4.0)}, PLACES[:5], "fewer than 6 walls"),
        (
            {"full_um": np.full(8, -0.3 * DEGREE_UM), "goal_um": 0.3 * DEGREE_UM},
            PLACES,
            "hardly tell more",
        ),
        ({"damping": 1.0}, PLACES, "at once"),
        ({"scatter_um": 1e-4}, PLACES, "an even shift tells enough"),
        # Two walls far off: whichever are chosen, place tells them.
        ({"full_um": np.full(6, -4.5)}, np.array([0, 1, 2, 3, 4, 9000.0]), "free of their place"),
    ],
)
def test_where_it_does_not_pay_all_walls_get_the_same_shift(change, places, why):
    plan = plan_witnesses(places, **{**EIGHT, **change})
    assert plan.walls == ()
    assert not plan.apart_um.any()
    assert why in plan.reason


def test_what_is_foreseen_is_what_drawn_printers_show():
    # 4000 printers drawn from the priors with a response of 0.6, the worst of the three for which
    # the uncertainty is told; each fit is numpy's least squares with the priors as rows.
    rng = np.random.default_rng(5)
    runs, walls, response = 4000, 8, 0.6
    scatter, rms, full = 0.3, 3.3, -8.0
    told = foreseen_u(
        full, rms, damping=0.7, walls=walls, scatter_um=scatter, u_shared_um=0.05, u_drift_um=0.3,
        u_response=0.4,
    )  # fmt: skip
    u = math.hypot(scatter / math.sqrt(walls), 0.05)
    u_within = scatter / (math.sqrt(walls) * rms)
    shift = np.array([0.0, 0.7 * full, full / response])
    rows = np.column_stack([np.ones(3), np.arange(3.0), shift]) / u
    rows = np.vstack([rows, [0, 1 / 0.3, 0], [0, 0, 1 / 0.4], [0, 0, 1 / u_within]])
    errors = []
    for _ in range(runs):
        drift, r = 0.3 * rng.standard_normal(), 1.0 + 0.4 * rng.standard_normal()
        means = drift * np.arange(3) + r * shift + u * rng.standard_normal(3)
        within = r + u_within * rng.standard_normal()
        right = [*(means / u), 0.0, 1 / 0.4, within / u_within]
        b, d, found = np.linalg.lstsq(rows, np.array(right), rcond=None)[0]
        came = 3 * drift + r * shift[2] + scatter / math.sqrt(walls) * rng.standard_normal()
        errors.append(came - (b + 3 * d + found * shift[2]))
    # A standard deviation of 4000 draws is known to 1.1 %.
    assert np.std(errors) == pytest.approx(told, rel=0.04)


def test_the_answer_within_a_print_is_not_moved_by_drift_or_by_a_lean_with_distance():
    apart = np.array([1.0, -3.0, 1, 1, 1, 1, -3.0, 1])
    distance = 100.0 * (np.arange(8) - 3.5)
    chance = np.array([0.1, -0.1, -0.1, 0.1, 0.1, -0.1, -0.1, 0.1])
    found = [answer_within(apart, 0.7 * apart + chance + lean, distance) for lean in
             (0.0, 5.0, 5.0 + 0.01 * distance)]  # fmt: skip
    for one in found:
        assert one == pytest.approx(found[0], abs=1e-12)
    response, lever, scatter, freedom = found[0]
    # Least squares by hand: chance sums to 0 and to -0.2 over the two held back, so that the
    # answer is off by (-3 · -0.2 + 1 · 0.2) / 24.
    assert response == pytest.approx(0.7 + 0.8 / 24)
    assert lever == pytest.approx(math.sqrt(24.0))
    assert freedom == 5
    assert scatter == pytest.approx(math.sqrt((8 * 0.01 - 0.8**2 / 24) / 5))


def test_the_answer_is_as_uncertain_as_told_where_walls_lean_again_as_they_did():
    # Leans of walls of their own that come back in each print are as good as chance here: the
    # walls to hold back were chosen by their place alone.
    rng = np.random.default_rng(8)
    apart = np.array([1.0, -3.0, 1, 1, 1, 1, -3.0, 1])
    distance = 100.0 * (np.arange(8) - 3.5)
    off = []
    for _ in range(3000):
        response, lever, scatter, _ = answer_within(
            apart, 0.8 * apart + 0.3 * rng.standard_normal(8), distance
        )
        off.append((response - 0.8) / (scatter / lever))
    # Student's t of 5 degrees of freedom: its standard deviation is sqrt(5 / 3), and 95 % lie
    # within 2.571. Of 3000 the share is known to 0.4 %.
    assert np.mean(np.abs(off) < 2.571) == pytest.approx(0.95, abs=0.015)


def test_too_few_walls_or_even_shifts_tell_no_answer():
    place = np.arange(8.0)
    assert answer_within(np.zeros(8), place, place) is None
    assert answer_within(place, place, place) is None
    assert answer_within(np.array([1.0, -2, 1, 0]), np.arange(4.0), np.arange(4.0)) is None


def test_the_estimate_with_walls_held_back_is_that_of_least_squares():
    s, m, u = np.array([0.0, -3.2]), np.array([4.5, 2.2]), 0.08
    scatter = u * math.sqrt(8)
    evidence = WallEvidence(scatter, 7, 8, 0.0)
    told = replace(evidence, response=0.65, lever_um=5.0)
    prints = [PastPrint(s[0], m[0], 9.9, evidence), PastPrint(s[1], m[1], 9.9, told)]
    found = estimate_response(prints, rise_um=RISE_UM)
    drift = RISE_UM * math.radians(0.3)
    within = scatter / 5.0
    rows = np.array([[1, 0, s[0]], [1, 1, s[1]]]) / u
    rows = np.vstack([rows, [0, 1 / drift, 0], [0, 0, 1 / 0.4], [0, 0, 1 / within]])
    right = [*(m / u), 0.0, 1 / 0.4, 0.65 / within]
    b, d, r = np.linalg.lstsq(rows, np.array(right), rcond=None)[0]
    covariance = np.linalg.inv(rows.T @ rows)
    # The grid steps by 0.001.
    assert found.value == pytest.approx(r, abs=1e-3)
    assert found.u == pytest.approx(math.sqrt(covariance[2, 2]), rel=0.01)
    assert found.ahead_um == pytest.approx(b + 2 * d + r * s[1], abs=2e-3)
    assert "held back" in found.told


def test_prints_share_one_scatter_unless_one_is_unlike_the_others():
    def u_ahead(scatters):
        prints = [PastPrint(x, 2.0 + 0.8 * x, 0.5, WallEvidence(s, 7, 8, 0.0))
                  for x, s in zip((0.0, -3.0, -2.0), scatters, strict=True)]  # fmt: skip
        return estimate_response(prints, rise_um=RISE_UM).u_ahead_um

    # Root mean square of the scatters, each with seven degrees of freedom.
    one = math.sqrt((0.1**2 + 0.15**2 + 0.2**2) / 3)
    assert u_ahead((0.1, 0.15, 0.2)) == pytest.approx(u_ahead((one,) * 3), rel=1e-9)
    # Ten times the scatter: F of 100 against 8.9, which chance passes once in 200.
    assert u_ahead((0.1, 0.1, 1.0)) > 1.5 * u_ahead((0.1, 0.1, 0.1))


def test_walls_are_even_again_after_they_have_told_the_answer():
    rng = np.random.default_rng(3)
    printer = Printer(0.7, 0.2)
    (first,) = choose([measured(printer.leans_deg(0.0, 0, 0.3 * rng.standard_normal(8)), rng)])
    assert first.witnesses is not None
    assert first.witnesses.walls == (1, 6)
    held, others = first.expected_of
    assert (held.witness, held.wall_ids, others.witness) == (True, (1, 6), False)
    assert held.change_um == pytest.approx(0.0, abs=1e-9)
    tilts = printer.leans_deg(first.change_um, 1, 0.3 * rng.standard_normal(8))
    seen = measured(tilts, rng)
    for group, own in ((held, [1, 6]), (others, [0, 2, 3, 4, 5, 7])):
        assert abs(seen.offset_um[own].mean() - group.expected_um) < 2 * group.u_expected_um
    seen = replace(
        seen, shift_used_um=float(first.change_um.mean()), apart_um=first.witnesses.apart_um
    )
    # No history is given: the walls alone tell the response.
    (second,) = choose([seen])
    assert second.response.from_history
    assert abs(second.response.value - 0.7) < 2 * second.response.u
    # Scatter 0.3° over the lever sqrt(8) 3.3°: 0.032, drawn in by the prior of 0.4 by nothing.
    assert second.response.u < 0.06
    total = first.change_um + second.change_um
    assert total == pytest.approx(np.full(8, total[0]), abs=1e-9)
    assert second.witnesses is None


def test_a_scan_of_few_of_the_walls_makes_them_even_without_an_answer():
    # Four walls are seen, one of them held back by 2 µm per fibre, which came; the lean of 3° is
    # the same in all.
    rng = np.random.default_rng(2)
    apart = np.array([0.0, 2.0, 0.0, 0.0])
    seen = measured(np.full(4, 3.0), rng)
    seen = replace(seen, offset_um=seen.offset_um + apart, apart_um=apart)
    (change,) = choose([seen])
    assert not change.response.from_history
    assert change.level == "family"
    even = change.change_um + apart
    assert even == pytest.approx(np.full(4, even.mean()), abs=1e-9)


def test_asked_not_to_all_walls_get_the_same():
    rng = np.random.default_rng(3)
    (change,) = choose([measured(8.0 + 0.3 * rng.standard_normal(8), rng)], no_witnesses="not so")
    assert np.ptp(change.change_um) == pytest.approx(0.0, abs=1e-12)
    assert change.witnesses is not None
    assert change.witnesses.reason == "not so"


def test_walls_that_would_lose_their_support_are_not_set_apart():
    # Welded walls of 20 µm fibres that rise by 18 µm: a wall that leans by 30° lies 10.4 µm beside
    # the one below it, and held back would go on doing so.
    rng = np.random.default_rng(1)
    seen = measured(30.0 + 0.2 * rng.standard_normal(8), rng)
    seen = replace(seen, rise_um=18.0, offset_um=seen.offset_um * 18 / 32)
    (change,) = choose([seen])
    assert change.shifts
    assert change.witnesses is not None
    assert change.witnesses.walls == ()
    assert "would not be held up" in change.witnesses.reason
