"""Charts of the pores and fibres: porosity, pore sizes, reach, diameters, directions."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from volscan.report.figures import histogram_columns
from volscan.report.paper.layout import SMALL, PaperFigure, Parts, Style, finished, letter, page
from volscan.report.style import INK, PALETTE, SOFT_INK, family_colour, quiet_grid
from volscan.report.wording import number

# Line styles tell the axes apart where colour does not.
_THROATS = {"x": ("plum", (0, (5, 2))), "y": ("garnet", (0, (1.2, 1.2))), "h": ("copper", "solid")}
# Half a turn in steps of 5 degrees: finer than fibres wander, coarse enough to see.
_ROSE_BINS = 36


def porosity_by_height(parts: Parts, style: Style) -> PaperFigure | None:
    """Porosity of thin slabs against height, with the total's band and the design's value."""
    porosity = parts.doc["porosity"]
    rows = [(h, p) for h, p in porosity.get("by_height") or [] if p is not None]
    if len(rows) < 2:
        return None
    height, share = np.array(rows, dtype=np.float64).T
    total, design = porosity.get("total"), _designed_porosity(parts)
    with page(style, 62) as figure:
        axes = figure.add_subplot()
        quiet_grid(axes)
        if total:
            u = total["u"] or 0.0
            band = (100 * (total["value"] - 2 * u), 100 * (total["value"] + 2 * u))
            axes.axvspan(*band, color=PALETTE["copper"], alpha=0.3, lw=0)
            axes.axvline(
                100 * total["value"], color=PALETTE["copper"], linewidth=1.0, label="total ± 2u"
            )
        if design is not None:
            axes.axvline(
                100 * design, color=INK, linestyle=(0, (4, 2)), linewidth=1.0, label="design"
            )
        axes.plot(100 * share, height, color=PALETTE["cobalt"], label="slabs")
        axes.set_xlim(max(0.0, 100 * share.min() - 4), min(100.0, 100 * share.max() + 4))
        axes.set_ylim(min(0.0, float(height.min())), float(height.max()) * 1.02)
        axes.set_xlabel("porosity / %")
        axes.set_ylabel("height above base / µm")
        figure.legend(loc="outside upper center", ncols=3, handlelength=1.8, columnspacing=1.2)
        told = f"; design {100 * design:.1f} %" if design is not None else ""
        return finished(
            figure,
            "porosity_by_height",
            "Porosity by height",
            "Porosity of thin slabs against height above the base plane. Band: total porosity "
            "with two standard uncertainties"
            + (
                "; dashed: porosity that the design implies (mass-conserving)."
                if design is not None
                else "."
            ),
            f"Line of porosity against height, from {100 * share.min():.1f} to "
            f"{100 * share.max():.1f} percent{told}.",
            {"": pd.DataFrame({"height_um": height, "porosity": share})},
        )


def _designed_porosity(parts: Parts) -> float | None:
    implied = (parts.doc.get("design") or {}).get("implied_porosity")
    return None if not implied else float(implied["mass_conserving"])


def pore_sizes(parts: Parts, style: Style) -> PaperFigure | None:
    """Pore-size distribution with the throats, and the share that a probe reaches."""
    pores = parts.doc["pores"]
    edges, share = histogram_columns(parts.tables.get("pore_sizes"))
    reach = np.array(
        [(d, f) for d, f in pores.get("accessible_by_probe") or [] if f is not None],
        dtype=np.float64,
    ).reshape(-1, 2)
    if len(edges) == 0 and len(reach) < 2:
        return None
    throats = {k: q for k, q in (pores.get("throat_um") or {}).items() if q is not None}
    sizes = pores.get("inscribed_diameter_um") or {}
    ends = [*reach[:, 0][reach[:, 1] > 0], *edges, *(q["value"] for q in throats.values())]
    single = style == "single"
    with page(style, 90 if single else 62) as figure:
        panels = figure.subplots(2, 1, sharex=True) if single else figure.subplots(1, 2)
        upper, lower = panels
        if len(edges):
            left = np.concatenate([[0.0], edges[:-1]])
            upper.bar(
                left, 100 * share, edges - left, align="edge", color=PALETTE["lagoon"],
                edgecolor="white", linewidth=0.4,
            )  # fmt: skip
            upper.set_ylim(0, 114 * max(float(share.max()), 1e-9))
        for key, name in (("d10", "D10"), ("d50", "D50"), ("d90", "D90")):
            if sizes.get(key):
                upper.plot(
                    sizes[key]["value"], 0.97, "v", color=INK, ms=3.2,
                    transform=upper.get_xaxis_transform(),
                    label="D10, D50, D90" if name == "D10" else None,
                )  # fmt: skip
        if len(reach) >= 2:
            lower.plot(reach[:, 0], 100 * reach[:, 1], color=PALETTE["cobalt"])
        for key, throat in throats.items():
            colour, dashes = _THROATS[key]
            for axes in (upper, lower):
                axes.axvline(
                    throat["value"], color=PALETTE[colour], linestyle=dashes, linewidth=1.1,
                    label=f"throat along {key}" if axes is upper else None,
                )  # fmt: skip
        for axes, name in ((upper, "a"), (lower, "b")):
            quiet_grid(axes, "y")
            axes.set_xlim(0, 1.04 * max(ends))
            letter(axes, name)
        lower.set_ylim(0, 104)
        upper.set_ylabel("share of pore volume / %")
        lower.set_ylabel("reached by a probe / %")
        lower.set_xlabel("sphere diameter / µm")
        if not single:
            upper.set_xlabel("inscribed-sphere diameter / µm")
        handles, labels = upper.get_legend_handles_labels()
        if handles:
            figure.legend(
                handles, labels, loc="outside upper center", ncols=2 if single else 4,
                handlelength=2.0, columnspacing=1.2,
            )  # fmt: skip
        told = ", ".join(f"{k} {number(q['value'])} µm" for k, q in throats.items())
        return finished(
            figure,
            "pore_sizes",
            "Pore sizes, throats and reach",
            "(a) Pore volume by the diameter of the largest sphere that holds each point and fits "
            "in the pores; triangles: deciles. (b) Share of the pore volume that a sphere of that "
            "diameter reaches from outside. Upright lines: throats, the largest sphere that "
            "crosses along each axis.",
            "Distribution of pore sizes, and share reached against probe diameter"
            + (f"; throats: {told}." if told else "."),
            {
                "distribution": pd.DataFrame({"diameter_to_um": edges, "share": share}),
                "reach": pd.DataFrame(reach, columns=["probe_diameter_um", "fraction"]),
                "throats": pd.DataFrame(
                    [(k, q["value"], q["u"]) for k, q in throats.items()],
                    columns=["along", "throat_um", "u_um"],
                ),
            },
        )


def fibre_diameters(parts: Parts, style: Style) -> PaperFigure | None:
    """Histogram of the fibres' mean diameters, and diameter against layer as printed."""
    fibres = parts.tables.get("fibres")
    if fibres is None or len(fibres) == 0:
        return None
    kept = fibres[np.isfinite(fibres["diameter_mean_um"].to_numpy(dtype=np.float64))]
    if len(kept) == 0:
        return None
    diameter = kept["diameter_mean_um"].to_numpy(dtype=np.float64)
    family = kept["family"].to_numpy(dtype=np.int64)
    layer = kept["layer"].to_numpy(dtype=np.float64, na_value=np.nan)
    ids = sorted(set(family.tolist()))
    overall = parts.doc["fibres"]["diameter_um"]
    single = style == "single"
    with page(style, 96 if single else 58) as figure:
        left, right = figure.subplots(2, 1) if single else figure.subplots(1, 2)
        quiet_grid(left, "y")
        margin = max(0.06 * float(np.ptp(diameter)), 0.004 * float(diameter.mean()))
        bins = np.linspace(
            diameter.min() - margin,
            diameter.max() + margin,
            int(np.clip(1.5 * np.sqrt(len(diameter)), 6, 30)) + 1,
        )
        colours = [family_colour(k, len(ids)) for k in range(len(ids))]
        left.hist(
            [diameter[family == i] for i in ids], bins=bins.tolist(), stacked=True, color=colours,
            edgecolor="white", linewidth=0.4,
        )  # fmt: skip
        if overall:
            left.axvline(overall["value"], color=INK, linestyle=(0, (4, 2)), linewidth=1.0)
        left.yaxis.set_major_locator(MaxNLocator(integer=True))
        left.set_xlabel("mean diameter of a fibre / µm")
        left.set_ylabel("fibres")
        quiet_grid(right, "y")
        for k, i in enumerate(ids):
            mine = family == i
            right.plot(
                layer[mine], diameter[mine], "os^Dv"[k % 5], ms=2.6, color=colours[k],
                markeredgecolor=INK, markeredgewidth=0.3, label=f"family {i}",
            )  # fmt: skip
        levels = np.unique(layer[np.isfinite(layer)])
        means = [float(diameter[layer == n].mean()) for n in levels]
        right.plot(levels, means, color=SOFT_INK, linewidth=1.0, zorder=1, label="layer mean")
        right.xaxis.set_major_locator(MaxNLocator(integer=True))
        right.set_xlabel("layer, in the order of printing")
        right.set_ylabel("mean diameter / µm")
        letter(left, "a")
        letter(right, "b")
        figure.legend(
            *right.get_legend_handles_labels(), loc="outside upper center",
            ncols=min(len(ids) + 1, 4), handlelength=1.4, columnspacing=1.2,
        )  # fmt: skip
        told = number(overall["value"], overall["u"]) if overall else "unknown"
        return finished(
            figure,
            "fibre_diameters",
            "Fibre diameters",
            f"Mean diameters of {len(diameter)} fibres. (a) Distribution, families stacked; "
            "dashed: mean. (b) Against the layer, in the order of printing from the collector; "
            "line: mean of each layer.",
            f"Histogram of fibre diameters with mean {told} µm, and the diameters by layer.",
            {
                "": kept[
                    ["id", "family", "layer", "wall", "diameter_mean_um", "diameter_sd_um"]
                ].copy()
            },
        )


def direction_rose(parts: Parts, style: Style) -> PaperFigure | None:
    """Rose of fibre directions in plan view, weighted by length."""
    lines = parts.tables.get("centrelines")
    if lines is None or len(lines) < 2:
        return None
    x, y = (lines[c].to_numpy(dtype=np.float64) for c in ("x_um", "y_um"))
    fibre = lines["fibre"].to_numpy(dtype=np.int64)
    same = fibre[1:] == fibre[:-1]
    step = np.stack([np.diff(x), np.diff(y)], axis=1)[same]
    length = np.hypot(*step.T)
    angle = np.degrees(np.arctan2(step[:, 1], step[:, 0])) % 180
    # Centred bins: a family laid at 0 must not be split between both ends of the scale.
    width = 180 / _ROSE_BINS
    place = np.floor((angle + width / 2) / width).astype(int) % _ROSE_BINS
    weight = np.bincount(place, weights=length, minlength=_ROSE_BINS)
    if not weight.sum() > 0:
        return None
    share = weight / weight.sum()
    centre = np.arange(_ROSE_BINS) * width
    size = 60 if style == "single" else 78
    with page(style, size) as figure:
        axes: Any = figure.add_subplot(projection="polar")
        both = np.radians(np.concatenate([centre, centre + 180]))
        # The area of a petal, not its length, stands for the share.
        axes.bar(
            both, np.sqrt(np.tile(share, 2)), width=np.radians(0.92 * width),
            color=PALETTE["cobalt"], edgecolor=INK, linewidth=0.3, zorder=3,
        )  # fmt: skip
        marks = [m for m in (0.01, 0.05, 0.1, 0.2, 0.4, 0.6) if m < 0.85 * share.max()][-3:]
        axes.set_yticks(np.sqrt(marks))
        axes.set_yticklabels([f"{100 * m:g} %" for m in marks], fontsize=SMALL)
        axes.set_rlabel_position(_free_angle(centre, share))
        axes.set_ylim(0, 1.06 * float(np.sqrt(share.max())))
        axes.set_xticks(np.radians(np.arange(0, 360, 45)))
        axes.set_xticklabels([f"{a}°" for a in range(0, 360, 45)], fontsize=SMALL)
        axes.grid(linewidth=0.4, color="#c9ced6")
        axes.tick_params(pad=0)
        axes.spines["polar"].set_linewidth(0.6)
        families = parts.doc["fibres"]["families"]
        told = ", ".join(f"{number(f['direction_deg']['value'], 0.2)[:-6]}°" for f in families)
        return finished(
            figure,
            "fibre_directions",
            "Fibre directions",
            "Directions of the fibres in plan view, from X (0°) toward Y, weighted by length in "
            f"steps of {width:g}°; the area of a petal stands for its share of the length. "
            "Opposite petals are the same fibres.",
            f"Rose of fibre directions; families lie at {told or 'no common direction'}.",
            {"": pd.DataFrame({"direction_deg": centre, "share_of_length": share})},
        )


def _free_angle(centre: np.ndarray, share: np.ndarray) -> float:
    """Return the angle of the upper half, not on a label, that lies farthest from large petals."""
    petals = centre[share > 0.02]
    tried = np.array([22.5, 67.5, 112.5, 157.5])
    off = np.abs((tried[:, None] - petals[None, :] + 90) % 180 - 90)
    return float(tried[int(off.min(axis=1).argmax())]) if len(petals) else 67.5
