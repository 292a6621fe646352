"""The same walls before and after their layer shift was changed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from volscan.report.paper.layout import SMALL, Json, PaperFigure, Style, finished, letter, page
from volscan.report.style import INK, PALETTE, RULE, SOFT_INK, quiet_grid


def before_and_after(
    before: Json, after: Json, style: Style, *, names: tuple[str, str] = ("before", "after")
) -> PaperFigure | None:
    """Tilt of each wall in two prints, wall by wall: what a layer shift changed.

    Walls are paired by family, in order of direction, and by position within it, which holds when
    both pieces were mounted with the same side to the front; a family whose count of walls differs
    between the two is left out, and the caption says so.
    """
    pairs, left_out = paired_walls(before, after)
    if not pairs:
        return None
    families = sorted({a["family"] for a, _ in pairs})
    tolerance = float(after["settings"].get("upright_tolerance_deg", 1.0))
    single = style == "single"
    rows = [
        (
            a["family"], a["id"], b["id"], a["tilt_deg"]["value"], a["tilt_deg"]["u"],
            b["tilt_deg"]["value"], b["tilt_deg"]["u"],
        )
        for a, b in pairs
    ]  # fmt: skip
    columns = [
        "family", f"wall_{names[0]}", f"wall_{names[1]}", f"tilt_{names[0]}_deg",
        f"u_{names[0]}_deg", f"tilt_{names[1]}_deg", f"u_{names[1]}_deg",
    ]  # fmt: skip
    with page(style, 66 if single else 62) as figure:
        panels = figure.subplots(1, len(families), sharey=True, squeeze=False)[0]
        for k, (axes, family) in enumerate(zip(panels, families, strict=True)):
            quiet_grid(axes, "y")
            axes.axhspan(-tolerance, tolerance, color=SOFT_INK, alpha=0.15, lw=0)
            axes.axhline(0, color=RULE, linewidth=0.6)
            mine = [r for r in rows if r[0] == family]
            spread = np.linspace(-0.07, 0.07, len(mine)) if len(mine) > 1 else np.zeros(1)
            for dx, row in zip(spread, mine, strict=True):
                axes.plot([dx, 1 + dx], [row[3], row[5]], color=SOFT_INK, linewidth=0.6, zorder=2)
                for x, value, u, mark, colour in (
                    (dx, row[3], row[4], "o", PALETTE["copper"]),
                    (1 + dx, row[5], row[6], "s", PALETTE["plum"]),
                ):
                    axes.errorbar(
                        x, value, yerr=2 * (u or 0.0), fmt=mark, ms=3.2, color=colour,
                        ecolor=INK, elinewidth=0.8, markeredgecolor=INK, markeredgewidth=0.3,
                        zorder=3,
                    )  # fmt: skip
            axes.set_xticks([0, 1])
            axes.set_xticklabels(names)
            axes.set_xlim(-0.4, 1.4)
            axes.set_title(f"family {family}", fontsize=SMALL)
            letter(axes, chr(ord("a") + k))
        panels[0].set_ylabel("wall tilt / °")
        told = "; ".join(
            f"family {f}: mean {_mean(rows, f, 3):+.2f}° {names[0]}, "
            f"{_mean(rows, f, 5):+.2f}° {names[1]}"
            for f in families
        )
        return finished(
            figure,
            "shift_before_and_after",
            "Walls before and after the layer shift",
            "Tilt of each wall in the print before and after its layer shift was changed, bars of "
            "two standard uncertainties, lines join the same wall; grey: tolerance for an upright "
            f"wall. {told}. Walls are paired by family and position"
            + (f"; left out, because their walls differ in number: {left_out}." if left_out
               else "."),
            f"Paired wall tilts: {told}.",
            {"": pd.DataFrame(rows, columns=columns)},
        )  # fmt: skip


def paired_walls(before: Json, after: Json) -> tuple[list[tuple[Json, Json]], str]:
    """Pair the walls of two prints by family and position; name the families left out."""
    pairs: list[tuple[Json, Json]] = []
    left_out = []
    families = sorted(
        {w["family"] for w in before["walls"]} | {w["family"] for w in after["walls"]}
    )
    for family in families:
        first, second = (
            sorted((w for w in d["walls"] if w["family"] == family), key=_position)
            for d in (before, after)
        )
        if len(first) != len(second):
            left_out.append(f"family {family}")
            continue
        pairs += [
            (a, b)
            for a, b in zip(first, second, strict=True)
            if a.get("tilt_deg") and b.get("tilt_deg")
        ]
    return pairs, ", ".join(left_out)


def _position(wall: Json) -> float:
    return float(wall["position_um"])


def _mean(rows: Sequence[tuple[Any, ...]], family: int, column: int) -> float:
    return float(np.mean([r[column] for r in rows if r[0] == family]))
