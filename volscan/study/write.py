"""Write a study: page, figures, tables."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

import volscan
from volscan.outputs import write_folder
from volscan.report.paper import figure_files
from volscan.report.paper.before_after import before_and_after
from volscan.report.sheets import (
    Measure,
    Sheet,
    Value,
    as_csv,
    as_latex,
    as_spreadsheet,
    rounded_sd,
)
from volscan.report.study_figures import group_figure, pair_figure, setting_figures
from volscan.report.study_page import StudyContent, render_study_page
from volscan.study import statistics
from volscan.study.run import Study
from volscan.study.values import print_settings, study_values

if TYPE_CHECKING:
    from volscan.report.paper import PaperFigure, Style

PAGE_NAME = "study.html"

_NOTES = (
    "Scans of one specimen are averaged before anything is compared: repeats of one piece are not "
    "independent.",
    "Intervals have 95 % confidence: Student’s t for one group, Welch’s for the difference of two "
    "(variances not taken as equal), Student’s t over the differences for pairs. They are not "
    "widened for the number of comparisons: of twenty intervals, one is expected to miss.",
    "What all scans share, such as the voxel size, is not in the intervals. A group of one "
    "specimen has no interval.",
    "Repeatability follows ISO 5725-2, from specimens that were scanned more than once.",
    "Families are compared by their number, that is in the order of their direction.",
)


def write_study(
    study: Study, out_dir: str | Path, *, title: str = "Study", style: Style = "double"
) -> Path:
    """Write study.html, figures/ and tables_for_paper/ of a study.

    Parameters
    ----------
    study
        What `run_study` gave.
    out_dir
        The study's folder. What stands there under these names is replaced; scans/ stays.
    title
        Heading of the page.
    style
        Journal columns that a figure is wide.

    Returns
    -------
    Path
        The page.
    """
    files = study_files(study, title=title, style=style)
    return write_folder(out_dir, files, force=True) / PAGE_NAME


def study_files(study: Study, *, title: str, style: Style) -> dict[str, bytes]:
    """Return every file of a study's report by its path; the same bytes for the same results."""
    values, settings = study_values(study), print_settings(study)
    means = statistics.group_means(values)
    sheets = [s for s in _sheets(study, values, means, settings) if s.rows]
    figures = _figures(study, values, means, settings, style)
    groups = list(dict.fromkeys(e.group for e in study.entries))
    content = StudyContent(
        title=title,
        lead=f"{len(study.results)} of {len(study.entries)} scans measured, "
        f"{len(groups)} {'group' if len(groups) == 1 else 'groups'}"
        + (f" ({', '.join(g or 'unnamed' for g in groups)})" if len(groups) > 1 else "")
        + ".",
        failures=sorted(study.failures.items()),
        figures=figures,
        sheets=[s for s in sheets if s.name != "values"],
        notes=_NOTES,
        version=volscan.__version__,
    )
    files = {PAGE_NAME: render_study_page(content).encode("utf-8")}
    for figure in figures:
        files |= {f"figures/{name}": data for name, data in figure_files(figure).items()}
    files["tables_for_paper/study.xlsx"] = as_spreadsheet(sheets)
    for sheet in sheets:
        files[f"tables_for_paper/{sheet.name}.csv"] = as_csv(sheet).encode("utf-8")
        files[f"tables_for_paper/{sheet.name}.tex"] = as_latex(sheet).encode("utf-8")
    return files


def _figures(
    study: Study, values: pd.DataFrame, means: pd.DataFrame, settings: pd.DataFrame, style: Style
) -> list[PaperFigure]:
    made: list[PaperFigure | None] = [
        group_figure(values, means, style),
        pair_figure(values, style),
        *setting_figures(values, settings, style),
    ]
    for pair in dict.fromkeys(e.pair for e in study.entries if e.pair):
        found = {
            e.state: study.results[e.name].to_dict()
            for e in study.entries
            if e.pair == pair and e.name in study.results
        }
        if {"before", "after"} <= set(found):
            figure = before_and_after(found["before"], found["after"], style)
            made.append(None if figure is None else _renamed(figure, pair))
    return [f for f in made if f is not None]


def _renamed(figure: PaperFigure, pair: str) -> PaperFigure:
    from dataclasses import replace

    safe = "".join(c if c.isalnum() else "_" for c in pair)
    return replace(
        figure, name=f"walls_before_and_after_{safe}", title=f"{figure.title}: pair {pair}"
    )


def _sheets(
    study: Study, values: pd.DataFrame, means: pd.DataFrame, settings: pd.DataFrame
) -> list[Sheet]:
    return [
        _groups(means),
        _differences(statistics.group_differences(values)),
        _pairs(statistics.paired_differences(values)),
        _repeats(statistics.repeatability(values)),
        _slopes(statistics.setting_slopes(values, settings)),
        _scans(study),
        Sheet(
            "values",
            "Every quantity of every scan.",
            ("scan", "group", "specimen", "pair", "state", "key", "quantity", "value", "unit"),
            tuple(
                (r.scan, r.group, r.specimen, r.pair, r.state, r.key, r.name,
                 Measure(r.value, _known(r.u)), r.unit)
                for r in _lines(values)
            ),
        ),
    ]  # fmt: skip


def _lines(table: pd.DataFrame) -> Iterator[Any]:
    """Return a table's lines with its columns as attributes."""
    yield from table.itertuples()


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _mean(mean: float, sd: float, n: int) -> Measure:
    """Return a mean with its standard uncertainty from the spread."""
    return Measure(mean, sd / math.sqrt(n) if n > 1 and math.isfinite(sd) else None)


def _interval(low: float, high: float) -> str:
    """Write an interval with two digits of its width."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "–"
    width = high - low
    digits = 3 if width <= 0 else max(0, 1 - math.floor(math.log10(width)))
    return f"{low:.{digits}f} to {high:.{digits}f}".replace("-", "−")


def _sd(sd: float) -> str:
    return rounded_sd(sd) if math.isfinite(sd) else "–"


def _groups(means: pd.DataFrame) -> Sheet:
    rows: list[tuple[Value, ...]] = [
        (
            r.name, r.unit, _group(r.group, r.state), int(r.n), _mean(r.mean, r.sd, r.n),
            _sd(r.sd), _interval(r.low, r.high), _sd(r.u_single),
        )
        for r in _lines(means)
    ]  # fmt: skip
    return Sheet(
        "group_means",
        "Means of the groups over specimens with the standard uncertainty of the mean, spread s "
        "between specimens, 95 % confidence interval, and typical standard uncertainty u of one "
        "scan.",
        ("quantity", "unit", "group", "n", "mean ± u", "s", "95 % interval", "u of one scan"),
        tuple(rows),
    )


def _group(group: str, state: str) -> str:
    return ", ".join(p for p in (group, state) if p) or "all"


def _differences(table: pd.DataFrame) -> Sheet:
    rows: list[tuple[Value, ...]] = [
        (
            r.name, r.unit, f"{_group(r.other, r.state)} − {_group(r.group, r.state)}",
            f"{r.n_other}, {r.n_group}", f"{r.difference:+.4g}".replace("-", "−"),
            _interval(r.low, r.high), _told(r.low, r.high),
        )
        for r in _lines(table)
    ]  # fmt: skip
    return Sheet(
        "group_differences",
        "Differences between groups with Welch’s 95 % confidence interval.",
        ("quantity", "unit", "groups", "n", "difference", "95 % interval", "zero inside"),
        tuple(rows),
    )


def _told(low: float, high: float) -> str:
    if not math.isfinite(low):
        return "–"
    return "yes" if low <= 0 <= high else "no"


def _pairs(table: pd.DataFrame) -> Sheet:
    rows: list[tuple[Value, ...]] = [
        (
            r.name, r.unit, int(r.pairs), _mean(r.difference, r.sd, r.pairs), _sd(r.sd),
            _interval(r.low, r.high), _told(r.low, r.high),
        )
        for r in _lines(table)
    ]  # fmt: skip
    return Sheet(
        "paired_differences",
        "After minus before over pairs, with the 95 % confidence interval of the mean.",
        ("quantity", "unit", "pairs", "difference ± u", "s", "95 % interval", "zero inside"),
        tuple(rows),
    )


def _repeats(table: pd.DataFrame) -> Sheet:
    rows: list[tuple[Value, ...]] = [
        (r.name, r.unit, int(r.specimens), int(r.freedom), _sd(r.s_r), _sd(r.limit))
        for r in _lines(table)
    ]
    return Sheet(
        "repeatability",
        "Repeatability standard deviation of specimens scanned more than once, and the "
        "repeatability limit: two scans of one piece differ by less in 95 % of cases.",
        ("quantity", "unit", "specimens", "degrees of freedom", "s_r", "limit"),
        tuple(rows),
    )


def _slopes(table: pd.DataFrame) -> Sheet:
    rows: list[tuple[Value, ...]] = [
        (
            r.name, r.unit, r.setting, int(r.n), f"{r.slope:+.4g}".replace("-", "−"),
            _interval(r.low, r.high), _told(r.low, r.high),
        )
        for r in _lines(table)
    ]  # fmt: skip
    return Sheet(
        "print_settings",
        "Straight-line slopes against print settings, over specimens, with 95 % confidence "
        "intervals. A slope says nothing about causes.",
        ("quantity", "unit", "setting", "n", "slope", "95 % interval", "zero inside"),
        tuple(rows),
    )


def _scans(study: Study) -> Sheet:
    rows: list[tuple[Value, ...]] = []
    for e in study.entries:
        done = e.name in study.results
        count = str(len(study.results[e.name].document["warnings"])) if done else "–"
        rows.append(
            (e.name, e.group, e.specimen, e.pair, e.state, "measured" if done else "failed", count)
        )
    return Sheet(
        "scans",
        "Scans of the study.",
        ("scan", "group", "specimen", "pair", "state", "outcome", "warnings"),
        tuple(rows),
    )
