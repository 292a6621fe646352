"""Old and new path of a corrected print, in plan and up the walls."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from volscan.report.style import (
    INK,
    SOFT_INK,
    as_png,
    drawn_figure,
    family_colour,
    quiet_grid,
    round_length,
)
from volscan.report.wall_pictures import mean_gap
from volscan.toolpath import Correction

# The plan shows the lowest and the highest fibre of each wall; their distance is drawn this many
# times as large as the widest one would need to show, and the factor is told.
_SHOWN_SHARE = 0.35


def path_picture(done: Correction) -> bytes:
    """Return a PNG: each wall line's highest fibre in plan, and how far each fibre is moved."""
    families = sorted({f for f, *_ in done.paths})
    with drawn_figure(4.6) as figure:
        plan, rise = figure.subplots(2, 1, height_ratios=(2.4, 1))
        top = {f: max(k for g, k, *_ in done.paths if g == f) for f in families}
        moved = max((float(np.abs(new - old).max()) for *_, old, new in done.paths), default=0.0)
        gap = mean_gap(done.walls, 1000.0)
        factor = 1.0 if moved == 0 else max(1.0, round_length(_SHOWN_SHARE * gap / moved))
        for f, k, old, new in done.paths:
            if k != top[f]:
                continue
            colour = family_colour(f, len(families))
            plan.plot(*(old.T / 1000), color=SOFT_INK, linewidth=0.8)
            shown = old + factor * (new - old)
            plan.plot(*(shown.T / 1000), color=colour, linewidth=1.1)
        plan.set_aspect("equal")
        plan.set_xlabel("X / mm")
        plan.set_ylabel("Y / mm")
        times = "" if factor == 1 else f"; shift × {factor:g}"
        plan.set_title(f"highest fibres: old (grey), new{times}", fontsize=8, color=INK)
        for f in families:
            rows = sorted((k, _across(old, new)) for g, k, old, new in done.paths if g == f)
            rise.plot(
                [d for _, d in rows], [k for k, _ in rows], ".", markersize=4,
                color=family_colour(f, len(families)), label=f"family {f}",
            )  # fmt: skip
        rise.set_xlabel("moved along the wall's left normal / µm")
        rise.set_ylabel("fibre of the wall")
        rise.legend(frameon=False, fontsize=8)
        quiet_grid(rise)
        return as_png(figure)


def _across(old: NDArray[np.float64], new: NDArray[np.float64]) -> float:
    """Return how far a line moved toward its left normal."""
    along = old[-1] - old[0]
    angle = np.arctan2(along[1], along[0]) % np.pi
    normal = np.array([-np.sin(angle), np.cos(angle)])
    middle = len(old) // 2
    return float((new[middle] - old[middle]) @ normal)
