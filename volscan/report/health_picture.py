"""A picture of a scan's health: its histogram with the anchors, and slices with what was found."""

from __future__ import annotations

import io

import numpy as np
from matplotlib.figure import Figure
from matplotlib.gridspec import SubplotSpec

from volscan.health import ScanHealth
from volscan.report.pictures import grey_window
from volscan.report.style import INK, PALETTE, PNG_DPI, drawn_figure
from volscan.volume import Volume


def health_picture(volume: Volume, health: ScanHealth) -> bytes:
    """Return a PNG: histogram with anchors, and the middle slices of the scan.

    Parameters
    ----------
    volume
        The scan.
    health
        What `scan_health` found in it.

    Returns
    -------
    bytes
        The picture. What is solid is outlined in copper, what was left out in turquoise.
    """
    with drawn_figure(5.6, width_in=9.0) as figure:
        grid = figure.add_gridspec(2, 3, height_ratios=[1.0, 1.5])
        _histogram(figure, grid[0, :], health)
        seen = volume.samples[health.part]
        middles = [n // 2 for n in seen.shape]
        images = [np.take(seen, k, axis=a) for a, k in enumerate(middles)]
        low, high = grey_window(images)
        names = (("y", "x"), ("z", "x"), ("z", "y"))
        steps = (volume.spacing_um[1:], volume.spacing_um[::2], volume.spacing_um[:2])
        for axis, image in enumerate(images):
            panel = figure.add_subplot(grid[1, axis])
            rows, columns = image.shape
            extent = (0.0, columns * steps[axis][1], rows * steps[axis][0], 0.0)
            panel.imshow(
                image, cmap="gray", vmin=low, vmax=high, extent=extent, interpolation="nearest"
            )
            if health.material is not None:
                marks = (
                    (health.material.solid, PALETTE["copper"]),
                    (health.material.left_out, PALETTE["lagoon"]),
                )
                for mask, colour in marks:
                    cut = None if mask is None else np.take(mask, middles[axis], axis=axis)
                    if cut is not None and cut.any() and not cut.all():
                        panel.contour(
                            cut.astype(float), levels=[0.5], colors=colour, linewidths=0.8,
                            extent=extent, origin="upper",
                        )  # fmt: skip
            panel.set_xlabel(f"{names[axis][1]} (µm)")
            panel.set_ylabel(f"{names[axis][0]} (µm)")
            panel.set_title(f"{'zyx'[axis]} = {middles[axis] * volume.spacing_um[axis]:.0f} µm")
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=PNG_DPI, metadata={"Software": None})
    return buffer.getvalue()


def _histogram(figure: Figure, place: SubplotSpec, health: ScanHealth) -> None:
    panel = figure.add_subplot(place)
    greys, counts = health.histogram
    panel.fill_between(greys, np.maximum(counts, 0.5), 0.5, color="#b9b4cd", step="mid", lw=0)
    panel.set_yscale("log")
    # Room above the bars for the names of the anchors.
    panel.set_ylim(0.5, 60.0 * max(float(np.max(counts)), 1.0))
    panel.set_xlabel("grey value")
    panel.set_ylabel("voxels")
    m = health.material
    if m is not None:
        sure = "polymer" if m.plateau_seen else "polymer, at least"
        for value, name, colour, height in (
            (m.air, "air", PALETTE["cobalt"], 0.97),
            (m.threshold, "surface", INK, 0.90),
            (m.polymer, sure, PALETTE["garnet"], 0.83),
        ):
            panel.axvline(value, color=colour, lw=1.4)
            panel.annotate(
                f" {name} {value:.5g}", (value, height), xycoords=("data", "axes fraction"),
                color=colour, va="top", fontsize=8.5,
            )  # fmt: skip
        panel.axvspan(
            m.air - m.noise_air, m.air + m.noise_air, color=PALETTE["cobalt"], alpha=0.15, lw=0
        )
    panel.set_title("Grey values: noise of air shaded; below, print copper, left out turquoise")
