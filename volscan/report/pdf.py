"""The report as PDF: summary with the verdict, methods, figures, tables, warnings, cautions."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from volscan.report.checklist import ChecklistItem, checklist_summary
from volscan.report.layout_widths import figure_width_mm
from volscan.report.paper.layout import PaperFigure
from volscan.report.sheets import Sheet, column_kind, printed
from volscan.report.style import Drawing
from volscan.report.verdict import CAUTIONS, WORDS, Verdict

Json = Mapping[str, Any]


@dataclass(frozen=True)
class PdfContent:
    """What goes into the PDF, finished and in order."""

    title: str
    facts: Sequence[tuple[str, str]]
    verdict: Verdict | None
    keys: Sequence[tuple[str, str, str]]
    advice: str
    methods: Sequence[tuple[str, str]]
    references: Sequence[str]
    figures: Sequence[PaperFigure]
    scenes: Sequence[Drawing]
    sheets: Sequence[Sheet]
    warnings: Sequence[tuple[str, str]]
    checklist: Sequence[ChecklistItem]
    version: str
    kind: str = "Measurement of a printed scaffold"


def render_pdf(content: PdfContent) -> bytes:
    """Set the PDF with typst; the same bytes for the same content.

    Raises
    ------
    RuntimeError
        If the typesetting engine refuses the document, which would be a bug here.
    """
    import matplotlib
    import typst

    with tempfile.TemporaryDirectory(prefix="volscan-") as folder:
        root = Path(folder)
        template = files("volscan.report").joinpath("report.typ").read_text("utf-8")
        (root / "main.typ").write_text(template, encoding="utf-8")
        figures = []
        for figure in content.figures:
            name = f"{figure.name}.svg"
            (root / name).write_bytes(figure.pictures["svg"])
            figures.append(
                {
                    "file": name,
                    "title": figure.title,
                    "caption": figure.caption,
                    "alt": figure.alt,
                    "width": figure_width_mm(figure.pictures["svg"]),
                }
            )
        scenes = []
        for k, scene in enumerate(content.scenes):
            name = f"scene_{k}{scene.suffix}"
            (root / name).write_bytes(scene.data)
            scenes.append(
                {
                    "file": name,
                    "title": scene.title,
                    "caption": scene.caption,
                    "alt": scene.alt,
                    "width": 150.0,
                }
            )
        data = {
            "title": content.title,
            "kind": content.kind,
            "version": content.version,
            "facts": [list(f) for f in content.facts],
            "verdict": _verdict(content.verdict),
            "keys": [list(k) for k in content.keys],
            "advice": content.advice,
            "methods": [list(m) for m in content.methods],
            "references": list(content.references),
            "figures": [*scenes[:1], *figures, *scenes[1:]],
            "tables": [_table(s) for s in content.sheets],
            "warnings": [list(w) for w in content.warnings],
            "checklist": [[i.asked, i.given or "missing", i.source] for i in content.checklist],
            "checklist_summary": checklist_summary(list(content.checklist)),
            "cautions": list(CAUTIONS),
        }
        (root / "data.json").write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
        fonts = typst.Fonts(
            include_system_fonts=False,
            font_paths=[Path(matplotlib.get_data_path()) / "fonts" / "ttf"],
        )
        compiler = typst.Compiler(
            str(root / "main.typ"), root=str(root), font_paths=fonts, ignore_system_fonts=True
        )
        # A fixed date: the file must not tell when it was written, or no two would be the same.
        made = compiler.compile(format="pdf", timestamp=_FIXED_DATE, pdf_standards=["ua-1"])
        if not isinstance(made, bytes):  # only pictures come page by page
            raise RuntimeError(f"the typesetting engine gave {type(made).__name__}, not one PDF")
        return made


_FIXED_DATE = 946_684_800  # 2000-01-01 in seconds since 1970


def _verdict(found: Verdict | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {"word": found.word, "text": WORDS[found.word], "sentence": found.sentence}


def _table(sheet: Sheet) -> dict[str, Any]:
    rows = [[printed(c) for c in row] for row in sheet.rows]
    if sheet.headings[0] == "group":
        # Said once, above the lines that it holds for.
        for k in range(len(rows) - 1, 0, -1):
            if rows[k][0] == rows[k - 1][0]:
                rows[k][0] = ""
    kinds = [column_kind([r[k] for r in rows]) for k in range(len(sheet.headings))]
    return {
        "name": sheet.name,
        "caption": sheet.caption,
        "headings": list(sheet.headings),
        "rows": rows,
        "kinds": kinds,
    }
