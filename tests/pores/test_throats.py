import math
from dataclasses import replace

import numpy as np
import pytest
from pore_solids import block, level_frame, material, pile, prism, sampled

from volscan.geometry import Envelope
from volscan.pores import measure_pores
from volscan.pores.throats import largest_rectangle, pore_domain


def _turned(points, deg):
    a = math.radians(deg)
    return np.asarray(points, float) @ np.array(
        [[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]]
    )


def _area(found):
    x0, x1, y0, y1 = found
    return (x1 - x0) * (y1 - y0)


def test_rectangle_in_a_rectangle_is_itself():
    found = largest_rectangle(np.array([[1.0, -2.0], [7.5, -2.0], [7.5, 3.25], [1.0, 3.25]]))
    assert found == (1.0, 7.5, -2.0, 3.25)


def test_rectangle_in_a_right_triangle_has_half_its_area():
    # Closed form: legs a and b hold a rectangle of a/2 by b/2 at most.
    found = largest_rectangle(np.array([[0.0, 0.0], [8.0, 0.0], [0.0, 6.0]]))
    # The sides are narrowed to 1 part in 256 four times; the area is flat about its maximum.
    assert found == pytest.approx((0.0, 4.0, 0.0, 3.0), abs=1e-3)


def test_rectangle_in_a_circle_is_the_square():
    t = np.linspace(0, 2 * math.pi, 720, endpoint=False)
    found = largest_rectangle(np.column_stack([np.cos(t), np.sin(t)]))
    # Area 2 r²; the polygon of 720 corners lies within 1e-5 of the circle.
    assert _area(found) == pytest.approx(2.0, abs=1e-4)


def test_rectangle_in_a_diamond_has_half_its_area():
    found = largest_rectangle(_turned([[0, 0], [4, 0], [4, 4], [0, 4]], 45.0))
    assert _area(found) == pytest.approx(8.0, abs=1e-4)


@pytest.mark.parametrize("corners", [np.empty((0, 2)), np.array([[0.0, 0.0], [1.0, 1.0]])])
def test_no_rectangle_in_nothing(corners):
    assert largest_rectangle(corners) is None


def test_domain_is_told_along_its_own_axes():
    corners = _turned([[10, 20], [40, 20], [40, 35], [10, 35]], 30.0)
    grid = pore_domain(
        prism(corners, 3.0, 9.0),
        level_frame(),
        direction_deg=30.0,
        shape=(10, 50, 50),
        spacing_um=(1, 1, 1),
    )
    assert grid is not None
    assert grid.domain.origin_um == pytest.approx((10, 20, 3), abs=1e-6)
    assert grid.domain.size_um == pytest.approx((30, 15, 6), abs=1e-6)
    assert grid.domain.direction_deg == 30.0
    # The corner lies in the scan where the outline's first corner does.
    assert grid.corner_um == pytest.approx([3.0, corners[0][1], corners[0][0]])


def test_walls_let_spheres_through_along_them_only():
    # Welded walls along x, 24 apart and 8 thick, from base to top.
    counts = (20, 72, 40)
    f = sampled(lambda z, y, x: (abs((y + 12) % 24 - 12) <= 4) & (x == x) & (z == z), counts)
    envelope = prism([[0, 0], [39, 0], [39, 71], [0, 71]], -0.5, 19.5)
    pores = measure_pores(material(f), level_frame(), envelope)
    assert pores.throat_x_um is not None
    assert pores.throat_h_um is not None
    # Gap 16 between walls; base and top are 20 apart. Quarter voxel of voxelisation.
    assert pores.throat_x_um.value == pytest.approx(16.0, abs=0.25)
    assert pores.throat_h_um.value == pytest.approx(16.0, abs=0.25)
    assert pores.throat_y_um is None
    assert [n.message for n in pores.notices if n.code == "pores_no_crossing"] == [
        "no sphere crosses the domain along y"
    ]


def test_base_and_top_limit_lateral_throats_but_not_the_vertical_one():
    # No fibre near: two pillars far apart, height 10. Laterally a sphere of 10 fits between the
    # base and top planes; vertically the sides are open and only the pillars count.
    counts = (26, 40, 40)

    def pillars(z, y, x):
        return ((x + 20) % 40 - 20) ** 2 + ((y + 20) % 40 - 20) ** 2 + 0 * z <= 36

    f = sampled(pillars, counts)
    envelope = prism([[0, 0], [39, 0], [39, 39], [0, 39]], 8.0, 18.0)
    pores = measure_pores(material(f), level_frame(), envelope)
    assert pores.throat_x_um is not None
    assert pores.throat_h_um is not None
    # The mid-plane lies between nodes and is found to 1/48 of a voxel.
    assert pores.throat_x_um.value == pytest.approx(10.0, abs=0.1)
    assert pores.throat_h_um.value == pytest.approx(2 * (math.hypot(20, 20) - 6), abs=0.5)


def _tilted(deg_plane, deg_tilt):
    """A build frame turned in the plane and tilted about y, with its origin inside the scan."""
    a, b = math.radians(deg_plane), math.radians(deg_tilt)
    turn = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]])
    tilt = np.array([[math.cos(b), 0, math.sin(b)], [0, 1, 0], [-math.sin(b), 0, math.cos(b)]])
    x, y, h = (tilt @ turn).T
    return replace(
        level_frame(),
        origin_um=np.array([14.0, 8.0, 8.0]),
        x=x[::-1].copy(),
        y=y[::-1].copy(),
        h=h[::-1].copy(),
    )


def test_a_turned_and_tilted_pile_reads_the_same():
    # d = 12, s = 40, h = 12, four layers; nodes off the voxel grid in all three directions.
    d, s, h, layers = 12.0, 40.0, 12.0, 4
    drawn = pile(diameter=d, pitch=s, rise=h, layers=layers, base=0.0)
    frame = _tilted(17.0, 4.0)
    counts = (80, 110, 110)

    def shape(z, y, x):
        z, y, x = np.broadcast_arrays(z, y, x)
        build = frame.to_build(np.stack([z, y, x], axis=-1))
        return drawn(build[..., 2], build[..., 1], build[..., 0])

    f = sampled(shape, counts, parts=2)
    # One cell from mid-pore to mid-pore, clear of the array's edge.
    envelope = prism([[20, 20], [60, 20], [60, 60], [20, 60]], 0.0, d + 3 * h)
    pores = measure_pores(material(f), frame, envelope)
    assert pores.throat_x_um is not None
    assert pores.throat_y_um is not None
    assert pores.throat_h_um is not None
    # End-layer throat min(s - d, max(2h - d, h)) = 12 and s - d = 28; supersampling in two parts
    # places faces within an eighth of a voxel, two faces, beside the quarter of voxelisation.
    assert pores.throat_x_um.value == pytest.approx(12.0, abs=0.5)
    assert pores.throat_y_um.value == pytest.approx(12.0, abs=0.5)
    assert pores.throat_h_um.value == pytest.approx(28.0, abs=0.5)


@pytest.mark.parametrize("axes", [(0, 1, 2), (1, 0, 2), (2, 1, 0), (1, 2, 0)])
def test_block_axes_follow_the_frame(axes):
    # Square channels of 8, 12 and 16 along z, y and x through a solid block: one per direction.
    def channels(z, y, x):
        z, y, x = np.broadcast_arrays(z, y, x)
        return ~(
            ((abs(y - 9.5) < 4) & (abs(x - 9.5) < 4))
            | ((abs(z - 25.5) < 6) & (abs(x - 25.5) < 6))
            | ((abs(z - 25.5) < 8) & (abs(y - 25.5) < 8))
        )

    f = np.ascontiguousarray(sampled(channels, (44, 44, 44)).transpose(axes))
    where = [axes.index(k) for k in range(3)]  # where the old z, y, x have gone
    units = np.eye(3)
    up = "+" + "zyx"[where[0]]
    frame = replace(
        level_frame(), h=units[where[0]], y=units[where[1]], x=units[where[2]], up=up
    )  # fmt: skip
    pores = measure_pores(material(f), frame, block(f.shape))
    found = [pores.throat_h_um, pores.throat_y_um, pores.throat_x_um]
    # A quarter of a voxel of voxelisation.
    assert [q.value for q in found if q] == pytest.approx([8.0, 12.0, 16.0], abs=0.25)
    assert pores.domain is not None
    assert pores.domain.size_um == (44.0, 44.0, 44.0)


def test_a_mask_blocks_what_lies_outside_it():
    counts = (16, 24, 24)
    f = sampled(lambda z, y, x: ((y - 11.5) ** 2 + (x - 11.5) ** 2 > 64) & (z == z), counts)
    inside = np.ones(counts, bool)
    whole = replace(block(counts), whole_array=False, inside=inside)
    cut = inside.copy()
    cut[8] = False
    split = replace(whole, inside=cut)
    assert isinstance(whole, Envelope)
    one = measure_pores(material(f), level_frame(), whole)
    two = measure_pores(material(f), level_frame(), split)
    assert one.throat_h_um is not None
    assert one.throat_h_um.value == pytest.approx(16.0, abs=0.3)
    assert two.throat_h_um is None
