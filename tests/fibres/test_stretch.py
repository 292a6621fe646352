"""Sections of a tube's sheet at their own width, and weak families beside long hoops."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.frame.test_mandrel import material
from volscan.fibres.columns import FamilyAxes
from volscan.fibres.crosssection import Stretch
from volscan.fibres.gather import WallTrack, column_of
from volscan.fibres.rest import further_families
from volscan.fibres.rough import rough_families
from volscan.frame.plate import level_frame, solid_points_um
from volscan.prepare.material import Unrolled

R = 100.0


@pytest.mark.parametrize("r", [70.0, 100.0, 130.0])
@pytest.mark.parametrize("winding", [0.0, 35.0, 80.0])
def test_a_strip_of_any_radius_gets_its_own_width_back(r, winding):
    # Two helices with the strip's width between them, measured along the cylinder's own surface
    # (a plane sheet of it: closed form), then laid out at R.
    a = math.atan(r / R * math.tan(math.radians(winding)))
    width = 8.0
    # A step across the strip on the cylinder, and the same step on the sheet.
    step = width * np.array([-math.sin(a), math.cos(a) * R / r])
    cos, sin = math.cos(math.radians(winding)), math.sin(math.radians(winding))
    on_sheet = abs(cos * step[1] - sin * step[0])
    stretch = Stretch(slope=0.1, cos=cos, sin=sin, foot=0.5, rise_per_um=1 / R)
    h = np.full(2, r - 0.5 * R)
    n = 0.1 * h + np.array([-0.5, 0.5]) * on_sheet
    own = stretch.own(n, h)
    assert np.ptp(own) == pytest.approx(width, rel=1e-12)
    assert own.mean() == pytest.approx(0.1 * h[0], rel=1e-12)
    assert stretch.on_sheet(own, h) == pytest.approx(n, rel=1e-12)


def test_a_column_is_told_at_its_own_width_and_its_discs_are_put_back():
    # A wall along the axis: inner places lie R / r as far apart on the sheet.
    axes = FamilyAxes(np.array([0.0, 0, 1]), np.array([0.0, 1, 0]), np.array([1.0, 0, 0]))
    height = np.array([10.0, 30.0])
    wall = WallTrack(
        position_um=0.0, slope=0.0, offset_um=np.array([1.0, -1.0]), height_um=height,
        radius_um=np.full(2, 5.0), present=np.ones(2, np.bool_), start_um=0.0, end_um=50.0,
    )  # fmt: skip
    bins = np.zeros((2, 2, 5))
    for i, h in enumerate(height):
        for j, n in enumerate((-5.0, 5.0)):
            bins[i, j] = (10, 10, 10 * n * R / (70 + h), 10 * h, 0)
    column = column_of(bins, wall, axes, unrolled=Unrolled(70.0, R))
    assert column.n == pytest.approx([-5, 5, -5, 5], rel=1e-12)
    assert column.across_um == pytest.approx([1.0, -1.0], rel=1e-12)
    assert column_of(bins, wall, axes).n == pytest.approx(bins[..., 2].ravel() / 10, rel=1e-12)


def test_few_lines_between_long_hoops_are_looked_for_in_what_is_left():
    # Three lines along y of 300 voxels, three along x of 60: a sixth of the solid.
    z, y, x = np.mgrid[:24, :300, :60].astype(float)
    hoops = (z - 9) ** 2 + (x % 20 - 10) ** 2 < 9
    axial = (z - 15) ** 2 + (y % 100 - 50) ** 2 < 9
    scan = replace(material(hoops | axial), rough_thickness_um=6.0)
    points = solid_points_um(scan, limit=100_000)
    frame = level_frame(scan, up="+z", mirrored=False)
    found = [f for f in rough_families(scan, frame, points) if abs(f.axes.along[1]) > 0.99]
    assert len(found) == 1
    (more,) = further_families(scan, frame, found)
    assert abs(more.axes.along[2]) == pytest.approx(1.0, abs=1e-3)
    assert len(more.walls) == 3
    assert further_families(scan, frame, [*found, more]) == []
