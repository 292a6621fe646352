"""The truth of phantoms against closed forms: it is what every validation stands on."""

from __future__ import annotations

import math

import numpy as np
import pytest

from volscan.errors import SettingsError
from volscan.phantom.make import phantom_from_dict
from volscan.phantom.mounting import Mounting, mount_rotation
from volscan.phantom.scaffold import build_scaffold, swollen_diameter_um
from volscan.phantom.spec import scaffold_spec, specs_from_dict
from volscan.phantom.truth import scaffold_truth


def pile(*, d: float, s: float, h: float, layers: int = 6, **more: object) -> dict:
    spec = scaffold_spec(
        directions_deg=[0, 90], spacing_um=s, diameter_um=d, layers=layers, layer_height_um=h,
        walls=5, **more,
    )  # fmt: skip
    return scaffold_truth(build_scaffold(spec), throats_too="lean" not in more)


# REFERENCE: D. Union porosity of an endless 0/90 pile, 1 - π d²/(4 s h) + V_ov/(h s²), worked with
# V_ov/d³ by numerical integration of two crossing strips over height (derived; (d, s, h) -> value).
WORKED = [
    (1, 3, 1.0, 0.738201),
    (1, 3, 0.8, 0.680593),
    (1, 5, 0.9, 0.826130),
    (1, 5, 0.5, 0.709071),
    (20, 200, 16, 0.902531),
]


@pytest.mark.parametrize(("d", "s", "h", "endless"), WORKED)
def test_union_porosity_of_a_pile_is_the_worked_value(d, s, h, endless):
    layers = 6
    truth = pile(d=d, s=s, h=h, layers=layers)
    # The envelope ends at the outer tangents: (N - 1) h + d high instead of N h, and one overlap
    # fewer than layers. The worked value gives the endless pile's overlap.
    overlap = (endless - 1 + math.pi * d**2 / (4 * s * h)) * h * s**2
    height = (layers - 1) * h + d
    solid = layers * math.pi * d**2 / (4 * s) - (layers - 1) * overlap / s**2
    limit = max(1e-5, 4 * truth["porosity"]["total_error"])
    # 1e-5: the worked values have six digits. 4 standard errors of the lines cast.
    assert truth["porosity"]["total"] == pytest.approx(1 - solid / height, abs=limit)
    conserving = 1 - layers * math.pi * d**2 / (4 * s) / height
    assert truth["porosity"]["mass_conserving"] == pytest.approx(conserving, abs=1e-9)
    # Whole cells of five walls: from mid-pore to mid-pore, three spacings.
    assert truth["envelope"]["area_um2"] == pytest.approx((3 * s) ** 2)


@pytest.mark.parametrize(("d", "s", "h"), [(1, 3, 1.0), (1, 3, 0.8), (1, 4, 1.0)])
def test_throats_of_a_pile(d, s, h):
    # Down: s - d. Across: under the second layer of a finite pile the channel reaches from the
    # base to the fibres 2 h above, min(s - d, max(2 h - d, h)) (derived).
    truth = pile(d=d, s=s, h=h)
    throat, error = truth["pores"]["throat_um"], truth["pores"]["throat_error_um"]
    assert throat["h"] == pytest.approx(s - d, abs=error["h"])
    for axis in "xy":
        expected = min(s - d, max(2 * h - d, h))
        assert throat[axis] == pytest.approx(expected, abs=error[axis])
        assert error[axis] < 0.05 * d


def test_a_welded_wall_keeps_the_area_that_was_laid():
    # Circle-circle lens in its textbook form (Weisstein, "Circle-Circle Intersection", equal
    # radii): 2 r² acos(c / 2r) - (c / 2) sqrt(4 r² - c²).
    laid, step, count = 20.0, 15.0, 12
    d = swollen_diameter_um(laid, step, count)
    r = d / 2
    lens = 2 * r**2 * math.acos(step / d) - step / 2 * math.sqrt(d**2 - step**2)
    assert d > laid
    union = count * math.pi * r**2 - (count - 1) * lens
    assert union == pytest.approx(count * math.pi * laid**2 / 4, rel=1e-9)


def test_layer_shift_of_a_lean_is_the_tabulated_one():
    # Rise 32 µm and 10°: 32 tan(10°) = 5.642463 µm a fibre (trigonometry).
    truth = pile(d=20, s=200, h=16, lean=[10.0, 0.0])
    wall = truth["walls"][0]
    assert wall["tilt_deg"] == pytest.approx(10.0)
    assert wall["offset_per_fibre_um"] == pytest.approx(5.642463, abs=1e-6)
    assert np.diff(wall["layer_offset_um"]) == pytest.approx(5.642463, abs=1e-6)
    assert np.diff(wall["layer_heights_um"]) == pytest.approx(32.0)
    # n = (-sin 0, cos 0) = (0, 1).
    assert wall["lean_vector"] == pytest.approx([0.0, math.tan(math.radians(10.0))], abs=1e-12)


def test_a_shift_against_the_lean_sets_a_wall_upright():
    truth = pile(d=20, s=200, h=16, lean=10.0, shift_per_fibre_um=-32 * math.tan(math.radians(10)))
    assert [w["tilt_deg"] for w in truth["walls"]] == pytest.approx([0.0] * 10, abs=1e-9)


SCAFFOLD = {
    "directions_deg": [0, 90], "spacing_um": 100, "diameter_um": 20, "layers": 6,
    "layer_height_um": 16, "walls": 4, "lean": 5.0,
}  # fmt: skip


def test_mounting_changes_no_lean():
    spec = scaffold_spec(**SCAFFOLD)
    scaffold = build_scaffold(spec)
    for tilt, azimuth, turn in ((5.0, 270.0, 0.0), (8.0, 33.0, 25.0)):
        rotation = mount_rotation(tilt_deg=tilt, azimuth_deg=azimuth, in_plane_deg=turn)
        # A rotation: orthonormal, right-handed.
        assert rotation @ rotation.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(rotation) == pytest.approx(1.0)
        mounting = Mounting(rotation, np.zeros(3), np.array([300.0, 300.0, 100.0]))
        truth = scaffold_truth(scaffold, mounting, throats_too=False)
        assert truth["frame"]["mount_tilt_deg"] == pytest.approx(tilt)
        assert [w["tilt_deg"] for w in truth["walls"]] == pytest.approx([5.0] * 8)
        # H leans from z toward the azimuth (from x toward y).
        h = np.array(truth["frame"]["axes"]["h"])[::-1]
        a, t = math.radians(azimuth), math.radians(tilt)
        expected = [math.sin(t) * math.cos(a), math.sin(t) * math.sin(a), math.cos(t)]
        assert h == pytest.approx(expected)


def test_a_lean_of_five_mounted_at_minus_five_is_upright_in_the_scan():
    scaffold = build_scaffold(scaffold_spec(**{**SCAFFOLD, "lean": [5.0, 0.0]}))
    mounting = Mounting(
        mount_rotation(tilt_deg=5.0, azimuth_deg=270.0), np.zeros(3), np.array([300.0, 300.0, 0])
    )
    wall = scaffold.walls[0]
    steps = np.column_stack([np.zeros(3), wall.positions_um, wall.heights_um])
    across = mounting.to_scan_xyz(steps)[:, 1]
    # Walls along X: their fibres lie at one and the same y of the scan.
    assert np.ptp(across) == pytest.approx(0.0, abs=1e-9)
    assert np.ptp(wall.positions_um) > 5


def test_a_mirrored_print_leans_the_other_way():
    # Mirroring x: α becomes 180 - α and a lean vector's x its negative. Here 30 and 120 become
    # 150 and 60, whose normals point the other way in x and y.
    common = {**SCAFFOLD, "lean": [6.0, -2.0]}
    plain = scaffold_truth(
        build_scaffold(scaffold_spec(**{**common, "directions_deg": [30, 120]})), throats_too=False
    )
    mirror = {**common, "directions_deg": [150, 60], "lean": [-6.0, 2.0]}
    mirrored = scaffold_truth(build_scaffold(scaffold_spec(**mirror)), throats_too=False)
    was = {tuple(np.round([-x, y], 9)) for x, y in (w["lean_vector"] for w in plain["walls"])}
    now = {tuple(np.round(w["lean_vector"], 9)) for w in mirrored["walls"]}
    assert now == was
    assert len(now) == 2


def test_the_same_spec_gives_the_same_phantom_and_another_seed_another():
    values = {
        "scaffold": {**SCAFFOLD, "layers": 2, "lean": {"kind": "mixed", "low": -5, "high": 5}},
        "scanner": {"voxel_um": 5.0, "contrast_to_noise": 8.0, "seed": 1},
    }
    first, truth, _ = phantom_from_dict(values, throats_too=False)
    second, again, _ = phantom_from_dict(values, throats_too=False)
    assert np.array_equal(first.samples, second.samples)
    assert truth == again
    values["scanner"] = {**values["scanner"], "seed": 2}
    third, _, _ = phantom_from_dict(values, throats_too=False)
    assert third.shape == first.shape
    assert not np.array_equal(first.samples, third.samples)


@pytest.mark.parametrize(
    ("table", "key", "value", "said"),
    [
        ("scaffold", "spaceing_um", 100, "unknown key spaceing_um"),
        ("scanner", "voxel", 2.0, "unknown key voxel"),
        ("scaffold", "lean", {"kind": "sideways"}, "mixed, systematic, fan or vector"),
        ("scaffold", "lean", {"kind": "mixed", "low": 1}, "lean.high is missing"),
        ("scaffold", "lean", 70.0, "touch their neighbours"),
        ("scaffold", "walls", [4, 4, 4], "walls needs one value or 2"),
        ("scanner", "psf", "square", "psf must be one of"),
        ("scanner", "dtype", "int12", "dtype must be one of"),
    ],
)
def test_specs_that_cannot_be_are_refused_by_name(table, key, value, said):
    values = {"scaffold": dict(SCAFFOLD), "scanner": {"voxel_um": 5.0}}
    values[table] = {**values[table], key: value}
    with pytest.raises(SettingsError, match=said):
        build_scaffold(specs_from_dict(values)[0])
