"""The page is held against the results it was written from."""

from __future__ import annotations

import html
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from volscan.errors import OutputError, UnreadableError
from volscan.report import write_report
from volscan.report.wording import number
from volscan.results import Results

# Elements that HTML never closes.
VOID = {"meta", "link", "img", "br", "hr", "input"}


class Page(HTMLParser):
    """Collects text, ids, references and images, and checks that elements are nested."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.images: list[dict[str, str]] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {k: v or "" for k, v in attrs}
        if tag not in VOID:
            self.open.append(tag)
        if "id" in found:
            self.ids.append(found["id"])
        self.links += [found[k] for k in ("href", "src", "srcset", "action") if k in found]
        if tag == "img":
            self.images.append(found)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.fixture(scope="module")
def folder(patch: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return patch.save(tmp_path_factory.mktemp("measured") / "results")


@pytest.fixture(scope="module")
def page(folder: Path) -> str:
    """The page, written from the results folder alone."""
    return write_report(folder, folder).read_text("utf-8")


def _quantities(node: object, key: str = "") -> list[tuple[str, dict[str, float]]]:
    if isinstance(node, dict):
        if {"value", "u", "unit", "n"} <= set(node):
            return [(key, node)]
        return [q for k, v in node.items() for q in _quantities(v, f"{key}.{k}")]
    if isinstance(node, list):
        return [q for v in node for q in _quantities(v, key)]
    return []


def test_every_quantity_is_shown_with_its_uncertainty(patch: Results, page: str) -> None:
    text = Page(page).text
    found = _quantities(patch.to_dict())
    assert len(found) > 50
    for key, q in found:
        # Fractions are printed as percentages.
        k = 100 if q["unit"] == "1" else 1
        shown = number(k * q["value"], None if q["u"] is None else k * q["u"])
        assert shown in text, key


def test_counts_and_words_are_shown(patch: Results, page: str) -> None:
    text = Page(page).text
    doc = patch.to_dict()
    for warning in doc["warnings"]:
        assert warning["message"][1:] in text
        assert warning["code"] in text
    for advice in doc["shift"]["advice"]:
        assert advice["reason"] in text
    for lean in doc["shift"]["systematic"]:
        assert lean["cause"] in text
    for family in doc["fibres"]["families"]:
        assert f"{family['placement_error_um']['max']:.2g}" in text
    assert doc["envelope"]["definition"] in text
    assert doc["input"]["sha256"] in text
    for line in doc["design"]["compared"]:
        assert line["name"] in text
    for name in doc["software"]:
        assert name in text
    for caution in ("kilovolts", "Stages move", "trained people", "not a release test"):
        assert caution in text


def test_nothing_is_fetched(page: str) -> None:
    parsed = Page(page)
    assert parsed.open == []
    for link in parsed.links:
        assert link.startswith(("data:", "#"))
    for link in (x for x in parsed.links if x.startswith("#")):
        assert link[1:] in parsed.ids
    style = page[page.index("<style>") : page.index("</style>")]
    for fetching in ("url(", "@import", "@font-face"):
        assert fetching not in style
    # One script and its data, both inside the page.
    assert page.count("<script") == 2
    assert "<script src" not in page


def test_ids_are_unique_and_images_described(page: str) -> None:
    parsed = Page(page)
    assert len(set(parsed.ids)) == len(parsed.ids)
    # 3-D picture, fibres over the scan, 3 slices, 2 wall figures, tilt along walls, 2 walls from
    # the side, 12 sections, 5 distributions, the comparison with the design.
    assert len(parsed.images) == 1 + 1 + 3 + 2 + 1 + 2 + 12 + 5 + 1
    for image in parsed.images:
        assert len(image["alt"]) > 30


def test_the_same_results_give_the_same_bytes(folder: Path, page: str, tmp_path: Path) -> None:
    again = write_report(Results.load(folder), tmp_path / "again")
    assert again.read_bytes() == page.encode()


def test_title_is_escaped(bare: Results, tmp_path: Path) -> None:
    text = write_report(bare, tmp_path, title="<b>Patch & sleeve</b>").read_text("utf-8")
    assert "<b>Patch" not in text
    assert html.escape("<b>Patch & sleeve</b>") in text


def test_without_fibres_pores_are_told_and_fibres_are_not(foam: Results, tmp_path: Path) -> None:
    parsed = Page(write_report(foam, tmp_path).read_text("utf-8"))
    q = foam.to_dict()["porosity"]["total"]
    assert number(100 * q["value"], 100 * q["u"]) in parsed.text
    assert "No wall was measured" in parsed.text
    assert "There is no shift to advise" in parsed.text
    # 3-D picture of the solid, 3 slices, plan view, pore sizes, porosity by height.
    assert len(parsed.images) == 7


def test_nulls_are_said_and_never_zero(bare: Results, tmp_path: Path) -> None:
    parsed = Page(write_report(bare, tmp_path).read_text("utf-8"))
    rows = re.findall(r"(Porosity, total|Layer height|Throat along x, y, h) (.{1,40})", parsed.text)
    assert len(rows) == 3
    for name, value in rows:
        assert value.startswith("not measured"), name
    assert not re.search(r"\b0(\.0+)? (%|µm)", parsed.text)


def test_a_folder_without_results_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UnreadableError, match="does not hold volscan results"):
        write_report(tmp_path, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_an_unwritable_folder_is_refused(bare: Results, tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    with pytest.raises(OutputError, match="cannot write"):
        write_report(bare, blocked / "out")
