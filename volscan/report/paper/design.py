"""Designed against measured, each line in units of its tolerance."""

from __future__ import annotations

import pandas as pd

from volscan.report.paper.layout import SMALL, PaperFigure, Parts, Style, finished, page
from volscan.report.style import INK, PALETTE, RULE, SOFT_INK
from volscan.report.wording import number, unit_text

_MARKS = {"in": ("o", "cobalt"), "out": ("X", "garnet"), "undecided": ("D", "sand")}
_WORDS = {"in": "in tolerance", "out": "out of tolerance", "undecided": "undecided"}
# Farther off than this many tolerances a point is set on the edge with its number.
_EDGE = 3.0


def designed_against_measured(parts: Parts, style: Style) -> PaperFigure | None:
    """Deviation from the design over tolerance, with bars of two standard uncertainties."""
    lines = [
        line
        for line in (parts.doc.get("design") or {}).get("compared", [])
        if line["measured"] is not None
    ]
    if not lines:
        return None
    with page(style, 16 + 4.6 * len(lines)) as figure:
        axes = figure.add_subplot()
        axes.axvspan(-1, 1, color=SOFT_INK, alpha=0.14, lw=0)
        axes.axvline(0, color=RULE, linewidth=0.6)
        for row, line in enumerate(lines):
            # A count has no tolerance: one off is out, and is drawn as far as the edge.
            scale = line["tolerance"] or None
            off = line["measured"] - line["designed"]
            x = off / scale if scale else (0.0 if off == 0 else _EDGE * (1 if off > 0 else -1))
            bar = 2 * (line["u"] or 0.0) / scale if scale else 0.0
            beyond = abs(x) > _EDGE
            x = max(-_EDGE, min(_EDGE, x))
            mark, colour = _MARKS[line["verdict"]]
            if not beyond and bar:
                axes.errorbar(x, row, xerr=bar, fmt="none", ecolor=INK, elinewidth=0.9)
            if beyond:
                mark = ">" if x > 0 else "<"
            axes.plot(
                x, row, mark, ms=4.2, color=PALETTE[colour], markeredgecolor=INK,
                markeredgewidth=0.4, zorder=3, clip_on=False,
            )  # fmt: skip
        for verdict, word in _WORDS.items():
            if any(line["verdict"] == verdict for line in lines):
                mark, colour = _MARKS[verdict]
                axes.plot(
                    [], [], mark, ms=4.2, color=PALETTE[colour], markeredgecolor=INK,
                    markeredgewidth=0.4, label=word, linestyle="none",
                )  # fmt: skip
        axes.set_yticks(range(len(lines)))
        axes.set_yticklabels([_name(line) for line in lines])
        axes.set_ylim(len(lines) - 0.4, -0.6)
        axes.set_xlim(-_EDGE - 0.15, _EDGE + 0.15)
        axes.tick_params(axis="y", length=0)
        axes.set_xlabel("(measured − designed) / tolerance")
        if style == "double":
            side = axes.secondary_yaxis("right")
            side.set_yticks(range(len(lines)))
            side.set_yticklabels([_numbers(line) for line in lines], fontsize=SMALL)
            side.tick_params(length=0)
            side.spines["right"].set_visible(False)
        figure.legend(loc="outside upper center", ncols=3, handletextpad=0.2, columnspacing=1.0)
        counts = ", ".join(
            f"{sum(line['verdict'] == v for line in lines)} {w}" for v, w in _WORDS.items()
        )
        columns = ["name", "unit", "designed", "measured", "u", "tolerance", "verdict", "note"]
        return finished(
            figure,
            "designed_against_measured",
            "Designed against measured",
            "Deviation of each measured quantity from the design, in units of its tolerance (grey "
            "band), bars of two standard uncertainties. Counts have no tolerance: equal or not. "
            f"Arrow heads: beyond {_EDGE:g} tolerances. {counts[0].upper()}{counts[1:]}.",
            f"Deviations from the design over tolerance for {len(lines)} quantities: {counts}.",
            {"": pd.DataFrame([[line[c] for c in columns] for line in lines], columns=columns)},
        )


def _name(line: dict[str, object]) -> str:
    return str(line["name"])


def _numbers(line: dict[str, float]) -> str:
    percent = str(line["name"]) == "porosity"
    f, unit = (100.0, " %") if percent else (1.0, unit_text(str(line["unit"])))
    u = f * line["u"] if line["u"] else None
    designed = number(f * line["designed"])
    return f"{designed}{unit} → {number(f * line['measured'], u)}{unit}"
