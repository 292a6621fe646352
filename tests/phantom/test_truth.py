"""A scaffold's truth held against closed forms and against itself moved, turned and mirrored."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import ndimage

from volscan.errors import SettingsError
from volscan.phantom.mounting import Mounting, mount_rotation
from volscan.phantom.scaffold import build_scaffold, swollen_diameter_um
from volscan.phantom.scanner import polymer_share
from volscan.phantom.solids import crossing_overlap_um3
from volscan.phantom.spec import scaffold_spec
from volscan.phantom.truth import scaffold_truth


def built(**changes):
    values = {
        "directions_deg": [0, 90], "spacing_um": 100, "diameter_um": 20, "layers": 6,
        "layer_height_um": 16, "walls": 4,
    }  # fmt: skip
    return build_scaffold(scaffold_spec(**{**values, **changes}))


def turned(scaffold, **rotation) -> Mounting:
    centre = np.array([0.0, 0.0, scaffold.top_um / 2])
    return Mounting(mount_rotation(**rotation), centre, np.array([500.0, 400.0, 300.0]))


# Overlap of two perpendicular equal cylinders over d³, by the axes' distance over d: values
# computed from 4 ∫ sqrt(r²-z²) sqrt(r²-(z-h)²) dz; the first is the Steinmetz solid, 2/3.
@pytest.mark.parametrize(
    ("distance", "overlap"),
    [(0.0, 2 / 3), (0.95, 0.0038285), (0.9, 0.0149174), (0.8, 0.0564613), (0.6, 0.1994786)],
)
def test_overlap_of_crossing_cylinders(distance, overlap):
    assert crossing_overlap_um3(1.0, distance) == pytest.approx(overlap, abs=6e-8)


# Porosity of the endless pile, 1 - π d²/(4 s h) + V_ov/(h s²), worked to six digits.
@pytest.mark.parametrize(
    ("d", "s", "h", "endless"),
    [(20, 60, 16, 0.680593), (20, 100, 18, 0.826130), (20, 200, 16, 0.902531)],
)
def test_union_porosity_of_a_pile(d, s, h, endless):
    tall, low = (
        scaffold_truth(
            built(spacing_um=s, diameter_um=d, layer_height_um=h, layers=n), throats_too=False
        )
        for n in (10, 6)
    )
    # A finite pile has end faces; what four more layers add is four layers of the endless one.
    solid = [(1 - t["porosity"]["total"]) * t["envelope"]["top_um"] for t in (tall, low)]
    # Two integrals, each good to 2e-4 of a height of ten layers.
    assert 1 - (solid[0] - solid[1]) / (4 * h) == pytest.approx(endless, abs=1e-3)
    layers = 10
    overlap = crossing_overlap_um3(d, h)
    exact = (layers * math.pi * d**2 / (4 * s) - (layers - 1) * overlap / s**2) / (
        (layers - 1) * h + d
    )
    assert tall["porosity"]["total"] == pytest.approx(1 - exact, abs=2e-4)
    assert tall["porosity"]["total_error"] < 2e-4
    laid = layers * math.pi * d**2 / (4 * s * ((layers - 1) * h + d))
    assert tall["porosity"]["mass_conserving"] == pytest.approx(1 - laid, abs=1e-9)


def test_an_elliptic_pile_is_a_stretched_round_one():
    # Stretching heights by 1/1.2 maps the round pile of the same width onto the elliptic one, so
    # both have the same porosity.
    root = math.sqrt(1.2)
    flat = built(width_over_height=1.2, layer_height_um=15.0)
    round_ = built(diameter_um=20 * root, layer_height_um=15.0 * 1.2)
    flat_p, round_p = (
        scaffold_truth(s, throats_too=False)["porosity"]["total"] for s in (flat, round_)
    )
    assert flat.diameter_um == pytest.approx(20.0)
    assert flat_p == pytest.approx(round_p, abs=1e-9)


# Throats of upright piles: s - d down; across, min(s - d, max(2h - d, h)) because a finite pile
# also has a channel of one layer's height under its second layer.
@pytest.mark.parametrize(("d", "s", "h"), [(20, 60, 20), (20, 60, 16), (20, 100, 12)])
def test_throats_of_a_pile(d, s, h):
    truth = scaffold_truth(built(spacing_um=s, diameter_um=d, layer_height_um=h))
    throat, error = truth["pores"]["throat_um"], truth["pores"]["throat_error_um"]
    assert throat["h"] == pytest.approx(s - d, abs=error["h"])
    across = min(s - d, max(2 * h - d, h))
    assert throat["x"] == pytest.approx(across, abs=error["x"])
    assert throat["y"] == pytest.approx(across, abs=error["y"])
    assert error["x"] < d / 25


def test_closed_walls_let_nothing_across():
    truth = scaffold_truth(built(morphology="fused", layers=4))
    throat, error = truth["pores"]["throat_um"], truth["pores"]["throat_error_um"]
    assert throat["x"] is None
    assert throat["y"] is None
    assert throat["h"] == pytest.approx(80.0, abs=error["h"])


def test_throats_agree_with_a_distance_transform():
    # Leaning walls have no closed form. SciPy's transform on voxels of 1 µm finds the widest path
    # between voxel centres: at most as wide as the truth plus the half voxel by which the edge of
    # the voxelised solid may lie off, and narrower by up to two half diagonals and that.
    scaffold = built(lean=[[8, -6, 5, 9], [-9, 4, -7, 8]], walls=4)
    truth = scaffold_truth(scaffold)
    domain = truth["pores"]["domain_um"]
    size = np.array(domain["size"])
    shape = tuple(int(n) for n in np.ceil(size + np.array([80, 80, 0]))[::-1])
    share = polymer_share(
        scaffold,
        Mounting(np.eye(3), np.array([*domain["origin"][:2], 0.0]), np.array([40.0, 40.0, 0.5])),
        shape=shape,
        voxel_um=(1.0, 1.0, 1.0),
        samples=2,
    )
    distance = ndimage.distance_transform_edt(share < 0.5) - 0.5
    inside = distance[:, 40:-40, 40:-40]
    low, high = 0.0, float(inside.max())
    for _ in range(12):
        middle = (low + high) / 2
        labels, _ = ndimage.label(inside >= middle)
        if set(np.unique(labels[0])) & set(np.unique(labels[-1])) - {0}:
            low = middle
        else:
            high = middle
    true = truth["pores"]["throat_um"]["h"]
    assert true - 2 * math.sqrt(3) / 2 - 1.0 < 2 * low < true + 1.0


@pytest.mark.parametrize(("step", "count"), [(16.0, 10), (12.0, 30), (20.0, 5)])
def test_the_swollen_weld_holds_the_laid_area(step, count):
    d = swollen_diameter_um(20.0, step, count)
    # Area of the union from the widest chord at each height, trapezoids of 1 nm.
    z = np.linspace(-d, (count - 1) * step + d, 400_001)
    nearest = z - np.clip(np.rint(z / step), 0, count - 1) * step
    width = 2 * np.sqrt(np.clip((d / 2) ** 2 - nearest**2, 0, None))
    area = float(np.sum(width) * (z[1] - z[0]))
    assert area == pytest.approx(count * math.pi * 100.0, rel=1e-4)
    assert d >= 20.0 - 1e-9


def test_mass_conserving_walls_tell_both_diameters():
    truth = scaffold_truth(
        built(morphology="fused", mass_conserving=True, walls=4), throats_too=False
    )
    assert truth["fibres"]["laid_diameter_um"] == 20.0
    assert truth["fibres"]["diameter_um"] > 20.0
    assert truth["fibres"]["families"][0]["diameter_um"] == truth["fibres"]["diameter_um"]


def test_layers_of_both_morphologies():
    pile = scaffold_truth(built(layers=7), throats_too=False)["fibres"]
    assert (pile["layer_count"], pile["layer_height_um"]) == (7, pytest.approx(16.0))
    assert [f["layers"] for f in pile["families"]] == [4, 3]
    assert pile["families"][0]["rise_per_fibre_um"] == pytest.approx(32.0)
    assert pile["scaffold_height_um"] == pytest.approx(6 * 16 + 20)
    weld = scaffold_truth(built(layers=7, morphology="fused"), throats_too=False)["fibres"]
    assert weld["layer_count"] == 7
    assert [f["layers"] for f in weld["families"]] == [7, 7]
    assert weld["families"][0]["rise_per_fibre_um"] == pytest.approx(16.0)


def test_a_lean_is_told_with_its_sign_and_vector():
    truth = scaffold_truth(built(lean=[5.0, -3.0]), throats_too=False)
    first, second = (next(w for w in truth["walls"] if w["family"] == f) for f in (0, 1))
    rise = math.tan(math.radians(5.0))
    # n of direction 0 is +y, n of direction 90 is -x.
    assert first["tilt_deg"] == pytest.approx(5.0)
    assert first["lean_vector"] == pytest.approx([0.0, rise], abs=1e-12)
    assert first["layer_offset_um"] == pytest.approx([0.0, 32 * rise, 64 * rise])
    assert second["lean_vector"] == pytest.approx([math.tan(math.radians(3.0)), 0.0], abs=1e-12)


@pytest.mark.parametrize("morphology", ["interleaved", "fused"])
def test_a_shift_of_minus_the_offset_makes_walls_upright(morphology):
    leans = [[4.0, -2.0, 7.0, -9.0], [1.0, 2.0, -3.0, 5.0]]
    before = scaffold_truth(built(lean=leans, morphology=morphology), throats_too=False)
    shift = [
        [-w["offset_per_fibre_um"] for w in before["walls"] if w["family"] == f] for f in (0, 1)
    ]
    after = scaffold_truth(
        built(lean=leans, morphology=morphology, shift_per_fibre_um=shift), throats_too=False
    )
    assert max(abs(w["tilt_deg"]) for w in before["walls"]) > 8
    assert [w["tilt_deg"] for w in after["walls"]] == pytest.approx([0.0] * 8, abs=1e-9)


def test_a_family_mean_is_taken_on_lean_vectors():
    truth = scaffold_truth(built(lean=[[10, 10, -10, 0], 0]), throats_too=False)
    mean = math.degrees(math.atan(math.tan(math.radians(10.0)) / 4))
    assert truth["fibres"]["families"][0]["mean_tilt_deg"] == pytest.approx(mean)


def test_turning_the_patch_turns_directions_and_nothing_else():
    scaffold = built(lean=[[4, -2, 7, -9], [1, 2, -3, 5]])
    level = scaffold_truth(scaffold, throats_too=False)
    place = turned(scaffold, tilt_deg=6.0, azimuth_deg=130.0, in_plane_deg=25.0)
    moved = scaffold_truth(scaffold, place, throats_too=False)
    assert moved["frame"]["mount_tilt_deg"] == pytest.approx(6.0)
    turn = moved["walls"][0]["direction_deg"]
    # The tip turns x by less than tilt² / 4 (here 0.16°) about h.
    assert turn == pytest.approx(25.0, abs=0.2)
    assert [w["tilt_deg"] for w in moved["walls"]] == pytest.approx(
        [w["tilt_deg"] for w in level["walls"]]
    )
    for before, after in zip(level["walls"], moved["walls"], strict=True):
        a = math.radians(turn)
        x, y = before["lean_vector"]
        assert after["lean_vector"] == pytest.approx(
            [x * math.cos(a) - y * math.sin(a), x * math.sin(a) + y * math.cos(a)], abs=1e-12
        )
    assert moved["porosity"]["total"] == pytest.approx(level["porosity"]["total"], abs=2e-4)
    assert moved["envelope"]["volume_um3"] == pytest.approx(level["envelope"]["volume_um3"])


def test_half_a_turn_keeps_directions_and_flips_tilts():
    scaffold = built(lean=[[4, -2, 7, -9], [1, 2, -3, 5]])
    level = scaffold_truth(scaffold, throats_too=False)
    moved = scaffold_truth(scaffold, turned(scaffold, in_plane_deg=180.0), throats_too=False)
    for f in (0, 1):
        before = [w["tilt_deg"] for w in level["walls"] if w["family"] == f]
        after = [w["tilt_deg"] for w in moved["walls"] if w["family"] == f]
        assert after == pytest.approx([-t for t in before[::-1]])


def test_a_direction_just_below_180_is_told_near_0():
    scaffold = built()
    truth = scaffold_truth(scaffold, turned(scaffold, in_plane_deg=-0.3), throats_too=False)
    assert truth["walls"][0]["direction_deg"] == pytest.approx(-0.3)
    truth = scaffold_truth(scaffold, turned(scaffold, in_plane_deg=-0.7), throats_too=False)
    assert [f["direction_deg"] for f in truth["fibres"]["families"]] == pytest.approx([89.3, 179.3])


def test_mirroring_x_mirrors_leans():
    # Directions become 180 - α, so 60 and 120 change places and every tilt changes its sign.
    one = scaffold_truth(
        built(directions_deg=[60, 120], lean=[[4, -2, 7, -9], [1, 2, -3, 5]]), throats_too=False
    )
    other = scaffold_truth(
        built(directions_deg=[120, 60], lean=[[9, -7, 2, -4], [-5, 3, -2, -1]]), throats_too=False
    )
    # Mirrored, wall j of a family stands where wall -j stood: n = (-sin α, cos α) turns from
    # (-s, c) to (-s, -c) while the mirror makes it (s, c).
    vectors = sorted(tuple(np.round(w["lean_vector"], 9)) for w in one["walls"])
    mirrored = sorted((-x, y) for x, y in (w["lean_vector"] for w in other["walls"]))
    assert np.allclose(vectors, mirrored, atol=1e-8)


def test_position_and_spacing_are_at_half_height():
    lean = [[8, 0, 0, -8], 0]
    truth = scaffold_truth(built(lean=lean), throats_too=False)
    # Three fibres 32 µm apart: half-way up the wall is one fibre up.
    inward = 32 * math.tan(math.radians(8.0))
    at = [w["position_um"] for w in truth["walls"] if w["family"] == 0]
    assert at == pytest.approx([-150 + inward, -50, 50, 150 - inward])
    assert truth["fibres"]["families"][0]["spacing_um"] == pytest.approx((300 - 2 * inward) / 3)
    outline = np.array(truth["envelope"]["outline_um"])
    assert outline[:, 1].max() == pytest.approx((50 + 150 - inward) / 2)
    assert outline[:, 0].max() == pytest.approx(100.0)


def test_origin_is_the_foot_of_the_first_voxel():
    scaffold = built()
    place = turned(scaffold, tilt_deg=5.0, azimuth_deg=40.0, in_plane_deg=10.0)
    truth = scaffold_truth(scaffold, place, throats_too=False)
    origin = np.array(truth["frame"]["origin_um"])
    axes = {k: np.array(v) for k, v in truth["frame"]["axes"].items()}
    # On the base plane, and straight below or above voxel (0, 0, 0).
    base = place.to_scan_xyz(np.array([70.0, -30.0, 0.0]))[::-1]
    assert (base - origin) @ axes["h"] == pytest.approx(0.0, abs=1e-9)
    assert np.cross(origin, axes["h"]) == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    # y = h × x in (x, y, z), and x has no part along the scan's y axis but by the tilt.
    assert np.cross(axes["h"][::-1], axes["x"][::-1])[::-1] == pytest.approx(axes["y"])
    assert axes["x"] @ axes["h"] == pytest.approx(0.0, abs=1e-12)


def test_the_truth_is_json_and_the_same_each_time():
    scaffold = built(lean={"kind": "mixed", "low": -5, "high": 5}, seed=4)
    one, two = (json.dumps(scaffold_truth(scaffold), allow_nan=False) for _ in range(2))
    assert one == two


@pytest.mark.parametrize(
    "changes",
    [
        {"spacing_um": 19.0},
        {"lean": [[60, -60, 0, 0], 0]},
        {"layers": 1},
        {"mass_conserving": True},
        {"morphology": "woven"},
        {"walls": [4, 4, 4]},
        {"lean": {"kind": "sideways"}},
        {"diameter_um": -1.0},
    ],
)
def test_what_cannot_be_printed_is_refused(changes):
    with pytest.raises(SettingsError):
        built(**changes)
