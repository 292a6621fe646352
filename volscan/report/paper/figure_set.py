"""Every figure that a results folder can fill."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from volscan.report.paper import before_after, charts, design, slices, walls
from volscan.report.paper.layout import KINDS, PaperFigure, Parts, Style, written_as

if TYPE_CHECKING:
    from volscan.results import Results

_FIGURES: tuple[Callable[[Parts, Style], PaperFigure | None], ...] = (
    slices.orthogonal_slices,
    charts.porosity_by_height,
    charts.pore_sizes,
    charts.fibre_diameters,
    charts.direction_rose,
    walls.wall_tilt,
    walls.wall_sections,
    design.designed_against_measured,
)


def figure_set(
    results: Results,
    *,
    style: Style = "single",
    before: Results | None = None,
    kinds: tuple[str, ...] = KINDS,
) -> list[PaperFigure]:
    """Draw every figure for a paper; what the results do not hold is left out.

    Parameters
    ----------
    results
        A finished measurement.
    style
        "single" for one journal column, "double" for two.
    before
        The print that this one's layer shift was changed from, for the paired figure.
    kinds
        Which of "svg", "pdf" and "png" to write.

    Returns
    -------
    list of PaperFigure
        The same bytes for the same results.
    """
    doc = results.to_dict()
    parts = Parts(doc, results.tables, results.arrays)
    with written_as(kinds):
        made = [draw(parts, style) for draw in _FIGURES]
        if before is not None:
            made.append(before_after.before_and_after(before.to_dict(), doc, style))
    return [figure for figure in made if figure is not None]
