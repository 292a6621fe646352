"""Tilt along each wall with its confidence band, as small pictures to one scale."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from volscan.report.style import (
    INK,
    SOFT_INK,
    Drawing,
    as_svg,
    drawn_figure,
    family_colour,
    quiet_grid,
)

Json = Mapping[str, Any]

# More panels than this are too small to read; the results hold every wall's.
MOST_WALLS = 24
_COLUMNS = 4
# The figure spans the page's text: 46 rem at 16 CSS pixels and 96 pixels an inch.
_WIDTH_IN = 7.4


def tilt_along_walls(walls: Sequence[Json], tolerance_deg: float) -> Drawing | None:
    """Draw each wall's tilt along its mean line, with a band of two standard uncertainties."""
    told = [w for w in walls if w.get("tilt_deg") and len(w.get("tilt_along") or []) >= 2]
    if not told:
        return None
    every = -(-len(told) // MOST_WALLS)
    shown = told[::every]
    ids = sorted({w["family"] for w in walls})
    rows = -(-len(shown) // _COLUMNS)
    bands = [_band(w) for w in shown]
    low = min(float((tilt - 2 * u).min()) for _, tilt, u in bands)
    high = max(float((tilt + 2 * u).max()) for _, tilt, u in bands)
    margin = 0.06 * max(high - low, 0.2)
    columns = min(_COLUMNS, len(shown))
    with drawn_figure(0.75 + 1.15 * rows, width_in=_WIDTH_IN) as figure:
        grid = figure.subplots(
            rows, columns, sharex=True, sharey=True, squeeze=False, gridspec_kw={"wspace": 0.04}
        )
        panels = grid.ravel()
        for axes, wall, (s, tilt, u) in zip(panels, shown, bands, strict=False):
            colour = family_colour(ids.index(wall["family"]), len(ids))
            quiet_grid(axes)
            if -tolerance_deg < high + margin and tolerance_deg > low - margin:
                axes.axhspan(-tolerance_deg, tolerance_deg, color=SOFT_INK, alpha=0.14, lw=0)
            mean = wall["tilt_deg"]["value"]
            axes.axhline(mean, color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
            axes.fill_between(s, tilt - 2 * u, tilt + 2 * u, color=colour, alpha=0.25, lw=0)
            axes.plot(s, tilt, color=colour, marker="o", markersize=2.6, linewidth=1.3)
            axes.set_title(
                f"wall {wall['id']}, family {wall['family']}", fontsize=8.0, fontweight="normal"
            )
        for axes in panels[len(shown) :]:
            axes.set_visible(False)
        for k in range(columns):
            last = max(i for i in range(rows) if i * columns + k < len(shown))
            grid[last, k].tick_params(labelbottom=True)
        panels[0].set_ylim(low - margin, high + margin)
        panels[0].set_xlim(0, 1.03 * max(float(s.max()) for s, _, _ in bands))
        figure.supxlabel("place along the wall's mean line (µm)", fontsize=9)
        figure.supylabel("tilt (°)", fontsize=9)
        data = as_svg(figure)
    note = "" if len(shown) == len(told) else f" {len(shown)} of {len(told)} walls, evenly chosen."
    widest = max(float(np.ptp(tilt)) for _, tilt, _ in bands)
    return Drawing(
        data,
        "image/svg+xml",
        f"Tilt along {len(shown)} walls at stations along each; within a wall it changes by up to "
        f"{widest:.2f} degrees.",
        "Tilt at stations along each wall (points), with a band of two standard uncertainties; "
        "dashed: the whole wall's tilt"
        + (
            f"; grey: the tolerance for an upright wall (±{tolerance_deg:g}°)."
            if -tolerance_deg < high + margin and tolerance_deg > low - margin
            else "."
        )
        + note,
        "Tilt along each wall",
    )


def _band(wall: Json) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return places, tilts and standard uncertainties in order along the wall."""
    rows = sorted(
        (float(s), float(t), math.nan if u is None else float(u)) for s, t, u in wall["tilt_along"]
    )
    s, tilt, u = np.array(rows, dtype=np.float64).T
    return s, tilt, np.nan_to_num(u)
