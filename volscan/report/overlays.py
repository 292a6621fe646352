"""What was found drawn over the scan: centrelines from above, and walls from the side."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib import patheffects
from matplotlib.collections import LineCollection
from matplotlib.colors import LinearSegmentedColormap
from numpy.typing import NDArray

from volscan.report.style import (
    PALETTE,
    SOFT_INK,
    Drawing,
    as_png,
    axes_hint,
    bare,
    drawn_figure,
    family_colour,
    panel_height,
    scale_bar,
    step_of,
    under,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Json = Mapping[str, Any]
Array = NDArray[Any]
Lines = Mapping[int, NDArray[np.float64]]

# Polymer in grey, never darker than the lines over it.
_PALE = LinearSegmentedColormap.from_list("pale", ["#ffffff", "#c3c7cd", "#868d97"])
# Fibres of one layer in a face lie one above the other; these two stand apart in grey print.
_FACE_LINES = (PALETTE["garnet"], PALETTE["copper"])
_FACE_IN = 4.6
# Wider than a column: lines a fibre apart must not run into each other.
_PLAN_IN = 6.4
# A face is stretched upward when it would be a sliver, at most this many times.
_MOST_STRETCH = 6.0


def centrelines(table: pd.DataFrame | None) -> dict[int, NDArray[np.float64]]:
    """Return each fibre's centreline (n, 3) [X, Y, H] in µm by its id."""
    if table is None or len(table) == 0:
        return {}
    points = table[["x_um", "y_um", "h_um"]].to_numpy(dtype=np.float64)
    fibre = table["fibre"].to_numpy(dtype=np.int64)
    return {int(i): points[fibre == i] for i in np.unique(fibre)}


def centrelines_from_above(
    projection: Array,
    x_um: Array,
    y_um: Array,
    lines: Lines,
    families: Mapping[int, int],
    *,
    turn_um: float | None = None,
) -> Drawing | None:
    """Draw the found centrelines over the mean projection of the scan.

    Parameters
    ----------
    projection, x_um, y_um
        Polymer averaged over the height (Y, X), and where its columns and rows are.
    lines
        Centrelines by fibre.
    families
        Family of each fibre.
    turn_um
        Of a tube, one turn along Y: the picture is the unrolled tube.
    """
    if not lines:
        return None
    image, (left, right, low, high) = _seen(projection, x_um, y_um, turn_um)
    width, height = right - left, high - low
    finite = projection[np.isfinite(projection)]
    # Crossings hold twice what a wall holds: the scale ends between the two.
    top = float(np.percentile(finite, 97.0)) if finite.size else 1.0
    ids = sorted({families[i] for i in lines if i in families})
    with drawn_figure(
        panel_height(width, height, _PLAN_IN, most=7.0) + 0.3, width_in=_PLAN_IN
    ) as figure:
        axes = figure.add_subplot()
        axes.imshow(
            image,
            cmap=_PALE,
            vmin=0,
            vmax=max(top, 1e-9),
            extent=(left, right, low, high),
            origin="lower",
            interpolation="bilinear",
        )
        for k, family in enumerate(ids):
            mine = [lines[i][:, :2] for i in lines if families.get(i) == family]
            if turn_um is not None:
                # Axis up and around to the left: the view from outside, not its mirror image.
                pieces = [piece for line in mine for piece in _within_a_turn(line, turn_um)]
                mine = [np.column_stack([turn_um - p[:, 1], p[:, 0]]) for p in pieces]
            _draw_lines(axes, mine, family_colour(k, len(ids)), f"family {family}")
        axes.set(xlim=(left, right), ylim=(low, high))
        bare(axes)
        bar = scale_bar(axes, width, left_um=left)
        axes_hint(axes, "X →  Y ↑" if turn_um is None else "← around (Y)   axis (X) ↑", right)
        for edge in (left, right) if turn_um is not None else ():
            axes.axvline(edge, color=SOFT_INK, linewidth=1.4, linestyle=(0, (4, 3)))
        legend = figure.legend(
            loc="outside upper left", ncols=3, borderaxespad=0.1, handlelength=1.6
        )
        for handle in legend.get_lines():
            handle.set_linewidth(2.4)
        data = as_png(figure)
    count = len(lines)
    what = "Scaffold seen from above" if turn_um is None else "Tube unrolled at its mean radius"
    caption = (
        "Centrelines of all fibres found, each family in its own colour, over the polymer averaged "
        "over the build height (grey)."
        if turn_um is None
        else "The tube unrolled at its mean radius: centrelines of all fibres found, each family "
        "in its own colour, over the polymer averaged through the wall (grey). The dashed edges "
        f"are the same line on the tube, one turn ({turn_um:.0f} µm) apart."
    )
    return Drawing(
        data,
        "image/png",
        f"{what}, {width:.0f} by {height:.0f} µm, with the centrelines of {count} fibres in "
        f"{len(ids)} {'family' if len(ids) == 1 else 'families'} over the mean projection; "
        f"scale bar {bar:g} µm.",
        caption + " Lines of a wall that leans lie side by side, of an upright one on each other.",
        "Fibres found, over the scan" if turn_um is None else "Unrolled tube, fibres over the scan",
    )


def _seen(
    projection: Array, x_um: Array, y_um: Array, turn_um: float | None
) -> tuple[Array, tuple[float, float, float, float]]:
    """Return the projection as it is drawn and where its edges are; a tube turned a quarter."""
    dx, dy = step_of(x_um), step_of(y_um)
    x = (float(x_um[0] - dx / 2), float(x_um[-1] + dx / 2))
    y = (float(y_um[0] - dy / 2), float(y_um[-1] + dy / 2))
    if turn_um is None:
        return projection, (*x, *y)
    inside = y_um < turn_um - dy / 2
    return projection[inside].T[:, ::-1], (0.0, turn_um, *x)


def _draw_lines(axes: Axes, lines: Sequence[Array], colour: str, name: str) -> None:
    """Draw lines with a light edge, so that they stand off the grey and off each other."""
    thick = 1.1 if len(lines) < 150 else 0.7
    edge = [patheffects.withStroke(linewidth=thick + 0.6, foreground="white", alpha=0.6)]
    axes.add_collection(
        LineCollection(lines, colors=[colour], linewidths=thick, path_effects=edge, zorder=3)
    )
    axes.plot([], [], color=colour, label=name)


def _within_a_turn(line: Array, turn_um: float) -> list[Array]:
    """Cut a line [X, Y] wherever Y passes a whole turn, every piece brought into [0, turn]."""
    x, y = line.T
    first, last = math.floor(y.min() / turn_um), math.floor(y.max() / turn_um)
    if first == last:
        return [np.column_stack([x, y - first * turn_um])]
    at = np.arange(len(x), dtype=np.float64)
    extra = []
    for edge in np.arange(first + 1, last + 1) * turn_um:
        for i in np.flatnonzero((y[:-1] - edge) * (y[1:] - edge) < 0):
            extra.append(i + (edge - y[i]) / (y[i + 1] - y[i]))
    fine = np.unique(np.concatenate([at, extra]))
    x, y = np.interp(fine, at, x), np.interp(fine, at, y)
    # The turn that the middle of each step lies in, so that points on the seam belong to both.
    turn = np.floor(0.5 * (y[:-1] + y[1:]) / turn_um)
    cuts = np.flatnonzero(np.diff(turn)) + 1
    pieces = []
    for a, b in zip([0, *cuts], [*cuts, len(turn)], strict=True):
        pieces.append(np.column_stack([x[a : b + 1], y[a : b + 1] - turn[a] * turn_um]))
    return pieces


def wall_face(
    face: Array,
    along_um: Array,
    height_um: Array,
    wall: Json,
    path_um: Array,
    lines: Sequence[Array],
) -> Drawing:
    """Draw a wall from the side, straightened along its path, with its fibres' centrelines."""
    ds, dh = step_of(along_um), step_of(height_um)
    length = float(along_um[-1] + ds / 2)
    extent = (0.0, length, height_um[0] - dh / 2, height_um[-1] + dh / 2)
    tall = extent[3] - extent[2]
    stretch = float(np.clip(round(0.4 * length / tall), 1, _MOST_STRETCH))
    with drawn_figure(_FACE_IN * stretch * tall / length + 0.3, width_in=_FACE_IN) as figure:
        axes = figure.add_subplot()
        axes.imshow(
            np.clip(face, 0, 1),
            cmap=_PALE,
            vmin=0,
            vmax=1,
            extent=extent,
            origin="lower",
            interpolation="bilinear",
            aspect=stretch,
        )
        # The space between two fibres in points: lines and their light edges leave most of it free.
        gap = 72 * _FACE_IN * stretch * tall / length / max(len(lines), 1)
        thick = float(np.clip(0.11 * gap, 0.5, 1.2))
        for k, line in enumerate(sorted(lines, key=lambda p: float(p[:, 2].mean()))):
            s = arc_along(path_um, line[:, :2])
            order = np.argsort(s, kind="stable")
            axes.plot(
                s[order],
                line[order, 2],
                color=_FACE_LINES[k % 2],
                linewidth=thick,
                path_effects=[patheffects.withStroke(linewidth=1.8 * thick, foreground="white")],
            )
        axes.set(xlim=extent[:2], ylim=extent[2:])
        bare(axes)
        bar = scale_bar(axes, length)
        axes.text(
            length,
            0,
            "along the path →  H ↑" + (f", {stretch:g} times as tall" if stretch > 1 else ""),
            transform=under(axes),
            ha="right",
            va="center",
            fontsize=8.5,
            color=SOFT_INK,
        )
        data = as_png(figure)
    return Drawing(
        data,
        "image/png",
        f"Wall {wall['id']} from the side, {length:.0f} µm along its path and {tall:.0f} µm high, "
        f"with the centrelines of its {len(lines)} fibres; scale bar {bar:g} µm.",
        f"Wall {wall['id']}, family {wall['family']}: {len(lines)} fibres.",
    )


def arc_along(path_um: Array, points_um: Array) -> NDArray[np.float64]:
    """Return the arc length on a polyline (m, 2) of the place nearest to each point (k, 2)."""
    path = np.asarray(path_um, dtype=np.float64)
    step = np.diff(path, axis=0)
    square = np.maximum(np.sum(step**2, axis=1), 1e-12)
    start = np.concatenate([[0.0], np.cumsum(np.sqrt(square))])[:-1]
    off = points_um[:, None, :] - path[None, :-1]
    share = np.sum(off * step, axis=2) / square
    # Beyond the ends the path is carried on straight.
    low, high = np.zeros(len(step)), np.ones(len(step))
    low[0], high[-1] = -np.inf, np.inf
    share = np.clip(share, low, high)
    gap = np.linalg.norm(off - share[..., None] * step, axis=2)
    best = np.argmin(gap, axis=1)
    rows = np.arange(len(points_um))
    return np.asarray(start[best] + share[rows, best] * np.sqrt(square[best]))
