"""What `volscan report` writes: HTML, PDF, figures, tables, and the paper's texts."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from volscan.errors import SettingsError
from volscan.outputs import write_folder
from volscan.report.metadata import ScanMetadata, read_metadata

if TYPE_CHECKING:
    from volscan.report.paper import PaperFigure, Style
    from volscan.report.style import Drawing
    from volscan.results import Results

FORMATS = ("html", "pdf", "figures", "tables", "animation")
PDF_NAME = "report.pdf"


def write_reports(
    results: Results | str | Path,
    out_dir: str | Path,
    *,
    formats: Iterable[str] = ("html",),
    style: Style = "single",
    title: str | None = None,
    metadata: ScanMetadata | str | Path | None = None,
    before: Results | str | Path | None = None,
) -> list[Path]:
    """Write a finished measurement as HTML, PDF, figures and tables for a paper.

    Parameters
    ----------
    results
        Results, or the folder they were saved in. The scan is not needed.
    out_dir
        Folder for report.html, report.pdf, figures/ and tables_for_paper/; made where missing.
        What stands there under these names is replaced.
    formats
        Which of "html", "pdf", "figures", "tables" and "animation" to write.
    style
        "single" or "double": journal columns that a figure is wide.
    title
        Heading; by default the scan's name.
    metadata
        Scanner settings and specimen, or the TOML file that holds them: see docs/guide/report.md.
    before
        Results of the print whose layer shift was changed for this one, for the paired figure.

    Returns
    -------
    list of Path
        The files and folders written.

    Raises
    ------
    SettingsError
        If a format or style is not known, or the metadata file holds unknown keys.
    UnreadableError
        If a folder holds no results.
    OutputError
        If the files cannot be written.

    Notes
    -----
    The same results give the same bytes. Without OpenGL the 3-D pictures are drawn by numpy.
    """
    wanted = list(dict.fromkeys(formats))
    for name in wanted:
        if name not in FORMATS:
            raise SettingsError(f"format must be among {', '.join(FORMATS)}; got {name!r}")
    if style not in ("single", "double"):
        raise SettingsError(f"style must be single or double, got {style!r}")
    results, before = _loaded(results), None if before is None else _loaded(before)
    if isinstance(metadata, str | Path):
        metadata = read_metadata(metadata)
    files = report_files(
        results, wanted, style=style, title=title, metadata=metadata, before=before
    )
    out = write_folder(out_dir, files, force=True)
    return [out / top for top in dict.fromkeys(name.partition("/")[0] for name in files)]


def _loaded(results: Results | str | Path) -> Results:
    from volscan.results import Results

    return results if isinstance(results, Results) else Results.load(results)


def report_files(
    results: Results,
    formats: Iterable[str],
    *,
    style: Style = "single",
    title: str | None = None,
    metadata: ScanMetadata | None = None,
    before: Results | None = None,
) -> dict[str, bytes]:
    """Return every file by its path in the report's folder."""
    from volscan.report.page import REPORT_NAME, render_page
    from volscan.report.paper import figure_set
    from volscan.report.paper.layout import KINDS
    from volscan.report.scene import results_scene

    wanted = set(formats)
    kinds = KINDS if "figures" in wanted else ("svg",)
    figures: list[PaperFigure] = []
    if wanted & {"figures", "pdf"}:
        figures = figure_set(results, style=style, before=before, kinds=kinds)
    # The 3-D picture takes a few seconds and is the same everywhere.
    scene = results_scene(results) if wanted & {"html", "pdf", "figures"} else None
    files: dict[str, bytes] = {}
    if "html" in wanted:
        page = render_page(results, title=title, metadata=metadata, before=before, scene=scene)
        files[REPORT_NAME] = page.encode("utf-8")
    if "pdf" in wanted:
        files[PDF_NAME] = _pdf(results, figures, scene, title, metadata)
    if "figures" in wanted:
        files |= _figure_folder(results, figures, scene)
    if "animation" in wanted:
        from volscan.report.animation import animations

        files |= {f"animation/{name}": data for name, data in animations(results).items()}
    if "tables" in wanted:
        files |= _table_folder(results.to_dict(), metadata)
    return files


def _pdf(
    results: Results,
    figures: list[PaperFigure],
    scene: Drawing | None,
    title: str | None,
    metadata: ScanMetadata | None,
) -> bytes:
    from volscan.report import grids, method, numbers
    from volscan.report.checklist import checklist
    from volscan.report.methods_text import methods_text
    from volscan.report.pdf import PdfContent, render_pdf
    from volscan.report.references import REFERENCES, cited, numbered
    from volscan.report.sheets import sheets
    from volscan.report.verdict import verdict
    from volscan.report.wording import sentence

    doc = results.to_dict()
    texts = methods_text(doc, metadata)
    keys = cited(" ".join(text for _, text in texts))
    return render_pdf(
        PdfContent(
            title=title or f"{doc['input']['file']}: what was printed",
            facts=method.facts(doc),
            verdict=verdict(doc),
            keys=[(k.label, k.value.text, k.note) for k in numbers.key_numbers(doc)],
            advice=f"Layer shift for the next print: {grids.advice_summary(doc)}"
            if doc["shift"]["advice"]
            else "",
            methods=[(heading, numbered(text, keys)) for heading, text in texts],
            references=[REFERENCES[k].line() for k in keys],
            figures=figures,
            scenes=[] if scene is None else [scene],
            sheets=[s for s in sheets(doc) if s.name != "warnings"],
            warnings=[(sentence(w["message"]), w["code"]) for w in doc["warnings"]],
            checklist=checklist(doc, metadata),
            version=str(doc["software"].get("volscan", "")),
        )
    )


def _figure_folder(
    results: Results, figures: list[PaperFigure], scene: Drawing | None
) -> dict[str, bytes]:
    from volscan.report.paper import figure_files
    from volscan.report.scenes import more_scenes

    files: dict[str, bytes] = {}
    captions = []
    for figure in figures:
        files |= {f"figures/{name}": data for name, data in figure_files(figure).items()}
        captions.append(f"{figure.name}\n{figure.title}. {figure.caption}\n")
    scenes = [] if scene is None else [("scaffold_3d", scene)]
    for name, drawing in [*scenes, *more_scenes(results)]:
        files[f"figures/{name}{drawing.suffix}"] = drawing.data
        captions.append(f"{name}\n{drawing.title}. {drawing.caption}\n")
    files["figures/captions.txt"] = "\n".join(captions).encode("utf-8")
    return files


def _table_folder(doc: dict[str, Any], metadata: ScanMetadata | None) -> dict[str, bytes]:
    from volscan.report.checklist import checklist
    from volscan.report.methods_text import methods_text
    from volscan.report.references import bibtex, cited, latex_cites
    from volscan.report.sheets import Sheet, as_csv, as_latex, as_spreadsheet, sheets, tex_text

    made = sheets(doc)
    items = checklist(doc, metadata)
    made.append(
        Sheet(
            "checklist",
            "What reporting guides ask for.",
            ("item", "given", "asked by"),
            tuple((i.asked, i.given or "MISSING", i.source) for i in items),
        )
    )
    folder = "tables_for_paper"
    files = {f"{folder}/tables.xlsx": as_spreadsheet(made)}
    for sheet in made:
        files[f"{folder}/{sheet.name}.csv"] = as_csv(sheet).encode("utf-8")
        files[f"{folder}/{sheet.name}.tex"] = as_latex(sheet).encode("utf-8")
    texts = methods_text(doc, metadata)
    keys = cited(" ".join(text for _, text in texts))
    plain = "\n\n".join(f"{heading}. {text}" for heading, text in texts)
    latex = "\n\n".join(
        f"\\paragraph{{{heading}.}} {latex_cites(tex_text(text))}" for heading, text in texts
    )
    files[f"{folder}/methods.txt"] = f"{plain}\n".encode()
    files[f"{folder}/methods.tex"] = f"{latex}\n".encode()
    files[f"{folder}/references.bib"] = bibtex(keys).encode("utf-8")
    return files
