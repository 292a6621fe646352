"""Fibres whose radius changes along them, and plan outlines of any shape, against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from volscan.phantom.integrate import mean_solid_height
from volscan.phantom.polygon import is_convex, length_within
from volscan.phantom.raster import cover


def tapered_volume(r0: float, r1: float, length: float) -> float:
    """Volume of all balls between two: a frustum and two caps of spheres, textbook geometry."""
    k = (r0 - r1) / length
    c = math.sqrt(1 - k**2)
    frustum_length = length - k * (r0 - r1)
    frustum = math.pi / 3 * frustum_length * c**2 * (r0**2 + r0 * r1 + r1**2)
    low_cap = r0 * (1 + k)
    high_cap = r1 * (1 - k)
    return (
        frustum
        + math.pi * low_cap**2 * (3 * r0 - low_cap) / 3
        + math.pi * high_cap**2 * (3 * r1 - high_cap) / 3
    )


CASES = [
    ((0.0, 0.0, 1.0), 6.0, 3.0),
    ((1.0, 0.0, 0.0), 3.0, 7.0),
    ((1.0, 2.0, 0.5), 6.0, 2.0),
    ((0.0, 0.02, 1.0), 5.0, 4.999),
]


@pytest.mark.parametrize(("along", "r0", "r1"), CASES)
def test_lines_and_voxels_hold_the_volume_of_a_tapered_fibre(along, r0, r1):
    u = np.array(along) / np.linalg.norm(along)
    middle = np.array([20.0, 20.0, 20.0])
    segments = np.array([[middle - 9 * u, middle + 9 * u]])
    radii = np.array([[r0, r1]])
    exact = tapered_volume(r0, r1, 18.0)
    outline = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 40.0], [0.0, 40.0]])
    height, error = mean_solid_height(
        segments, radius=radii, stretch=1.0, outline=outline, base=0.0, top=40.0
    )
    # The lines state their own standard error; four of them.
    assert height * 1600 == pytest.approx(exact, abs=4 * error * 1600)
    assert error * 1600 < 1e-3 * exact
    share = cover(
        (40, 40, 40), (1.0, 1.0, 1.0), segments=segments[..., ::-1], radius=radii,
        matrix=np.eye(3), offset=np.full(3, 0.5),
    )  # fmt: skip
    # As for cylinders: samples of the surface's own cover leave 2e-3 at radii of few voxels.
    assert share.sum(dtype=np.float64) == pytest.approx(exact, rel=4e-3)


def test_a_taper_too_steep_is_its_larger_ball():
    segments = np.array([[[15.0, 15.0, 15.0], [15.0, 15.0, 17.0]]])
    outline = np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 30.0], [0.0, 30.0]])
    height, error = mean_solid_height(
        segments, radius=np.array([[8.0, 1.0]]), stretch=1.0, outline=outline, base=0.0, top=30.0
    )
    ball = 4 / 3 * math.pi * 8.0**3
    assert height * 900 == pytest.approx(ball, abs=4 * error * 900)


def test_a_slab_and_a_fibre_count_their_overlap_once():
    segments = np.array([[[-5.0, 10.0, 10.0], [25.0, 10.0, 10.0]]])
    outline = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 20.0], [0.0, 20.0]])
    height, error = mean_solid_height(
        segments, radius=4.0, stretch=1.0, outline=outline, base=0.0, top=20.0,
        slabs=np.array([[10.0, 13.0]]),
    )  # fmt: skip
    # Half the cylinder below the slab, the segment above 3 of its radius 4 on top of it.
    above = 16 * math.acos(3 / 4) - 3 * math.sqrt(16 - 9)
    exact = 3 * 400 + 20 * (8 * math.pi + above)
    assert height * 400 == pytest.approx(exact, abs=4 * error * 400)
    share = cover(
        (20, 20, 20), (1.0, 1.0, 1.0), segments=segments[..., ::-1], radius=4.0,
        matrix=np.eye(3), offset=np.full(3, 0.5),
        boxes=np.array([[[10.0, -50.0, -50.0], [13.0, 50.0, 50.0]]]),
    )  # fmt: skip
    assert share.sum(dtype=np.float64) == pytest.approx(exact, rel=2e-3)


def test_outlines_need_not_be_convex():
    # An L of three unit squares, 10 µm each; a fibre along its foot and one across its notch.
    outline = 10.0 * np.array([[0, 0], [2, 0], [2, 1], [1, 1], [1, 2], [0, 2]], dtype=float)
    assert not is_convex(outline)
    assert is_convex(outline[[0, 1, 2, 5]])
    along = np.array([[-5.0, 5.0, 3.0], [40.0, 5.0, 3.0]])
    across = np.array([[-5.0, 15.0, 9.0], [40.0, 15.0, 9.0]])
    both = np.array([along, across])
    assert length_within(outline, both) == pytest.approx(20.0 + 10.0)
    height, error = mean_solid_height(
        both, radius=2.0, stretch=1.0, outline=outline, base=0.0, top=20.0
    )
    assert height * 300 == pytest.approx(30.0 * 4 * math.pi, abs=4 * error * 300)
    assert error * 300 < 2e-3 * 120 * math.pi


def test_a_convex_outline_is_the_same_either_way():
    turn = np.array([[0.8, 0.6], [-0.6, 0.8]])
    square = np.array([[-9.0, -9.0], [9.0, -9.0], [9.0, 9.0], [-9.0, 9.0]]) @ turn
    # A shallow dent of no width makes the same square count as not convex.
    dented = np.insert(square, 1, [square[0] * 0.5 + square[1] * 0.5] * 2, axis=0)
    dented[1] += 1e-3 * (square[3] - square[0])
    fibre = np.array([[[-20.0, 1.0, 5.0], [20.0, 3.0, 6.0]]])
    heights = [
        mean_solid_height(fibre, radius=2.0, stretch=1.0, outline=o, base=0.0, top=20.0)[0]
        for o in (square, dented)
    ]
    # The dent takes half of 18 * 0.018 of 324 µm²: 5e-4.
    assert heights[0] == pytest.approx(heights[1], rel=2e-3)
