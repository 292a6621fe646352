"""Pieces of paths put together by the shape that a family's walls share."""

from __future__ import annotations

import numpy as np
import pytest

from volscan.fibres.alike import alike_walls
from volscan.fibres.paths import WallPath

THICKNESS = 20.0


def _wave(offset: float, start: float, end: float, sign: float = 1.0) -> WallPath:
    s = np.arange(start, end, 5.0)
    return WallPath(np.stack([s, offset + sign * 30.0 * np.sin(2 * np.pi * s / 240.0)], axis=1))


def _all_clear(points: np.ndarray) -> np.ndarray:
    return np.ones(len(points), np.bool_)


def _strays(walls: list[WallPath], offset: float, sign: float = 1.0) -> float:
    """Return how far the wall nearest to an offset strays from the wave it should be.

    The last thickness and a half is left out: smoothing is linear at ends.
    """
    means = [float(np.mean(w.points_um[:, 1])) for w in walls]
    wall = walls[int(np.argmin(np.abs(np.array(means) - offset)))]
    s, n = wall.points_um[(wall.points_um[:, 0] > 30.0) & (wall.points_um[:, 0] < 450.0)].T
    return float(np.abs(n - offset - sign * 30.0 * np.sin(2 * np.pi * s / 240.0)).max())


def test_pieces_of_two_walls_become_two_whole_walls() -> None:
    pieces = [_wave(0.0, 0.0, 480.0), _wave(120.0, 0.0, 200.0), _wave(120.0, 260.0, 480.0)]
    walls = alike_walls(pieces, _all_clear, thickness_um=THICKNESS).walls
    assert len(walls) == 2
    assert min(float(np.ptp(w.points_um[:, 0])) for w in walls) > 460.0
    # The exact wave goes in. A line between places 10 µm apart cuts off 30 (2π 10/240)²/8 = 0.26 µm
    # at a crest, a cubic over 60 µm no more, and the offset is a median over half a wave.
    assert _strays(walls, 120.0) < 1.0


def test_a_mirrored_wall_is_carried_on_as_mirrored() -> None:
    pieces = [_wave(0.0, 0.0, 480.0), _wave(120.0, 0.0, 300.0, -1.0)]
    walls = alike_walls(pieces, _all_clear, thickness_um=THICKNESS).walls
    assert len(walls) == 2
    assert _strays(walls, 120.0, -1.0) < 1.0


def test_a_stretch_taken_along_another_wall_is_left_out() -> None:
    strayed = _wave(120.0, 0.0, 480.0)
    points = strayed.points_um.copy()
    wrong = (points[:, 0] > 200.0) & (points[:, 0] < 260.0)
    points[wrong, 1] += 40.0
    pieces = [_wave(0.0, 0.0, 480.0), WallPath(points)]

    def clear(at: np.ndarray) -> np.ndarray:
        return ~((at[:, 0] > 195.0) & (at[:, 0] < 265.0) & (at[:, 1] > 60.0))

    walls = alike_walls(pieces, clear, thickness_um=THICKNESS).walls
    assert len(walls) == 2
    assert _strays(walls, 120.0) < 1.0


@pytest.mark.parametrize("count", [2, 3])
def test_walls_of_no_common_shape_stay_as_they_are(count: int) -> None:
    s = np.arange(0.0, 480.0, 5.0)
    pieces = [
        WallPath(np.stack([s, 300.0 * k + 25.0 * k * np.sin(2 * np.pi * s / (90.0 * k))], axis=1))
        for k in range(1, count + 1)
    ]
    walls = alike_walls(pieces, _all_clear, thickness_um=THICKNESS).walls
    assert [w.length_um for w in walls] == [p.length_um for p in pieces]


def test_a_path_that_changes_walls_is_two_pieces_and_strangers_join() -> None:
    one, other = _wave(0.0, 0.0, 240.0), _wave(120.0, 240.0, 480.0)
    switched = WallPath(np.vstack([one.points_um, other.points_um]))
    pieces = [_wave(-120.0, 0.0, 480.0), switched]
    strangers = [_wave(0.0, 220.0, 480.0), _wave(120.0, 0.0, 250.0)]
    found = alike_walls(pieces, _all_clear, thickness_um=THICKNESS, strangers=strangers)
    walls = found.walls
    assert len(walls) == 3
    assert found.joined == [0, 1]
    assert _strays(walls, 0.0) < 1.0
    assert _strays(walls, 120.0) < 1.0
