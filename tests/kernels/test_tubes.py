"""Tubes drawn into voxels, held against closed forms and a plain slow reference."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from volscan.kernels.tubes import render_tubes


def _plain(lines, radii, shape, spacing, samples=8):
    """Count sample points that are nearer to a polyline than its radius there, flat at the ends."""
    axes = [
        ((np.arange(n * samples) + 0.5) / samples - 0.5) * s
        for n, s in zip(shape, spacing, strict=True)
    ]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    inside = np.zeros(points.shape[:-1], dtype=bool)
    for line, radius in zip(lines, radii, strict=True):
        best = np.full(inside.shape, np.inf)
        for a, b, ra, rb in zip(line[:-1], line[1:], radius[:-1], radius[1:], strict=True):
            t = np.clip((points - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)
            away = np.linalg.norm(points - a - t[..., None] * (b - a), axis=-1)
            best = np.minimum(best, away - (ra + t * (rb - ra)))
        first = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
        last = (line[-1] - line[-2]) / np.linalg.norm(line[-1] - line[-2])
        within = ((points - line[0]) @ first >= 0) & ((points - line[-1]) @ last <= 0)
        inside |= (best <= 0) & within
    z, y, x = shape
    return inside.reshape(z, samples, y, samples, x, samples).mean(axis=(1, 3, 5))


@settings(max_examples=25, deadline=None)
@given(
    st.floats(0, 180),
    st.floats(0, 90),
    st.tuples(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1)),
)
def test_volume_of_a_cylinder_five_voxels_across(azimuth, elevation, shift):
    a, e = math.radians(azimuth), math.radians(elevation)
    way = np.array([math.sin(e), math.cos(e) * math.sin(a), math.cos(e) * math.cos(a)])
    middle = 24.0 + np.array(shift)
    line = np.stack([middle - 15 * way, middle + 15 * way])
    share = render_tubes([line], [np.full(2, 2.5)], shape=(50, 50, 50), spacing_um=(1, 1, 1))
    # 0.2 %: planes in thirds of a voxel leave up to 0.07 % on the mantle; the flat ends, whose
    # edges are rounded by a third of a voxel, add 0.04 % at this length.
    assert share.sum(dtype=np.float64) == pytest.approx(math.pi * 2.5**2 * 30, rel=2e-3)


def test_error_falls_as_voxels_shrink():
    errors = []
    for n in (1, 2):
        line = np.array([[12.3, 11.6, 4.0], [12.3, 11.6, 20.0]]) * n
        share = render_tubes(
            [line], [np.full(2, 1.6 * n)], shape=(24 * n,) * 3, spacing_um=(1, 1, 1)
        )
        errors.append(abs(share.sum(dtype=float) / (math.pi * 1.6**2 * 16 * n**3) - 1))
    assert errors[1] < errors[0]


def test_same_as_the_plain_reference_voxel_by_voxel():
    s = np.linspace(0, 1, 12)
    bent = np.column_stack([8 + 2 * s, 9 + 4 * np.sin(4 * s), 3 + 20 * s])
    straight = np.array([[9.0, 2.0, 12.0], [9.5, 20.0, 13.0]])
    lines, radii = [bent, straight], [np.linspace(2.0, 3.0, 12), np.full(2, 2.4)]
    spacing = (1.5, 1.0, 1.0)
    shape = (12, 24, 26)
    share = render_tubes(lines, radii, shape=shape, spacing_um=spacing)
    plain = _plain(lines, radii, shape, spacing)
    # 8³ points a voxel scatter by about 0.02 where a surface crosses; planes in thirds err by
    # less. Single voxels at flat ends and weld lines by up to 0.1.
    assert np.abs(share - plain).max() < 0.12
    assert np.sqrt(np.mean((share - plain)[(plain > 0) & (plain < 1)] ** 2)) < 0.025
    assert share.sum(dtype=float) == pytest.approx(plain.sum(), rel=3e-3)


def test_crossing_cylinders_count_their_overlap_once():
    # Two perpendicular equal cylinders with crossing axes share 2 d³ / 3 (Steinmetz).
    d, length = 12.0, 40.0
    lines = [
        np.array([[25.2, 25.4, 5.0], [25.2, 25.4, 45.0]]),
        np.array([[25.2, 5.4, 25.0], [25.2, 45.4, 25.0]]),
    ]
    share = render_tubes(lines, [np.full(2, d / 2)] * 2, shape=(51, 51, 51), spacing_um=(1, 1, 1))
    union = 2 * math.pi * d**2 / 4 * length - 2 * d**3 / 3
    assert share.sum(dtype=float) == pytest.approx(union, rel=1e-3)


def test_a_part_of_a_scan_is_the_part_of_the_whole():
    line = np.array([[10.0, 3.0, 4.0], [14.0, 25.0, 22.0]])
    whole = render_tubes([line], [np.full(2, 2.2)], shape=(26, 30, 28), spacing_um=(1, 1, 1))
    part = render_tubes(
        [line], [np.full(2, 2.2)], shape=(10, 17, 15), spacing_um=(1, 1, 1), origin_um=(7, 5, 6)
    )
    np.testing.assert_allclose(part, whole[7:17, 5:22, 6:21], atol=1e-5)


def test_points_on_a_straight_run_change_nothing():
    few = np.array([[10.0, 3.0, 4.0], [14.0, 25.0, 22.0]])
    many = few[0] + np.linspace(0, 1, 40)[:, None] * (few[1] - few[0])
    shape = (26, 30, 28)
    a = render_tubes([few], [np.full(2, 2.2)], shape=shape, spacing_um=(1, 1, 1))
    b = render_tubes([many], [np.full(40, 2.2)], shape=shape, spacing_um=(1, 1, 1))
    np.testing.assert_allclose(a, b, atol=1e-5)


def test_nothing_to_draw():
    assert not render_tubes([], [], shape=(3, 4, 5), spacing_um=(1, 1, 1)).any()
    point = np.zeros((2, 3))
    assert not render_tubes([point], [np.ones(2)], shape=(3, 4, 5), spacing_um=(1, 1, 1)).any()
