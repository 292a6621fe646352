from __future__ import annotations

import json
import math
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from volscan import outputs
from volscan.errors import OutputError, UnreadableError
from volscan.quantity import Quantity
from volscan.results import OUTPUT_NAMES, Results
from volscan.results_assemble import assemble
from volscan.results_json import dumps
from volscan.results_nulls import NOT_IN_THIS_VERSION, explain_nulls, null_keys
from volscan.results_tables import TABLES, make_table, read_table, rounded, write_table
from volscan.settings import Settings

# The contract, key by key, as docs/results.md lists it. A dotted key under a list holds for each
# of its members.
_CONTRACT = """
format version
input.file input.sha256 input.shape input.dtype input.spacing_um input.spacing_from input.modality
software.volscan software.python software.numpy settings
material.air material.polymer material.anchors_from material.threshold material.threshold_rule
material.noise_air material.noise_polymer material.blur_um material.contrast_to_noise
material.porosity_slope
frame.kind frame.origin_um frame.axes.x frame.axes.y frame.axes.h frame.mount_tilt_deg
frame.u_tilt_deg frame.axis frame.radius_um frame.bend_um frame.ovality
envelope.definition envelope.volume_um3 envelope.base_um envelope.top_um envelope.outline_um
envelope.area_um2
porosity.total porosity.total_from porosity.u_sampling porosity.accessible porosity.sealed
porosity.estimators.threshold porosity.estimators.threshold_raw
porosity.estimators.partial_volume porosity.estimators.fibre_model porosity.by_height
pores.domain_um.origin pores.domain_um.size pores.domain_um.direction_deg
pores.inscribed_diameter_um.mean pores.inscribed_diameter_um.d10 pores.inscribed_diameter_um.d50
pores.inscribed_diameter_um.d90 pores.opening_um.mean pores.opening_um.d10 pores.opening_um.d90
pores.throat_um.x pores.throat_um.y pores.throat_um.h pores.accessible_by_probe
pores.geodesic_tortuosity.x pores.geodesic_tortuosity.y pores.geodesic_tortuosity.h
pores.relative_diffusivity.x pores.relative_diffusivity.y pores.relative_diffusivity.h
pores.permeability_um2.x pores.permeability_um2.y pores.permeability_um2.h
pores.specific_surface_per_um pores.euler_number
fibres.count fibres.diameter_um fibres.sag_um fibres.recruitment_strain fibres.families
fibres.families.id fibres.families.direction_deg fibres.families.spacing_um
fibres.families.diameter_um fibres.families.count fibres.families.layers fibres.families.walls
fibres.families.rise_per_fibre_um fibres.families.wave fibres.families.placement_error_um.rms
fibres.families.placement_error_um.max
fibres.layer_count fibres.layer_height_um fibres.scaffold_height_um
walls.id walls.family walls.direction_deg walls.position_um walls.length_um walls.height_um
walls.tilt_deg walls.lean_vector walls.lean walls.tilt_along walls.layer_heights_um
walls.layer_offset_um walls.offset_per_fibre_um
shift.systematic.family shift.systematic.cause shift.systematic.tilt_deg
shift.systematic.lean_vector shift.systematic.scatter_deg
shift.advice.level shift.advice.id shift.advice.per_fibre_um shift.advice.vector_um
shift.advice.advised shift.advice.reason
tube warnings warnings.code warnings.message warnings.count
"""
CONTRACT = _CONTRACT.split()


def has(node, parts) -> bool:
    if not parts:
        return True
    if isinstance(node, list):
        return all(has(item, parts) for item in node)
    return isinstance(node, dict) and parts[0] in node and has(node[parts[0]], parts[1:])


@pytest.fixture
def results(measured) -> Results:
    return assemble(measured, run={"seconds": 1.5})


def test_every_key_of_the_contract_is_there(results):
    missing = [key for key in CONTRACT if not has(results.to_dict(), key.split("."))]
    assert missing == []


def test_every_key_is_there_where_nothing_was_found(measured):
    bare = replace(
        measured,
        field=replace(
            measured.field, fibres=(), families=(), diameter_um=None, layer_count=None,
            layer_heights_um=(), layer_height_um=None, scaffold_height_um=None,
        ),
        walls=replace(measured.walls, walls=(), sheets=(), notices=()),
        shift=replace(measured.shift, systematic=(), advice=()),
        porosity=None,
        pores=None,
        envelope=None,
    )  # fmt: skip
    results = assemble(bare)
    missing = [key for key in CONTRACT if not has(results.to_dict(), key.split("."))]
    assert missing == []
    # Null, never 0: nothing was counted.
    assert results.fibres.count is None
    assert all(len(results.tables[name]) == 0 for name in TABLES)
    assert "not measured" in repr(results)


def test_every_null_is_named_in_a_warning(results):
    document = results.to_dict()
    messages = " ".join(w["message"] for w in document["warnings"])
    # A mandrel's keys are null on a plate: that is their value.
    mandrel = ("frame.axis", "frame.radius_um", "frame.bend_um", "frame.ovality", "tube")
    plain = ("settings.", "design", "walls.layer_offset_um", "shift.advice.id", *mandrel)
    # Straight walls do not wave, walls of few fibres do not bow.
    plain += ("fibres.families.wave", "walls.bow_um")
    nulls = {k.removesuffix(".u") for k in null_keys(document) if not k.startswith(plain)}
    assert {k for k in nulls if k not in messages} == set()
    # What the fixture left out, a stage's own word, and what a later version brings.
    expected = {"material.noise_polymer", "walls.tilt_deg", "pores.throat_um.y"}
    assert expected | {"fibres.sag_um", "pores.euler_number"} <= nulls


def test_later_keys_carry_the_code(results):
    later = [w for w in results.to_dict()["warnings"] if w["code"] == "not_in_this_version"]
    assert len(later) == bool(NOT_IN_THIS_VERSION)
    for key in NOT_IN_THIS_VERSION:
        assert key.removesuffix(".*") in later[0]["message"]
    # A null that could have been measured does not hide among them.
    assert not any("noise_polymer" in w["message"] for w in later)


def test_what_was_not_asked_for_has_no_other_reason():
    document = {
        "porosity": {"total": None},
        "pores": {"opening_um": {"mean": None}, "permeability_um2": {"x": None}, "bodies": None},
    }
    told = explain_nulls(document, (), only_walls=True)
    assert {n.code for n in told} == {"not_asked"}
    whole = explain_nulls(document, (), only_walls=False)
    assert {"no_openings", "permeability_not_asked", "no_network"} <= {n.code for n in whole}


def test_a_stage_that_named_its_null_is_not_repeated(results):
    told = [w for w in results.to_dict()["warnings"] if "pores.throat_um.y" in w["message"]]
    assert [w["code"] for w in told] == ["throat_closed"]


def test_not_finite_never_reaches_the_json(measured):
    odd = replace(
        measured,
        porosity=replace(measured.porosity, total=Quantity(math.nan, 0.1, "1", 3)),
        material=replace(measured.material, noise_air=math.inf),
    )
    results = assemble(odd)
    assert results.to_dict()["porosity"]["total"] is None
    assert results.to_dict()["material"]["noise_air"] is None
    assert json.loads(results.to_json(), parse_constant=pytest.fail)


def test_same_input_same_bytes(measured):
    first, second = assemble(measured, run={"seconds": 1}), assemble(measured, run={"seconds": 2})
    assert first.to_json() == second.to_json()


def test_last_bits_do_not_change_the_bytes(measured):
    total = measured.porosity.total
    nudged = replace(total, value=float(np.nextafter(total.value, 1)))
    other = replace(measured, porosity=replace(measured.porosity, total=nudged))
    assert assemble(other).to_json() == assemble(measured).to_json()


@pytest.mark.parametrize(
    ("value", "kept"),
    [
        (1 / 3, 0.33333333),
        (123456789.0, 1.2345679e8),
        (-0.0, 0.0),
        (1e-300, 1e-300),
        (math.nan, None),
        (-math.inf, None),
    ],
)
def test_one_rule_for_floats(value, kept):
    assert rounded(value) == kept
    if kept == 0:
        assert math.copysign(1, rounded(value)) == 1


def test_voxel_uncertainty_enters_lengths_and_nothing_else(measured):
    told = assemble(measured).to_dict()
    untold = assemble(replace(measured, settings=Settings(up="+z", mirrored=False))).to_dict()
    u = untold["fibres"]["diameter_um"]["u"]
    # 0.5 % of 15.5 µm, in quadrature with the rest (JCGM 100, 5.1.2).
    expected = math.hypot(u, 0.005 * 15.5)
    assert told["fibres"]["diameter_um"]["u"] == pytest.approx(expected, rel=1e-7)
    assert told["porosity"] == untold["porosity"]
    assert told["walls"][0]["tilt_deg"] == untold["walls"][0]["tilt_deg"]
    codes = [w["code"] for w in untold["warnings"]]
    assert "voxel_u_unknown" in codes
    assert "voxel_u_unknown" not in [w["code"] for w in told["warnings"]]


@pytest.mark.parametrize(("diameter", "warned"), [(0.0155, True), (15500.0, True), (15.5, False)])
def test_a_voxel_size_wrong_by_1000_names_the_fibre_diameter(measured, diameter, warned):
    field = replace(measured.field, diameter_um=Quantity(diameter, diameter / 50, "µm", 3))
    told = assemble(replace(measured, field=field)).to_dict()["warnings"]
    found = [w["message"] for w in told if w["code"] == "implausible_voxel_size"]
    assert len(found) == warned
    assert all(f"{diameter:.3g} µm" in message for message in found)


def test_parts_are_attributes_and_quantities(results):
    assert results.porosity.total == Quantity(0.9, 0.004, "1", 4)
    assert results["porosity"]["total"] == results.porosity.total
    assert results.fibres.families[0].layers == 3
    assert results.walls[2].tilt_deg is None
    assert "total" in dir(results.porosity)
    assert "porosity" in dir(results)
    with pytest.raises(AttributeError, match="there are total, total_from"):
        _ = results.porosity.totl
    with pytest.raises(AttributeError, match="there are format"):
        _ = results.porousity


def test_to_dict_is_a_copy(results):
    results.to_dict()["porosity"]["total"]["value"] = 0.0
    assert results.porosity.total.value == 0.9


def test_repr_fits_a_terminal_and_html_escapes(measured, results):
    lines = repr(results).splitlines()
    assert len(lines) < 24
    assert max(len(line) for line in lines) <= 100
    assert "90.0 ± 0.4 %" in repr(results)
    source = replace(measured.volume.source, path="<b>&.tif")
    html = assemble(replace(measured, volume=replace(measured.volume, source=source)))._repr_html_()
    assert "&lt;b&gt;&amp;.tif" in html
    assert "<b>&" not in html


def test_tables_have_their_columns_and_types(results, measured):
    for name, columns in TABLES.items():
        table = results.tables[name]
        assert list(table.columns) == [c.name for c in columns]
        assert [str(t) for t in table.dtypes] == [c.dtype for c in columns]
    fibres = results.tables["fibres"]
    assert list(fibres.columns[:4]) == ["id", "family", "layer", "wall"]
    assert fibres["wall"].isna().tolist() == [False, False, True]
    assert fibres["length_um"][0] == pytest.approx(measured.field.fibres[0].length_um)
    assert len(results.tables["centrelines"]) == 9
    assert results.tables["walls"]["fibres"].tolist() == [2, 2, 2]


@pytest.mark.parametrize("name", sorted(TABLES))
def test_empty_tables_are_typed_and_read_back(name):
    empty = make_table(name, [])
    assert [str(t) for t in empty.dtypes] == [c.dtype for c in TABLES[name]]
    pd.testing.assert_frame_equal(read_table(name, write_table(empty)), empty)


def test_saved_results_read_back_the_same(results, tmp_path: Path):
    folder = results.save(tmp_path / "new" / "out")
    assert sorted(p.name for p in folder.iterdir()) == sorted(OUTPUT_NAMES)
    back = Results.load(folder)
    assert back.to_json() == results.to_json() == (folder / "results.json").read_text("utf-8")
    assert back.run == {"seconds": 1.5}
    for name in TABLES:
        pd.testing.assert_frame_equal(back.tables[name], results.tables[name])
    assert set(back.arrays) == {"slices", "plan", "wall_sheets", "wall_paths", "preview"}
    for name, members in results.arrays.items():
        assert set(back.arrays[name]) == set(members)
        for key, array in members.items():
            np.testing.assert_array_equal(back.arrays[name][key], array)
    assert repr(back) == repr(results)


def test_dates_and_timings_stay_out_of_the_results(measured):
    with_run = assemble(measured, run={"started": "2031-05-06T07:08:09", "seconds": 12.3})
    assert "2031" not in with_run.to_json()
    assert "seconds" not in with_run.to_json()


def test_slices_show_the_scan_and_its_solid(results, measured):
    slices = results.arrays["slices"]
    z, y, x = slices["index"]
    np.testing.assert_array_equal(slices["grey_z"], measured.volume.samples[z])
    np.testing.assert_array_equal(slices["grey_x"], measured.volume.samples[:, :, x])
    np.testing.assert_array_equal(slices["solid_y"], measured.material.mask()[:, y])
    # The middle of the envelope: X 75, Y 55, H 20 µm is z (20 + 20) / 4, y 55 / 4, x 75 / 4.
    assert (z, y, x) == (10, 14, 19)


def test_plan_view_is_the_mean_over_the_height(results, measured):
    plan = results.arrays["plan"]
    column = plan["mean_fraction"][np.argmin(abs(plan["y_um"] - 56.0))]
    inside = (plan["x_um"] > 8) & (plan["x_um"] < 140)
    # Ten heights, 2 to 38 µm above z = 20 µm: nine in the solid slices (centres 20 to 56 µm), the
    # tenth half-way to the first air slice. Noise of 0.015 a voxel averages to under 0.001.
    assert column[inside].mean() == pytest.approx(0.95, abs=0.004)
    far = plan["mean_fraction"][np.argmin(abs(plan["y_um"] - 8.0))][inside]
    assert far.mean() == pytest.approx(0.0, abs=0.004)


def test_preview_keeps_the_solid_share(results, measured):
    preview = results.arrays["preview"]
    share = np.clip(measured.material.fraction, 0, 1).mean()
    assert preview["solid_percent"].mean() / 100 == pytest.approx(share, abs=0.01)


def test_existing_results_are_kept_unless_forced(results, tmp_path: Path):
    folder = results.save(tmp_path / "out")
    before = (folder / "results.json").read_bytes()
    (folder / "notes.txt").write_text("mine")
    (folder / "tables" / "stale.csv").write_text("old")
    with pytest.raises(OutputError, match="--force"):
        results.save(folder)
    assert (folder / "results.json").read_bytes() == before
    results.save(folder, force=True)
    assert (folder / "notes.txt").read_text() == "mine"
    assert not (folder / "tables" / "stale.csv").exists()
    assert sorted(p.name for p in folder.iterdir()) == sorted([*OUTPUT_NAMES, "notes.txt"])


@pytest.mark.parametrize("fails_at", [1, 3, 6])
def test_a_rename_that_fails_leaves_what_was_there(results, tmp_path: Path, monkeypatch, fails_at):
    folder = results.save(tmp_path / "out")
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    real, calls = os.rename, []

    def rename(a, b):
        calls.append(a)
        if len(calls) == fails_at:
            raise OSError(28, "No space left on device")
        real(a, b)

    monkeypatch.setattr(outputs.os, "rename", rename)
    other = Results({**results.document, "version": 99}, results.tables, results.arrays)
    with pytest.raises(OutputError, match="No space left"):
        other.save(folder, force=True)
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before
    assert not list(folder.glob(".volscan*"))


def test_an_interrupt_leaves_nothing(results, tmp_path: Path, monkeypatch):
    def interrupted(self, data):
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "write_bytes", interrupted)
    with pytest.raises(KeyboardInterrupt):
        results.save(tmp_path / "a" / "b")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_is_refused_in_one_line(results, tmp_path: Path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot write into") as caught:
        results.save(tmp_path / "file" / "out")
    assert "\n" not in str(caught.value)
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


def test_what_is_no_results_folder_is_told(results, tmp_path: Path):
    with pytest.raises(UnreadableError, match="does not hold volscan results"):
        Results.load(tmp_path)
    (tmp_path / "results.json").write_text("{")
    with pytest.raises(UnreadableError, match="damaged"):
        Results.load(tmp_path)
    folder = results.save(tmp_path / "out")
    (folder / "tables" / "walls.csv").unlink()
    with pytest.raises(UnreadableError, match=r"walls\.csv"):
        Results.load(folder)


def test_json_keeps_order_and_reads_back():
    document = {"b": [[1.5, None]] * 30, "a": {"long": "x" * 90, "u": [True, "µ"]}, "c": []}
    text = dumps(document)
    assert json.loads(text) == document
    assert text.index('"b"') < text.index('"a"')
    assert max(len(line) for line in text.splitlines()) <= 100 + len('"long": ')
    assert "µ" in text
    with pytest.raises(ValueError, match="JSON compliant"):
        dumps({"a": [math.nan]})


def test_docs_page_shows_every_table():
    from volscan.results_tables import tables_markdown

    page = (Path(__file__).parents[1] / "docs" / "results.md").read_text("utf-8")
    assert tables_markdown() in page
