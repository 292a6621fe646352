"""Paths traced in a view from above that is drawn from polylines known exactly."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from volscan.fibres.paths import legs_of, turned_at
from volscan.fibres.plan import trace_paths

WIDTH = 10.0

Line = NDArray[np.float64]


def fine(corners: Line) -> Line:
    """Put a point on every half pixel of a polyline [row, column]."""
    parts = [
        a + np.linspace(0.0, 1.0, max(2, int(2 * np.linalg.norm(b - a))))[:, None] * (b - a)
        for a, b in itertools.pairwise(corners)
    ]
    return np.concatenate(parts)


def drawn(lines: list[Line], shape: tuple[int, int], seed: int = 4) -> NDArray[np.float64]:
    """Draw walls of round section from above: the chord's length, one beside the other added."""
    places = np.stack(np.indices(shape), axis=-1).reshape(-1, 2).astype(float)
    view = np.zeros(shape)
    for line in lines:
        off = cKDTree(line).query(places)[0].reshape(shape)
        view += np.sqrt(np.clip((0.5 * WIDTH) ** 2 - off**2, 0.0, None))
    return view + 0.2 * np.random.default_rng(seed).standard_normal(shape)


def cells(*, lean: float) -> list[Line]:
    """Four mirrored walls of closed cells; `lean` pixels is how far their legs lean ahead."""
    period, swing = 150.0, 22.0
    half = 0.5 * (period - 2.0 * lean)
    walls = []
    for w in range(4):
        sign = 1.0 if w % 2 else -1.0
        middle = 60.0 + w * (2.0 * swing + 0.9 * WIDTH)
        corners, at = [], 20.0
        for _ in range(3):
            corners += [[middle + sign * swing, at], [middle + sign * swing, at + half]]
            at += half + lean
            corners += [[middle - sign * swing, at], [middle - sign * swing, at + half]]
            at += half + lean
        walls.append(fine(np.array(corners)))
    return walls


@pytest.mark.parametrize("lean", [25.0, -12.0], ids=["hexagon", "re-entrant"])
def test_walls_side_by_side_do_not_cross(lean: float) -> None:
    walls = cells(lean=lean)
    view = drawn(walls, (280, 500))
    traced = trace_paths(view, width=WIDTH)
    assert len(traced) == len(walls)
    for wall in walls:
        tree = cKDTree(wall)
        off = [np.median(tree.query(path)[0]) for path in traced]
        own = int(np.argmin(off))
        inside = (traced[own][:, 1] > 40) & (traced[own][:, 1] < wall[:, 1].max() - 20)
        # A thinned ridge lies on whole pixels; a bend of 90 degrees is cut by a few.
        assert np.quantile(tree.query(traced[own][inside])[0], 0.9) < 0.35 * WIDTH
        # The legs of re-entrant cells lean back, and are no turns.
        assert legs_of(traced[own], window=20) == (0 if lean > 0 else 5)
        assert len(turned_at(traced[own], window=20, legs=True)) == 1


def test_walls_that_cross_at_a_slant_do_cross() -> None:
    column = np.arange(20.0, 480.0, 0.5)
    slope = 0.12
    rising = np.stack([140.0 + slope * (column - 250.0), column], axis=1)
    falling = np.stack([140.0 - slope * (column - 250.0), column], axis=1)
    traced = trace_paths(drawn([rising, falling], (280, 500)), width=WIDTH)
    assert len(traced) == 2
    for path in traced:
        ends = path[[0, -1]][np.argsort(path[[0, -1], 1])]
        # Each goes on past the crossing: its ends lie on either side of the middle.
        assert (ends[0, 0] - 140.0) * (ends[1, 0] - 140.0) < 0


def test_a_stroke_there_and_back_is_cut_at_its_loop() -> None:
    there = np.stack([np.zeros(100), np.arange(100.0)], axis=1)
    angle = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 30)
    loop = np.stack([20.0 + 20.0 * np.sin(angle), 100.0 + 20.0 * np.cos(angle)], axis=1)
    back = there[::-1] + np.array([40.0, 0.0])
    pieces = turned_at(np.concatenate([there, loop, back]))
    assert [round(float(np.ptp(p[:, 1])), -1) for p in pieces] == [100.0, 100.0]


def test_paths_run_on_along_straight_walls_that_are_known() -> None:
    # A wave whose legs meet straight walls at a slant, one of which ends on the wave.
    column = np.arange(20.0, 480.0, 0.5)
    wave = np.stack([140.0 + 60.0 * np.sin(2 * np.pi * column / 330.0), column], axis=1)
    across = np.arange(20.0, 260.0, 0.5)
    ends = np.array(
        [
            [[20.0, 60.0], [260.0, 300.0]],
            [[20.0, 180.0], [260.0, 420.0]],
            [[20.0, 300.0], [150.0, 430.0]],
        ]
    )
    straight = [a + np.linspace(0.0, 1.0, across.size)[:, None] * (b - a) for a, b in ends]
    view = drawn([wave, *straight], (280, 500))
    traced = trace_paths(view, width=WIDTH, lines=ends)
    off = [cKDTree(wave).query(p)[0] for p in traced]
    own = int(np.argmin([np.median(o) for o in off]))
    # Whole from one side to the other, and never off on a straight wall. Walls are as wide as
    # WIDTH, so that a path within half of it lies in its wall.
    assert np.ptp(traced[own][:, 1]) > 440.0
    assert off[own].max() < 0.5 * WIDTH
