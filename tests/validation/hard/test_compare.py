"""The comparison itself: a perfect measurement has no errors, and one fault costs itself alone."""

from __future__ import annotations

import copy
import math

import numpy as np
import pytest

from tests.validation.hard import run as running
from tests.validation.hard.__main__ import main
from tests.validation.hard.calibration import calibrate
from tests.validation.hard.compare import AIMS, Entry, entries
from tests.validation.hard.matching import match_walls
from tests.validation.hard.phantoms import cases
from tests.validation.hard.table import errors_csv, line_of, page, row_of
from volscan.phantom.mounting import Mounting, mount_rotation
from volscan.phantom.scaffold import build_scaffold
from volscan.phantom.spec import scaffold_spec
from volscan.phantom.truth import scaffold_truth
from volscan.phantom.tube_scan import tube_spec
from volscan.phantom.tube_truth import tube_truth
from volscan.phantom.tube_wind import build_tube

VOXEL_UM, BLUR_UM = 4.0, 8.0


def q(value, u=1.0):
    return None if value is None else {"value": value, "u": u, "unit": "", "n": 1}


def perfect(truth):
    """The results document and wall paths of a measurement without errors."""
    fibres, tube = truth["fibres"], truth.get("tube")
    families = []
    for f in fibres["families"]:
        wave = f.get("wave")
        keys = ("amplitude_um", "wavelength_um", "phase_mismatch_deg")
        told = None if wave is None else {k: q(wave[k]) for k in keys}
        families.append({"id": f["id"], "wave": told})
    walls, paths = [], []
    for w in truth["walls"]:
        # A tube's truth has one lean a stack.
        rows = w.get("tilt_along") or [[0.0, w["tilt_deg"]], [150.0, w["tilt_deg"]]]
        # Stations are told from the first one on.
        along = [[s - rows[0][0], tilt, 0.5] for s, tilt in rows]
        walls.append({k: w[k] for k in ("id", "family", "direction_deg", "position_um")})
        walls[-1] |= {"tilt_deg": q(w["tilt_deg"]), "tilt_along": along}
        a = math.radians(w["direction_deg"])
        paths.append([[s * math.cos(a) - w["position_um"] * math.sin(a),
                       s * math.sin(a) + w["position_um"] * math.cos(a)]
                      for s, _ in rows])  # fmt: skip
    lengths = ("mean_radius_um", "lumen_diameter_um", "wall_thickness_um")
    document = {
        "frame": {**truth["frame"], "point_um": None},
        "fibres": {
            "count": fibres["count"],
            "layer_count": fibres["layer_count"],
            "diameter_um": q(fibres["diameter_um"]),
            "sag_um": q(fibres.get("sag_um")),
            "recruitment_strain": q(fibres.get("recruitment_strain")),
            "families": families,
        },
        "walls": walls,
        "porosity": {"total": q(truth["porosity"]["total"])},
        "tube": None
        if tube is None
        else {
            "winding_angle_deg": [q(v) for v in tube["winding_angle_deg"]],
            **{k: q(tube[k]) for k in lengths},
        },
    }
    return document, paths


@pytest.fixture(scope="module")
def plate():
    spec = scaffold_spec(
        directions_deg=[0, 90], spacing_um=120, diameter_um=20, layers=6, layer_height_um=16,
        walls=4, sag_um=6, lean={"kind": "mixed", "low": -6, "high": 6}, seed=3,
        wave=[{"shape": "sine", "amplitude_um": 20, "wavelength_um": 160,
               "phase_jitter_deg": 5}, False],
        twist_deg_per_mm=[0, 9],
    )  # fmt: skip
    place = Mounting(mount_rotation(tilt_deg=4, in_plane_deg=30), np.zeros(3), np.full(3, 300.0))
    return scaffold_truth(build_scaffold(spec), place, throats_too=False, lines=2**8)


@pytest.fixture(scope="module")
def sleeve():
    spec = tube_spec(
        winding_angle_deg=[50, -35], starts=4, mandrel_diameter_um=200, diameter_um=20, layers=4,
        layer_height_um=18, length_um=300, lean={"kind": "mixed", "low": -5, "high": 5},
    )  # fmt: skip
    place = Mounting(mount_rotation(tilt_deg=5, in_plane_deg=20), np.zeros(3), np.full(3, 400.0))
    return tube_truth(build_tube(spec), place)


def compared(truth, document, paths):
    return entries(document, truth, paths, voxel_um=VOXEL_UM, blur_um=BLUR_UM)


def of(found, quantity):
    return [e for e in found if e.quantity == quantity]


def test_a_perfect_measurement_has_no_errors(plate, sleeve):
    told = set()
    for truth in (plate, sleeve):
        found = compared(truth, *perfect(truth))
        told |= {e.quantity for e in found}
        # Rounding; angles pass through a tangent and back.
        assert max(abs(e.error) for e in found) < 1e-9
        assert all(e.u is not None for e in found if e.quantity not in
                   ("fibre_count", "layer_count", "walls_amiss"))  # fmt: skip
    assert told == set(AIMS) - {"diameter_thin", "diameter_degenerate"}


def test_errors_and_u_carry_their_units(plate):
    document, paths = perfect(plate)
    fibres = document["fibres"]
    fibres["diameter_um"] = q(20.0 + 2.0, u=1.0)
    fibres["sag_um"]["value"] += 1.0
    wave = next(f["wave"] for f in fibres["families"] if f["wave"])
    wave["amplitude_um"] = q(20.0 * 1.02, u=0.4)
    strain = plate["fibres"]["recruitment_strain"]
    fibres["recruitment_strain"] = q(strain * 1.05, u=strain * 0.025)
    document["porosity"]["total"]["value"] -= 0.004
    found = compared(plate, document, paths)
    diameter = (22.0 - plate["fibres"]["diameter_um"]) / VOXEL_UM
    assert of(found, "diameter") == [Entry("diameter", pytest.approx(diameter), 0.25)]
    assert of(found, "sag")[0].error == pytest.approx(0.25)
    assert of(found, "wave_amplitude")[0].error == pytest.approx(2.0)
    assert of(found, "wave_amplitude")[0].u == pytest.approx(2.0)
    # The strain is above 0.02, so that 5 % of itself is its limit.
    assert strain > 0.02
    assert of(found, "recruitment_strain")[0].error == pytest.approx(1.0)
    assert of(found, "recruitment_strain")[0].u == pytest.approx(0.5)
    assert of(found, "porosity")[0].error == pytest.approx(-0.4)


def test_a_missed_and_an_extra_wall_cost_themselves_alone(plate, sleeve):
    for truth in (plate, sleeve):
        document, paths = perfect(truth)
        del document["walls"][1], paths[1]
        extra = copy.deepcopy(document["walls"][3])
        extra["position_um"] += 55.0
        document["walls"].append(extra)
        paths.append(paths[3])
        found = compared(truth, document, paths)
        assert of(found, "walls_amiss")[0].error == 2
        tilts = of(found, "tilt_straight") + of(found, "tilt_wavy")
        assert sum(e.error is None for e in tilts) == 1
        assert max(abs(e.error) for e in tilts if e.error is not None) < 1e-9


def test_directions_told_the_other_way_round(plate):
    document, paths = perfect(plate)
    for w in document["walls"]:
        w["direction_deg"] -= 180.0
        w["position_um"] *= -1
        w["tilt_deg"]["value"] *= -1
        last = w["tilt_along"][-1][0]
        w["tilt_along"] = [[last - s, -t, u] for s, t, u in reversed(w["tilt_along"])]
    found = compared(plate, document, paths)
    assert max(abs(e.error) for e in found) < 1e-9


def test_a_tube_is_matched_from_any_origin(sleeve):
    # The measured frame starts elsewhere along the axis and around it: places move by closed form.
    document, paths = perfect(sleeve)
    frame, radius = document["frame"], sleeve["frame"]["radius_um"]
    axis, across = (np.array(frame[k])[::-1] for k in ("axis", "across"))
    dx, dphi = 12.0, math.radians(70.0)
    # y = h × x points clockwise; an `across` turned toward it lowers every angle.
    turned = math.cos(dphi) * across + math.sin(dphi) * np.cross(across, axis)
    frame["across"] = turned[::-1].tolist()
    frame["origin_um"] = (np.array(frame["origin_um"])[::-1] + dx * axis)[::-1].tolist()
    for w in document["walls"]:
        pitch = sleeve["fibres"]["families"][w["family"]]["pitch_um"]
        a = math.atan(2 * math.pi * radius / pitch)
        a = math.pi - a if w["direction_deg"] > 90 else a
        w["position_um"] += math.sin(a) * dx - math.cos(a) * dphi * radius
    pairs = match_walls(document, sleeve, paths)
    assert [(p.measured["id"], p.true["id"]) for p in pairs] == [(i, i) for i in range(8)]


def test_what_was_not_measured_is_told_and_a_stray_fibre_may_be_counted(plate):
    document, paths = perfect(plate)
    fibres = document["fibres"]
    fibres["sag_um"] = fibres["recruitment_strain"] = fibres["diameter_um"] = None
    for f in fibres["families"]:
        f["wave"] = None
    fibres["count"] += 1
    found = compared(plate, document, paths)
    for k in ("sag", "recruitment_strain", "diameter", "wave_amplitude", "wave_length"):
        assert of(found, k) == [Entry(k, None)]
    assert of(found, "fibre_count")[0].error == 1
    bridged = {**plate, "bridges": [{}, {}]}
    for extra, error in ((-1, -1), (0, 0), (2, 0), (3, 1)):
        fibres["count"] = plate["fibres"]["count"] + extra
        assert of(compared(bridged, document, paths), "fibre_count")[0].error == error


def test_diameters_are_judged_by_what_the_scan_can_tell(plate):
    document, paths = perfect(plate)
    for voxel, blur, name in ((5.0, 13.3, "diameter"), (6.7, 13.3, "diameter_thin"),
                              (4.0, 14.0, "diameter_degenerate")):  # fmt: skip
        found = entries(document, plate, paths, voxel_um=voxel, blur_um=blur)
        assert [e.quantity for e in found if e.quantity.startswith("diameter")] == [name]


# Clopper and Pearson: with all n within, the lower end is (0.05 / 2)^(1 / n); with none, the upper
# end is one less that.
@pytest.mark.parametrize("n", [5, 40, 200])
def test_shares_have_the_binomial_interval(n):
    inside = calibrate([Entry("sag", 1.0, 0.5)] * n + [Entry("sag", None)])
    assert (inside.n, inside.not_measured, inside.share, inside.share_high) == (n, 1, 1.0, 1.0)
    assert inside.share_low == pytest.approx(0.025 ** (1 / n))
    outside = calibrate([Entry("sag", 1.0, 0.4)] * n)
    assert outside.share == 0.0
    assert outside.share_high == pytest.approx(1 - 0.025 ** (1 / n))
    assert outside.verdict == "too small"


def test_uncertainties_are_told_right_small_and_large():
    # Normal errors of unit spread: 95.4 % lie within 2u, median u over error is 1.
    errors = np.random.default_rng(5).standard_normal(400)
    for u, verdict in ((1.0, "holds"), (0.6, "too small"), (2.0, "too large")):
        c = calibrate([Entry("sag", float(e), u) for e in errors])
        assert c.verdict == verdict, u
        # The relative spread of a root mean square over n is 1 / sqrt(2 n).
        assert c.rms_error == pytest.approx(1.0, abs=4 / math.sqrt(800))
        assert c.u_over_error == pytest.approx(u / c.rms_error)
        assert c.rms_over_u == pytest.approx(c.rms_error / u)
    assert calibrate([Entry("sag", 1.0, None)]).verdict == "–"


def fake_run(case, truth, error=None):
    document, paths = perfect(truth)
    return {"name": case.name, "noise": case.noise, "case": running.case_stamp(case),
            "code": running.code_stamp(), "document": document, "truth": truth, "paths": paths,
            "error": error, "seconds": 1.0}  # fmt: skip


def test_a_broken_off_list_goes_on(plate, tmp_path, monkeypatch):
    done = []

    def measured(case):
        done.append(case.key)
        failed = "Traceback\nValueError: no" if case.name == "mount-8" else None
        return fake_run(case, plate, failed)

    monkeypatch.setattr(running, "measured", measured)
    wanted = cases(["straight-pile", "mount-8"], ["cnr7"])
    first = running.run_all(wanted, tmp_path)
    assert done == ["straight-pile.cnr7", "mount-8.cnr7"]
    again = running.run_all(wanted, tmp_path)
    # What failed is tried anew; what was measured reads back as it was.
    assert done[2:] == ["mount-8.cnr7"]
    assert again == first
    monkeypatch.setattr(running, "code_stamp", lambda: "another")
    assert running.cached(wanted[0], tmp_path) is None
    assert running.cached(wanted[0], tmp_path, any_code=True) is not None
    changed = copy.deepcopy(wanted[0])
    changed.values["scanner"]["seed"] += 1
    assert running.cached(changed, tmp_path, any_code=True) is None


def test_the_page_tells_misses_and_failures(plate):
    good, bad = cases(["straight-pile", "mount-8"], ["cnr7"])
    run = fake_run(good, plate)
    run["document"]["fibres"]["diameter_um"]["value"] += 0.2 * VOXEL_UM
    rows = [row_of(good, run), row_of(bad, fake_run(bad, plate, "Traceback\nValueError: no"))]
    text = page(rows, ["cnr7"])
    assert "| cnr7 | 2 | 1 | **50.0 %** | mount-8 |" in text
    assert "- mount-8, cnr7: `ValueError: no`" in text
    assert "**+0.200**" in text
    heads = [line for line in text.splitlines() if line.startswith("|")]
    # Every table is whole: as many cells in each row as in its head.
    widths = [line.count("|") for line in heads if not line.startswith("|---")]
    assert set(widths) == {6, 13, len(AIMS) + 5}
    assert "FAILED ValueError: no" in line_of(rows[1])
    table = errors_csv(rows).splitlines()
    assert table[0] == "phantom,noise,quantity,unit,error,u"
    assert "straight-pile,cnr7,diameter,voxel,0.2,0.25" in table


def test_unknown_phantoms_are_refused(capsys):
    with pytest.raises(SystemExit):
        main(["no-such"])
    assert "not in the list: no-such" in capsys.readouterr().err
