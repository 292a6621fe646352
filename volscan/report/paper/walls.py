"""Wall figures: tilt map in plan view, tilt along each wall, wall sections, before and after."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import Normalize
from numpy.typing import NDArray

from volscan.report.paper.layout import (
    SMALL,
    Json,
    PaperFigure,
    Parts,
    Style,
    bar_under,
    finished,
    letter,
    letter_inside,
    note_under,
    page,
)
from volscan.report.style import INK, LEAN, PALETTE, SOFT_INK, SOLID, bare
from volscan.report.wall_pictures import (
    clear_point,
    common_limits,
    layer_centres,
    mean_gap,
    wall_line,
)
from volscan.report.wording import number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FloatArray = NDArray[np.float64]

# Sections side by side that still show a layer of a few pixels.
_MOST_SECTIONS = {"single": 4, "double": 8}
# Walls whose numbers can be read beside a strip.
_MOST_STRIPS = 60


def wall_tilt(parts: Parts, style: Style) -> PaperFigure | None:
    """Walls in plan view coloured by tilt with arrows of their lean; tilt along each as a strip."""
    walls = parts.doc["walls"]
    told = [w for w in walls if w.get("tilt_deg") and w.get("lean_vector")]
    if not told:
        return None
    paths = {int(n.rpartition("_")[2]): p for n, p in parts.arrays.get("wall_paths", {}).items()}
    outline = parts.doc["envelope"]["outline_um"]
    lines = {int(w["id"]): wall_line(w, paths, outline) for w in walls}
    strips = [w for w in told if len(w.get("tilt_along") or []) >= 2][:_MOST_STRIPS]
    values = [w["tilt_deg"]["value"] for w in told]
    values += [t for w in strips for _, t, _ in w["tilt_along"]]
    # A scale no finer than the tolerance: walls that stand must not look as if they leaned.
    tolerance = float(parts.doc["settings"].get("upright_tolerance_deg", 1.0))
    most = max(max(abs(v) for v in values), tolerance)
    norm = Normalize(-most, most)
    single = style == "single"
    rows = max(len(strips), 1)
    strip_mm = float(np.clip(3.4 * rows, 16, 75))
    with page(style, 80 + strip_mm + 8 if single else max(78, strip_mm + 26)) as figure:
        if single:
            grid = figure.add_gridspec(2, 1, height_ratios=[78, strip_mm + 6])
            plan, strip = figure.add_subplot(grid[0]), figure.add_subplot(grid[1])
        else:
            plan, strip = figure.subplots(1, 2, gridspec_kw={"width_ratios": [1, 1.1]})
        _plan(plan, walls, told, lines, norm)
        letter_inside(plan, "a")
        if strips:
            _strips(strip, strips, norm)
            letter(strip, "b")
        else:
            strip.set_visible(False)
        bar = figure.colorbar(
            ScalarMappable(norm, LEAN), ax=[plan, strip], location="bottom",
            shrink=0.6, aspect=40, pad=0.02,
        )  # fmt: skip
        bar.set_label("tilt / °, positive toward the wall's left normal")
        bar.outline.set_linewidth(0.4)
        steepest = math.degrees(
            math.atan(max(float(np.hypot(*w["lean_vector"])) for w in told) or 1e-9)
        )
        return finished(
            figure,
            "wall_tilt",
            "Wall tilt",
            "(a) Walls in plan view, X to the right and Y up, coloured by tilt. Arrows point the "
            f"way each wall's top leans; the longest stands for {steepest:.1f}°. (b) Tilt along "
            "each wall from its path's start; grey: not measured there.",
            f"Plan view of {len(walls)} walls with arrows of their lean: "
            + "; ".join(f"wall {w['id']} {w['tilt_deg']['value']:+.1f} degrees" for w in told[:40])
            + ".",
            {"": _wall_table(told), "along": _along_table(strips)},
        )


def _plan(
    axes: Axes,
    walls: Sequence[Json],
    told: Sequence[Json],
    lines: Mapping[int, FloatArray],
    norm: Normalize,
) -> None:
    """Draw walls and arrows to scale."""
    points = np.concatenate(list(lines.values()))
    low, high = points.min(axis=0), points.max(axis=0)
    size = float((high - low).max())
    known = {int(w["id"]) for w in told}
    for wall in walls:
        line = lines[int(wall["id"])]
        if int(wall["id"]) not in known:
            axes.plot(*line.T, color=SOFT_INK, linestyle=(0, (1, 2)), linewidth=1.2)
    # An outline under each wall keeps the middle of the colour scale apart from paper.
    for k, width in enumerate((2.8, 2.0)):
        colours = [LEAN(norm(w["tilt_deg"]["value"])) if k else INK for w in told]
        axes.add_collection(
            LineCollection(
                [lines[int(w["id"])] for w in told], colors=colours, linewidths=width, zorder=2 + k,
                capstyle="round",
            )
        )  # fmt: skip
    steepest = max(float(np.hypot(*w["lean_vector"])) for w in told) or 1.0
    reach = 0.62 * mean_gap(walls, 0.2 * size)
    for wall in told:
        lean = np.array(wall["lean_vector"], dtype=np.float64)
        if wall.get("lean") == "upright":
            continue
        foot = clear_point(wall, lines, walls)
        axes.annotate(
            "", xy=tuple(foot + lean / steepest * reach), xytext=tuple(foot), zorder=6,
            arrowprops={
                "arrowstyle": "-|>,head_width=0.18,head_length=0.36", "color": INK,
                "linewidth": 0.9, "shrinkA": 0, "shrinkB": 0,
            },
        )  # fmt: skip
    for wall in told if len(told) <= 40 else []:
        line = lines[int(wall["id"])]
        out = line[-1] - line[-2]
        at = line[-1] + 0.03 * size * out / (np.linalg.norm(out) or 1.0)
        axes.text(at[0], at[1], str(wall["id"]), fontsize=SMALL, ha="center", va="center")
    axes.set_aspect("equal")
    room = 0.07 * size
    # Scale bar and axes stand side by side below, and need some width also under a narrow print.
    width = max(float(high[0] - low[0]), 0.6 * size) + 2 * room
    middle = 0.5 * float(low[0] + high[0])
    axes.set_xlim(middle - width / 2, middle + width / 2)
    axes.set_ylim(low[1] - room, high[1] + room)
    bare(axes)
    bar_under(axes, width, left_um=middle - width / 2)
    note_under(axes, "X →  Y ↑", middle + width / 2)


def _strips(axes: Axes, strips: Sequence[Json], norm: Normalize) -> None:
    """Draw one line of colour a wall: tilt against the place along it."""
    for row, wall in enumerate(strips):
        s, tilt = _along(wall)
        edges = np.concatenate([[s[0]], 0.5 * (s[1:] + s[:-1]), [s[-1]]])
        step = float(np.median(np.diff(s)))
        edges[0], edges[-1] = s[0] - step / 2, s[-1] + step / 2
        # Crossings leave gaps between stations, which must not be painted over.
        for k in range(len(s)):
            a = max(edges[k], s[k] - 0.75 * step)
            b = min(edges[k + 1], s[k] + 0.75 * step)
            axes.barh(row, b - a, left=a, height=0.78, color=LEAN(norm(tilt[k])), lw=0)
        axes.barh(
            row, s[-1] - s[0] + step, left=s[0] - step / 2, height=0.78, color="#e3e6ea", zorder=0,
            lw=0,
        )  # fmt: skip
    axes.set_yticks(range(len(strips)))
    every = max(1, math.ceil(len(strips) / 24))
    names = [str(w["id"]) if k % every == 0 else "" for k, w in enumerate(strips)]
    axes.set_yticklabels(names)
    axes.set_ylim(len(strips) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.set_ylabel("wall")
    axes.set_xlabel("place along the wall / µm")


def _along(wall: Json) -> tuple[FloatArray, FloatArray]:
    rows = sorted((float(s), float(t)) for s, t, _ in wall["tilt_along"])
    s, tilt = np.array(rows, dtype=np.float64).T
    return s, tilt


def _wall_table(told: Sequence[Json]) -> pd.DataFrame:
    rows = [
        (
            w["id"], w["family"], w["position_um"], w["direction_deg"], w["tilt_deg"]["value"],
            w["tilt_deg"]["u"], *w["lean_vector"], w["lean"],
        )
        for w in told
    ]  # fmt: skip
    names = [
        "wall", "family", "position_um", "direction_deg", "tilt_deg", "tilt_u_deg", "lean_x",
        "lean_y", "lean",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=names)


def _along_table(strips: Sequence[Json]) -> pd.DataFrame:
    rows = [(w["id"], s, t, u) for w in strips for s, t, u in w["tilt_along"]]
    return pd.DataFrame(rows, columns=["wall", "s_um", "tilt_deg", "u_deg"])


def wall_sections(parts: Parts, style: Style) -> PaperFigure | None:
    """Sections of a few walls with the layers' centres and the fitted rise, to one scale."""
    members = parts.arrays.get("wall_sheets", {})
    walls = {int(w["id"]): w for w in parts.doc["walls"]}
    ids = sorted(
        int(n.rpartition("_")[2])
        for n in members
        if n.startswith("section_") and int(n.rpartition("_")[2]) in walls
    )
    if not ids:
        return None
    shown = [ids[k] for k in _spread_over(len(ids), _MOST_SECTIONS[style])]
    sheets = [
        (members[f"section_{i}"], members[f"across_um_{i}"], members[f"height_um_{i}"], walls[i])
        for i in shown
    ]
    left, right, low, high = common_limits(sheets)
    columns = len(shown)
    width_mm = (85.0 if style == "single" else 174.0) / max(columns, 3) - 2
    tables: list[pd.DataFrame] = []
    with page(style, width_mm * (high - low) / (right - left) + 14) as figure:
        panels = figure.subplots(1, max(columns, 3), squeeze=False)[0]
        for axes in panels[columns:]:
            axes.set_visible(False)
        for k, (section, across, height, wall) in enumerate(sheets):
            axes = panels[k]
            da, dh = float(across[1] - across[0]), float(height[1] - height[0])
            axes.imshow(
                np.clip(section, 0, 1), cmap=SOLID, vmin=0, vmax=1, origin="lower",
                interpolation="bilinear",
                extent=(across[0] - da / 2, across[-1] + da / 2, height[0] - dh / 2,
                        height[-1] + dh / 2),
            )  # fmt: skip
            tilt = wall.get("tilt_deg")
            if tilt:
                tables.append(_rise(axes, wall))
            axes.set(xlim=(left, right), ylim=(low, high))
            bare(axes)
            axes.set_title(
                f"wall {wall['id']}\n{number(tilt['value'], tilt['u']).split(' ±')[0]}°"
                if tilt
                else f"wall {wall['id']}",
                fontsize=SMALL,
                loc="center",
                pad=2,
            )
            letter_inside(axes, chr(ord("a") + k))
            if k == 0:
                bar_under(axes, right - left, left_um=left, share=0.5)
        return finished(
            figure,
            "wall_sections",
            "Wall sections",
            "Mean polymer fraction along each wall, straightened along its path and seen along "
            "it, to equal scale in both directions. Circles: centres of the layers; line: fitted "
            "rise. " + (f"{columns} of {len(ids)} walls, evenly chosen." if columns < len(ids)
                        else ""),
            f"Cross-sections of {columns} walls with fitted rise.",
            {"": pd.concat(tables, ignore_index=True)} if tables else {},
        )  # fmt: skip


def _rise(axes: Axes, wall: Json) -> pd.DataFrame:
    """Draw the fitted rise and layer centres; return them."""
    heights, centres, middle = layer_centres(wall)
    slope = math.tan(math.radians(wall["tilt_deg"]["value"]))
    if heights.size:
        ends = np.array([heights.min(), heights.max()])
        axes.plot(slope * (ends - middle), ends, color=PALETTE["copper"], linewidth=1.1)
        axes.plot(
            centres, heights, "o", ms=2.4, markerfacecolor="white", markeredgecolor=INK,
            markeredgewidth=0.5,
        )  # fmt: skip
    return pd.DataFrame(
        {
            "wall": int(wall["id"]),
            "height_um": heights,
            "centre_across_um": centres,
            "fitted_across_um": slope * (heights - middle),
        }
    )


def _spread_over(count: int, most: int) -> list[int]:
    """Return at most `most` indices, evenly over `count`, both ends among them.

    >>> _spread_over(10, 4), _spread_over(3, 8)
    ([0, 3, 6, 9], [0, 1, 2])
    """
    if count <= most:
        return list(range(count))
    return sorted({round(k * (count - 1) / (most - 1)) for k in range(most)})
