"""Scans of a growing print laid on each other, on walls made by hand and on a small phantom."""

from __future__ import annotations

import math

import numpy as np
import pytest

from volscan.errors import SettingsError
from volscan.fibres.columns import FamilyAxes, family_axes
from volscan.fibres.lines import FittedWall
from volscan.fibres.oct_join import joined_walls
from volscan.fibres.oct_section import SectionOptics
from volscan.fibres.oct_walls import OctWalls
from volscan.frame.plate import plate_frame
from volscan.phantom.oct_keys import oct_from_dict
from volscan.pipeline import measure

H = np.array([-1.0, 0.0, 0.0])
FRAME = plate_frame(H, base_um=0.0, up="-z", mirrored=False, u_tilt_deg=0.0, h_from="by hand")
RADIUS, RISE, GAP = 10.0, 32.0, 90.0


def wall(axes: FamilyAxes, family: int, place: float, heights: list[float], lean: float, move):  # type: ignore[no-untyped-def]
    """Return a wall at a place across that leans by `lean` µm a µm, moved in the plane."""
    s = np.linspace(-100.0, 100.0, 5)
    places = np.empty((s.size, len(heights), 3))
    for k, h in enumerate(heights):
        local = np.stack([s, np.full(s.size, place + lean * h), np.full(s.size, h)], axis=1)
        built = FRAME.to_build(local @ axes.matrix)
        turn, shift = move
        c, n = math.cos(turn), math.sin(turn)
        # What lies at p in the print is seen at the inverse of the motion to be found.
        back = built[:, :2] - shift
        built[:, :2] = back @ np.array([[c, -n], [n, c]])
        places[:, k] = FRAME.to_scan(built) @ axes.matrix.T
    return FittedWall(
        family, axes, np.ones(len(heights), bool), places[..., 0].mean(axis=1), places[..., 1],
        places[..., 2], np.full(len(heights), RADIUS), np.full(len(heights), 0.1), 1.0, -100.0,
        100.0, 0.0, places, np.full((s.size, len(heights), 2), 0.1),
    )  # fmt: skip


def scan(heights: dict[int, list[float]], move=(0.0, np.zeros(2)), walls: int = 3) -> OctWalls:  # type: ignore[no-untyped-def]
    axes = [family_axes(np.array(v), H) for v in ([0.0, 0.0, 1.0], [0.0, 1.0, 0.0])]
    leans = {0: (0.05, -0.08, 0.02), 1: (-0.04, 0.06, 0.01)}
    made = [
        wall(axes[f], f, GAP * (n - 1), heights[f], leans[f][n], move)
        for f in (0, 1)
        for n in range(walls)
    ]
    return OctWalls(made, axes, SectionOptics(medium=1.0, polymer=1.47), [], 0, [])


WHOLE = {0: [10.0, 42.0, 74.0], 1: [26.0, 58.0, 90.0]}


def test_shift_and_turn_are_found_from_shared_fibres():
    turn, shift = math.radians(0.7), np.array([6.0, -11.0])
    old = scan({0: [10.0, 42.0], 1: [26.0, 58.0]}, (turn, shift))
    joined = joined_walls([(old, FRAME), (scan(WHOLE), FRAME)])
    moved = joined.moved[0]
    assert moved is not None
    # Exact lines: only the fit's own steps are left.
    assert moved.turn_deg == pytest.approx(0.7, abs=1e-3)
    assert moved.shift_um == pytest.approx(tuple(shift), abs=1e-2)
    assert moved.shared == 12
    # Walls that lean to both sides: some of the doubt of bent rays cancels, noise is 0.1 µm.
    assert 0.1 < moved.u_um < 2.0


def test_a_hidden_fibre_is_taken_from_the_scan_before():
    turn, shift = math.radians(-0.4), np.array([-3.0, 5.0])
    old = scan({0: [10.0, 42.0], 1: [26.0, 58.0]}, (turn, shift))
    hidden = scan({0: [42.0, 74.0], 1: [58.0, 90.0]})
    joined = joined_walls([(old, FRAME), (hidden, FRAME)])
    true = scan(WHOLE)
    assert [m.taken for m in joined.moved if m is not None] == [6, 12]
    for got, put_in in zip(joined.walls, true.walls, strict=True):
        assert got.present.tolist() == [True] * 3
        assert got.of_scan.tolist() == [0, 1, 1]
        assert got.places_um == pytest.approx(put_in.places_um, abs=0.02)


def test_a_fibre_seen_at_a_wrong_height_does_not_become_two():
    old = scan({0: [10.0, 42.0], 1: [26.0, 58.0]})
    wrong = scan({0: [23.0, 42.0, 74.0], 1: [26.0, 58.0, 90.0]})
    joined = joined_walls([(old, FRAME), (wrong, FRAME)])
    for got in joined.walls:
        assert got.present.tolist() == [True] * 3
    # A whole rise below the next one, as the older scan has it.
    assert joined.walls[0].up_um[:, 0] == pytest.approx(10.0, abs=0.01)


def test_heights_come_from_the_scan_with_least_above():
    old = scan({0: [10.0, 42.0], 1: [26.0, 58.0]})
    new = scan({0: [15.0, 43.0, 74.0], 1: [31.0, 59.0, 90.0]})
    joined = joined_walls([(old, FRAME), (new, FRAME)])
    heights = [w.up_um.mean(axis=0) for w in joined.walls]
    assert heights[0] == pytest.approx(WHOLE[0], abs=1e-6)
    assert heights[3] == pytest.approx(WHOLE[1], abs=1e-6)
    # Places across stay the newest scan's own.
    assert [w.of_scan.tolist() for w in joined.walls] == [[1, 1, 1]] * 6


def test_a_scan_that_shares_nothing_is_left_out_and_all_older_ones():
    new = scan({0: [74.0, 106.0], 1: [90.0, 122.0]})
    old = scan({0: [10.0, 42.0], 1: [26.0, 58.0]})
    joined = joined_walls([(old, FRAME), (old, FRAME), (new, FRAME)])
    assert joined.moved[:2] == (None, None)
    assert [w.up_um.shape[1] for w in joined.walls] == [2] * 6


def test_one_scan_is_left_as_it_is():
    alone = scan(WHOLE)
    assert joined_walls([(alone, FRAME)]).walls == alone.walls


@pytest.fixture(scope="module")
def grown():
    """Two scans of a print, the plate shifted between them by 4 µm along y and -3 along x."""
    print_ = {
        "name": "growing print",
        "scaffold": {
            "directions_deg": [0, 90], "spacing_um": 90, "diameter_um": 20, "layers": 4,
            "layer_height_um": 16, "walls": 3, "overhang_um": 25,
            "lean": {"kind": "mixed", "low": -6, "high": 6}, "seed": 4,
        },
        "oct": {
            "voxel_um": [3.5, 4.0, 4.0], "resolution_fwhm_um": [6.0, 8.0, 8.0],
            "mount_tilt_deg": 2.0, "in_plane_deg": 12.0, "margin_um": [25.0, 15.0, 15.0],
            "averages": 2, "gain": 2.0, "offset": 45.0,
        },
        "volume": [
            {"layers_laid": 2, "shift_um": [0.0, 4.0, -3.0], "seed": 21},
            {"layers_laid": 4, "seed": 22},
        ],
    }  # fmt: skip
    volumes, truth, _ = oct_from_dict(print_, throats_too=False)
    return volumes, truth


def test_a_plate_moved_between_scans_is_told(grown):
    volumes, truth = grown
    results = measure(
        volumes[-1], modality="oct", up="-z", mirrored=False, only_walls=True, earlier=volumes[:-1]
    )
    document = results.to_dict()
    first, last = document["oct"]["joined"]
    # Up is -z: Y of the build frame runs against the array's y.
    for got, put_in in zip(first["shift_um"], (3.0, 4.0), strict=True):
        assert abs(got - put_in) < 2.0 * first["u_um"]
    assert abs(first["turn_deg"]) < 0.3
    assert first["fibres_taken"] + last["fibres_taken"] == truth["fibres"]["count"]
    told = document["settings"]["earlier"]
    assert [t["sha256"] for t in told] == [volumes[0].source.sha256]
    assert results.fibres.layer_count == 4


def test_only_oct_scans_are_joined(grown):
    noise = np.random.default_rng(1).integers(0, 255, (8, 8, 8), np.uint8)
    with pytest.raises(SettingsError, match="OCT only"):
        measure(noise, voxel_um=4.0, earlier=[grown[0][0]])
