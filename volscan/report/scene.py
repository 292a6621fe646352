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
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.colors import to_hex, to_rgb
from numpy.typing import NDArray

from volscan.report.camera import Camera, aim, framed
from volscan.report.projection import project_tubes
from volscan.report.style import LAYERS, Drawing, family_colour

if TYPE_CHECKING:
    from volscan.results import Results

FloatArray = NDArray[np.float64]

# Loading the graphics library takes 2 to 5 s and a software renderer 1 to 5 s for the largest
# scene allowed below; whatever has not answered by then hangs.
RENDER_TIMEOUT_S = 15.0
# Points that the tubes are built from at most; longer centrelines are thinned evenly.
_MOST_POINTS = 40_000


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
    camera = aim(
        scene.points_um,
        float(scene.radii_um.max()),
        directions_deg=_directions(fibres),
    )
    image = render_in_subprocess(scene, camera, timeout_s=timeout_s)
    how = "Shaded tubes, rendered off-screen."
    if image is None:
        image = projected(scene, camera)
        how = (
            "Drawn without OpenGL, which did not answer on this machine: a depth-sorted "
            "projection of the same fibres."
        )
    count = len(scene.starts) - 1
    coloured = "family" if legend[0][0].startswith("family") else "layer"
    return framed(
        image,
        camera,
        alt=f"Three-dimensional picture of {count} fibres as tubes, coloured by {coloured}, seen "
        "from the front and above",
        caption=f"The {count} measured centrelines as tubes of their measured diameters, coloured "
        f"by {coloured}. Parallel projection, so the scale bar holds everywhere in the picture "
        f"plane. {how}",
        title="The scaffold in three dimensions",
        legend=legend,
    )


def results_scene(results: Results) -> Drawing | None:
    """Draw the scaffold of finished results: its fibres, or without any the solid's surface."""
    from volscan.report.roll import rolled_up
    from volscan.report.solid import draw_solid

    frame, tables = results.document["frame"], results.tables
    return draw_scene(
        rolled_up(tables.get("centrelines"), frame), tables.get("fibres")
    ) or draw_solid(results.arrays.get("preview", {}), frame["axes"])


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


def _directions(fibres: pd.DataFrame | None) -> list[float]:
    """Return the mean direction of each family; families are sorted by it and fold at 180."""
    if fibres is None:
        return []
    return [float(d) for d in fibres.groupby("family")["direction_deg"].median()]


def _build(
    centrelines: pd.DataFrame | None, fibres: pd.DataFrame | None
) -> tuple[TubeScene | None, list[tuple[str, str]]]:
    """Return the scene and its legend (label, colour)."""
    if centrelines is None or len(centrelines) == 0 or fibres is None or len(fibres) == 0:
        return None, []
    family_of = {int(i): int(f) for i, f in zip(fibres["id"], fibres["family"], strict=True)}
    layer_of = {int(i): float(n) for i, n in zip(fibres["id"], fibres["layer"], strict=True)}
    families = sorted(set(family_of.values()))
    top = max(*layer_of.values(), 1.0)
    if len(families) > 1:
        shown = {f: family_colour(k, len(families)) for k, f in enumerate(families)}
        colours = {i: to_rgb(shown[f]) for i, f in family_of.items()}
        legend = [(f"family {f}", colour) for f, colour in shown.items()]
    else:
        colours = {i: to_rgb(LAYERS(n / top)) for i, n in layer_of.items()}
        few = sorted({0, int(top) // 2, int(top)})
        legend = [(f"layer {n}", to_hex(LAYERS(n / top))) for n in few]
    return tube_scene(centrelines, colours), legend


def tube_scene(
    centrelines: pd.DataFrame, colours: Mapping[int, tuple[float, float, float]]
) -> TubeScene | None:
    """Return the fibres that have a colour, ready to be drawn; None where there is none."""
    every = max(1, len(centrelines) // _MOST_POINTS)
    points, radii, lengths, tints = [], [], [], []
    for fibre, rows in centrelines.groupby("fibre", sort=True):
        part = rows[["x_um", "y_um", "h_um", "diameter_um"]].to_numpy(dtype=np.float64)
        part = part[np.isfinite(part).all(axis=1)]
        # The last point stays, so that thinning shortens no fibre.
        part = np.concatenate([part[:-1:every], part[-1:]])
        if len(part) < 2 or int(str(fibre)) not in colours:
            continue
        points.append(part[:, :3])
        radii.append(part[:, 3] / 2)
        lengths.append(len(part))
        tints.append(colours[int(str(fibre))])
    if not points:
        return None
    starts = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    return TubeScene(
        np.concatenate(points), np.concatenate(radii), starts, np.array(tints, dtype=np.float64)
    )


def projected(scene: TubeScene, camera: Camera) -> NDArray[np.uint8]:
    """Draw a scene without OpenGL."""
    return project_tubes(
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
