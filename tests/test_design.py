from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from volscan.design import Design, Tolerances, Weighing
from volscan.design_check import compare_with_design, match_families, verdict_of
from volscan.design_porosity import anchored_porosity, gravimetric_porosity, implied_porosity
from volscan.errors import SettingsError, UnreadableError
from volscan.quantity import Quantity
from volscan.results_assemble import assemble

PATTERN = {
    "directions_deg": [0, 90],
    "spacing_um": 200,
    "fibre_diameter_um": 20,
    "layers": 10,
    "layer_height_um": 16,
}


def design(**changes) -> Design:
    return Design.from_dict({"pattern": {**PATTERN, **changes}})


def test_a_file_with_every_key_reads_back(tmp_path: Path):
    path = tmp_path / "print.toml"
    path.write_text(
        """
        [print]
        name = "eardrum patch 7"
        collector = "plate"
        [pattern]
        directions_deg = [0, 60, 120]
        spacing_um = [200, 180.5, 200]
        fibre_diameter_um = 20
        layers = 9
        layer_height_um = 16
        walls_per_direction = [5, 6, 5]
        wanted_tilt_deg = 3
        morphology = "fused"
        [tolerances]
        diameter_um = 1
        tilt_deg = 0.5
        [weighing]
        mass_mg = 1.2
        u_mass_mg = 0.01
        polymer_density_g_cm3 = 1.145
        [anchor]
        fibre_diameter_um = 20.4
        u = 0.3
        """
    )
    read = Design.load(path)
    assert read.spacing_um == (200.0, 180.5, 200.0)
    assert read.walls_per_direction == (5, 6, 5)
    assert (read.wanted_tilt_deg, read.tolerances.tilt_deg) == (3.0, 0.5)
    assert read.tolerances.spacing_percent == 2.0
    assert read.weighing is not None
    assert read.weighing.area_mm2 is None
    assert read.anchor is not None
    assert read.anchor.u == 0.3
    # Fused: every direction at every height.
    assert read.passes == (9, 9, 9)


@pytest.mark.parametrize(
    ("layers", "passes"), [(10, (4, 3, 3)), (9, (3, 3, 3)), (2, (1, 1, 0)), (3, (1, 1, 1))]
)
def test_interleaved_passes_are_dealt_in_turn(layers, passes):
    assert design(directions_deg=[0, 60, 120], layers=layers).passes == passes


@pytest.mark.parametrize(
    ("section", "key", "near"),
    [
        ("pattern", "fiber_diameter_um", "fibre_diameter_um"),
        ("tolerances", "spacing_percentage", "spacing_percent"),
        ("weighing", "mass_g", "mass_mg"),
    ],
)
def test_unknown_key_names_the_nearest(section, key, near):
    values = {"pattern": dict(PATTERN)}
    values.setdefault(section, {})[key] = 1
    with pytest.raises(SettingsError, match=f"{section}.{key}.* {near}$"):
        Design.from_dict(values)


def test_unknown_table_names_the_nearest():
    with pytest.raises(SettingsError, match=r"unknown key patern.* pattern$"):
        Design.from_dict({"patern": PATTERN})


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"directions_deg": [0, 180]}, "directions_deg"),
        ({"directions_deg": []}, "at least one"),
        ({"directions_deg": [30, 30]}, "twice"),
        ({"spacing_um": [200]}, "spacing_um"),
        ({"spacing_um": 15}, "smaller than the spacing"),
        ({"fibre_diameter_um": -1}, "fibre_diameter_um"),
        ({"fibre_diameter_um": math.nan}, "fibre_diameter_um"),
        ({"layers": 2.5}, "layers"),
        ({"layers": True}, "layers"),
        ({"morphology": "woven"}, "woven"),
        ({"wanted_tilt_deg": 75}, "wanted_tilt_deg"),
        ({"walls_per_direction": [5, 5, 5]}, "walls_per_direction"),
    ],
)
def test_values_that_cannot_be_are_refused_with_their_key(changes, said):
    with pytest.raises(SettingsError, match=said):
        design(**changes)


@pytest.mark.parametrize("key", sorted(PATTERN))
def test_a_missing_key_is_named(key):
    rest = {k: v for k, v in PATTERN.items() if k != key}
    with pytest.raises(SettingsError, match=f"pattern.{key} is missing"):
        Design.from_dict({"pattern": rest})


def test_unreadable_files_are_told_in_one_line(tmp_path: Path):
    (tmp_path / "bad.toml").write_text("[pattern\n")
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    for name in ("bad.toml", "bytes.toml", "missing.toml"):
        with pytest.raises(UnreadableError, match=name) as caught:
            Design.load(tmp_path / name)
        assert "\n" not in str(caught.value)


# Worked porosities of endless 0/90 piles (d, s, h, no-overlap formula, exact union), from the
# closed form 1 - pi d²/(4 s h) and the crossing-cylinder overlap integral, to the digits shown.
WORKED = [
    (1, 3, 1, 0.738201, 0.738201),
    (1, 3, 0.8, 0.672751, 0.680593),
    (1, 5, 1, 0.842920, 0.842920),
    (1, 5, 0.9, 0.825467, 0.826130),
    (1, 5, 0.8, 0.803650, 0.806474),
    (1, 5, 0.5, 0.685841, 0.709071),
    (1, 10, 1, 0.921460, 0.921460),
    (10, 200, 10, 0.960730, 0.960730),
    (20, 200, 16, 0.901825, 0.902531),
]


@pytest.mark.parametrize(("d", "s", "h", "mass_conserving", "union"), WORKED)
def test_endless_log_pile(d, s, h, mass_conserving, union):
    both = implied_porosity(
        design(fibre_diameter_um=d, spacing_um=s, layer_height_um=h), endless=True
    )
    # The table has six digits.
    assert both.mass_conserving == pytest.approx(mass_conserving, abs=6e-7)
    assert both.union == pytest.approx(union, abs=6e-7)


def test_finite_pile_goes_to_the_endless_one():
    endless = implied_porosity(design(), endless=True)
    gaps = []
    for layers in (20, 40, 80):
        finite = implied_porosity(design(layers=layers))
        gaps.append(finite.union - endless.union)
        # Elementary: N areal fibre volumes over (N - 1) h + d.
        solid = layers * math.pi * 20**2 / (4 * 200) / ((layers - 1) * 16 + 20)
        assert finite.mass_conserving == pytest.approx(1 - solid, abs=1e-12)
    # The outer faces' share falls as one over the number of layers.
    assert gaps[0] / gaps[1] == pytest.approx(2, rel=0.05)
    assert gaps[1] / gaps[2] == pytest.approx(2, rel=0.05)


@pytest.mark.parametrize(
    ("directions", "morphology", "tilt"),
    [
        ([0, 90], "interleaved", 0.0),
        ([0, 90], "fused", 0.0),
        ([0, 90], "fused", 25.0),
        ([0, 60, 120], "interleaved", 0.0),
        ([0, 60, 120], "fused", 8.0),
        ([0], "interleaved", 20.0),
    ],
)
def test_union_against_points_thrown_into_the_pile(directions, morphology, tilt):
    d, s, h, layers = 20.0, 95.0, 12.0, 8
    wanted = design(
        directions_deg=directions, spacing_um=s, fibre_diameter_um=d, layer_height_um=h,
        layers=layers, morphology=morphology, wanted_tilt_deg=tilt,
    )  # fmt: skip
    rng = np.random.default_rng(3)
    # Many prints of the pattern, each with its own lateral phase of every direction.
    prints, points, n = 400, 1500, len(directions)
    z = rng.uniform(-d / 2, (layers - 1) * h + d / 2, (prints, points))
    x, y = rng.uniform(0, 1e4, (2, prints, points))
    solid = np.zeros((prints, points), dtype=bool)
    rise = h if morphology == "fused" else n * h
    for i, angle in enumerate(np.radians(directions)):
        phase = rng.uniform(0, s, (prints, 1))
        across = -x * np.sin(angle) + y * np.cos(angle) + phase
        layer_numbers = range(layers) if morphology == "fused" else range(i, layers, n)
        for k, layer in enumerate(layer_numbers):
            lean = k * rise * math.tan(math.radians(tilt))
            off = (across - lean + s / 2) % s - s / 2
            solid |= off**2 + (z - layer * h) ** 2 <= (d / 2) ** 2
    share = solid.mean(axis=1)
    # Four standard errors of the mean over prints: points and phases both scatter it.
    error = share.std(ddof=1) / math.sqrt(prints)
    assert implied_porosity(wanted).union == pytest.approx(1 - share.mean(), abs=4 * error)


def test_a_design_that_cannot_hold_its_polymer_is_refused():
    with pytest.raises(SettingsError, match="times the volume"):
        implied_porosity(design(spacing_um=21, layer_height_um=2))


def test_weighed_disc_of_known_porosity():
    # A disc 8 mm wide and 200 µm thick holds 10.053 mm³; 1.2062 mg of 1.2 g/cm³ is a tenth of it.
    area = math.pi * 16
    weighing = Weighing(area * 0.2 * 0.1 * 1.2, 0.0, 1.2, area_mm2=area, thickness_um=200)
    weighed = gravimetric_porosity(Design((0.0,), (200.0,), 20.0, 4, 16.0, weighing=weighing), None)
    assert weighed is not None
    assert weighed.value == pytest.approx(0.9, abs=1e-12)
    assert weighed.u == 0


def test_weighing_takes_the_measured_height_and_its_uncertainty():
    weighing = Weighing(1.0, 0.02, 1.145, area_mm2=30.0)
    wanted = Design((0.0,), (200.0,), 20.0, 4, 16.0, weighing=weighing)
    weighed = gravimetric_porosity(wanted, Quantity(300.0, 6.0, "µm", 4))
    solid = 1.0 / 1.145 / (30.0 * 0.3)
    assert weighed is not None
    assert weighed.value == pytest.approx(1 - solid)
    # Two relative parts of 2 % each, in quadrature (JCGM 100, 5.1.6).
    assert weighed.u == pytest.approx(solid * math.hypot(0.02, 0.02))
    assert gravimetric_porosity(wanted, None) is None


def test_anchor_scales_the_solid_with_the_square_of_the_diameter():
    wanted = Design.from_dict({"pattern": PATTERN, "anchor": {"fibre_diameter_um": 22.0, "u": 0.0}})
    told = anchored_porosity(wanted, Quantity(0.9, 0.0, "1", 1), Quantity(20.0, 0.0, "µm", 1))
    assert told is not None
    assert told.value == pytest.approx(1 - 0.1 * 1.21)


def test_verdicts_take_the_uncertainty_into_account():
    assert verdict_of(10, 10.75, 0.1, 1.0) == "in"
    assert verdict_of(10, 10.8, 0.11, 1.0) == "undecided"
    assert verdict_of(10, 11.2, 0.11, 1.0) == "undecided"
    assert verdict_of(10, 11.3, 0.1, 1.0) == "out"
    assert verdict_of(10, 10.0, None, 1.0) == "undecided"
    assert verdict_of(10, None, 0.1, 1.0) == "undecided"


def _families(*directions: float, spacing: float = 200.0) -> list[dict]:
    return [
        {"direction_deg": {"value": a, "u": 0.05}, "spacing_um": {"value": spacing, "u": 0.1}}
        for a in directions
    ]


@pytest.mark.parametrize("rotation", [0.0, 17.3, 44.9, 91.0, -60.0])
def test_the_mounting_rotation_is_taken_out(rotation):
    wanted = design(directions_deg=[0, 60, 120], spacing_um=[150, 200, 250])
    families = [
        {"direction_deg": {"value": (a + rotation) % 180, "u": 0.05}, "spacing_um": {"value": s}}
        for a, s in ((0.0, 150), (60.4, 200), (120.2, 250))
    ]
    match = match_families(wanted, families)
    # The spacings tell which family is which; directions alone leave three rotations open.
    assert match.family == (0, 1, 2)
    assert match.rotation_deg == pytest.approx((rotation + 0.2 + 90) % 180 - 90, abs=1e-6)
    assert match.off_deg == pytest.approx((-0.2, 0.2, 0.0), abs=1e-6)


def test_a_missing_direction_is_out_and_named():
    match = match_families(design(directions_deg=[0, 60, 120]), _families(10.0, 70.0))
    assert match.family.count(None) == 1


def test_no_families_leave_everything_open():
    assert match_families(design(), []).family == (None, None)


def test_comparison_of_a_whole_document(measured):
    wanted = Design.from_dict(
        {
            "print": {"name": "strip"},
            "pattern": {
                "directions_deg": [45], "spacing_um": 25, "fibre_diameter_um": 15.4, "layers": 3,
                "layer_height_um": 12, "walls_per_direction": 4, "wanted_tilt_deg": 0,
            },
            "tolerances": {"diameter_um": 1.0, "tilt_deg": 1.0},
        }
    )  # fmt: skip
    document = assemble(measured).to_dict()
    lines = {c["name"]: c for c in compare_with_design(wanted, document)["compared"]}
    assert lines["fibre diameter"]["verdict"] == "in"
    assert lines["layers"]["verdict"] == "in"
    assert lines["directions"]["verdict"] == "in"
    # One direction has nothing to be compared with but itself.
    assert lines["direction 45°"]["measured"] == pytest.approx(45.0)
    assert lines["walls at 45°"]["verdict"] == "out"
    tilt = lines["mean tilt at 45°"]
    assert tilt["measured"] == pytest.approx(4.8)
    assert tilt["verdict"] == "out"
    # Frame's 0.05° shared; the walls' own sqrt(0.1² - 0.05²) fall with the root of two walls.
    assert tilt["u"] == pytest.approx(math.hypot(0.05, math.sqrt(0.0075 / 2)))


@pytest.mark.parametrize("modality", ["oct", "ct"])
def test_a_print_under_way_is_compared_with_the_layers_laid(measured, modality):
    wanted = Design((45.0,), (25.0,), 15.4, 5, 12.0)
    document = assemble(measured).to_dict()
    assert document["fibres"]["layer_count"] == 3
    document["input"]["modality"] = modality
    compared = compare_with_design(wanted, document)
    lines = {c["name"]: c for c in compared["compared"]}
    assert (lines["layers"]["designed"], lines["layers"]["measured"]) == (5, 3)
    if modality == "oct":
        assert lines["layers"]["verdict"] == "undecided"
        assert "under way" in lines["layers"]["note"]
        assert lines["layers at 45°"]["designed"] == 3
        # Of the pile of three layers, not of five.
        three = compare_with_design(Design((45.0,), (25.0,), 15.4, 3, 12.0), document)
        assert compared["implied_porosity"] == three["implied_porosity"]
    else:
        # A finished print lacks two layers.
        assert lines["layers"]["verdict"] == "out"


def test_tolerances_must_be_positive():
    with pytest.raises(SettingsError, match="spacing_percent"):
        Tolerances(spacing_percent=0)
