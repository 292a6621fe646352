"""The page of a study: groups, differences, pairs, repeats, and what could not be measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

from volscan.report.paper.layout import PaperFigure
from volscan.report.sheets import Sheet, column_kind, printed
from volscan.report.verdict import CAUTIONS

Cells = list[list[str]]


@dataclass(frozen=True)
class StudyContent:
    """What a study's page holds, in order."""

    title: str
    lead: str
    failures: Sequence[tuple[str, str]]
    figures: Sequence[PaperFigure]
    sheets: Sequence[Sheet]
    notes: Sequence[str]
    version: str


def render_study_page(content: StudyContent) -> str:
    """Return the page's text: one file that needs nothing else."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    here = files("volscan.report")
    environment = Environment(autoescape=True, undefined=StrictUndefined)
    template = environment.from_string(here.joinpath("study.html").read_text("utf-8"))
    drawings = [f.drawing() for f in content.figures]
    tables = [(s, *_cells(s)) for s in content.sheets]
    return str(
        template.render(
            content=content,
            css=Markup(here.joinpath("style.css").read_text("utf-8")),
            drawings=drawings,
            tables=tables,
            cautions=CAUTIONS,
        )
    )


def _cells(sheet: Sheet) -> tuple[Cells, list[str]]:
    rows = [[printed(c) for c in row] for row in sheet.rows]
    return rows, [column_kind([r[k] for r in rows]) for k in range(len(sheet.headings))]
