"""Two scaffolds of different pitch in one scan, and one scaffold that must not be split."""

from __future__ import annotations

import numpy as np
import pytest

from volscan.fibres.columns import FamilyAxes
from volscan.fibres.gather import FamilyTrack, WallTrack
from volscan.fibres.parts import by_part
from volscan.phantom.make import phantom_from_dict
from volscan.pipeline import measure


def _wall(position: float, start: float, end: float) -> WallTrack:
    return WallTrack(
        position_um=position,
        slope=0.0,
        offset_um=np.zeros(2),
        height_um=np.array([10.0, 30.0]),
        radius_um=np.full(2, 10.0),
        present=np.ones(2, np.bool_),
        start_um=start,
        end_um=end,
    )


X, Y, Z = np.eye(3)[2], np.eye(3)[1], np.eye(3)[0]
ALONG_X, ALONG_Y = FamilyAxes(X, Y, Z), FamilyAxes(Y, -X, Z)


def _grid(x0: float, y_reach: float, x_reach: float) -> tuple[list[WallTrack], list[WallTrack]]:
    rows = [_wall(y, x0 - x_reach, x0 + x_reach) for y in (-60.0, 0.0, 60.0)]
    columns = [_wall(-(x0 + x), -y_reach, y_reach) for x in (-60.0, 0.0, 60.0)]
    return rows, columns


def test_scaffolds_apart_are_split() -> None:
    one, other = _grid(0.0, 80.0, 80.0), _grid(220.0, 80.0, 80.0)
    families = [
        FamilyTrack(ALONG_X, tuple(one[0] + other[0])),
        FamilyTrack(ALONG_Y, tuple(one[1] + other[1])),
    ]
    assert [len(f.walls) for f in by_part(families)] == [3, 3, 3, 3]


def test_one_scaffold_and_a_lonely_wall_stay_together() -> None:
    rows, columns = _grid(0.0, 80.0, 80.0)
    families = [
        FamilyTrack(ALONG_X, (*rows, _wall(300.0, -80.0, 80.0))),
        FamilyTrack(ALONG_Y, tuple(columns)),
    ]
    assert by_part(families) is families


def test_walls_of_one_direction_are_no_scaffolds() -> None:
    families = [FamilyTrack(ALONG_X, tuple(_wall(y, 0.0, 400.0) for y in (0.0, 100.0, 200.0)))]
    assert by_part(families) is families


def test_two_pitches_are_measured_as_such() -> None:
    grid = {"directions_deg": [0, 90], "diameter_um": 20.0, "layers": 4, "layer_height_um": 16.0}
    design = {
        "name": "two-pitches",
        "scaffold": {**grid, "spacing_um": 90.0, "walls": 3, "overhang_um": 20.0},
        "part": [
            {
                **grid,
                "spacing_um": 130.0,
                "walls": 3,
                "overhang_um": 20.0,
                "offset_um": [320, 0, 0],
            }
        ],
        "scanner": {"voxel_um": 4.0, "psf_fwhm_um": 8.0, "contrast_to_noise": 12, "seed": 3},
    }
    volume, _, _ = phantom_from_dict(design, throats_too=False)
    families = measure(volume, up="+z", mirrored=False).to_dict()["fibres"]["families"]
    spacings = sorted(f["spacing_um"]["value"] for f in families)
    # A spacing is known to a fraction of its u; 0.5 % is what is asked of it anywhere.
    assert spacings == pytest.approx([90.0, 90.0, 130.0, 130.0], rel=0.005)
