"""Pictures of the pore space: by size, the way of the largest sphere, what a probe reaches."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.colors import ListedColormap
from numpy.typing import NDArray

from volscan.report.style import (
    INK,
    LAYERS,
    PALETTE,
    SOFT_INK,
    WIDTH_IN,
    Drawing,
    as_png,
    axes_hint,
    bare,
    drawn_figure,
    panel_height,
    scale_bar,
)
from volscan.report.wording import number

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

Json = Mapping[str, Any]
Array = NDArray[Any]

# Solid is the darkest of all, and pores out of a probe's reach are pale: both stay apart in grey.
_SOLID = "#3a3f47"
_SHUT = "#e9e6dc"
REACH_COLOURS = ListedColormap([_SHUT, PALETTE["lagoon"], _SOLID])


class Sections:
    """The two sections through the middle of the domain that all these pictures show.

    Parameters
    ----------
    members
        Members of ``arrays/pores.npz``.
    """

    def __init__(self, members: Mapping[str, Array]) -> None:
        self.diameter = np.asarray(members["diameter_um"], dtype=np.float32)
        self.probe = np.asarray(members["probe_um"], dtype=np.float32)
        self.steps = [float(s) for s in members["steps_um"]]
        nz, ny, nx = self.diameter.shape
        self.size = (nx * self.steps[2], ny * self.steps[1], nz * self.steps[0])
        # Upright through the widest pore of the middle third, not through a wall.
        third = slice(ny // 3, max(ny - ny // 3, ny // 3 + 1))
        sizes = self.diameter[:, third].mean(axis=(0, 2))
        self.row = third.start + int(np.argmax(sizes))
        self.plane = nz // 2

    def cuts(self, values: Array) -> tuple[Array, Array]:
        """Return the plan section (y, x) and the upright one (h, x)."""
        return values[self.plane], values[:, self.row]

    def shapes(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return width and height in µm of both."""
        x, y, h = self.size
        return (x, y), (x, h)


def drawable(members: Mapping[str, Array]) -> bool:
    """Tell whether the maps are there and hold a pore."""
    return {"diameter_um", "probe_um", "steps_um"} <= set(members) and bool(
        np.asarray(members["diameter_um"]).max(initial=0) > 0
    )


def pores_by_size(
    members: Mapping[str, Array], pores: Json, paths: pd.DataFrame | None
) -> Drawing | None:
    """Draw both sections of the pores, coloured by size, with the way of the largest sphere."""
    if not drawable(members):
        return None
    cut = Sections(members)
    top = float(cut.diameter.max())
    heights = [panel_height(*shape, WIDTH_IN * 0.86) for shape in cut.shapes()]
    colours = LAYERS.with_extremes(under=_SOLID)
    with drawn_figure(sum(heights) + 0.5) as figure:
        panels = figure.subplots(2, 1, gridspec_kw={"height_ratios": heights})
        for axes, image, shape, names in zip(
            panels, cut.cuts(cut.diameter), cut.shapes(), ("y", "h"), strict=True
        ):
            shown = axes.imshow(
                np.where(image > 0, image, -1), cmap=colours, vmin=1e-3, vmax=top, origin="lower",
                extent=(0, shape[0], 0, shape[1]), interpolation="nearest",
            )  # fmt: skip
            bare(axes)
            scale_bar(axes, shape[0])
            axes_hint(axes, f"x →  {names} ↑", shape[0])
        told = _draw_path(panels[1], paths, pores, cut, top)
        bar = figure.colorbar(shown, ax=panels, location="right", shrink=0.6, pad=0.02)
        bar.set_label("diameter of the largest sphere (µm)")
        data = as_png(figure)
    return Drawing(
        data,
        "image/png",
        f"Two sections of the pore space coloured by inscribed-sphere diameter up to {top:.3g} "
        f"micrometres, solid dark{told}.",
        "Top: plan section at half the height of the domain; bottom: upright section through its "
        "widest pores. Colour: diameter of the largest sphere that holds each point and fits in "
        "the pores; solid is dark."
        + (
            " Line: the way of the largest sphere that crosses along h, drawn onto the section; "
            "ring: the throat, in its true size."
            if told
            else ""
        ),
        "Pores by size",
    )


def _draw_path(
    axes: Axes, paths: pd.DataFrame | None, pores: Json, cut: Sections, top: float
) -> str:
    """Draw the way through along h onto the upright section; return what was drawn, in words."""
    domain = pores.get("domain_um") or {}
    if paths is None or not domain.get("origin"):
        return ""
    way = paths[paths["axis"] == "h"]
    if len(way) < 2:
        return ""
    a = math.radians(float(domain["direction_deg"]))
    x = way["x_um"] * math.cos(a) + way["y_um"] * math.sin(a) - domain["origin"][0]
    h = way["h_um"] - domain["origin"][2]
    x, h = (np.asarray(v, dtype=np.float64) for v in (x, h))
    # Nodes of a grid, eased for the eye.
    kernel = np.ones(5) / 5
    smooth = [np.convolve(np.pad(v, 2, mode="edge"), kernel, mode="valid") for v in (x, h)]
    axes.plot(*smooth, color="white", linewidth=3.2)
    axes.plot(*smooth, color=PALETTE["garnet"], linewidth=1.6)
    narrowest = int(np.argmin(np.asarray(way["diameter_um"])))
    size = float(way["diameter_um"].iloc[narrowest])
    turn = np.linspace(0, 2 * math.pi, 90)
    ring = (
        x[narrowest] + 0.5 * size * np.cos(turn),
        h[narrowest] + 0.5 * size * np.sin(turn),
    )
    axes.plot(*ring, color="white", linewidth=2.6, clip_on=True)
    axes.plot(*ring, color=PALETTE["garnet"], linewidth=1.3, clip_on=True)
    axes.set_xlim(0, cut.size[0])
    axes.set_ylim(0, cut.size[2])
    return f"; a line shows the way along h, whose throat is {number(size)} micrometres wide"


def reach_of_probes(members: Mapping[str, Array], pores: Json) -> Drawing | None:
    """Draw what three probes reach from outside: small, near the throat, and large."""
    if not drawable(members):
        return None
    cut = Sections(members)
    top = float(cut.probe.max())
    if top <= 0:
        return None
    probes = [0.25 * top, 0.6 * top, 0.9 * top]
    (width, height) = cut.shapes()[1]
    each = panel_height(width, height, WIDTH_IN)
    with drawn_figure(3 * (each + 0.25)) as figure:
        for axes, probe in zip(figure.subplots(3, 1), probes, strict=True):
            draw_reach(axes, cut.cuts(cut.diameter)[1], cut.cuts(cut.probe)[1], probe, cut, "h")
            share = share_reached(pores, probe)
            text = "" if share is None else f"  reaches {100 * share:.0f} % of the pores"
            axes.set_title(f"probe of {probe:.3g} µm{text}")
        data = as_png(figure)
    return Drawing(
        data,
        "image/png",
        f"Three upright sections: what probes of {', '.join(f'{p:.3g}' for p in probes)} "
        "micrometres reach from outside, in blue-green; out of reach pale, solid dark.",
        "What a probe that comes from outside can cover (blue-green), on an upright section; pores "
        "out of its reach are pale, solid is dark. Shares are of the pore volume in the envelope.",
        "Reach of a probe",
    )


def draw_reach(
    axes: Axes, diameter: Array, reached: Array, probe_um: float, cut: Sections, up: str
) -> None:
    """Draw one section: reached, out of reach, solid."""
    state = np.where(diameter <= 0, 2, np.where(reached >= probe_um, 1, 0))
    width = cut.size[0]
    height = cut.size[1] if up == "y" else cut.size[2]
    axes.imshow(
        state, cmap=REACH_COLOURS, vmin=0, vmax=2, origin="lower", extent=(0, width, 0, height),
        interpolation="nearest",
    )  # fmt: skip
    bare(axes)
    scale_bar(axes, width)
    axes_hint(axes, f"x →  {up} ↑", width)


def share_reached(pores: Json, probe_um: float) -> float | None:
    """Return the share of the pore volume that a probe reaches, between the curve's points."""
    curve: Sequence[Sequence[float]] = pores.get("accessible_by_probe") or []
    if len(curve) < 2:
        return None
    probes, shares = np.array(curve, dtype=np.float64).T
    return float(np.interp(probe_um, probes, shares))


def draw_curve(axes: Axes, pores: Json, probe_um: float) -> None:
    """Draw the curve of reach against probe, with the probe of the moment marked."""
    curve = np.array(pores.get("accessible_by_probe") or [[0, 1], [1, 1]], dtype=np.float64)
    axes.plot(curve[:, 0], 100 * curve[:, 1], color=SOFT_INK, linewidth=1.0)
    larger = curve[:, 0] >= probe_um
    xs = np.concatenate([[probe_um], curve[larger, 0]])
    ys = np.interp(xs, curve[:, 0], 100 * curve[:, 1])
    axes.plot(xs, ys, color=PALETTE["lagoon"], linewidth=2.2)
    axes.plot(xs[0], ys[0], "o", color=INK, ms=5)
    axes.set_xlim(0, 1.02 * float(curve[-1, 0]))
    axes.set_ylim(0, 104)
    axes.set_xlabel("probe diameter (µm)")
    axes.set_ylabel("reached (%)")
