"""Waves, sag, diameters and defects of phantom fibres, against closed forms."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy.special import ellipe

from volscan.errors import SettingsError
from volscan.phantom.integrate import mean_solid_height
from volscan.phantom.mounting import Mounting, mount_rotation
from volscan.phantom.paths import arc_length, rounded
from volscan.phantom.scaffold import build_scaffold
from volscan.phantom.scanner import polymer_share
from volscan.phantom.spec import scaffold_spec
from volscan.phantom.truth import scaffold_truth

BASE = {
    "directions_deg": [0, 90], "spacing_um": 200, "diameter_um": 20, "layers": 6,
    "layer_height_um": 16, "walls": 4,
}  # fmt: skip


def built(**changes):
    return build_scaffold(scaffold_spec(**{**BASE, **changes}))


def truth_of(scaffold, place=None, lines=2**14):
    """The truth, its porosity by few lines unless that is what is looked at."""
    return scaffold_truth(scaffold, place, throats_too=False, lines=lines)


def of_family(truth, f):
    return [r for r in truth["fibres"]["each"] if r["family"] == f]


# Arc over chord of whole wavelengths of a sine, (2/π) sqrt(1 + q²) E(q²/(1 + q²)), q = 2πA/λ;
# SciPy's complete elliptic integral gives 1.339379 and 1.463695 for these.
@pytest.mark.parametrize(
    ("length", "amplitude", "ratio"), [(336.0, 69.5, 1.339379), (400.0, 100.0, 1.463695)]
)
def test_sine_walls_are_as_long_as_the_elliptic_integral_says(length, amplitude, ratio):
    q = 2 * math.pi * amplitude / length
    exact = 2 / math.pi * math.sqrt(1 + q**2) * ellipe(q**2 / (1 + q**2))
    assert exact == pytest.approx(ratio, abs=1e-6)
    wave = {"shape": "sine", "amplitude_um": amplitude, "wavelength_um": length}
    # One family alone and fibres of two whole wavelengths.
    scaffold = built(
        directions_deg=[0, 90], spacing_um=length, walls=3, overhang_um=0.0, wave=[wave, False]
    )
    truth = truth_of(scaffold)
    rows = of_family(truth, 0)
    # 64 chords a wavelength fall short by up to 4e-4 where the slope is 1.3.
    assert rows[0]["recruitment_strain"] + 1 == pytest.approx(exact, rel=5e-4)
    assert truth["fibres"]["families"][0]["wave"] == {
        "amplitude_um": amplitude, "first_harmonic_um": amplitude, "wavelength_um": length,
        "phase_mismatch_deg": 0.0, "shape": "sine", "layer_phases_deg": [0.0] * 3,
        "mirrored": False,
    }  # fmt: skip
    assert truth["fibres"]["families"][1]["wave"] is None
    assert of_family(truth, 1)[0]["recruitment_strain"] == pytest.approx(0.0, abs=1e-12)


def test_zigzag_walls_with_and_without_rounded_corners():
    wave = {"shape": "zigzag", "amplitude_um": 40.0, "wavelength_um": 160.0}
    sharp = truth_of(built(spacing_um=160, wave=wave, overhang_um=0.0, walls=3))
    # Legs rise 4 A over λ: at 45° a length of sqrt(2).
    assert sharp["fibres"]["recruitment_strain"] == pytest.approx(math.sqrt(2) - 1)
    # First harmonic of a triangle: 8/π² of its amplitude.
    first = sharp["fibres"]["families"][0]["wave"]["first_harmonic_um"]
    assert first == pytest.approx(40.0 * 8 / math.pi**2, rel=1e-5)
    soft = truth_of(
        built(spacing_um=160, wave={**wave, "corner_um": 15.0}, overhang_um=0.0, walls=3)
    )
    # A corner of radius R takes R (sec 45° - 1) off the crest and 2 R tan 45° - R π/2 off the
    # length.
    amplitude = soft["fibres"]["families"][0]["wave"]["amplitude_um"]
    assert amplitude == pytest.approx(40.0 - 15.0 * (math.sqrt(2) - 1), abs=0.03)
    saved = 2 * 15.0 * (2.0 - math.pi / 2)
    length = of_family(soft, 0)[0]["length_um"]
    assert length == pytest.approx(320.0 * math.sqrt(2) - 2 * saved, rel=1e-3)


def test_a_rounded_right_angle():
    path = rounded(np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]]), 4.0)
    assert arc_length(path)[-1] == pytest.approx(12.0 + 2 * math.pi, rel=1e-3)
    with pytest.raises(SettingsError, match="corner_um"):
        rounded(np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]]), 6.0)


@pytest.mark.parametrize("morphology", ["interleaved", "fused"])
@pytest.mark.parametrize("shape", ["sine", "zigzag"])
def test_a_wavy_wall_leans_as_a_straight_one(morphology, shape):
    lean = [[4, -2, 7, -9], [1, 2, -3, 5]]
    wave = {"shape": shape, "amplitude_um": 20.0, "wavelength_um": 200.0, "phase_deg": 40.0}
    plain = truth_of(built(lean=lean, morphology=morphology))
    place = Mounting(mount_rotation(in_plane_deg=180.0), np.zeros(3), np.array([500.0, 400, 300]))
    wavy = truth_of(built(lean=lean, morphology=morphology, wave=wave))
    turned = truth_of(built(lean=lean, morphology=morphology, wave=wave), place)
    for key in ("tilt_deg", "position_um", "layer_offset_um", "lean_vector", "length_um"):
        assert [w[key] for w in wavy["walls"]] == [w[key] for w in plain["walls"]], key
    assert turned["porosity"]["total"] == pytest.approx(wavy["porosity"]["total"], abs=2e-3)
    assert turned["envelope"]["area_um2"] == pytest.approx(wavy["envelope"]["area_um2"])


def test_layers_out_of_step_are_told():
    wave = {
        "shape": "sine", "amplitude_um": 20.0, "wavelength_um": 200.0, "phase_jitter_deg": 15.0,
    }  # fmt: skip
    scaffold = built(wave=wave, layers=12, seed=3)
    told = truth_of(scaffold)["fibres"]["families"][0]["wave"]
    assert len(set(told["layer_phases_deg"])) == 6
    assert told["phase_mismatch_deg"] == pytest.approx(np.std(told["layer_phases_deg"], ddof=1))
    # The fitted phase of each fibre's points is the one told.
    for k in range(6):
        s = next(s for s in scaffold.strands if (s.family, s.wall, s.step) == (0, 1, k))
        x, y = s.points_um[:, 0], s.points_um[:, 1]
        turn = 2 * math.pi * x / 200.0
        basis = np.column_stack([np.sin(turn), np.cos(turn), np.ones_like(x)])
        a, b, _ = np.linalg.lstsq(basis, y, rcond=None)[0]
        assert math.degrees(math.atan2(b, a)) == pytest.approx(told["layer_phases_deg"][k])


# Two wavy families shift the outline's sides alike, so that the area stays that of straight ones
# when wavelengths fit; with other wavelengths it is what Green's theorem gives of its polygon.
def test_the_outline_follows_the_walls():
    wave = {"shape": "sine", "amplitude_um": 25.0, "wavelength_um": 200.0, "phase_deg": 30.0}
    truth = truth_of(built(wave=[wave, False]))
    outline = np.array(truth["envelope"]["outline_um"])
    assert truth["envelope"]["area_um2"] == pytest.approx(400.0**2, rel=1e-9)
    # Two of its sides are the curve half-way between the outer walls.
    upper = outline[outline[:, 1] > 150]
    wanted = 200 + 25.0 * np.sin(2 * math.pi * upper[:, 0] / 200.0 + math.radians(30.0))
    # Corners are cut from chords of 1/64 wavelength, which leave the curve by 0.03 µm.
    assert upper[:, 1] == pytest.approx(wanted, abs=0.04)
    assert len(upper) > 100
    both = truth_of(built(wave=[wave, {**wave, "wavelength_um": 150.0}]))
    x, y = np.array(both["envelope"]["outline_um"]).T
    assert both["envelope"]["area_um2"] == pytest.approx(
        0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    )


def test_porosity_of_wavy_walls():
    # Far apart in height, so that no fibre overlaps another: length times section is exact.
    wave = {"shape": "sine", "amplitude_um": 30.0, "wavelength_um": 200.0}
    scaffold = built(wave=[wave, False], layer_height_um=30.0)
    truth = truth_of(scaffold, lines=2**20)
    q = 2 * math.pi * 30.0 / 200.0
    ratio = 2 / math.pi * math.sqrt(1 + q**2) * ellipe(q**2 / (1 + q**2))
    section = math.pi * 100
    # Two walls of each family inside, 400 µm long, in three layers each.
    solid = 3 * 2 * 400 * section * (ratio + 1)
    volume = 400.0**2 * (5 * 30 + 20)
    assert truth["porosity"]["mass_conserving"] == pytest.approx(1 - solid / volume, abs=2e-5)
    assert truth["porosity"]["total"] == pytest.approx(1 - solid / volume, abs=3e-4)
    assert truth["porosity"]["total_error"] < 2e-4


CHANGED = [
    {"wave": {"shape": "sine", "amplitude_um": 15.0, "wavelength_um": 80.0}},
    {"wave": {"shape": "zigzag", "amplitude_um": 15.0, "wavelength_um": 80.0, "corner_um": 5.0},
     "morphology": "fused"},
    {"sag_um": 9.0, "layer_height_um": 19.0},
    {"swell": {"relative": 0.2, "period_um": 40.0}, "diameter_trend": 0.3},
    {"layer_factor": 0.6, "width_over_height": 1.2},
    {"broken": 3, "missing": 2, "doubled": 2, "seed": 5},
    {"membrane": {"base_um": 30.0, "thickness_um": 8.0}},
    {"spikes": {"height_um": 30.0, "base_um": 18.0, "tip_um": 6.0}},
]  # fmt: skip


@pytest.mark.parametrize("changes", CHANGED)
def test_voxels_hold_the_volume_that_lines_find(changes):
    built_ = built(**{"spacing_um": 80, "walls": 3, "lean": [3.0, -4.0], "layers": 4, **changes})
    shape, voxel = (66, 80, 80), (2.0, 1.0, 1.0)
    place = Mounting(np.eye(3), np.zeros(3), np.array([39.5, 39.5, 3.0]))
    share = polymer_share(built_, place, shape=shape, voxel_um=voxel)
    outline = np.array([[-40.0, -40.0], [40.0, -40.0], [40.0, 40.0], [-40.0, 40.0]])
    height, error = mean_solid_height(
        built_.segments_um(), radius=built_.radii_um(), stretch=built_.stretch, outline=outline,
        base=-2.0, top=128.0, slabs=built_.slabs_um, lines=2**17,
    )  # fmt: skip
    # As for plain fibres: 2e-3 covers ten voxels across the fibre's height.
    assert share.mean(dtype=np.float64) * 132.0 == pytest.approx(height, rel=2e-3)
    assert error < 2e-3 * height


@pytest.mark.parametrize("shape", ["parabola", "cosine"])
def test_sag_and_its_recruitment(shape):
    scaffold = built(sag_um=15.0, sag_shape=shape, overhang_um=0.0, layer_height_um=40.0)
    truth = truth_of(scaffold)
    lowest = [r for r in truth["fibres"]["each"] if r["layer"] == 0]
    rest = [r for r in truth["fibres"]["each"] if r["layer"] > 0]
    assert {r["sag_um"] for r in lowest} == {0.0}
    assert [r["sag_um"] for r in rest] == pytest.approx([15.0] * len(rest), abs=0.01)
    assert truth["fibres"]["sag_um"] == pytest.approx(15.0, abs=0.01)
    span, drop = 200.0, 15.0
    if shape == "parabola":
        # Arc of a parabola of span L and drop f: with u = 4 f / L,
        # L/2 (sqrt(1 + u²) + asinh(u) / u).
        u = 4 * drop / span
        arc = span / 2 * (math.sqrt(1 + u**2) + math.asinh(u) / u)
    else:
        # (1 - cos)/2 is a sine of half the drop: the elliptic integral again.
        q = math.pi * drop / span
        arc = span * 2 / math.pi * math.sqrt(1 + q**2) * ellipe(q**2 / (1 + q**2))
    # Chords of c = 5 µm average the slope: the strain falls short by (2π c / L)² / 12 of itself
    # for the cosine (2.1e-3), by (c / L)² for the parabola (6e-4).
    assert rest[0]["recruitment_strain"] == pytest.approx(arc / span - 1, rel=3e-3)


def test_fused_fibres_that_rise_over_crossings_sag_between_them():
    truth = truth_of(built(morphology="fused", crossing_rise_um=3.0, layers=3))
    assert truth["fibres"]["sag_um"] == pytest.approx(3.0, abs=0.01)
    assert truth["fibres"]["recruitment_strain"] > 0


def test_diameters_along_fibres_and_layers():
    thin = truth_of(built(diameter_trend=0.2, layer_factor=0.7, layers=8))
    rows = thin["fibres"]["each"]
    assert [r["diameter_change"] for r in rows] == pytest.approx([0.2] * len(rows))
    for r in rows:
        assert r["diameter_um"] == pytest.approx(20 * (1 - 0.3 * r["layer"] / 7))
    assert thin["fibres"]["scaffold_height_um"] == pytest.approx(10 + 7 * 16 + 7)
    swollen = truth_of(built(swell={"relative": 0.2, "period_um": 50.0}, overhang_um=0.0))
    assert swollen["fibres"]["diameter_um"] == pytest.approx(20.0, rel=1e-6)
    # Mean square of 1 + a sin: 1 + a²/2.
    even = truth_of(built(overhang_um=0.0))
    laid = [1 - t["porosity"]["mass_conserving"] for t in (swollen, even)]
    assert laid[0] / laid[1] == pytest.approx(1.02, abs=1e-3)


def test_defects_are_listed_and_counted():
    plain = truth_of(built())
    truth = truth_of(
        built(
            missing=[{"family": 0, "wall": 2, "fibre": 1}],
            broken=[{"family": 1, "wall": 0, "fibre": 2, "at_um": 50.0, "gap_um": 30.0}],
            doubled=[{"family": 0, "wall": 0, "fibre": 0, "offset_um": 18.0}],
        )
    )
    assert truth["fibres"]["count"] == plain["fibres"]["count"] - 1 + 1 + 1
    assert truth["defects"]["missing"] == [{"family": 0, "wall": 2, "fibre": 1, "layer": 2}]
    # Wall 0 of direction 90 stands at +x by its left normal (-1, 0): last by position on x, and
    # first along its own normal.
    broken = truth["defects"]["broken"][0]
    assert (broken["family"], broken["wall"], broken["layer"]) == (1, 4, 5)
    assert broken["at_um"] == pytest.approx([300.0, 50.0, 90.0])
    pieces = [r for r in of_family(truth, 1) if r["wall"] == 4 and r["fibre"] == 2]
    whole = of_family(plain, 1)[0]["length_um"]
    assert len(pieces) == 2
    # Round ends: the gap of clear air takes a width more off the centreline.
    assert sum(p["length_um"] for p in pieces) == pytest.approx(whole - 30.0 - 20.0)
    assert truth["walls"][2]["layer_offset_um"][1] is None
    assert sum(r["doubled"] for r in truth["fibres"]["each"]) == 1


def test_a_gap_in_a_wavy_fibre_lies_on_its_path():
    wave = {"shape": "sine", "amplitude_um": 25.0, "wavelength_um": 200.0}
    broken = [
        {"family": 0, "wall": 1, "fibre": 0, "at_um": at, "gap_um": 12.0} for at in (90.0, -150.0)
    ]
    truth = truth_of(built(wave=[wave, False], broken=broken))
    assert truth["fibres"]["count"] == 24 + 2
    for row, side in zip(truth["defects"]["broken"], (1, -1), strict=True):
        x, y, h = row["at_um"]
        # The middle of a chord over 32 µm of path: off the curve by no more than its sagitta,
        # 16² / 2 times the curvature A (2π/λ)², 3.2 µm.
        assert y == pytest.approx(-100 + 25.0 * math.sin(2 * math.pi * x / 200.0), abs=3.2)
        assert x * side > 0
        assert h == pytest.approx(10.0)


def test_defects_can_be_drawn_with_a_seed():
    one, two, other = (
        truth_of(built(missing=2, broken={"count": 2, "gap_um": 40.0}, doubled=1, seed=s))
        for s in (1, 1, 2)
    )
    assert one["defects"] == two["defects"] != other["defects"]
    assert [len(one["defects"][k]) for k in ("missing", "broken", "doubled")] == [2, 2, 1]


def test_lean_that_changes_along_and_up_the_wall():
    twisted = truth_of(built(lean=4.0, twist_deg_per_mm=3.0))
    along = twisted["walls"][0]["tilt_along"]
    for s, tilt in along:
        rise = math.tan(math.radians(4.0)) + math.tan(math.radians(3.0)) * s / 1000
        assert tilt == pytest.approx(math.degrees(math.atan(rise)))
    assert twisted["walls"][0]["tilt_deg"] == pytest.approx(4.0)
    bowed = built(lean=4.0, rise_bow_um=5.0, layers=10)
    wall = truth_of(bowed)["walls"][0]
    h, offset = np.array(wall["layer_heights_um"]), np.array(wall["layer_offset_um"])
    square, slope, _ = np.polyfit(h - h.mean(), offset, 2)
    assert 2000 * square == pytest.approx(wall["rise_curvature_per_mm"])
    assert math.degrees(math.atan(slope)) == pytest.approx(wall["tilt_deg"])
    turned = Mounting(mount_rotation(in_plane_deg=180.0), np.zeros(3), np.zeros(3))
    assert truth_of(bowed, turned)["walls"][0]["bow_um"] == pytest.approx(-wall["bow_um"])


def test_bent_walls_keep_their_mean_line():
    scaffold = built(bend_radius_um=[2000.0, 0.0])
    truth = truth_of(scaffold)
    line = next(s for s in scaffold.strands if s.family == 0).points_um
    # Through three points of an arc: sagitta s and half chord c give s/2 + c²/(2 s).
    sagitta = line[0, 1] - line[len(line) // 2, 1]
    half = (line[-1, 0] - line[0, 0]) / 2
    assert sagitta / 2 + half**2 / (2 * sagitta) == pytest.approx(2000.0, rel=1e-3)
    mean = np.trapezoid(line[:, 1], line[:, 0]) / (2 * half)
    assert mean == pytest.approx(truth["walls"][0]["position_um"], abs=0.01)
    assert truth["porosity"]["total"] == pytest.approx(
        truth_of(built())["porosity"]["total"], abs=2e-3
    )


def test_mirrored_trapezoids_are_hexagons():
    side = 100.0
    wave = {
        "shape": "trapezoid", "amplitude_um": side * math.sqrt(3) / 4, "wavelength_um": 3 * side,
        "mirrored": True,
    }  # fmt: skip
    scaffold = built(
        directions_deg=[0], spacing_um=side * math.sqrt(3) / 2 + 18, walls=4, wave=wave,
        morphology="fused", layers=3, overhang_um=150.0,
    )  # fmt: skip
    line = next(s for s in scaffold.strands if s.family == 0).points_um
    legs = np.linalg.norm(np.diff(line, axis=0), axis=1)
    assert legs[1:-1] == pytest.approx(side)
    truth = truth_of(scaffold)
    assert 0 < truth["porosity"]["total"] < 1
    # Whole wavelengths long, two mean spacings wide.
    wide = 2 * (side * math.sqrt(3) / 2 + 18)
    assert truth["envelope"]["area_um2"] == pytest.approx(2 * 3 * side * wide)


def test_what_stands_beside_is_told():
    truth = truth_of(
        built(
            spikes={"height_um": 30.0, "base_um": 18.0, "tip_um": 6.0},
            bridges=[{"from_um": [-100, -100, 30], "to_um": [-100, 100, 60], "sag_um": 12.0}],
            membrane={"base_um": 40.0, "thickness_um": 10.0},
        )
    )
    assert truth["spikes"]["count"] == 16
    assert truth["bridges"][0]["sag_um"] == 12.0
    assert truth["bridges"][0]["diameter_um"] == 20.0
    assert truth["membrane"]["top_um"] == 50.0
    assert truth["fibres"]["count"] == 6 * 4


def test_the_truth_of_all_of_it_is_json():
    wave = {"shape": "zigzag", "amplitude_um": 20.0, "wavelength_um": 200.0, "corner_um": 5.0}
    scaffold = built(
        wave=wave, sag_um=3.0, swell={"relative": 0.1, "period_um": 60.0}, loops=True,
        missing=1, broken=1, doubled=1, twist_deg_per_mm=1.0,
    )  # fmt: skip
    truth = truth_of(scaffold)
    assert json.loads(json.dumps(truth, allow_nan=False)) == truth


def test_half_a_turn_changes_the_sense_of_all_that_has_one():
    scaffold = built(
        diameter_trend=0.2, doubled=[{"family": 0, "wall": 1, "fibre": 1, "offset_um": 18.0}],
        wave={"shape": "sine", "amplitude_um": 9.0, "wavelength_um": 200.0, "phase_deg": 30.0},
    )  # fmt: skip
    place = Mounting(mount_rotation(in_plane_deg=180.0), np.zeros(3), np.zeros(3))
    one, other = truth_of(scaffold), truth_of(scaffold, place)
    for truth, sense in ((one, 1), (other, -1)):
        assert truth["fibres"]["diameter_change"] == pytest.approx(0.2 * sense)
        assert truth["defects"]["doubled"][0]["offset_um"] == 18.0 * sense
        assert truth["fibres"]["families"][0]["wave"]["layer_phases_deg"] == [30.0 * sense] * 3
    assert (one["defects"]["doubled"][0]["wall"], other["defects"]["doubled"][0]["wall"]) == (1, 2)


@pytest.mark.parametrize(
    "wave",
    [
        # Turned in phase, so that no leg lies on the envelope's edge.
        {"shape": "square", "amplitude_um": 30.0, "wavelength_um": 200.0, "phase_deg": 20.0},
        {"shape": "trapezoid", "flat": 0.65, "amplitude_um": 30.0, "wavelength_um": 200.0},
        {"shape": "trapezoid", "flat": 0.65, "amplitude_um": 30.0, "wavelength_um": 200.0,
         "corner_um": 8.0},
    ],
)  # fmt: skip
def test_re_entrant_cells_have_a_porosity(wave):
    # One family of mirrored strokes far apart in height, and upright ribs across it.
    scaffold = built(
        wave=[{**wave, "mirrored": True}, False], layers=4, layer_height_um=30.0, walls=5,
        overhang_um=100.0,
    )  # fmt: skip
    truth = truth_of(scaffold, lines=2**18)
    assert truth["envelope"]["area_um2"] == pytest.approx(600.0**2)
    # A period: flats and legs; over three periods of each of three walls inside.
    flat = 100.0 if wave["shape"] == "square" else 130.0
    period = 2 * flat + 2 * math.hypot(60.0, 100.0 - flat)
    if "corner_um" in wave:
        turn = math.pi - math.atan2(60.0, flat - 100.0)
        period -= 4 * 8.0 * (2 * math.tan(turn / 2) - turn)
    solid = math.pi * 100 * 2 * (3 * 3 * period + 3 * 600)
    exact = 1 - solid / (600.0**2 * 110)
    # Rounded corners are chords of 6°: 5e-4 of the arcs.
    assert truth["porosity"]["mass_conserving"] == pytest.approx(exact, abs=2e-5)
    # Strokes that cross themselves nowhere, but turn sharper than their radius: the union is
    # smaller by less than a ball at each of 36 corners a layer.
    assert 0 <= truth["porosity"]["total"] - exact < 2 * 36 * 4189 / (600.0**2 * 110)
    assert {r["recruitment_strain"] for r in of_family(truth, 1)} == {0.0}


@pytest.mark.parametrize(
    "changes",
    [
        {"wave": {"shape": "square wheel", "amplitude_um": 1.0, "wavelength_um": 10.0}},
        {"wave": {"shape": "sine", "amplitude_um": 1.0}},
        {"wave": {"shape": "sine", "amplitude_um": 1.0, "wavelength_um": 9.0, "colour": 3}},
        {"wave": [{"shape": "sine", "amplitude_um": 1.0, "wavelength_um": 9.0}]},
        {"wave": {"shape": "sine", "amplitude_um": 400.0, "wavelength_um": 40.0}},
        {"missing": [[0, 9, 0]]},
        {"missing": 1000},
        {"broken": {"gap_um": 3.0}},
        {"sag_shape": "catenary"},
        {"bend_radius_um": 20.0},
        {"spikes": {"height_um": 3.0}},
        {"bridges": [{"from_um": [0, 0], "to_um": [1, 1, 1]}]},
    ],
)
def test_what_cannot_be_is_refused(changes):
    with pytest.raises(SettingsError):
        built(**changes)
