"""Methods paragraphs, sources, metadata and the checklist say what the results say."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from volscan.errors import SettingsError, UnreadableError
from volscan.report.checklist import checklist, checklist_summary
from volscan.report.metadata import ScanMetadata, read_metadata
from volscan.report.methods_text import methods_text
from volscan.report.references import REFERENCES, bibtex, cited, latex_cites, numbered
from volscan.report.verdict import verdict
from volscan.results import Results

TOLD = """
[scanner]
scanner = "bench scanner"
voltage_kv = 40
current_ua = 200.5
exposure_ms = 800
filter = "none"

[specimen]
medium = "air, dry"
specimens = 3
"""


@pytest.fixture
def told(tmp_path: Path) -> ScanMetadata:
    path = tmp_path / "scan.toml"
    path.write_text(TOLD, encoding="utf-8")
    return read_metadata(path)


def test_the_paragraph_holds_the_provenance(patch: Results, told: ScanMetadata) -> None:
    doc = patch.to_dict()
    text = " ".join(t for _, t in methods_text(doc, told))
    assert "tube voltage 40 kV" in text
    assert "tube current 200.5 µA" in text
    assert "[not told" not in text
    assert "[scanner not told" not in text
    assert f"{doc['material']['threshold']:.4g}" in text
    assert doc["envelope"]["definition"] in text
    assert doc["input"]["spacing_from"] in text
    for package in ("numpy", "scipy"):
        assert f"{package} {doc['software'][package]}" in text


def test_what_only_the_user_knows_is_asked_for(patch: Results) -> None:
    text = dict(methods_text(patch.to_dict()))["Imaging"]
    assert "[scanner not told" in text
    assert "tube voltage" in text


def test_nothing_is_said_of_what_was_not_measured(bare: Results, foam: Results) -> None:
    headings = [h for h, _ in methods_text(bare.to_dict())]
    assert "Porosity" not in headings
    assert "Pores" not in headings
    assert "Fibres and layers" not in [h for h, _ in methods_text(foam.to_dict())]


def test_every_citation_has_its_source(patch: Results) -> None:
    text = " ".join(t for _, t in methods_text(patch.to_dict()))
    keys = cited(text)
    assert len(keys) > 4
    assert set(keys) <= set(REFERENCES)
    shown = numbered(text, keys)
    assert "[@" not in shown
    numbers = [int(n) for n in re.findall(r"\[(\d+)\]", shown)]
    assert max(numbers) <= len(keys)
    assert "[@" not in latex_cites(text)


def test_bibtex_is_well_formed() -> None:
    text = bibtex(list(REFERENCES))
    assert text.count("{") == text.count("}")
    assert re.findall(r"^@\w+\{(\w+),$", text, flags=re.MULTILINE) == list(REFERENCES)
    for reference in REFERENCES.values():
        fields = dict(reference.fields)
        assert re.fullmatch(r"\d{4}", fields["year"])
        # DOI syntax: ISO 26324, a prefix of 10. and digits, a stroke, a suffix.
        assert "doi" not in fields or re.fullmatch(r"10\.\d{4,9}/\S+", fields["doi"])
        assert "author" in fields


def test_the_checklist_marks_what_is_missing(patch: Results, told: ScanMetadata) -> None:
    doc = patch.to_dict()
    without = {i.asked: i for i in checklist(doc)}
    with_it = {i.asked: i for i in checklist(doc, told)}
    assert without["Tube voltage"].missing
    assert with_it["Tube voltage"].given == "40 kV"
    assert with_it["Target"].missing
    # Items that the results themselves answer (REFERENCE: tube potential, voxel size, volume of
    # interest, filters, segmentation, outcome variables).
    for item in ("Voxel size", "Size of the volume of interest", "Segmentation: rule and value"):
        assert not without[item].missing
    missing = sum(i.missing for i in with_it.values())
    assert f"{missing} are missing" in checklist_summary(list(with_it.values()))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[scanner]\nvoltge_kv = 40", "did you mean voltage_kv"),
        ("[scanner]\nvoltage_kv = 'forty'", "must be a number in kV"),
        ("[scaner]\n", "did you mean scanner"),
        ("[scanner]\nfilter = [1]", "must be a text or a number"),
        ("scanner = 3", "must be a table"),
    ],
)
def test_a_misspelt_key_is_not_lost(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "scan.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=message):
        read_metadata(path)


def test_a_file_that_is_no_toml_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "scan.toml"
    path.write_text("not = = toml", encoding="utf-8")
    with pytest.raises(UnreadableError, match="not TOML"):
        read_metadata(path)
    with pytest.raises(UnreadableError, match="cannot read"):
        read_metadata(tmp_path / "none.toml")


def test_the_verdict_follows_the_worst_line() -> None:
    def judged(*words: str) -> str:
        lines = [{"name": f"q{k}", "verdict": w} for k, w in enumerate(words)]
        return verdict({"design": {"compared": lines}}).word

    assert judged("in", "in") == "in"
    assert judged("in", "undecided") == "undecided"
    assert judged("in", "undecided", "out") == "out"
    assert verdict({"design": None}).word == "none"


def test_an_oct_scan_is_described_by_its_light_and_not_as_fractions(patch: Results) -> None:
    moved = {"turn_deg": 0.0, "shift_um": [1.0, 2.0], "u_um": 0.5, "shared_fibres": 9}
    doc = patch.to_dict()
    doc["input"]["modality"] = "oct"
    doc["oct"] = {
        "steps": ["background of 2 fixed lines removed"],
        "stored": "db",
        "grey_per_db": 2.0,
        "looks": 4.0,
        "index_polymer": {"used": 1.53, "u": 0.02, "met": None},
        "blur_fwhm_um": {"across": 8.0, "beam_optical": 6.0},
        "joined": [None, {**moved, "fibres_taken": 5}, {**moved, "fibres_taken": 40}],
    }
    text = dict(methods_text(doc))
    assert "polymer fraction" not in text["Preparation"] + text["Fibres and layers"]
    assert "1.53" in text["Preparation"]
    assert "fixed lines" in text["Preparation"]
    # Of two earlier scans one could be laid on the last, and gave five fibres.
    assert "1 of 2 earlier scans" in text["Fibres and layers"]
    assert "5 fibres that the last scan" in text["Fibres and layers"]


def test_what_was_undone_or_left_out_is_told(patch: Results) -> None:
    doc = patch.to_dict()
    codes = ("fringes_undone", "dense_specks_excluded", "grey_scale_cut")
    doc["warnings"] = [{"code": c, "message": f"told of {c}", "count": 1} for c in codes]
    text = dict(methods_text(doc))["Preparation"]
    assert all(f"told of {c}" in text for c in codes)
