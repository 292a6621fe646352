"""Figures for a paper: sizes, resolution, fonts, scale bars, data; the PDF report."""

from __future__ import annotations

import io
import re

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from volscan.report import build
from volscan.report.layout_widths import figure_width_mm
from volscan.report.paper import PaperFigure, figure_files, figure_set
from volscan.report.paper.before_after import before_and_after, paired_walls
from volscan.report.paper.charts import porosity_by_height
from volscan.report.paper.layout import Parts, written_as
from volscan.results import Results

WIDTH_MM = {"single": 85.0, "double": 174.0}
NAMES = {
    "slices", "porosity_by_height", "pore_sizes", "fibre_diameters", "fibre_directions",
    "wall_tilt", "wall_sections", "designed_against_measured",
}  # fmt: skip
PICTURES = ("slices", "wall_tilt", "wall_sections")


@pytest.fixture(scope="module")
def drawn(patch: Results) -> dict[str, PaperFigure]:
    return {f.name: f for f in figure_set(patch, style="single", kinds=("svg",))}


def test_the_set_is_whole_and_every_figure_is_told_in_words(drawn: dict[str, PaperFigure]) -> None:
    assert set(drawn) == NAMES
    for figure in drawn.values():
        assert figure.title
        assert len(figure.caption) > 40
        assert len(figure.alt) > 20


def test_figures_are_one_column_wide(drawn: dict[str, PaperFigure]) -> None:
    for figure in drawn.values():
        # The file states points to a hundredth.
        assert figure_width_mm(figure.pictures["svg"]) == pytest.approx(85.0, abs=0.02)


@pytest.mark.parametrize("style", ["single", "double"])
def test_resolution_and_fonts(patch: Results, style: str) -> None:
    parts = Parts(patch.to_dict(), patch.tables, patch.arrays)
    figure = porosity_by_height(parts, style)
    assert figure is not None
    with Image.open(io.BytesIO(figure.pictures["png"])) as image:
        assert image.width == pytest.approx(WIDTH_MM[style] / 25.4 * 300, abs=1)
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.1)
    pdf = figure.pictures["pdf"]
    described = len(re.findall(rb"/Type /FontDescriptor", pdf))
    assert described > 0
    # Every font that is described is embedded as TrueType.
    assert len(re.findall(rb"/FontFile2 ", pdf)) == described
    # SVG text is outlines: it needs no font at all.
    assert b"<text" not in figure.pictures["svg"]
    again = porosity_by_height(parts, style)
    assert again is not None
    assert again.pictures == figure.pictures


def test_pictures_have_a_scale_bar_in_micrometres(drawn: dict[str, PaperFigure]) -> None:
    for name in PICTURES:
        svg = drawn[name].pictures["svg"].decode()
        # Matplotlib keeps each text as a comment above its outlines.
        assert re.search(r"<!-- [\d.]+ µm -->", svg), name


def test_panels_have_letters(drawn: dict[str, PaperFigure]) -> None:
    for name in ("slices", "pore_sizes", "fibre_diameters", "wall_tilt", "wall_sections"):
        svg = drawn[name].pictures["svg"].decode()
        assert "<!-- a -->" in svg, name
        assert "<!-- b -->" in svg, name


def test_each_figure_comes_with_its_numbers(patch: Results, drawn: dict[str, PaperFigure]) -> None:
    for figure in drawn.values():
        assert any(n.endswith(".csv") for n in figure_files(figure)), figure.name
    text = figure_files(drawn["porosity_by_height"])["porosity_by_height.csv"]
    table = pd.read_csv(io.BytesIO(text))
    expected = np.array(patch.to_dict()["porosity"]["by_height"], dtype=np.float64)
    assert np.allclose(table.to_numpy(), expected, rtol=1e-7)
    rose = drawn["fibre_directions"].data[""]
    assert rose["share_of_length"].sum() == pytest.approx(1.0)
    # Two families at right angles, laid at 0 and 90 degrees, share the length.
    kept = rose[rose["share_of_length"] > 0.05]
    assert set(kept["direction_deg"]) == {0.0, 90.0}


def test_what_is_not_there_is_not_drawn(foam: Results, bare: Results) -> None:
    names = {f.name for f in figure_set(foam, kinds=("svg",))}
    assert "porosity_by_height" in names
    assert not names & {"wall_tilt", "wall_sections", "fibre_diameters", "fibre_directions"}
    assert not {f.name for f in figure_set(bare, kinds=("svg",))} & NAMES - {"slices"}


def test_walls_before_and_after_are_paired_by_place(patch: Results) -> None:
    before, after = patch.to_dict(), patch.to_dict()
    for wall in after["walls"]:
        if wall["tilt_deg"]:
            wall["tilt_deg"]["value"] *= 0.1
    # The list's order says nothing: positions do.
    after["walls"].reverse()
    with written_as(("svg",)):
        figure = before_and_after(before, after, "single")
    assert figure is not None
    table = figure.data[""]
    assert np.allclose(table["tilt_after_deg"], 0.1 * table["tilt_before_deg"])
    fewer = dict(after, walls=[w for w in after["walls"] if w["family"] != 0][1:])
    pairs, left_out = paired_walls(before, fewer)
    assert left_out == "family 0, family 1" or "family 0" in left_out
    assert all(a["family"] == b["family"] for a, b in pairs)


def test_the_pdf_is_tagged_titled_and_the_same_each_time(
    patch: Results, drawn: dict[str, PaperFigure]
) -> None:
    figures = list(drawn.values())
    pdf = build._pdf(patch, figures, None, "A patch", None)
    assert pdf.startswith(b"%PDF-")
    # PDF/UA: the engine itself refuses a document without title, language or words for a figure.
    assert b"pdfuaid" in pdf
    assert b"A patch" in pdf
    assert b"/Subtype/Link" in pdf or b"/StructTreeRoot" in pdf
    assert len(re.findall(rb"/Type/Page\b|/Type /Page\b", pdf)) >= 4
    assert build._pdf(patch, figures, None, "A patch", None) == pdf


def test_formats_and_their_files(patch: Results) -> None:
    files = build.report_files(patch, ["tables"])
    folder = "tables_for_paper"
    assert {f"{folder}/tables.xlsx", f"{folder}/methods.tex", f"{folder}/references.bib"} <= set(
        files
    )
    assert all(name.startswith(folder) for name in files)
