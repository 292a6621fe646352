"""Figures of several scans: every point shown, with the mean and its confidence interval."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from volscan.report.paper.layout import SMALL, PaperFigure, Style, finished, letter, page
from volscan.report.style import INK, SOFT_INK, family_colour, quiet_grid

# What a reader looks for first, fixed beforehand so that no quantity is shown for its outcome.
KEY_QUANTITIES = (
    "porosity.total",
    "pores.inscribed_diameter_um.d50",
    "pores.throat_um.h",
    "fibres.diameter_um",
    "fibres.layer_height_um",
    "walls.mean_size_of_tilt_deg",
    "fibres.families.spacing_um.",
    "shift.systematic.tilt_deg.",
)
_MOST_PANELS = 12
_MARKS = "os^Dv<>p"


def key_names(values: pd.DataFrame) -> list[tuple[str, str, str]]:
    """Return (key, name, unit) of the quantities that the figures show."""
    known = values.drop_duplicates("key")[["key", "name", "unit"]].itertuples(index=False)
    rows = [(str(k), str(n), str(u)) for k, n, u in known]
    out = [
        row
        for wanted in KEY_QUANTITIES
        for row in rows
        if row[0] == wanted or (wanted.endswith(".") and row[0].startswith(wanted))
    ]
    return out[:_MOST_PANELS]


def group_figure(values: pd.DataFrame, means: pd.DataFrame, style: Style) -> PaperFigure | None:
    """Every scan as a point by group, with each group's mean and 95 % interval."""
    shown = key_names(values)
    if not shown:
        return None
    columns = min(2 if style == "single" else 4, len(shown))
    rows = -(-len(shown) // columns)
    labels = _labels(values)
    with page(style, 46 * rows + 4) as figure:
        panels = figure.subplots(rows, columns, squeeze=False).ravel()
        for axes in panels[len(shown) :]:
            axes.set_visible(False)
        for k, (key, name, unit) in enumerate(shown):
            axes = panels[k]
            quiet_grid(axes, "y")
            for place, (group, state) in enumerate(labels):
                mine = values[
                    (values["key"] == key) & (values["group"] == group) & (values["state"] == state)
                ]
                y = mine["value"].to_numpy(dtype=np.float64)
                x = place + _spread(len(y))
                axes.plot(
                    x, y, _MARKS[place % len(_MARKS)], ms=2.8, linestyle="none",
                    color=family_colour(place, len(labels)), markeredgecolor=INK,
                    markeredgewidth=0.3, zorder=3,
                )  # fmt: skip
                row = means[
                    (means["key"] == key) & (means["group"] == group) & (means["state"] == state)
                ]
                for mean, low, high in row[["mean", "low", "high"]].to_numpy(dtype=np.float64):
                    axes.plot([place + 0.26, place + 0.44], [mean, mean], color=INK, lw=1.3)
                    if math.isfinite(low):
                        axes.plot([place + 0.35] * 2, [low, high], color=INK, lw=0.9)
            axes.set_xlim(-0.5, len(labels) - 0.3)
            axes.set_xticks(range(len(labels)))
            axes.set_xticklabels([_label(g, s) for g, s in labels], fontsize=SMALL)
            axes.set_title(_wrapped(_with_unit(name, unit)), fontsize=SMALL)
            letter(axes, chr(ord("a") + k))
        told = ", ".join(_label(g, s) for g, s in labels)
        return finished(
            figure,
            "groups",
            "Groups",
            "Each point is a scan; bar and line beside the points: mean of the specimens and its "
            "95 % confidence interval (Student’s t; none for one specimen). Which quantities are "
            "shown was fixed beforehand; the table holds all.",
            f"Points and means of {len(shown)} quantities for the groups {told}.",
            {"": values[values["key"].isin([s[0] for s in shown])]},
        )


def pair_figure(values: pd.DataFrame, style: Style) -> PaperFigure | None:
    """Before and after of every pair, joined by a line."""
    paired = values[values["pair"] != ""]
    states = set(paired["state"])
    shown = key_names(paired)
    if not shown or not {"before", "after"} <= states:
        return None
    columns = min(2 if style == "single" else 4, len(shown))
    rows = -(-len(shown) // columns)
    with page(style, 44 * rows + 6) as figure:
        panels = figure.subplots(rows, columns, squeeze=False).ravel()
        for axes in panels[len(shown) :]:
            axes.set_visible(False)
        for k, (key, name, unit) in enumerate(shown):
            axes = panels[k]
            quiet_grid(axes, "y")
            mine = paired[paired["key"] == key]
            wide = mine.groupby(["pair", "state"])["value"].mean().unstack()
            for before, after in wide.reindex(columns=["before", "after"]).to_numpy():
                axes.plot([0, 1], [before, after], color=SOFT_INK, linewidth=0.7)
                for x, y, mark, place in ((0, before, "o", 1), (1, after, "s", 0)):
                    axes.plot(
                        x, y, mark, ms=3.4, color=family_colour(place, 2), markeredgecolor=INK,
                        markeredgewidth=0.3,
                    )  # fmt: skip
            axes.set_xlim(-0.35, 1.35)
            axes.set_xticks([0, 1])
            axes.set_xticklabels(["before", "after"])
            axes.set_title(_wrapped(_with_unit(name, unit)), fontsize=SMALL)
            letter(axes, chr(ord("a") + k))
        count = paired["pair"].nunique()
        return finished(
            figure,
            "pairs",
            "Before and after",
            f"Each line joins the two prints of one of {count} pairs.",
            f"Paired values of {len(shown)} quantities for {count} pairs.",
            {"": paired[paired["key"].isin([s[0] for s in shown])]},
        )


def setting_figures(
    values: pd.DataFrame, settings: pd.DataFrame, style: Style
) -> list[PaperFigure]:
    """Key quantities against each print setting that varies between scans."""
    made = []
    for setting in [c for c in settings.columns if c != "scan"]:
        if settings[setting].nunique() < 2:
            continue
        joined = values.merge(settings[["scan", setting]], on="scan").dropna(subset=[setting])
        shown = key_names(joined)
        if not shown:
            continue
        made.append(_setting_figure(joined, setting, shown, style))
    return made


def _setting_figure(
    joined: pd.DataFrame, setting: str, shown: Sequence[tuple[str, str, str]], style: Style
) -> PaperFigure:
    columns = min(2 if style == "single" else 4, len(shown))
    rows = -(-len(shown) // columns)
    labels = _labels(joined)
    with page(style, 46 * rows + 6) as figure:
        panels = figure.subplots(rows, columns, squeeze=False).ravel()
        for axes in panels[len(shown) :]:
            axes.set_visible(False)
        for k, (key, name, unit) in enumerate(shown):
            axes = panels[k]
            quiet_grid(axes)
            for place, (group, state) in enumerate(labels):
                mine = joined[
                    (joined["key"] == key) & (joined["group"] == group) & (joined["state"] == state)
                ]
                axes.plot(
                    mine[setting], mine["value"], _MARKS[place % len(_MARKS)], ms=3.0,
                    linestyle="none", color=family_colour(place, len(labels)),
                    markeredgecolor=INK, markeredgewidth=0.3,
                    label=_label(group, state) if k == 0 else None,
                )  # fmt: skip
            axes.set_xlabel(setting_label(setting))
            axes.set_title(_wrapped(_with_unit(name, unit)), fontsize=SMALL)
            axes.margins(x=0.08, y=0.1)
            letter(axes, chr(ord("a") + k))
        if len(labels) > 1:
            figure.legend(loc="outside upper center", ncols=min(len(labels), 4))
        return finished(
            figure,
            f"setting_{setting}",
            f"Against {setting_label(setting)}",
            f"Each point is a scan, against the print setting {setting_label(setting)}. No line is "
            "drawn through the points; slopes with their intervals stand in the table.",
            f"{len(shown)} quantities against {setting_label(setting)}.",
            {"": joined[joined["key"].isin([s[0] for s in shown])]},
        )


_UNITS = {
    "kv": "kV", "bar": "bar", "kpa": "kPa", "mpa": "MPa", "c": "°C", "um": "µm", "ua": "µA",
    "mm": "mm", "s": "s", "deg": "°", "percent": "%", "nm": "nm", "h": "h",
}  # fmt: skip


def setting_label(column: str) -> str:
    """Return a print setting's name with its unit, from its column.

    >>> setting_label("voltage_kv"), setting_label("speed_mm_s"), setting_label("batch")
    ('voltage / kV', 'speed / (mm/s)', 'batch')
    """
    name, _, tail = column.rpartition("_")
    if name.endswith("_mm") and tail in ("s", "min"):
        return f"{name.removesuffix('_mm').replace('_', ' ')} / (mm/{tail})"
    if name and tail.lower() in _UNITS:
        return f"{name.replace('_', ' ')} / {_UNITS[tail.lower()]}"
    return column.replace("_", " ")


def _labels(values: pd.DataFrame) -> list[tuple[str, str]]:
    pairs = values[["group", "state"]].drop_duplicates().itertuples(index=False)
    return [(str(g), str(s)) for g, s in pairs]


def _label(group: str, state: str) -> str:
    return "\n".join(p for p in (group, state) if p) or "all"


def _with_unit(name: str, unit: str) -> str:
    return name if unit == "1" else f"{name} / {unit}"


def _wrapped(name: str, most: int = 26) -> str:
    if len(name) <= most:
        return name
    head, _, _ = name[: most + 1].rpartition(" ")
    return f"{head}\n{name[len(head) + 1 :]}" if head else name


def _spread(count: int) -> np.ndarray:
    """Return sideways places for points, so that equal values stay apart."""
    return np.linspace(-0.16, 0.16, count) if count > 1 else np.zeros(count)
