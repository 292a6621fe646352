"""The sign and the size of tilt and shift: a print corrected as advised stands upright.

Nothing passes between the two prints but what the results say. The phantom adds the advised
change to each fibre along the wall's left normal, as a machine would.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from volscan.phantom.make import phantom_from_dict
from volscan.pipeline import measure
from volscan.results import Results
from volscan.volume import Volume

SPACING_UM, DIAMETER_UM = 100.0, 20.0
SCANNER = {
    "voxel_um": 4.0, "psf_fwhm_um": 8.0, "contrast_to_noise": 10.0,
    "mount_tilt_deg": 4.0, "mount_azimuth_deg": 50.0, "in_plane_deg": 12.0, "seed": 3,
}  # fmt: skip
INTERLEAVED = {
    "directions_deg": [0, 90], "spacing_um": SPACING_UM, "diameter_um": DIAMETER_UM, "layers": 8,
    "layer_height_um": 16, "walls": 4, "overhang_um": 30,
    "lean": [[-6, -2, 2.5, 6], [5, 1.5, -3, -7]],
}  # fmt: skip
FUSED = {**INTERLEAVED, "morphology": "fused", "layers": 6, "layer_height_um": 14}

# Asked of the whole method: each wall of the corrected print stands within this.
UPRIGHT_DEG = 0.2


def printed(scaffold: dict[str, Any], scanner: dict[str, Any]) -> Volume:
    volume, _, _ = phantom_from_dict({"scaffold": scaffold, "scanner": scanner}, throats_too=False)
    return volume


def measured(volume: Volume) -> Results:
    return measure(volume, up="+z", mirrored=False, only_walls=True)


def tilts(results: Results) -> list[list[float]]:
    """Tilts by family, walls in order of position."""
    rows: list[list[float]] = [[] for _ in results.fibres.families]
    for wall in results.walls:
        rows[wall.family].append(wall.tilt_deg.value)
    return rows


def wall_advice(results: Results) -> list[list[float]]:
    """Advised change in µm per fibre by family and wall.

    The patch is turned by 12°, so directions of 0 and 90° are met at 12 and 102°: families, walls
    and left normals come in the order in which they are printed.
    """
    assert [f.direction_deg.value for f in results.fibres.families] == pytest.approx(
        [12, 102], abs=0.5
    )
    change = {a.id: a.per_fibre_um.value for a in results.shift.advice if a.level == "wall"}
    rows: list[list[float]] = [[] for _ in results.fibres.families]
    for wall in results.walls:
        rows[wall.family].append(change[wall.id])
    return rows


@pytest.mark.parametrize(
    "scaffold",
    [
        pytest.param(INTERLEAVED, id="interleaved", marks=pytest.mark.slow),
        pytest.param(FUSED, id="fused"),
    ],
)
def test_a_print_shifted_as_advised_wall_by_wall_stands_upright(scaffold):
    first = measured(printed(scaffold, SCANNER))
    assert len(first.walls) == 8
    # It did lean, each wall its own way, or nothing would be shown.
    assert np.array(tilts(first)) == pytest.approx(np.array(scaffold["lean"]), abs=0.3)
    # The reprint is mounted and scanned anew.
    again = {**SCANNER, "mount_tilt_deg": 2.0, "mount_azimuth_deg": 300.0, "seed": 4}
    corrected = {**scaffold, "shift_per_fibre_um": wall_advice(first)}
    second = measured(printed(corrected, again))
    assert len(second.walls) == 8
    for wall in second.walls:
        assert abs(wall.tilt_deg.value) <= UPRIGHT_DEG
        assert wall.lean == "upright"


def test_a_family_shifted_by_its_common_lean_stands_upright():
    # All walls of a direction lean alike, so one change for the family, or for the print, is
    # enough; the vector is the same change in x and y.
    leaning = {**INTERLEAVED, "lean": [5.0, -4.0]}
    first = measured(printed(leaning, SCANNER))
    family = {a.id: a for a in first.shift.advice if a.level == "family"}
    assert family[0].advised
    assert family[1].advised
    for number, direction in ((0, 12.0), (1, 102.0)):
        a = math.radians(direction)
        along_normal = np.dot(family[number].vector_um, (-math.sin(a), math.cos(a)))
        # A direction read 0.1° wrong turns the vector by 2 parts in a million.
        assert along_normal == pytest.approx(family[number].per_fibre_um.value, rel=1e-3)
    change = [family[f].per_fibre_um.value for f in (0, 1)]
    second = measured(printed({**leaning, "shift_per_fibre_um": change}, SCANNER))
    assert np.abs(np.array(tilts(second))).max() <= UPRIGHT_DEG


def covered_share(volume: Volume, *, mid: float) -> float:
    """Share of the middle columns along the image's z that hold polymer in several slices."""
    _, ny, nx = volume.shape
    middle = volume.samples[:, ny // 3 : -(ny // 3), nx // 3 : -(nx // 3)] > mid
    return float((middle.sum(axis=0) >= 3).mean())


def test_walls_that_lean_by_five_degrees_and_look_upright_in_the_image_are_told():
    # Walls along X that lean +5 go by (-tan, +tan) with those along Y: the line common to all of
    # them leans by atan(sqrt 2 tan 5°) toward 135°. Mounted so that this line is the image's z,
    # every wall is upright in the image.
    slope = math.sqrt(2) * math.tan(math.radians(5.0))
    leaning = {**INTERLEAVED, "lean": 5.0}
    scanner = {
        **SCANNER, "contrast_to_noise": 20.0, "in_plane_deg": 0.0,
        "mount_tilt_deg": math.degrees(math.atan(slope)), "mount_azimuth_deg": 315.0,
    }  # fmt: skip
    volume = printed(leaning, scanner)
    # Seen along z they cover no more than upright walls do, 1 - (1 - d/s)² = 0.36; leaning 5° in
    # the image they would cover 1 - (1 - (d + 112 tan 5°)/s)² = 0.51.
    assert covered_share(volume, mid=28000.0) == pytest.approx(0.36, abs=0.04)
    results = measured(volume)
    assert len(results.walls) == 8
    for wall in results.walls:
        # Asked of the whole method.
        assert wall.tilt_deg.value == pytest.approx(5.0, abs=0.1)
        # The level that layers give is part of each wall's uncertainty, so the error must lie
        # well within what is stated: 4 standard uncertainties, 1 in 16 000 for a normal error.
        assert abs(wall.tilt_deg.value - 5.0) <= 4 * wall.tilt_deg.u
    assert {s.family for s in results.shift.systematic} == {0, 1}
    for part in results.shift.systematic:
        assert part.tilt_deg.value == pytest.approx(5.0, abs=0.1)


def test_one_direction_mounted_at_minus_five_reads_plus_five():
    # The plain case: walls along X lean +5 toward +Y, those along Y stand, the plate is tipped
    # by 5° toward -Y.
    scanner = {**SCANNER, "in_plane_deg": 0.0, "mount_tilt_deg": 5.0, "mount_azimuth_deg": 270.0}
    results = measured(printed({**INTERLEAVED, "lean": [5.0, 0.0]}, scanner))
    rows = tilts(results)
    assert np.array(rows[0]) == pytest.approx(5.0, abs=0.1)
    assert np.array(rows[1]) == pytest.approx(0.0, abs=0.1)
    assert results.frame.mount_tilt_deg == pytest.approx(5.0, abs=0.1)
