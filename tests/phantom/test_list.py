"""The list of phantoms that validation goes by: that it keeps within what it is meant to span."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest

from volscan.phantom.mounting import mount_rotation
from volscan.phantom.spec import specs_from_dict

LIST = Path(__file__).parents[1] / "validation" / "phantom_list.toml"
PHANTOMS = tomllib.loads(LIST.read_text(encoding="utf-8"))["phantom"]
SPECS = {p["name"]: specs_from_dict(p) for p in PHANTOMS}


def test_there_are_enough_of_all_kinds():
    assert len(SPECS) == len(PHANTOMS) >= 24
    scaffolds = [s for s, _ in SPECS.values()]
    scanners = [s for _, s in SPECS.values()]
    assert {s.morphology for s in scaffolds} == {"interleaved", "fused"}
    assert {s.directions_deg for s in scaffolds} == {
        (0, 90), (0, 60, 120), (0, 30, 60, 90, 120, 150),
    }  # fmt: skip
    assert {s.noise_correlation_voxels for s in scanners} == {0, 2}
    assert {round(max(s.voxel_um) / min(s.voxel_um), 6) for s in scanners} == {1, 2}
    odd = sum(
        scanner.psf != "gaussian"
        or scaffold.width_over_height != 1
        or any(v != 0 for row in scaffold.wall_offset_um for v in row)
        for scaffold, scanner in SPECS.values()
    )
    assert 3 * odd >= len(SPECS)


def test_the_corners_are_reached():
    scaffolds = [s for s, _ in SPECS.values()]
    scanners = [s for _, s in SPECS.values()]
    across = [s.diameter_um / max(c.voxel_um) for s, c in SPECS.values()]
    assert (min(across), max(across)) == (pytest.approx(5), pytest.approx(14, rel=1e-3))
    assert min(s.contrast_to_noise for s in scanners) == 4
    assert max(s.contrast_to_noise for s in scanners) == 20
    assert (min(s.layers for s in scaffolds), max(s.layers for s in scaffolds)) == (5, 30)
    heights = [s.layer_height_um / s.diameter_um for s in scaffolds]
    assert (min(heights), max(heights)) == (pytest.approx(0.6), pytest.approx(1.0))
    assert max(s.mount_tilt_deg for s in scanners) == 8


@pytest.mark.parametrize("name", list(SPECS))
def test_each_is_within_bounds(name):
    scaffold, scanner = SPECS[name]
    coarse = max(scanner.voxel_um)
    assert 5 <= scaffold.diameter_um / coarse <= 14.001
    blur = max(scanner.psf_fwhm_um)
    assert 1.499 <= blur / coarse <= 3.001
    assert blur <= scaffold.diameter_um / 2 + 1e-9
    assert min(scaffold.walls) >= 4
    assert 5 <= scaffold.layers <= 30
    # Every wall stands on at least two fibres, else it has no tilt.
    assert min(scaffold.fibres_per_wall) >= 2
    assert 0.6 <= scaffold.layer_height_um / scaffold.diameter_um <= 1
    assert 4 <= scanner.contrast_to_noise <= 20
    assert 0 <= scanner.mount_tilt_deg <= 8
    # Scatter about a systematic lean of 8° reaches a little past 10°.
    assert max(abs(t) for row in scaffold.tilt_deg for t in row) <= 10.5


def test_one_stands_upright_in_the_image():
    scaffold, scanner = SPECS["upright-in-the-image"]
    assert {t for row in scaffold.tilt_deg for t in row} == {5.0}
    rotation = mount_rotation(
        tilt_deg=scanner.mount_tilt_deg,
        azimuth_deg=scanner.mount_azimuth_deg,
        in_plane_deg=scanner.in_plane_deg,
    )
    rise = math.tan(math.radians(5.0))
    # A wall's plane is spanned by its direction and its leaning rise; it holds the scan's z.
    for a in (0.0, 90.0):
        along = [math.cos(math.radians(a)), math.sin(math.radians(a)), 0.0]
        up = [-rise * along[1], rise * along[0], 1.0]
        normal = [along[1] * up[2], -along[0] * up[2], along[0] * up[1] - along[1] * up[0]]
        assert abs((rotation @ normal)[2]) < 1e-4
