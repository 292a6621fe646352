"""Pictures of walls: their tilts in plan view, and the cross-section of each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib import patheffects
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from numpy.typing import NDArray

from volscan.report.style import (
    INK,
    LEAN,
    PALETTE,
    SOFT_INK,
    SOLID,
    Drawing,
    as_png,
    as_svg,
    bare,
    drawn_figure,
    scale_bar,
    step_of,
)
from volscan.report.wording import number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Json = Mapping[str, Any]
Array = NDArray[Any]
Paths = Mapping[int, NDArray[np.float64]]

# Mean fraction that counts as part of the wall when pictures are cropped: above the noise of a
# mean along the wall, below the level of the thinnest neck.
_FILLED = 0.25
# About the width at which the page shows a section, so that letters keep their size.
_SECTION_IN = 1.15


def wall_tilts(
    walls: Sequence[Json],
    paths: Paths,
    outline_um: Sequence[Sequence[float]] | None,
    *,
    tube: bool = False,
) -> Drawing | None:
    """Draw the walls in plan view, coloured by tilt, an arrow the way each top leans.

    Of a tube the plan view is the unrolled sheet.
    """
    lines = {w["id"]: wall_line(w, paths, outline_um) for w in walls}
    told = [w for w in walls if w.get("tilt_deg")]
    if not told:
        return None
    points = np.concatenate(list(lines.values()))
    low, high = points.min(axis=0), points.max(axis=0)
    size = float(max(high - low)) or 1.0
    limit = max(1.0, max(abs(w["tilt_deg"]["value"]) for w in told))
    norm = Normalize(-limit, limit)
    leans = [math.hypot(*w["lean_vector"]) for w in told if w.get("lean_vector")]
    steepest = max([*leans, 0.0]) or 1.0
    reach = 0.42 * mean_gap(walls, 0.2 * size)
    # Ends of three and more directions lie so close that only the numbers fit.
    crowded = len({w["family"] for w in walls}) > 2
    edge = [patheffects.withStroke(linewidth=4.6, foreground=INK)]
    with drawn_figure(5.2) as figure:
        axes = figure.add_subplot()
        for wall in walls:
            line, tilt = lines[wall["id"]], wall.get("tilt_deg")
            if tilt:
                axes.plot(
                    *line.T, color=LEAN(norm(tilt["value"])), linewidth=3.2, path_effects=edge
                )
            else:
                axes.plot(*line.T, color=SOFT_INK, linewidth=1.2, linestyle=(0, (2, 2)))
        for wall in told:
            line = lines[wall["id"]]
            if wall.get("lean_vector") and wall.get("lean") != "upright":
                foot = clear_point(wall, lines, walls)
                lean = np.asarray(wall["lean_vector"], dtype=np.float64)
                _arrow(axes, foot, foot + lean / steepest * reach)
            if _labelled(wall, walls):
                text = f"{wall['id']}" if crowded else f"{wall['id']}: {_signed(wall)}"
                _label(axes, text, _free_end(wall["id"], lines), 0.02 * size, level=crowded)
        axes.set_aspect("equal")
        room = 0.1 if crowded else 0.21
        axes.set_xlim(low[0] - (room if crowded else 0.05) * size, high[0] + room * size)
        axes.set_ylim(low[1] - (room if crowded else 0.05) * size, high[1] + room * size)
        bare(axes)
        bar = scale_bar(axes, 1.26 * size, left_um=low[0] - 0.05 * size)
        bar_axes = figure.colorbar(
            ScalarMappable(norm, LEAN), ax=axes, location="bottom", shrink=0.72, aspect=32, pad=0.07
        )
        bar_axes.set_label("tilt (°), positive toward the wall's left normal")
        bar_axes.outline.set_linewidth(0.6)
        data = as_svg(figure)
    return Drawing(
        data,
        "image/svg+xml",
        f"Plan view of {len(walls)} walls as lines, each with an arrow the way its top leans: "
        + "; ".join(f"wall {w['id']} {_signed(w)}" for w in told)
        + f". Scale bar {bar:g} µm.",
        (
            "Walls on the unrolled tube, along the axis to the right and around it up, each whole "
            "where it runs on past a turn. "
            if tube
            else "Walls seen from above, X to the right and Y up. "
        )
        + "Arrows point the way the top of the wall "
        f"leans; the longest stands for {math.degrees(math.atan(steepest)):.1f}°, the others are "
        "in proportion, upright walls have none. Labels: wall number"
        + (", tilts stand in the table." if crowded else " and tilt.")
        + ("" if len(told) == len(walls) else " Dotted walls could not be measured."),
        "Wall tilts on the unrolled tube" if tube else "Wall tilts in plan view",
    )


def wall_sheets(
    sheets: Sequence[tuple[Array, Array, Array, Json | None]],
) -> list[Drawing]:
    """Draw mean cross-sections (section, across_um, height_um, wall), all to one scale."""
    if not sheets:
        return []
    limits = common_limits(sheets)
    return [_wall_sheet(*sheet, limits=limits) for sheet in sheets]


def _wall_sheet(
    section: Array,
    across_um: Array,
    height_um: Array,
    wall: Json | None,
    *,
    limits: tuple[float, float, float, float],
) -> Drawing:
    """Draw one wall's mean cross-section with layer centres and the fitted rise."""
    da, dh = step_of(across_um), step_of(height_um)
    extent = (
        across_um[0] - da / 2,
        across_um[-1] + da / 2,
        height_um[0] - dh / 2,
        height_um[-1] + dh / 2,
    )
    left, right, low, high = limits
    width, height = right - left, high - low
    with drawn_figure(_SECTION_IN * height / width + 0.3, width_in=_SECTION_IN) as figure:
        figure.set_layout_engine("none")
        axes = figure.add_axes((0.0, 0.28 / figure.get_figheight(), 1.0, 1.0))
        axes.imshow(
            np.clip(section, 0, 1),
            cmap=SOLID,
            vmin=0,
            vmax=1,
            extent=extent,
            origin="lower",
            interpolation="bilinear",
        )
        tilt = (wall or {}).get("tilt_deg")
        if wall and tilt:
            heights, centres, middle = layer_centres(wall)
            slope = math.tan(math.radians(tilt["value"]))
            ends = (heights.min(), heights.max()) if heights.size else extent[2:]
            rise = np.array(ends, dtype=np.float64)
            axes.plot(slope * (rise - middle), rise, color=PALETTE["copper"], linewidth=1.5)
            axes.plot(
                centres,
                heights,
                "o",
                markersize=4.0,
                markerfacecolor="white",
                markeredgecolor=INK,
                markeredgewidth=0.8,
            )
        axes.set(xlim=(left, right), ylim=(low, high), anchor="SW")
        bare(axes)
        bar = scale_bar(axes, width, left_um=left)
        data = as_png(figure)
    name = f"wall {wall['id']}" if wall else "wall"
    said = f"tilt {_signed(wall, uncertain=True)}" if wall and tilt else "tilt not measured"
    return Drawing(
        data,
        "image/png",
        f"Cross-section of {name}, {width:.0f} µm across and {height:.0f} µm high, {said}; "
        f"scale bar {bar:g} µm.",
        f"{name[0].upper()}{name[1:]}: {said}",
    )


def common_limits(
    sheets: Sequence[tuple[Array, Array, Array, Json | None]],
) -> tuple[float, float, float, float]:
    """Return left, right, low and high around what is filled in any of the sheets.

    At most 2.4 times as high as wide, so that upright walls do not become slivers.
    """
    side, low, high = 0.0, np.inf, -np.inf
    for section, across_um, height_um, _ in sheets:
        filled = section > _FILLED
        if filled.any():
            side = max(side, float(np.abs(across_um[filled.any(axis=0)]).max()))
            rows = height_um[filled.any(axis=1)]
            low, high = min(low, float(rows.min())), max(high, float(rows.max()))
    if side == 0.0:
        _, across_um, height_um, _ = sheets[0]
        side = float(np.abs(across_um).max()) or 1.0
        low, high = float(height_um.min()), float(height_um.max())
    margin = 0.06 * (high - low + 1.0)
    low, high = low - margin, high + margin
    side = max(1.25 * side, (high - low) / 4.8)
    return -side, side, low, high


def wall_line(wall: Json, paths: Paths, outline_um: Sequence[Sequence[float]] | None) -> Array:
    """Return a wall's path (n, 2); without one, the straight line its numbers describe."""
    path = paths.get(int(wall["id"]))
    if path is not None and len(path) >= 2:
        return np.asarray(path, dtype=np.float64)
    angle = math.radians(wall["direction_deg"])
    along = np.array([math.cos(angle), math.sin(angle)])
    normal = np.array([-along[1], along[0]])
    middle = np.mean(np.asarray(outline_um), axis=0) @ along if outline_um else 0.0
    half = 0.5 * (wall.get("length_um") or 0.0)
    foot = wall["position_um"] * normal
    return np.stack([foot + (middle - half) * along, foot + (middle + half) * along])


def layer_centres(wall: Json) -> tuple[Array, Array, float]:
    """Return layer heights, centres across from the fitted rise's middle, and its height."""
    heights = _numbers(wall.get("layer_heights_um"))
    offsets = _numbers(wall.get("layer_offset_um"))
    if len(heights) != len(offsets) or not np.isfinite(heights + offsets).any():
        return np.empty(0), np.empty(0), 0.0
    kept = np.isfinite(heights) & np.isfinite(offsets)
    heights, offsets = heights[kept], offsets[kept]
    middle = 0.5 * (heights.min() + heights.max())
    slope = math.tan(math.radians(wall["tilt_deg"]["value"]))
    # Offsets count from the wall's lowest fibre, the section from the wall's middle.
    return heights, offsets - float(np.mean(offsets - slope * (heights - middle))), middle


def _numbers(values: Sequence[float | None] | None) -> NDArray[np.float64]:
    return np.array([np.nan if v is None else v for v in values or []], dtype=np.float64)


def _signed(wall: Json, *, uncertain: bool = False) -> str:
    tilt = wall["tilt_deg"]
    text = number(tilt["value"], tilt["u"])
    sign = "+" if tilt["value"] > 0 else ""
    return f"{sign}{text}°" if uncertain else f"{sign}{text.split(' ±')[0]}°"


def _labelled(wall: Json, walls: Sequence[Json]) -> bool:
    """Label every wall of a family of up to 16, else as many evenly chosen ones."""
    mine = [w["id"] for w in walls if w["family"] == wall["family"]]
    return mine.index(wall["id"]) % math.ceil(len(mine) / 16) == 0


def _free_end(wall: int, lines: Mapping[int, Array]) -> tuple[Array, Array]:
    """Return the wall's last point and the one before it, from its end that is less crowded."""
    line = lines[wall]
    ends = [np.asarray(p)[[0, -1]] for k, p in lines.items() if k != wall]
    others = np.concatenate(ends) if ends else np.full((1, 2), np.inf)
    room = [float(np.hypot(*(others - end).T).min()) for end in (line[0], line[-1])]
    # The far end, where all labels of a family stand in line, unless it is clearly worse.
    return (line[0], line[1]) if room[0] > 1.3 * room[1] else (line[-1], line[-2])


def _label(axes: Axes, text: str, end: tuple[Array, Array], gap: float, *, level: bool) -> None:
    """Write beyond a wall's end, along the wall or level."""
    out = end[0] - end[1]
    out = out / (np.linalg.norm(out) or 1.0)
    at = end[0] + (2.0 if level else 1.0) * gap * out
    turn = math.degrees(math.atan2(out[1], out[0]))
    flip = turn > 91 or turn < -89
    axes.text(
        at[0],
        at[1],
        text,
        rotation=0 if level else turn + 180 * flip,
        rotation_mode="anchor",
        fontsize=7.5,
        path_effects=[patheffects.withStroke(linewidth=2.0, foreground="white")],
        zorder=7,
        ha="center" if level else "right" if flip else "left",
        va="center",
    )


def clear_point(wall: Json, lines: Mapping[int, Array], walls: Sequence[Json]) -> Array:
    """Return the point in the wall's middle part that lies farthest from crossing walls."""
    line = lines[wall["id"]]
    t = np.linspace(0.3, 0.7, 81)
    at = np.linspace(0.0, 1.0, len(line))
    points = np.stack([np.interp(t, at, line[:, 0]), np.interp(t, at, line[:, 1])], axis=1)
    clear = np.full(len(t), np.inf)
    for other in walls:
        if other["family"] != wall["family"]:
            path = lines[other["id"]]
            fine = np.linspace(0.0, 1.0, 400)
            steps = np.linspace(0.0, 1.0, len(path))
            x, y = np.interp(fine, steps, path[:, 0]), np.interp(fine, steps, path[:, 1])
            gap = np.hypot(points[:, :1] - x, points[:, 1:] - y).min(axis=1)
            clear = np.minimum(clear, gap)
    if not np.isfinite(clear).any():
        return np.asarray(points[len(t) // 2])
    # Of equally clear points the one nearest the middle, so that arrows stand in line.
    return np.asarray(points[int(np.argmax(clear / clear.max() - 0.3 * np.abs(t - 0.5)))])


def mean_gap(walls: Sequence[Json], otherwise: float) -> float:
    """Return the smallest of the families' median gaps between walls, in µm."""
    gaps = []
    for family in {w["family"] for w in walls}:
        at = np.sort([w["position_um"] for w in walls if w["family"] == family])
        if len(at) > 1:
            gaps.append(float(np.median(np.diff(at))))
    return min(gaps, default=otherwise)


def _arrow(axes: Axes, foot: Array, tip: Array) -> None:
    for colour, width, order in (("white", 3.6, 5), (INK, 1.5, 6)):
        axes.annotate(
            "",
            xy=tuple(tip),
            xytext=tuple(foot),
            zorder=order,
            arrowprops={
                "arrowstyle": "-|>,head_width=0.26,head_length=0.5",
                "color": colour,
                "linewidth": width,
                "shrinkA": 0,
                "shrinkB": 0,
            },
        )
