"""What breaks the symmetry of a print's place on the machine: a corner notch, a marker wall."""

from __future__ import annotations

import numpy as np
import pytest

from tests.toolpath.documents import document
from tests.toolpath.printing import flat_file
from volscan.errors import InputError
from volscan.toolpath import Asked, correct

# Five walls each way, 100 µm apart, all leaning alike: nothing in them tells one way from another.
SIDE, SPACING = 5, 100.0
LEANING = {0.0: [5.0, 5.1, 4.9, 5.0, 5.0], 90.0: [-4.0, -4.1, -3.9, -4.0, -4.0]}
ASKED = Asked(damping=1.0)


def seen(x: np.ndarray, y: np.ndarray, *, quarter: int, mirrored: bool) -> dict:
    """Return the walls' lengths as a scan shows them that lies turned by quarter turns.

    `x` and `y` are the lengths of the walls along X and Y of the machine, in order of Y and of X.
    Positions count along the left normals: +Y of walls along X, -X of walls along Y.
    """
    for _ in range(quarter):
        # Turned by -90°: (x, y) goes to (y, -x). Walls along X come to lie along Y, in the order
        # of their old Y; walls along Y along X, in the order of their old X, backwards.
        x, y = y[::-1], x
    if mirrored:
        y = y[::-1]
    return {0.0: list(x), 90.0: list(y[::-1])}


def lengths(notch: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return the lengths of walls along X and along Y, 40 µm of overhang at either end."""
    whole = (SIDE - 1) * SPACING + 80.0
    x, y = np.full(SIDE, whole), np.full(SIDE, whole)
    if any(notch):
        x[SIDE - notch[1] :] -= notch[0] * SPACING
        y[SIDE - notch[0] :] -= notch[1] * SPACING
    return x, y


def corrected(notch: tuple[int, int], *, quarter: int = 0, mirrored: bool = False):
    x, y = lengths(notch)
    text = flat_file(walls=(SIDE, SIDE), notch=notch)
    scan = document(LEANING, lengths=seen(x, y, quarter=quarter, mirrored=mirrored))
    return correct(scan, text.encode(), asked=ASKED)


def test_a_square_pattern_fits_in_four_ways_and_none_is_guessed():
    with pytest.raises(InputError, match=r"symmetric: .* turned by 0°, 90°, 180°, 270°") as told:
        corrected((0, 0))
    assert "--rotation" in str(told.value)


@pytest.mark.parametrize("quarter", [0, 1, 2, 3])
@pytest.mark.parametrize("notch", [(1, 1), (2, 2), (2, 1)])
def test_a_corner_notch_tells_which_of_four_ways_it_is(notch, quarter):
    # The scan lies turned by -90° a quarter: it has to be turned back by as much.
    done = corrected(notch, quarter=quarter)
    assert done.placement.rotation_deg % 360 == pytest.approx(90.0 * quarter, abs=0.01)
    assert not done.placement.mirrored
    # The walls along the scan's X lean to their left; on the machine that side is turned too.
    x_walls, y_walls = (
        [w for w in done.walls if abs(np.cos(np.radians(w["direction_deg"]))) > 0.5],
        [w for w in done.walls if abs(np.cos(np.radians(w["direction_deg"]))) < 0.5],
    )
    shift = np.array([y_walls[2]["change_x_um"], x_walls[2]["change_y_um"]])
    # 32 µm tan 5° = 2.80 toward +Y and 32 µm tan(-4°) = -2.24 along -X lean; unturned the change
    # is (-2.24, -2.80).
    unturned, turn = np.array([-2.24, -2.80]), np.radians(90.0 * quarter)
    c, s = np.cos(turn), np.sin(turn)
    assert shift == pytest.approx([[c, -s], [s, c]] @ unturned, abs=0.03)


@pytest.mark.parametrize("quarter", [0, 1, 2, 3])
def test_an_unequal_notch_tells_a_mirrored_scan(quarter):
    with pytest.raises(InputError, match="only when mirrored"):
        corrected((2, 1), quarter=quarter, mirrored=True)


def test_a_notch_as_long_as_wide_cannot_tell_a_mirrored_scan():
    # It is its own mirror image about the diagonal: mirrored, it is met a quarter turn farther on.
    # This is why handedness has to be confirmed with the scan.
    done = corrected((2, 2), mirrored=True)
    assert not done.placement.mirrored
    assert done.placement.rotation_deg % 360 == pytest.approx(270.0, abs=0.01)


@pytest.mark.parametrize("quarter", [0, 1, 2, 3])
def test_a_marker_wall_tells_which_of_four_ways_it_is(quarter):
    # The second wall along X is left out: gaps of 200, 100 and 100 µm, once, from one end.
    places = np.array([-250.0, -50.0, 50.0, 150.0, 250.0])
    text = "\n".join(
        r
        for r in flat_file(walls=(6, 6)).splitlines()
        if "Y0.10000" not in r or ("X-0.04" not in r and "X0.54" not in r)
    )
    even = np.linspace(-250.0, 250.0, 6)
    x, y = places, even
    for _ in range(quarter):
        # As lengths are turned above, with places along the left normals.
        x, y = -y[::-1], x
    along_x, along_y = x, -y[::-1]
    leans = {0.0: [5.0] * len(along_x), 90.0: [-4.0] * len(along_y)}
    scan = document(leans, positions={0.0: list(along_x), 90.0: list(along_y)})
    done = correct(scan, text.encode(), asked=ASKED)
    assert done.placement.rotation_deg % 360 == pytest.approx(90.0 * quarter, abs=0.01)
