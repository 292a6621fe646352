"""Pictures of the scan: three slices at right angles with the outline of the solid."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from volscan.report.paper.layout import (
    WIDTH_MM,
    PaperFigure,
    Parts,
    Style,
    bar_under,
    finished,
    letter_inside,
    note_under,
    page,
)
from volscan.report.pictures import grey_window
from volscan.report.style import PALETTE, bare

# More pixels than a 300 dpi column holds only make the file larger.
_MOST_PIXELS = 1000


def orthogonal_slices(parts: Parts, style: Style) -> PaperFigure | None:
    """Three slices through the scaffold's middle to one scale, solid outlined."""
    members = parts.arrays.get("slices", {})
    if not all(f"grey_{a}" in members for a in "zyx"):
        return None
    window = grey_window([members[f"grey_{a}"] for a in "zyx"])
    spacing = dict(zip("zyx", (float(s) for s in members["spacing_um"]), strict=True))
    index = dict(zip("zyx", (int(i) for i in members["index"]), strict=True))
    wide = {a: members[f"grey_{a}"].shape for a in "zyx"}
    sizes = {
        a: tuple(n * spacing[b] for n, b in zip(wide[a], _axes_of(a), strict=True)) for a in "zyx"
    }
    single = style == "single"
    shapes = [sizes[a] for a in "zyx"]
    # One scale for all three: heights or widths share the room in proportion to their size.
    if single:
        width = max(w for _, w in shapes)
        room = WIDTH_MM[style] - 4
        height_mm = sum(h for h, _ in shapes) / width * room + 3 * 9
        ratios: dict[str, Any] = {"height_ratios": [h for h, _ in shapes]}
        height_mm = min(height_mm, 200.0)
        shape = (3, 1)
    else:
        total = sum(w for _, w in shapes)
        height_mm = max(h for h, _ in shapes) / total * (WIDTH_MM[style] - 10) + 12
        ratios = {"width_ratios": [w for _, w in shapes]}
        shape = (1, 3)
    with page(style, height_mm) as figure:
        panels = figure.subplots(*shape, gridspec_kw=ratios, squeeze=False).ravel()
        for k, (axes, name) in enumerate(zip(panels, "zyx", strict=True)):
            height_um, width_um = sizes[name]
            _draw(
                axes, members[f"grey_{name}"], members.get(f"solid_{name}"),
                (height_um, width_um), window,
            )  # fmt: skip
            axes.set_anchor("N")
            bar_under(axes, width_um)
            rows, columns = _axes_of(name)
            note_under(axes, f"{columns} →  {rows} ↓", width_um)
            letter_inside(axes, "abc"[k])
        told = ", ".join(
            f"({'abc'[k]}) {a} = {index[a] * spacing[a]:.0f} µm" for k, a in enumerate("zyx")
        )
        return finished(
            figure,
            "slices",
            "Slices through the scan",
            f"Slices at right angles through the scaffold's middle: {told}, one grey window, in "
            "the scan's own axes. Line: outline of what was taken for solid.",
            "Three grey slices of the scan with the outline of the solid.",
            {
                "": pd.DataFrame(
                    [(a, index[a], index[a] * spacing[a], *sizes[a], *window) for a in "zyx"],
                    columns=[
                        "axis", "index", "position_um", "height_um", "width_um", "window_low",
                        "window_high",
                    ],
                )
            },
        )  # fmt: skip


def _axes_of(name: str) -> tuple[str, str]:
    rows, columns = (a for a in "zyx" if a != name)
    return rows, columns


def _draw(
    axes: Any,
    image: NDArray[Any],
    solid: NDArray[Any] | None,
    size_um: tuple[float, float],
    window: tuple[float, float],
) -> None:
    step = max(1, math.ceil(max(image.shape) / _MOST_PIXELS))
    height, width = size_um
    axes.imshow(
        np.asarray(image, dtype=np.float64)[::step, ::step], cmap="gray", vmin=window[0],
        vmax=window[1], extent=(0.0, width, height, 0.0), interpolation="antialiased",
    )  # fmt: skip
    if solid is not None and solid.any() and not solid.all():
        part = np.asarray(solid, dtype=np.float64)[::step, ::step]
        x = (np.arange(part.shape[1]) + 0.5) * width / part.shape[1]
        y = (np.arange(part.shape[0]) + 0.5) * height / part.shape[0]
        axes.contour(x, y, part, levels=[0.5], colors=[PALETTE["copper"]], linewidths=0.5)
    bare(axes)
