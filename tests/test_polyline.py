"""Lengths along polylines, against their closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from volscan.polyline import arc_lengths, at_lengths


def test_a_quarter_circle_is_as_long_as_its_chords() -> None:
    n, radius = 500, 7.0
    angle = np.linspace(0.0, 0.5 * np.pi, n + 1)
    arc = arc_lengths(radius * np.stack([np.cos(angle), np.sin(angle)], axis=1))
    # A chord of angle a is 2 r sin(a / 2) long.
    assert arc[0] == 0.0
    assert arc[-1] == pytest.approx(n * 2.0 * radius * np.sin(0.25 * np.pi / n), rel=1e-12)


def test_columns_are_told_between_corners_and_held_beyond_the_ends() -> None:
    points = np.array([[0.0, 0.0, 5.0], [3.0, 4.0, 5.0], [3.0, 6.0, 7.0]])
    arc = arc_lengths(points[:, :2])
    told = at_lengths(points, arc, np.array([-1.0, 2.5, 6.0, 99.0]))
    assert told == pytest.approx(
        np.array([[0.0, 0.0, 5.0], [1.5, 2.0, 5.0], [3.0, 5.0, 6.0], [3.0, 6.0, 7.0]])
    )
