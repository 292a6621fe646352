"""One self-contained page: every number, figure and warning of a finished measurement."""

from __future__ import annotations

import math
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from volscan.outputs import write_folder

if TYPE_CHECKING:
    import pandas as pd

    from volscan.report.metadata import ScanMetadata
    from volscan.report.paper.layout import PaperFigure
    from volscan.report.style import Drawing
    from volscan.results import Results

Json = Mapping[str, Any]

REPORT_NAME = "report.html"
# A page with more cross-sections than this helps nobody; the table still tells every wall.
MOST_SHEETS = 60

_CONTENTS = (
    ("glance", "At a glance"),
    ("warnings", "Warnings"),
    ("scaffold", "The scaffold"),
    ("numbers", "Numbers"),
    ("design", "Designed against measured"),
    ("walls", "Walls and their tilt"),
    ("shift", "Layer shift"),
    ("pores", "Porosity, pores, fibres"),
    ("methods", "Methods text and sources"),
    ("checklist", "What reporting guides ask for"),
    ("method", "Settings and provenance"),
    ("words", "What the words mean"),
)


def write_report(
    results: Results | str | Path,
    out_dir: str | Path,
    *,
    title: str | None = None,
) -> Path:
    """Write a finished measurement as one HTML file that needs nothing else.

    Parameters
    ----------
    results
        Results, or the folder they were saved in. The scan is not needed.
    out_dir
        Folder for ``report.html``; made where it is missing. A report already there is replaced.
    title
        Heading; by default the scan's name.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    UnreadableError
        If the folder holds no results.
    OutputError
        If the report cannot be written.

    Notes
    -----
    The same results give the same bytes on the same machine. The 3-D picture is rendered by a
    second process; without OpenGL it is drawn by numpy and its caption says so.

    Examples
    --------
    >>> write_report("patch_results", "patch_results")  # doctest: +SKIP
    PosixPath('patch_results/report.html')
    """
    from volscan.results import Results

    if not isinstance(results, Results):
        results = Results.load(results)
    page = render_page(results, title=title)
    return write_folder(out_dir, {REPORT_NAME: page.encode("utf-8")}, force=True) / REPORT_NAME


def render_page(
    results: Results,
    *,
    title: str | None = None,
    metadata: ScanMetadata | None = None,
    before: Results | None = None,
    scene: Drawing | None = None,
) -> str:
    """Return the page's text; a scene that was drawn already is not drawn again."""
    from jinja2 import Environment, StrictUndefined

    from volscan.report import grids, method, numbers
    from volscan.report.checklist import checklist, checklist_summary
    from volscan.report.methods_text import methods_text
    from volscan.report.references import REFERENCES, cited, numbered
    from volscan.report.roll import rolled_up
    from volscan.report.verdict import CAUTIONS, WORDS, verdict
    from volscan.report.viewer import make_viewer
    from volscan.report.wording import reason_for, sentence

    doc = results.to_dict()
    here = files("volscan.report")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=False, keep_trailing_newline=True
    )
    template = environment.from_string(here.joinpath("template.html").read_text("utf-8"))
    design = grids.design_lines(doc.get("design"))
    texts = methods_text(doc, metadata)
    keys = cited(" ".join(text for _, text in texts))
    paragraphs = [(heading, numbered(text, keys)) for heading, text in texts]
    references = [REFERENCES[k].line() for k in keys]
    items = checklist(doc, metadata)
    viewer = make_viewer(
        rolled_up(results.tables.get("centrelines"), doc["frame"]),
        results.tables.get("fibres"),
        doc,
    )
    context = {
        "sentence": sentence,
        "title": title or f"{doc['input']['file']}: what was printed",
        "css": _trusted(here.joinpath("style.css").read_text("utf-8")),
        "version": doc["software"].get("volscan", ""),
        "facts": method.facts(doc),
        "contents": [c for c in _CONTENTS if c[0] != "design" or design],
        "keys": numbers.key_numbers(doc),
        "warnings": [w for w in doc["warnings"] if w["code"] != "not_in_this_version"],
        "later": [w for w in doc["warnings"] if w["code"] == "not_in_this_version"],
        "threshold": _threshold(doc),
        "summary": numbers.summary(doc),
        "porosity_rule": numbers.porosity_rule(doc),
        "families": grids.families(doc),
        "design": design,
        "design_notes": grids.design_notes(doc.get("design")),
        "has_walls": bool(doc["walls"]),
        "walls": grids.walls(doc),
        "systematic": grids.systematic(doc),
        "no_walls": f"No wall was measured: {numbers.no_walls(doc)}.",
        "advice": grids.all_advice(doc),
        "advice_summary": grids.advice_summary(doc),
        "no_advice": f"{numbers.no_walls(doc)}.",
        "no_pores": "Neither porosity nor pores were measured: "
        + reason_for("porosity.total", doc["warnings"]),
        "verdict": verdict(doc),
        "verdict_words": WORDS,
        "cautions": CAUTIONS,
        "paragraphs": paragraphs,
        "references": references,
        "checklist": items,
        "checklist_summary": checklist_summary(items),
        "method": method.method_tables(doc),
        "glossary": method.GLOSSARY,
        "viewer": viewer,
        "viewer_data": _trusted(viewer.data if viewer else ""),
        "viewer_script": _trusted(viewer.script if viewer else ""),
        **_drawings(results, doc, before, scene),
    }
    return str(template.render(context))


def _drawings(
    results: Results, doc: Json, before: Results | None, scene: Drawing | None
) -> dict[str, Any]:
    """Return every figure, by its name in the template; what cannot be drawn is absent or None."""
    from volscan.report import along_walls, figures, overlays, pore_pictures, wall_pictures
    from volscan.report.paper.before_after import before_and_after
    from volscan.report.paper.charts import direction_rose
    from volscan.report.paper.design import designed_against_measured
    from volscan.report.paper.layout import Parts, written_as
    from volscan.report.scene import results_scene

    tables, arrays = results.tables, results.arrays
    tolerance = float(doc["settings"].get("upright_tolerance_deg", 1.0))
    paths = {
        int(name.rpartition("_")[2]): path for name, path in arrays.get("wall_paths", {}).items()
    }
    lines = overlays.centrelines(tables.get("centrelines"))
    found = _found(arrays.get("plan", {}), lines, doc, tables.get("fibres"))
    parts = Parts(doc, tables, arrays)
    with written_as(("svg",)):
        rose = _on_page(direction_rose(parts, "single"))
        compared = _on_page(designed_against_measured(parts, "single"))
        changed = before and _on_page(before_and_after(before.to_dict(), doc, "single"))
    return {
        "scene": scene or results_scene(results),
        "design_figure": compared,
        "before_after": changed,
        "found": found,
        "slices": _slices(arrays.get("slices", {})),
        "wall_figures": _kept(
            wall_pictures.wall_tilts(
                doc["walls"],
                paths,
                doc["envelope"]["outline_um"],
                tube=doc["frame"]["kind"] == "mandrel",
            ),
            figures.tilt_by_wall(doc["walls"], doc["shift"]["systematic"], tolerance),
        ),
        "along_walls": along_walls.tilt_along_walls(doc["walls"], tolerance),
        "faces": _faces(arrays.get("wall_sheets", {}), paths, lines, tables.get("fibres"), doc),
        "spread_figures": _kept(
            _plan(arrays.get("plan", {}), doc),
            figures.pore_sizes(doc["pores"], tables.get("pore_sizes")),
            pore_pictures.pores_by_size(
                arrays.get("pores", {}), doc["pores"], tables.get("throat_paths")
            ),
            pore_pictures.reach_of_probes(arrays.get("pores", {}), doc["pores"]),
            figures.porosity_by_height(doc["porosity"]),
            figures.fibre_diameters(tables.get("fibres"), doc["fibres"]["diameter_um"]),
            rose,
        ),
        **_sheets(arrays.get("wall_sheets", {}), doc),
    }


def _slices(members: Mapping[str, Any]) -> list[Drawing]:
    from volscan.report import pictures

    if not all(f"grey_{a}" in members for a in "zyx"):
        return []
    window = pictures.grey_window([members[f"grey_{a}"] for a in "zyx"])
    spacing = dict(zip("zyx", (float(s) for s in members["spacing_um"]), strict=True))
    out = []
    for axis, index in zip("zyx", members["index"], strict=True):
        rows, columns = (a for a in "zyx" if a != axis)
        out.append(
            pictures.orthogonal_slice(
                members[f"grey_{axis}"],
                members.get(f"solid_{axis}"),
                spacing_um=(spacing[rows], spacing[columns]),
                window=window,
                axes_names=(rows, columns),
                at=f"at {axis} = {float(index) * spacing[axis]:.0f} µm (index {int(index)})",
            )
        )
    return out


def _found(
    members: Mapping[str, Any], lines: Mapping[int, Any], doc: Json, fibres: pd.DataFrame | None
) -> Drawing | None:
    from volscan.report import overlays

    if "mean_fraction" not in members or fibres is None:
        return None
    radius = doc["frame"]["radius_um"]
    return overlays.centrelines_from_above(
        members["mean_fraction"],
        members["x_um"],
        members["y_um"],
        lines,
        dict(zip(fibres["id"].astype(int), fibres["family"].astype(int), strict=True)),
        turn_um=None if radius is None else 2.0 * math.pi * radius,
    )


def _faces(
    members: Mapping[str, Any],
    paths: Mapping[int, Any],
    lines: Mapping[int, Any],
    fibres: pd.DataFrame | None,
    doc: Json,
) -> list[Drawing]:
    from volscan.report import overlays

    if fibres is None:
        return []
    known = fibres[fibres["wall"].notna()]
    own = dict(zip(known["id"].astype(int), known["wall"].astype(int), strict=True))
    drawn = []
    for wall in doc["walls"]:
        i = int(wall["id"])
        if f"face_{i}" in members and i in paths:
            mine = [line for f, line in lines.items() if own.get(f) == i]
            drawn.append(
                overlays.wall_face(
                    members[f"face_{i}"],
                    members[f"along_um_{i}"],
                    members[f"height_um_{i}"],
                    wall,
                    paths[i],
                    mine,
                )
            )
    return drawn


def _plan(members: Mapping[str, Any], doc: Json) -> Drawing | None:
    from volscan.report import pictures

    if "mean_fraction" not in members:
        return None
    domain = doc["pores"]["domain_um"]
    return pictures.plan_view(
        members["mean_fraction"],
        members["x_um"],
        members["y_um"],
        envelope=doc["envelope"],
        domain=domain if domain and domain.get("origin") else None,
    )


def _sheets(members: Mapping[str, Any], doc: Json) -> dict[str, Any]:
    from volscan.report import wall_pictures

    walls = {int(w["id"]): w for w in doc["walls"]}
    ids = sorted(int(n.rpartition("_")[2]) for n in members if n.startswith("section_"))
    every = -(-len(ids) // MOST_SHEETS) if ids else 1
    shown = ids[::every]
    note = "" if len(shown) == len(ids) else f"{len(shown)} of {len(ids)} walls, evenly chosen."
    return {
        "sheets": wall_pictures.wall_sheets(
            [
                (
                    members[f"section_{i}"],
                    members[f"across_um_{i}"],
                    members[f"height_um_{i}"],
                    walls.get(i),
                )
                for i in shown
            ]
        ),
        "sheets_note": note,
    }


def _on_page(figure: PaperFigure | None) -> Drawing | None:
    """Return a figure for a paper as the page shows it."""
    return None if figure is None else figure.drawing()


def _kept(*drawings: Drawing | None) -> list[Drawing]:
    return [d for d in drawings if d is not None]


def _threshold(doc: Json) -> str:
    material = doc["material"]
    if material["threshold"] is None:
        return "not told"
    return f"{material['threshold']:.5g}, {material['threshold_rule']}"


def _trusted(text: str) -> Any:
    """Mark the page's own style sheet, script and data (numbers and colours) as they stand."""
    from markupsafe import Markup

    return Markup(text)
