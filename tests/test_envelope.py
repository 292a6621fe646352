"""The envelope on a log pile whose lines are known, and its share of each voxel."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from log_pile import LogPile, level_frame, material_of

from volscan.envelope import coverage, make_envelope
from volscan.envelope.polygon import area
from volscan.errors import NothingToMeasureError, SettingsError
from volscan.fibres.field import FibreField
from volscan.geometry import Envelope, Wall
from volscan.quantity import Quantity
from volscan.walls.wallset import WallSet

VOXEL = 10.0


def _empty(pile: LogPile):
    """Return a map of air large enough for the pile: the fibres alone shape the envelope."""
    n = math.ceil((pile.run[1] + 60) / VOXEL)
    return material_of(np.zeros((math.ceil((pile.top + 60) / VOXEL), n, n)), VOXEL)


def _codes(notices):
    return [n.code for n in notices]


def test_whole_cells_between_mid_pore_lines():
    pile = LogPile()
    envelope, notices = make_envelope(_empty(pile), level_frame(), pile.fibres(), pile.wall_set())
    low, high = pile.places[0] + pile.spacing / 2, pile.places[-1] - pile.spacing / 2
    np.testing.assert_allclose(envelope.outline_um.min(axis=0), low, atol=1e-9)
    np.testing.assert_allclose(envelope.outline_um.max(axis=0), high, atol=1e-9)
    # Three whole cells a side: each of the five walls' inner ones stands in its own.
    assert envelope.area_um2 == pytest.approx((3 * pile.spacing) ** 2)
    assert envelope.base_um == pytest.approx(pile.base)
    assert envelope.top_um == pytest.approx(pile.top)
    assert 0 < envelope.u_volume_frac < 0.02
    assert notices == ()


@settings(max_examples=20, deadline=None)
@given(st.floats(0.0, 30.0), st.integers(3, 7))
def test_outline_moves_with_the_walls_and_not_with_the_grid(shift, count):
    pile = LogPile(walls=count, corner=60.0 + shift)
    envelope, _ = make_envelope(_empty(pile), level_frame(), pile.fibres(), pile.wall_set())
    assert envelope.area_um2 == pytest.approx(((count - 2) * pile.spacing) ** 2)
    assert envelope.outline_um[:, 0].min() == pytest.approx(pile.places[0] + pile.spacing / 2)


def test_walls_without_paths_are_placed_by_their_position():
    pile = LogPile()
    bare = tuple(replace(w, path_um=np.empty((0, 2))) for w in pile.wall_set().walls)
    by_path, _ = make_envelope(_empty(pile), level_frame(), pile.fibres(), pile.wall_set())
    by_position, _ = make_envelope(_empty(pile), level_frame(), pile.fibres(), WallSet(bare))
    np.testing.assert_allclose(
        np.sort(by_position.outline_um, axis=0), np.sort(by_path.outline_um, axis=0), atol=1e-9
    )


def test_pieces_of_a_broken_wall_are_one_wall():
    pile = LogPile()
    walls = list(pile.wall_set().walls)
    whole = walls[0]
    (x0, y), (x1, _) = whole.path_um
    middle = 0.5 * (x0 + x1)
    half = 0.5 * whole.length_um
    walls[0] = replace(whole, path_um=np.array([[x0, y], [middle - 5, y]]), length_um=half)
    walls.append(
        replace(whole, id=99, path_um=np.array([[middle + 5, y], [x1, y]]), length_um=half)
    )
    envelope, _ = make_envelope(_empty(pile), level_frame(), pile.fibres(), WallSet(tuple(walls)))
    assert envelope.area_um2 == pytest.approx((3 * pile.spacing) ** 2)


def test_a_short_stray_wall_does_not_move_the_outline():
    pile = LogPile()
    stray = replace(
        pile.wall_set().walls[0],
        id=99,
        path_um=np.array([[100.0, -20.0], [140.0, -20.0]]),
        position_um=-20.0,
        length_um=40.0,
    )
    walls = WallSet((*pile.wall_set().walls, stray))
    envelope, notices = make_envelope(_empty(pile), level_frame(), pile.fibres(), walls)
    assert envelope.area_um2 == pytest.approx((3 * pile.spacing) ** 2)
    assert "short_wall_ignored" in _codes(notices)


def test_base_is_where_fibres_are_held_and_not_the_lowest_point_of_a_sag():
    pile = LogPile(layers=2)
    sagging = []
    for fibre in pile.fibres().fibres:
        if fibre.layer == 0:
            x = fibre.points_um[:, 0]
            s = np.linspace(x[0], x[-1], 400)
            # Hangs 8 µm lower half-way between the crossings, which hold it from above.
            sag = 4.0 * (1 - np.cos(2 * np.pi * (s - pile.corner) / pile.spacing))
            points = np.column_stack(
                [s, np.full_like(s, fibre.points_um[0, 1]), fibre.points_um[0, 2] - sag]
            )
            fibre = replace(
                fibre, points_um=points, diameters_um=np.full(400, fibre.diameter_um.value)
            )
        sagging.append(fibre)
    field = replace(pile.fibres(), fibres=tuple(sagging))
    envelope, _ = make_envelope(_empty(pile), level_frame(), field, pile.wall_set())
    # Over the quarter diameter (5 µm) each side that counts as held, the mean sag is
    # 4 (1 - sin(q)/q) = 0.10 µm with q = 2π 5/80; the lowest point lies 8 µm down.
    assert envelope.base_um == pytest.approx(pile.base, abs=0.15)
    assert envelope.top_um == pytest.approx(pile.top, abs=1e-6)


def test_a_stray_fibre_above_does_not_make_a_layer():
    pile = LogPile()
    fibres = list(pile.fibres().fibres)
    stray = replace(
        fibres[0],
        id=999,
        layer=pile.layers,
        points_um=np.array([[150.0, 150.0, pile.top + 30], [170.0, 150.0, pile.top + 30]]),
        diameters_um=np.full(2, pile.diameter),
    )
    field = replace(pile.fibres(), fibres=(*fibres, stray))
    envelope, notices = make_envelope(_empty(pile), level_frame(), field, pile.wall_set())
    assert envelope.top_um == pytest.approx(pile.top)
    assert "outer_layer_ignored" in _codes(notices)


def test_few_walls_fall_back_on_the_outline_of_the_fibres():
    pile = LogPile(walls=2)
    envelope, notices = make_envelope(_empty(pile), level_frame(), pile.fibres(), pile.wall_set())
    assert "outline_of_fibres" in _codes(notices)
    # The hull of the two pairs is an octagon: half widths 90, corners cut at |x| + |y| = 130 µm.
    # Pulled in by the opening (60 µm) less than a quarter of it would be left, so by half of that.
    legs = 2 * 60 - (130 - 30 * math.sqrt(2))
    assert envelope.area_um2 == pytest.approx(120**2 - 2 * legs**2)
    assert "30 µm" in envelope.definition


def test_one_direction_is_cut_inside_the_fibres_ends():
    pile = LogPile()
    field = pile.fibres()
    one = tuple(f for f in field.fibres if f.family == 0)
    field = replace(field, fibres=one, families=field.families[:1])
    walls = WallSet(tuple(w for w in pile.wall_set().walls if w.family == 0))
    envelope, notices = make_envelope(_empty(pile), level_frame(), field, walls)
    assert "one_direction" in _codes(notices)
    low, high = pile.run
    assert envelope.outline_um[:, 0].min() == pytest.approx(low + pile.spacing)
    assert envelope.outline_um[:, 0].max() == pytest.approx(high - pile.spacing)


def test_strips_that_reach_beyond_the_fibres_are_cut_and_told():
    pile = LogPile(walls=5)
    # The square of three cells has its corners at 2.1 spacings, outside this circle.
    middle, radius = pile.places.mean(), 1.9 * pile.spacing
    round_fibres = []
    for fibre in pile.fibres().fibres:
        keep = np.linalg.norm(fibre.points_um[:, :2] - middle, axis=1) <= radius
        if keep.sum() >= 2:
            round_fibres.append(
                replace(
                    fibre, points_um=fibre.points_um[keep], diameters_um=fibre.diameters_um[keep]
                )
            )
    field = replace(pile.fibres(), fibres=tuple(round_fibres))
    small = LogPile(walls=5, overhang=0.0)
    envelope, notices = make_envelope(_empty(pile), level_frame(), field, small.wall_set())
    far = np.linalg.norm(envelope.outline_um - middle, axis=1).max()
    assert "pattern_does_not_fill" in _codes(notices)
    assert far < radius


@pytest.mark.parametrize(("tilt", "told"), [(5.0, False), (20.0, True)])
def test_a_wall_that_leans_over_the_cut_is_told_and_in_u(tilt, told):
    pile = LogPile(layers=9)
    upright, _ = make_envelope(_empty(pile), level_frame(), pile.fibres(), pile.wall_set())
    envelope, notices = make_envelope(
        _empty(pile), level_frame(), pile.fibres(), pile.wall_set(tilt_deg=tilt)
    )
    # Half the height (90 µm) times tan 20° plus a radius is 43 µm, over the 40 µm to the cut.
    assert ("lean_crosses_cut" in _codes(notices)) is told
    assert (envelope.u_volume_frac > upright.u_volume_frac) is told


def test_field_of_view_that_cuts_the_prism():
    pile = LogPile()
    # The scan ends where X = 244 µm; cells would reach on to 340 µm.
    material = material_of(np.zeros((24, 45, 25)), VOXEL)
    envelope, notices = make_envelope(material, level_frame(), pile.fibres(), pile.wall_set())
    assert "field_of_view_cuts" in _codes(notices)
    shown = (245.0 - 100.0) * 3 * pile.spacing * (pile.top - pile.base)
    # Faces cut voxels exactly, edges to 1 %.
    assert envelope.volume_um3 == pytest.approx(shown, rel=2e-3)


def test_block_is_the_whole_array():
    material = material_of(np.zeros((4, 5, 6)), 1.0, axes=(3.0, 2.0, 1.0))
    envelope, notices = make_envelope(
        material, level_frame(), FibreField(), WallSet(), choice="block"
    )
    assert envelope.volume_um3 == pytest.approx(4 * 3 * 5 * 2 * 6)
    assert envelope.area_um2 * (envelope.top_um - envelope.base_um) == pytest.approx(360.0 * 2)
    assert envelope.whole_array
    assert "field_of_view_cuts" in _codes(notices)
    assert coverage(envelope, level_frame(), (4, 5, 6), (3, 2, 1)).min() == 1.0


def test_hull_of_a_box_among_specks():
    share = np.zeros((20, 30, 40))
    share[5:15, 8:20, 10:30] = 1.0
    share[1, 1, 1] = share[18, 28, 38] = share[3, 25, 2] = 1.0
    envelope, _ = make_envelope(
        material_of(share, 2.0), level_frame(), FibreField(), WallSet(), choice="hull"
    )
    assert envelope.volume_um3 == pytest.approx(10 * 12 * 20 * 8)
    assert envelope.base_um == pytest.approx(9.0)
    assert envelope.top_um == pytest.approx(29.0)


def test_hull_holds_at_contrast_to_noise_four():
    share = np.zeros((30, 40, 40))
    share[8:22, 8:30, 10:30] = 1.0
    material = replace(material_of(share, 1.0, noise=0.25), solid=share > 0.5)
    envelope, _ = make_envelope(material, level_frame(), FibreField(), WallSet(), choice="hull")
    assert envelope.volume_um3 == pytest.approx(14 * 22 * 20)


def test_without_fibres_the_solid_is_pulled_in_by_its_opening():
    share = np.zeros((20, 60, 60))
    for start in range(5, 55, 10):
        share[4:16, start : start + 4, 5:49] = 1.0
        share[4:16, 5:49, start : start + 4] = 1.0
    envelope, notices = make_envelope(
        material_of(share, 1.0), level_frame(), FibreField(), WallSet()
    )
    assert _codes(notices) == ["outline_of_solid"]
    # The hull is a square of 44; the gaps are 6 wide.
    assert envelope.area_um2 == pytest.approx((44 - 2 * 6) ** 2, rel=1e-6)


def test_a_mask_is_taken_as_it_is():
    rng = np.random.default_rng(3)
    mask = rng.random((6, 7, 8)) > 0.5
    material = material_of(np.zeros(mask.shape), 2.0)
    envelope, _ = make_envelope(material, level_frame(), FibreField(), WallSet(), choice=mask)
    assert envelope.volume_um3 == pytest.approx(8.0 * mask.sum())
    np.testing.assert_array_equal(coverage(envelope, level_frame(), mask.shape, (2, 2, 2)), mask)


@pytest.mark.parametrize(
    ("choice", "error", "words"),
    [
        (np.ones((2, 2, 2), dtype=bool), SettingsError, "shape"),
        (np.zeros((5, 5, 5), dtype=bool), NothingToMeasureError, "empty"),
        ("sphere", SettingsError, "envelope must be"),
        ("hull", NothingToMeasureError, "no solid"),
    ],
)
def test_choices_that_cannot_be(choice, error, words):
    material = material_of(np.zeros((5, 5, 5)), 1.0)
    with pytest.raises(error, match=words):
        make_envelope(material, level_frame(), FibreField(), WallSet(), choice=choice)


@settings(max_examples=10, deadline=None)
@given(st.floats(0, 8), st.floats(0, 360), st.floats(0, 90))
def test_coverage_sums_to_the_volume_however_the_piece_is_mounted(tilt, azimuth, turn):
    a, b, c = math.radians(tilt), math.radians(azimuth), math.radians(turn)
    h = np.array([math.cos(a), math.sin(a) * math.sin(b), math.sin(a) * math.cos(b)])
    x = np.array([0.0, math.sin(c), math.cos(c)])
    x -= h * (x @ h)
    x /= np.linalg.norm(x)
    # y = h × x in (x, y, z) order; stored [z, y, x].
    y = np.cross(h[::-1], x[::-1])[::-1]
    frame = level_frame(origin_um=np.array([30.0, 40.0, 40.0]), x=x, y=y, h=h)
    outline = np.array([[-22.0, -18.0], [20.0, -21.0], [24.0, 17.0], [0.0, 25.0], [-20.0, 15.0]])
    envelope = Envelope("told", outline, -15.0, 16.0, 0.0)
    share = coverage(envelope, frame, (60, 80, 80), (1.0, 1.0, 1.0))
    assert area(outline) == pytest.approx(envelope.area_um2)
    # Edge voxels are counted on 6³ points: about 250 of 53 000 voxels, each to 1 %.
    assert share.sum(dtype=float) == pytest.approx(envelope.volume_um3, rel=5e-4)
    middle = frame.to_scan(np.array([0.0, 0.0, 0.0])).round().astype(int)
    assert share[tuple(middle)] == 1.0


def test_walls_too_close_for_an_area_are_refused():
    pile = LogPile()
    walls = tuple(
        Wall(k, 0, 0.0, 100.0 + k * 1e-3, 400.0, 100.0, Quantity(0.0, 0.1, "deg", 3), (0.0, 0.0),
             None, (), np.array([0.0]), np.array([0.0]), None,
             np.array([[0.0, 100.0 + k * 1e-3], [400.0, 100.0 + k * 1e-3]]))
        for k in range(3)
    )  # fmt: skip
    # Three lines within a thousandth of a micrometre are one wall: the fibres' outline is taken.
    envelope, notices = make_envelope(_empty(pile), level_frame(), pile.fibres(), WallSet(walls))
    assert "outline_of_fibres" in _codes(notices)
    assert envelope.area_um2 > 0
