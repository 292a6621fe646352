"""First guesses of an OCT wall's fibres, on numbers that can be counted by hand."""

from __future__ import annotations

import numpy as np
import pytest

from volscan.fibres.oct_section import _PLACE, _SHARED, SectionOptics, Stack, _set
from volscan.fibres.oct_stack import count_of, resting_steps

OPTICS = SectionOptics(medium=1.0, polymer=1.47)


def top(height_um: float, half_um: float = 10.0) -> Stack:
    one = np.array([1.0])
    return Stack(0.0 * one, height_um * one, half_um * one, one)


def test_a_rise_a_little_too_large_gets_one_beside_it_that_rests_on_the_collector():
    # Six fibres of 20 µm at 10, 42, ... 170 µm. A rise of 33.4 µm would count five of them.
    assert count_of(170.0, 33.4, 10.0) == 5
    found = resting_steps([33.4], [top(170.0)] * 3, OPTICS)
    assert found[0] == 33.4
    assert min(abs(r - 32.0) for r in found) == pytest.approx(0.0, abs=1e-9)
    assert count_of(170.0, 32.0, 10.0) == 6


def test_fibres_on_a_first_layer_of_another_direction_are_half_a_rise_higher():
    # 26, 58, 90 µm: two whole rises and a half above a fibre that would rest on the collector.
    found = resting_steps([33.0], [top(90.0)], OPTICS)
    assert min(abs(r - 32.0) for r in found) == pytest.approx(0.0, abs=1e-9)


def test_a_rise_that_rests_is_not_tried_twice():
    found = resting_steps([32.0], [top(170.0)], OPTICS)
    assert sum(abs(r / 32.0 - 1.0) < 0.004 for r in found) == 1


@pytest.mark.parametrize("name", [n for n in _SHARED if n != "flatness"])
def test_a_fit_frees_the_constant_that_it_names(name):
    # What is fitted as an array is put where the packed constants have it, and nowhere else.
    moved = _set(OPTICS, (name,), np.array([1.3])).packed(2.0) != OPTICS.packed(2.0)
    assert np.flatnonzero(moved).tolist() == [_PLACE[name]]
