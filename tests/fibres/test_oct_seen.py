"""Fibres that shadow hides, fibres that are missing, walls that are welded."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from volscan.fibres.columns import family_axes
from volscan.fibres.lines import FittedWall
from volscan.fibres.oct_section import SectionOptics, Stack
from volscan.fibres.oct_seen import light_on, present_fibres, reach_of, shadow_notice, top_only
from volscan.frame.plate import plate_frame

# Each crossing of a fibre leaves exp(-3), nothing else is lost.
DARK = SectionOptics(
    1.0, 1.47, flank=0.0, loss_per_um=1e-9, crossing=3.0, cone=0.003, sigma_um=(3.0, 2.2)
)


def stack(levels: list[float]) -> Stack:
    """Round fibres 10 µm thick, upright, 30 µm apart, from the top."""
    n = len(levels)
    heights = 10.0 + 30.0 * np.arange(n)[::-1]
    return Stack(np.zeros(n), heights, np.full(n, 5.0), np.log(np.array(levels)))


def test_light_falls_by_every_fibre_above():
    assert light_on(stack([1.0, 1.0, 1.0]), DARK) == pytest.approx(np.exp([0.0, -3.0, -6.0]))


def test_a_fibre_far_weaker_than_its_layer_is_missing():
    # Amplitude 10 is 100 floors; 5 of them are left under one crossing: seen.
    walls = [stack([10.0, 10.0]), stack([10.0, 10.0]), stack([10.0, 0.5])]
    there, unseen = present_fibres(walls, DARK)
    assert [t.tolist() for t in there] == [[True, True], [True, True], [True, False]]
    assert unseen == 0
    assert shadow_notice(unseen) == ()


def test_a_fibre_in_deep_shadow_is_neither_there_nor_missing():
    # 100 floors exp(-6) = 0.25 under two crossings: in the noise, whatever the fit says.
    walls = [stack([10.0, 10.0, 10.0])] * 3
    there, unseen = present_fibres(walls, DARK)
    assert [t.tolist() for t in there] == [[True, True, False]] * 3
    assert unseen == 3
    assert shadow_notice(unseen)[0].count == 3
    # Where the fibre above is missing, its shadow is too.
    one = [*walls, stack([10.0, 0.5, 10.0])]
    assert present_fibres(one, DARK)[0][3].tolist() == [True, False, True]


def wall(heights: list[float], family: int = 0) -> FittedWall:
    """A wall along x of round fibres 20 µm thick at heights above the base, from the lowest."""
    h = np.array([-1.0, 0.0, 0.0])
    axes = family_axes(np.array([0.0, 0.0, 1.0]), h)
    up = np.tile(np.array(heights), (3, 1))
    along = np.tile(np.array([[0.0], [50.0], [100.0]]), (1, up.shape[1]))
    places = np.stack([along, np.zeros_like(up), up], axis=-1)
    n = up.shape[1]
    return FittedWall(
        family, axes, np.ones(n, bool), along[:, 0], places[..., 1], up, np.full(n, 10.0),
        np.full(n, 0.1), 1.0, 0.0, 100.0, 0.0, places, np.zeros((3, n, 2)),
    )  # fmt: skip


FRAME = plate_frame(
    np.array([-1.0, 0.0, 0.0]), base_um=0.0, up="-z", mirrored=False, u_tilt_deg=0.1, h_from=""
)


@pytest.mark.parametrize(
    ("walls", "floats", "welded"),
    [
        # Two families laid in turn: the second rests on the first.
        ([wall([10.0, 42.0]), wall([26.0, 58.0], 1)], False, False),
        # The lowest layer is not seen: 16 µm lie under the lowest of all, more than half a fibre.
        ([wall([42.0, 74.0]), wall([26.0, 58.0], 1)], True, False),
        ([wall([74.0, 106.0]), wall([58.0, 90.0], 1)], True, False),
        # Top fibres alone, far above the collector.
        ([wall([55.0]), wall([55.0], 1)], True, True),
        # Fibres that overlap.
        ([wall([10.0, 25.0, 40.0]), wall([10.0, 25.0], 1)], True, True),
        # One layer of single fibres.
        ([wall([10.0])], False, False),
    ],
)
def test_what_a_print_rests_on(walls, floats, welded):
    reach = reach_of(walls, FRAME)
    assert (reach.floats, reach.welded) == (floats, welded)


def test_of_a_welded_wall_the_top_fibre_is_left_with_a_wide_u():
    top = top_only(wall([10.0, 25.0, 40.0]))
    assert top.up_um[0].tolist() == [40.0]
    assert top.present.tolist() == [True]
    assert top.u_radius_um[0] == pytest.approx(math.hypot(0.1, 2.0))
    assert replace(top, misfit=0.0).centres().shape == (3, 1, 3)
