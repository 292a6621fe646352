"""The 3-D picture: fibres as tubes along their centrelines, with their true diameters.

The tubes are drawn by a second Python process that owns the graphics library, so that a machine
without OpenGL, a broken driver or a hanging display can neither stop nor crash the report. Where
it fails, `projection` draws the same scene with numpy alone, and the caption says so. Both see the
scene through the same parallel camera.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.colors import to_rgb
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from volscan.report.projection import project_tubes
from volscan.report.style import (
    INK,
    LAYERS,
    Drawing,
    as_png,
    drawn_figure,
    family_colour,
    scale_bar,
)

FloatArray = NDArray[np.float64]

# Loading the graphics library takes 2 to 5 s and a software renderer 1 to 5 s for the largest
# scene allowed below; whatever has not answered by then hangs.
RENDER_TIMEOUT_S = 15.0
# Points that the tubes are built from at most; longer centrelines are thinned evenly.
_MOST_POINTS = 40_000
_WIDTH_PX = 1100
_AZIMUTH_DEG, _ELEVATION_DEG = -62.0, 33.0


@dataclass(frozen=True)
class TubeScene:
    """Fibres ready to be drawn.

    Parameters
    ----------
    points_um
        All centreline points (n, 3) [X, Y, H], fibre after fibre.
    radii_um
        Radius (n,) at each point.
    starts
        Index (m + 1,) of each fibre's first point, and n at the end.
    colours
        Colour (m, 3) of each fibre, 0..1.
    """

    points_um: FloatArray
    radii_um: FloatArray
    starts: NDArray[np.int64]
    colours: FloatArray


@dataclass(frozen=True)
class Camera:
    """A parallel camera: rows of `axes` point right, up and toward the viewer."""

    axes: FloatArray
    centre_um: FloatArray
    half_width_um: float
    half_height_um: float
    width_px: int
    height_px: int

    @property
    def um_per_px(self) -> float:
        """Length of a pixel in the picture plane."""
        return 2 * self.half_width_um / self.width_px


def draw_scene(
    centrelines: pd.DataFrame | None,
    fibres: pd.DataFrame | None,
    *,
    timeout_s: float = RENDER_TIMEOUT_S,
) -> Drawing | None:
    """Draw the fibres in 3-D; None without centrelines. Never raises for want of graphics."""
    scene, legend = _build(centrelines, fibres)
    if scene is None:
        return None
    camera = _aim(scene)
    image = render_in_subprocess(scene, camera, timeout_s=timeout_s)
    how = "Shaded tubes, rendered off-screen."
    if image is None:
        image = project_tubes(
            scene.points_um,
            scene.radii_um,
            scene.starts,
            scene.colours,
            camera.axes,
            camera.centre_um,
            camera.um_per_px,
            camera.width_px,
            camera.height_px,
        )
        how = (
            "Drawn without OpenGL, which did not answer on this machine: a depth-sorted "
            "projection of the same fibres."
        )
    return _framed(image, camera, scene, legend, how)


def render_in_subprocess(
    scene: TubeScene, camera: Camera, *, timeout_s: float
) -> NDArray[np.uint8] | None:
    """Render with OpenGL in a second process; None when that fails, hangs or stays blank."""
    with tempfile.TemporaryDirectory(prefix="volscan-") as folder:
        given, made = Path(folder) / "scene.npz", Path(folder) / "picture.npy"
        np.savez(
            given,
            points=scene.points_um,
            radii=scene.radii_um,
            starts=scene.starts,
            colours=scene.colours,
            axes=camera.axes,
            centre=camera.centre_um,
            half_height=camera.half_height_um,
            size_px=[camera.width_px, camera.height_px],
        )
        command = [sys.executable, "-m", "volscan.report.tubes", str(given), str(made)]
        root = str(Path(__file__).resolve().parents[2])
        path = os.pathsep.join(p for p in (root, os.environ.get("PYTHONPATH", "")) if p)
        try:
            subprocess.run(
                command,
                timeout=timeout_s,
                check=True,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": path, "PYVISTA_OFF_SCREEN": "true"},
            )
            image: NDArray[np.uint8] = np.load(made)
        except (OSError, ValueError, subprocess.SubprocessError):
            return None
    expected = (camera.height_px, camera.width_px, 3)
    # A driver that starts and draws nothing gives one flat colour.
    if image.shape != expected or float(image.std()) < 1.0:
        return None
    return image


def _build(
    centrelines: pd.DataFrame | None, fibres: pd.DataFrame | None
) -> tuple[TubeScene | None, list[tuple[str, str]]]:
    """Return the scene and its legend (label, colour)."""
    if centrelines is None or len(centrelines) == 0 or fibres is None or len(fibres) == 0:
        return None, []
    table = fibres.set_index("id")
    every = max(1, len(centrelines) // _MOST_POINTS)
    families = sorted({int(f) for f in table["family"]})
    layers = table["layer"].to_numpy(dtype=np.float64, na_value=0.0)
    top = max(float(layers.max()), 1.0)
    points, radii, lengths, colours = [], [], [], []
    for fibre, rows in centrelines.groupby("fibre", sort=True):
        part = rows[["x_um", "y_um", "h_um", "diameter_um"]].to_numpy(dtype=np.float64)
        part = part[np.isfinite(part).all(axis=1)]
        # The last point stays, so that thinning shortens no fibre.
        part = np.concatenate([part[:-1:every], part[-1:]])
        if len(part) < 2 or fibre not in table.index:
            continue
        points.append(part[:, :3])
        radii.append(part[:, 3] / 2)
        lengths.append(len(part))
        row = table.loc[fibre]
        if len(families) > 1:
            colours.append(to_rgb(family_colour(families.index(int(row["family"])), len(families))))
        else:
            colours.append(to_rgb(LAYERS(float(row["layer"]) / top)))
    if not points:
        return None, []
    if len(families) > 1:
        legend = [(f"family {f}", family_colour(k, len(families))) for k, f in enumerate(families)]
    else:
        shown = sorted({0, int(top) // 2, int(top)})
        legend = [(f"layer {n}", str(_hex(LAYERS(n / top)))) for n in shown]
    starts = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    scene = TubeScene(
        np.concatenate(points), np.concatenate(radii), starts, np.array(colours, dtype=np.float64)
    )
    return scene, legend


def _aim(scene: TubeScene) -> Camera:
    """Return a camera that sees the whole scene from the front left and above."""
    azimuth, elevation = np.deg2rad([_AZIMUTH_DEG, _ELEVATION_DEG])
    toward = np.array(
        [
            np.cos(elevation) * np.cos(azimuth),
            np.cos(elevation) * np.sin(azimuth),
            np.sin(elevation),
        ]
    )
    right = np.array([-np.sin(azimuth), np.cos(azimuth), 0.0])
    axes = np.stack([right, np.cross(toward, right), toward])
    seen = scene.points_um @ axes.T
    radius = float(scene.radii_um.max())
    low, high = seen.min(axis=0) - radius, seen.max(axis=0) + radius
    half = 0.5 * (high - low) * 1.02
    width = _WIDTH_PX
    height = int(np.clip(round(width * half[1] / half[0]), 160, 1500))
    half_height = max(half[1], half[0] * height / width)
    half_width = half_height * width / height
    return Camera(axes, 0.5 * (low + high) @ axes, half_width, half_height, width, height)


def _framed(
    image: NDArray[np.uint8],
    camera: Camera,
    scene: TubeScene,
    legend: list[tuple[str, str]],
    how: str,
) -> Drawing:
    """Set scale bar, axes and legend around the rendered picture."""
    width, height = 2 * camera.half_width_um, 2 * camera.half_height_um
    with drawn_figure(4.9 * height / width + 0.62, width_in=4.9) as figure:
        axes = figure.add_subplot()
        axes.imshow(image, extent=(0, width, 0, height), interpolation="antialiased")
        axes.axis("off")
        bar = scale_bar(axes, width, height)
        _triad(axes, camera, width)
        handles = [
            Line2D([], [], color=c, linewidth=5, solid_capstyle="round", label=name)
            for name, c in legend
        ]
        figure.legend(
            handles=handles, loc="outside upper left", ncols=4, handlelength=1.0, borderaxespad=0.1
        )
        data = as_png(figure)
    count = len(scene.starts) - 1
    coloured = "family" if legend[0][0].startswith("family") else "layer"
    return Drawing(
        data,
        "image/png",
        f"Three-dimensional picture of {count} fibres as tubes, coloured by {coloured}, seen from "
        f"the front left and above; scale bar {bar:g} µm in the picture plane.",
        f"The {count} measured centrelines as tubes of their measured diameters, coloured by "
        f"{coloured}; parallel projection, so the scale bar holds everywhere in the picture "
        f"plane. {how}",
        "The scaffold in three dimensions",
    )


def _triad(axes: object, camera: Camera, width: float) -> None:
    """Draw the build axes as the camera sees them, under the picture's right end."""
    from matplotlib.axes import Axes

    assert isinstance(axes, Axes)
    length = 0.055 * width
    foot = np.array([0.86 * width, -0.075 * width])
    for name, direction in zip("XYH", np.eye(3), strict=True):
        seen = camera.axes[:2] @ direction * length
        axes.annotate(
            "",
            xy=tuple(foot + seen),
            xytext=tuple(foot),
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-|>,head_width=0.15,head_length=0.3",
                "color": INK,
                "linewidth": 1.0,
                "shrinkA": 0,
                "shrinkB": 0,
            },
        )
        at = foot + 1.35 * seen
        axes.text(at[0], at[1], name, fontsize=8, ha="center", va="center", clip_on=False)


def _hex(rgba: tuple[float, float, float, float]) -> str:
    from matplotlib.colors import to_hex

    return str(to_hex(rgba))
