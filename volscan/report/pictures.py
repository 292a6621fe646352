"""Pictures of the scan: slices with the found solid, and the plan view with the envelope."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.report.style import (
    INK,
    PALETTE,
    SOLID,
    Drawing,
    as_png,
    axes_hint,
    bare,
    drawn_figure,
    panel_height,
    scale_bar,
    step_of,
)

Json = Mapping[str, Any]
Array = NDArray[Any]

# Finer pictures than this only make the file larger: a column is 442 CSS pixels wide.
_MAX_SIDE_PX = 1100
_SLICE_WIDTH_IN = 3.3


def grey_window(images: Sequence[Array]) -> tuple[float, float]:
    """Return the one grey window that all slices share: the 0.5th to the 99.8th percentile."""
    values = np.concatenate([np.asarray(i, dtype=np.float64).ravel()[::7] for i in images])
    values = values[np.isfinite(values)]
    if values.size == 0:
        return 0.0, 1.0
    low, high = np.percentile(values, [0.5, 99.8])
    return float(low), float(high if high > low else low + 1.0)


def orthogonal_slice(
    image: Array,
    solid: Array | None,
    *,
    spacing_um: tuple[float, float],
    window: tuple[float, float],
    axes_names: tuple[str, str],
    at: str,
) -> Drawing:
    """Draw one slice in grey with the outline of the solid that was found."""
    step = max(1, math.ceil(max(image.shape) / _MAX_SIDE_PX))
    image = np.asarray(image, dtype=np.float64)[::step, ::step]
    rows, columns = image.shape
    height_um, width_um = rows * spacing_um[0] * step, columns * spacing_um[1] * step
    with drawn_figure(
        panel_height(width_um, height_um, _SLICE_WIDTH_IN), width_in=_SLICE_WIDTH_IN
    ) as figure:
        axes = figure.add_subplot()
        extent = (0.0, width_um, height_um, 0.0)
        axes.imshow(image, cmap="gray", vmin=window[0], vmax=window[1], extent=extent)
        if solid is not None and solid.any() and not solid.all():
            part = np.asarray(solid, dtype=np.float64)[::step, ::step]
            x = (np.arange(columns) + 0.5) * spacing_um[1] * step
            y = (np.arange(rows) + 0.5) * spacing_um[0] * step
            axes.contour(x, y, part, levels=[0.5], colors=[PALETTE["copper"]], linewidths=0.7)
        bare(axes)
        bar = scale_bar(axes, width_um)
        axes_hint(axes, f"{axes_names[1]} →  {axes_names[0]} ↓", width_um)
        data = as_png(figure)
    plane = f"Plane {axes_names[1]}–{axes_names[0]}"
    found = "no solid in this slice" if solid is None or not solid.any() else "solid outlined"
    return Drawing(
        data,
        "image/png",
        f"Slice of the scan: {plane} {at}, {width_um:.0f} by {height_um:.0f} µm, {found}; "
        f"scale bar {bar:g} µm.",
        f"{plane} {at}",
    )


def plan_view(
    projection: Array,
    x_um: Array,
    y_um: Array,
    *,
    envelope: Json | None,
    domain: Json | None,
) -> Drawing:
    """Draw polymer seen from above with the envelope that porosity refers to."""
    dx, dy = step_of(x_um), step_of(y_um)
    extent = (x_um[0] - dx / 2, x_um[-1] + dx / 2, y_um[0] - dy / 2, y_um[-1] + dy / 2)
    width, height = extent[1] - extent[0], extent[3] - extent[2]
    finite = projection[np.isfinite(projection)]
    top = float(np.percentile(finite, 99.8)) if finite.size else 1.0
    with drawn_figure(panel_height(width, height, 4.6) + 0.2) as figure:
        axes = figure.add_subplot()
        axes.imshow(
            projection, cmap=SOLID, vmin=0, vmax=max(top, 1e-9), extent=extent, origin="lower"
        )
        if envelope and envelope.get("outline_um"):
            outline = np.asarray(envelope["outline_um"], dtype=np.float64)
            axes.fill(
                *outline.T, fill=False, edgecolor=PALETTE["garnet"], linewidth=1.6, label="envelope"
            )
        if domain:
            axes.fill(
                *_domain_corners(domain).T,
                fill=False,
                edgecolor=INK,
                linewidth=1.1,
                linestyle=(0, (4, 2)),
                label="box for throats",
            )
        bare(axes)
        bar = scale_bar(axes, width, left_um=extent[0])
        axes_hint(axes, "X →  Y ↑", extent[1])
        if axes.get_legend_handles_labels()[0]:
            figure.legend(loc="outside upper left", ncols=2, borderaxespad=0.1)
        data = as_png(figure)
    return Drawing(
        data,
        "image/png",
        f"Scaffold seen from above, {width:.0f} by {height:.0f} µm, with the outline of the "
        f"envelope; scale bar {bar:g} µm.",
        "Polymer averaged over the build height, seen from above in build coordinates. Solid "
        "outline: the envelope that porosity refers to; dashed: the box that throats refer to.",
        "Plan view and envelope",
    )


def _domain_corners(domain: Json) -> Array:
    angle = math.radians(domain["direction_deg"])
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    x, y = domain["origin"][:2]
    w, h = domain["size"][:2]
    corners = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
    return np.asarray(corners @ turn)
