"""Line figures: porosity by height, pore sizes, reach of a probe, fibre diameters, tilt by wall.

Each function takes plain parts of the results and returns a `Drawing`, or None when the results
hold nothing to draw.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from volscan.report.style import (
    INK,
    PALETTE,
    SOFT_INK,
    Drawing,
    as_svg,
    drawn_figure,
    family_colour,
    quiet_grid,
)
from volscan.report.wording import number

Json = Mapping[str, Any]

_THROAT_STYLE = {
    "x": ("plum", (0, (5, 2))),
    "y": ("garnet", (0, (1.5, 1.5))),
    "h": ("copper", "solid"),
}


def porosity_by_height(porosity: Json) -> Drawing | None:
    """Draw porosity in slabs against height above the base plane, with the total beside it."""
    rows = [(h, p) for h, p in porosity.get("by_height") or [] if p is not None]
    if len(rows) < 2:
        return None
    height, share = np.array(rows, dtype=np.float64).T
    total = porosity.get("total")
    with drawn_figure(3.5) as figure:
        axes = figure.add_subplot()
        quiet_grid(axes)
        axes.plot(100 * share, height, color=PALETTE["cobalt"])
        axes.fill_betweenx(height, 100 * share, 100, color=PALETTE["cobalt"], alpha=0.13, lw=0)
        if total:
            axes.axvline(100 * total["value"], color=PALETTE["garnet"], linestyle=(0, (4, 2)))
            axes.text(
                100 * total["value"],
                1.01,
                f"total {100 * total['value']:.1f} %",
                transform=axes.get_xaxis_transform(),
                color=PALETTE["garnet"],
                ha="center",
                va="bottom",
                fontsize=8.5,
            )
        low = 100 * min(share.min(), total["value"] if total else 1.0)
        axes.set_xlim(max(0.0, low - 0.08 * (100 - low) - 0.5), 100)
        axes.set_ylim(min(0.0, float(height.min())), float(height.max()) * 1.02)
        axes.set_xlabel("porosity (%)")
        axes.set_ylabel("height above base plane (µm)")
        data = as_svg(figure)
    return Drawing(
        data,
        "image/svg+xml",
        f"Line of porosity against height: from {100 * share.min():.1f} to "
        f"{100 * share.max():.1f} percent over {height.max():.0f} micrometres.",
        "Porosity of thin slabs against their height above the base plane (line); the shaded part "
        "is the solid. The dashed line is the total over the envelope.",
        "Porosity by height",
    )


def pore_sizes(pores: Json, histogram: pd.DataFrame | None) -> Drawing | None:
    """Draw the pore-size distribution over the share that a probe reaches, throats marked."""
    reach = np.array(
        [(d, f) for d, f in pores.get("accessible_by_probe") or [] if f is not None],
        dtype=np.float64,
    ).reshape(-1, 2)
    edges, share = histogram_columns(histogram)
    if len(reach) < 2 and len(edges) == 0:
        return None
    throats = {k: q for k, q in (pores.get("throat_um") or {}).items() if q is not None}
    sizes = pores.get("inscribed_diameter_um") or {}
    ends = [*reach[:, 0][reach[:, 1] > 0], *edges, *(q["value"] for q in throats.values())]
    right = 1.04 * max(ends) if ends else 1.0
    with drawn_figure(4.6) as figure:
        upper, lower = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": [1.15, 1]})
        quiet_grid(upper, "y")
        if len(edges):
            left = np.concatenate([[0.0], edges[:-1]])
            upper.bar(
                left,
                100 * share,
                np.diff(np.concatenate([[0.0], edges])),
                align="edge",
                color=PALETTE["lagoon"],
                edgecolor="white",
                linewidth=0.6,
            )
        upper.set_ylabel("share of pore\nvolume (%)")
        upper.set_ylim(bottom=0, top=118 * share.max() if len(share) and share.max() > 0 else 1)
        for key in ("d10", "d50", "d90"):
            if sizes.get(key):
                upper.plot(
                    sizes[key]["value"],
                    0.955,
                    "v",
                    color=INK,
                    ms=4.5,
                    transform=upper.get_xaxis_transform(),
                )
        quiet_grid(lower)
        if len(reach) >= 2:
            lower.plot(reach[:, 0], 100 * reach[:, 1], color=PALETTE["cobalt"])
            lower.fill_between(
                reach[:, 0], 100 * reach[:, 1], color=PALETTE["cobalt"], alpha=0.13, lw=0
            )
        for key, throat in throats.items():
            colour, dashes = _THROAT_STYLE[key]
            for axes in (upper, lower):
                axes.axvline(
                    throat["value"],
                    color=PALETTE[colour],
                    linestyle=dashes,
                    linewidth=1.5,
                    label=f"throat along {key}" if axes is lower else None,
                )
        lower.set_ylim(0, 104)
        lower.set_xlim(0, right)
        lower.set_ylabel("reached by a\nprobe (%)")
        lower.set_xlabel("sphere diameter (µm)")
        if throats:
            figure.legend(
                *lower.get_legend_handles_labels(),
                loc="outside upper left",
                ncols=len(throats),
                handlelength=2.2,
                columnspacing=1.4,
                borderaxespad=0.2,
            )
        data = as_svg(figure)
    told = ", ".join(f"{k} {number(q['value'])} µm" for k, q in throats.items())
    d50 = sizes.get("d50")
    return Drawing(
        data,
        "image/svg+xml",
        "Two stacked charts over sphere diameter: volume share of each pore size"
        + (f" with median {number(d50['value'])} µm" if d50 else "")
        + ", and the share of pore volume that a probe reaches"
        + (f"; throats: {told}." if told else "."),
        "Top: pore volume by the diameter of the largest sphere that holds each point and fits "
        "in the pores; triangles stand at D10, D50 and D90. Bottom: share of the pore volume that "
        "a sphere of that diameter can reach from outside. Upright lines: the throats, the largest "
        "sphere that crosses the scaffold along each axis.",
        "Pore sizes, throats and reach",
    )


def histogram_columns(table: pd.DataFrame | None) -> tuple[np.ndarray, np.ndarray]:
    """Return upper bin edges and shares, whatever the two columns are called."""
    if table is None or len(table) == 0 or table.shape[1] < 2:
        return np.empty(0), np.empty(0)
    values = table.select_dtypes("number").to_numpy(dtype=np.float64)
    edges, share = values[:, 0], values[:, 1]
    kept = np.nonzero(share > 0)[0]
    if len(kept) == 0:
        return np.empty(0), np.empty(0)
    return edges[: kept[-1] + 1], share[: kept[-1] + 1]


def fibre_diameters(fibres: pd.DataFrame | None, overall: Json | None) -> Drawing | None:
    """Draw how many fibres have which mean diameter, the families stacked."""
    if fibres is None or "diameter_mean_um" not in fibres:
        return None
    kept = fibres[np.isfinite(fibres["diameter_mean_um"].to_numpy(dtype=np.float64))]
    if len(kept) == 0:
        return None
    diameter = kept["diameter_mean_um"].to_numpy(dtype=np.float64)
    family = kept["family"].to_numpy(dtype=np.int64)
    ids = sorted(set(family.tolist()))
    with drawn_figure(3.0) as figure:
        axes = figure.add_subplot()
        quiet_grid(axes, "y")
        spread = float(diameter.max() - diameter.min())
        margin = max(0.08 * spread, 0.004 * float(diameter.mean()), 1e-6)
        bins = np.linspace(
            diameter.min() - margin,
            diameter.max() + margin,
            int(np.clip(np.sqrt(len(diameter)) * 1.5, 6, 30)) + 1,
        )
        axes.hist(
            [diameter[family == i] for i in ids],
            bins=bins.tolist(),
            stacked=True,
            color=[family_colour(k, len(ids)) for k in range(len(ids))],
            edgecolor="white",
            linewidth=0.6,
            label=[f"family {i} ({int((family == i).sum())})" for i in ids],
        )
        if overall:
            axes.axvline(overall["value"], color=INK, linestyle=(0, (4, 2)), linewidth=1.3)
            axes.text(
                overall["value"],
                1.01,
                f"mean {number(overall['value'], overall['u'])} µm",
                transform=axes.get_xaxis_transform(),
                ha="center",
                va="bottom",
                fontsize=8.5,
            )
        axes.yaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_xlabel("mean diameter of a fibre (µm)")
        axes.set_ylabel("fibres")
        figure.legend(loc="outside lower center", ncols=min(len(ids), 3), handlelength=1.2)
        data = as_svg(figure)
    return Drawing(
        data,
        "image/svg+xml",
        f"Histogram of the mean diameters of {len(diameter)} fibres, from "
        f"{number(float(diameter.min()))} to {number(float(diameter.max()))} µm.",
        f"Mean diameter of each of the {len(diameter)} fibres, families stacked (their numbers of "
        "fibres in brackets).",
        "Fibre diameters",
    )


def tilt_by_wall(
    walls: Sequence[Json], systematic: Sequence[Json], tolerance_deg: float
) -> Drawing | None:
    """Draw each wall's tilt with its uncertainty against the wall's position."""
    told = [w for w in walls if w.get("tilt_deg")]
    if not told:
        return None
    ids = sorted({w["family"] for w in walls})
    height = 0.75 + 1.35 * len(ids)
    with drawn_figure(height) as figure:
        rows = figure.subplots(len(ids), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
        for k, (axes, family) in enumerate(zip(rows, ids, strict=True)):
            mine = [w for w in told if w["family"] == family]
            quiet_grid(axes)
            axes.axhspan(-tolerance_deg, tolerance_deg, color=SOFT_INK, alpha=0.14, lw=0)
            axes.axhline(0, color=SOFT_INK, linewidth=0.8)
            colour = family_colour(k, len(ids))
            for lean in systematic:
                if lean["family"] == family and lean.get("tilt_deg"):
                    axes.axhline(
                        lean["tilt_deg"]["value"],
                        color=colour,
                        linestyle=(0, (4, 2)),
                        linewidth=1.2,
                    )
            axes.errorbar(
                [w["position_um"] for w in mine],
                [w["tilt_deg"]["value"] for w in mine],
                yerr=[2 * (w["tilt_deg"]["u"] or 0.0) for w in mine],
                fmt="o",
                markersize=4.0,
                color=colour,
                ecolor=INK,
                elinewidth=1.5,
                capsize=0,
                markeredgecolor=INK,
                markeredgewidth=0.6,
            )
            direction = next((w["direction_deg"] for w in mine), None)
            name = f"family {family}"
            if direction is not None:
                name += f", laid at {number(direction, 0.2)[:-6]}°"
            axes.set_title(name, fontsize=8.5)
            axes.margins(x=0.06, y=0.15)
        rows[-1].set_xlabel("wall position across the family (µm)")
        figure.supylabel("tilt (°)", fontsize=9)
        data = as_svg(figure)
    values = [w["tilt_deg"]["value"] for w in told]
    return Drawing(
        data,
        "image/svg+xml",
        f"Tilt of {len(told)} walls against their position, from {min(values):+.2f} to "
        f"{max(values):+.2f} degrees.",
        "Tilt of each wall, bars of two standard uncertainties. Grey band: the tolerance for an "
        f"upright wall (±{tolerance_deg:g}°); dashed: the systematic lean of the family.",
        "Tilt wall by wall",
    )
