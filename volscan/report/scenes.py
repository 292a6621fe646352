"""More 3-D pictures for a paper: by layer, by lean with arrows, cut open, surface, pore space."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.colors import to_hex, to_rgb
from matplotlib.path import Path as Polygon
from numpy.typing import NDArray
from scipy import ndimage

from volscan.report.camera import aim, framed
from volscan.report.projection import splat
from volscan.report.roll import rolled_up
from volscan.report.scene import projected, tube_scene
from volscan.report.solid import build_axes, draw_solid
from volscan.report.style import LAYERS, LEAN, Drawing, family_colour

if TYPE_CHECKING:
    from volscan.results import Results

Json = Mapping[str, Any]
FloatArray = NDArray[np.float64]

_GREY = (0.54, 0.54, 0.54)
_HOW = (
    "Parallel projection, so the scale bar holds everywhere in the picture plane. A depth-sorted "
    "projection, drawn without OpenGL."
)
# Sizes that the pore picture tells apart: as many as an eye does on one scale.
_SIZE_STEPS = 12


def more_scenes(results: Results) -> list[tuple[str, Drawing]]:
    """Draw every further 3-D picture that the results can fill, by file name."""
    doc = results.to_dict()
    lines, fibres = results.tables.get("centrelines"), results.tables.get("fibres")
    preview = results.arrays.get("preview", {})
    flat = doc["frame"]["kind"] != "mandrel"
    made: list[tuple[str, Drawing | None]] = []
    if lines is not None and fibres is not None and len(lines) and len(fibres):
        rolled = rolled_up(lines, doc["frame"])
        assert rolled is not None  # there are lines
        made.append(("scaffold_by_layer", _by_layer(rolled, fibres)))
        made.append(("scaffold_by_lean", _by_lean(rolled, fibres, doc, arrows=flat)))
        made.append(("scaffold_cut_open", _cut_open(rolled, fibres)))
    made.append(("scanned_surface", draw_solid(preview, doc["frame"]["axes"])))
    if flat:
        made.append(("pore_space", _pore_space(preview, doc)))
    return [(name, drawing) for name, drawing in made if drawing is not None]


def _directions(fibres: pd.DataFrame) -> list[float]:
    return [float(d) for d in fibres.groupby("family")["direction_deg"].median()]


def _by_layer(lines: pd.DataFrame, fibres: pd.DataFrame) -> Drawing | None:
    layers = {int(i): float(n) for i, n in zip(fibres["id"], fibres["layer"], strict=True)}
    top = max(*layers.values(), 1.0)
    scene = tube_scene(lines, {i: to_rgb(LAYERS(n / top)) for i, n in layers.items()})
    if scene is None:
        return None
    camera = aim(scene.points_um, float(scene.radii_um.max()), directions_deg=_directions(fibres))
    shown = sorted({0, int(top) // 2, int(top)})
    return framed(
        projected(scene, camera),
        camera,
        alt="Three-dimensional picture of the fibres coloured by layer",
        caption=f"Fibres as tubes of their measured diameters, coloured by layer. {_HOW}",
        title="Fibres by layer",
        legend=[(f"layer {n}", to_hex(LAYERS(n / top))) for n in shown],
    )


def _by_lean(
    lines: pd.DataFrame, fibres: pd.DataFrame, doc: Json, *, arrows: bool
) -> Drawing | None:
    """Draw the walls coloured by tilt, with an arrow along the top of each the way it leans."""
    tilts = {int(w["id"]): w["tilt_deg"]["value"] for w in doc["walls"] if w.get("tilt_deg")}
    if not tilts:
        return None
    most = max(max(abs(t) for t in tilts.values()), 1.0)
    wall_of = {
        int(i): int(w) for i, w in zip(fibres["id"], fibres["wall"], strict=True) if not pd.isna(w)
    }
    colours = {
        int(i): to_rgb(LEAN(0.5 + 0.5 * tilts[wall_of[int(i)]] / most))
        if wall_of.get(int(i)) in tilts
        else _GREY
        for i in fibres["id"]
    }
    scene = tube_scene(lines, colours)
    if scene is None:
        return None
    camera = aim(scene.points_um, float(scene.radii_um.max()), directions_deg=_directions(fibres))
    drawn = _lean_arrows(lines, wall_of, doc) if arrows else []
    steepest = max(abs(t) for t in tilts.values())
    return framed(
        projected(scene, camera),
        camera,
        alt="Three-dimensional picture of the fibres coloured by the lean of their wall"
        + (f", with {len(drawn)} arrows" if drawn else ""),
        caption="Fibres coloured by the tilt of their wall, positive toward its left normal; grey: "
        "in no wall."
        + (
            f" Arrows at the walls’ tops point the way each leans; the longest stands for "
            f"{steepest:.1f}°."
            if drawn
            else ""
        )
        + f" {_HOW}",
        title="Lean of the walls",
        legend=[
            (f"{t:+.1f}°".replace("-", "−"), to_hex(LEAN(0.5 + 0.5 * t / most)))
            for t in (-most, 0.0, most)
        ],
        arrows=drawn,
    )


def _lean_arrows(
    lines: pd.DataFrame, wall_of: Mapping[int, int], doc: Json
) -> list[tuple[FloatArray, FloatArray]]:
    """Return three arrows along the top of each leaning wall, in build coordinates."""
    leans = {
        int(w["id"]): np.array(w["lean_vector"], dtype=np.float64)
        for w in doc["walls"]
        if w.get("lean_vector") and w.get("lean") != "upright"
    }
    if not leans:
        return []
    steepest = max(float(np.hypot(*v)) for v in leans.values()) or 1.0
    spacings = [f["spacing_um"]["value"] for f in doc["fibres"]["families"] if f["spacing_um"]]
    reach = 0.7 * (min(spacings) if spacings else 100.0)
    owner = lines["fibre"].map(wall_of)
    out = []
    for wall, lean in leans.items():
        part = lines[owner == wall]
        if part.empty:
            continue
        highest = part["fibre"].to_numpy()[int(part["h_um"].to_numpy().argmax())]
        top = part[part["fibre"] == highest]
        path = top[["x_um", "y_um", "h_um"]].to_numpy(dtype=np.float64, copy=True)
        path[:, 2] += 0.5 * float(top["diameter_um"].median())
        for share in (0.2, 0.5, 0.8):
            foot = path[round(share * (len(path) - 1))]
            tip = foot + np.array([*(lean / steepest * reach), 0.0])
            out.append((foot, tip))
    return out


def _cut_open(lines: pd.DataFrame, fibres: pd.DataFrame) -> Drawing | None:
    """Draw the half behind an upright plane through the middle, facing the viewer."""
    points = lines[["x_um", "y_um", "h_um"]].to_numpy(dtype=np.float64)
    radius = float(lines["diameter_um"].max()) / 2
    directions = _directions(fibres)
    toward = aim(points, radius, directions_deg=directions).axes[2, :2]
    # The cut runs along the first family's normal or line, whichever faces the viewer more.
    angle = math.radians(directions[0])
    along = np.array([math.cos(angle), math.sin(angle)])
    across = np.array([-along[1], along[0]])
    normal = max((along, across), key=lambda v: abs(float(v @ toward)))
    normal = normal if float(normal @ toward) > 0 else -normal
    middle = 0.5 * (points[:, :2].min(axis=0) + points[:, :2].max(axis=0))
    kept = lines[(points[:, :2] - middle) @ normal <= 0].copy()
    ids = sorted(set(fibres["family"].astype(int)))
    colours = {
        int(i): to_rgb(family_colour(ids.index(int(f)), len(ids)))
        for i, f in zip(fibres["id"], fibres["family"], strict=True)
    }
    scene = tube_scene(kept, colours)
    if scene is None:
        return None
    camera = aim(scene.points_um, radius, directions_deg=directions)
    return framed(
        projected(scene, camera),
        camera,
        alt="Three-dimensional picture of the scaffold cut open by an upright plane",
        caption="The scaffold cut by an upright plane through its middle, the nearer half taken "
        f"away; colours: families. {_HOW}",
        title="Cut open",
        legend=[(f"family {f}", family_colour(k, len(ids))) for k, f in enumerate(ids)],
    )


def _pore_space(preview: Mapping[str, NDArray[Any]], doc: Json) -> Drawing | None:
    """Draw the pore space inside the envelope, coloured by size, its nearer half taken away."""
    envelope, axes = doc["envelope"], doc["frame"]["axes"]
    if "solid_percent" not in preview or not envelope["outline_um"] or not axes:
        return None
    if envelope["base_um"] is None or envelope["top_um"] is None:
        return None
    solid = np.asarray(preview["solid_percent"]) >= 50
    spacing = np.asarray(preview["spacing_um"], dtype=np.float64)
    build = build_axes(axes)
    voxels = np.stack(np.meshgrid(*map(np.arange, solid.shape), indexing="ij"), -1).reshape(-1, 3)
    origin = np.asarray(doc["frame"]["origin_um"], dtype=np.float64)
    place = (voxels * spacing + preview["origin_um"] - origin) @ build.T
    inside = Polygon(np.asarray(envelope["outline_um"])).contains_points(place[:, :2])
    inside &= (place[:, 2] >= envelope["base_um"]) & (place[:, 2] <= envelope["top_um"])
    pore = (inside & ~solid.ravel()).reshape(solid.shape)
    if not pore.any():
        return None
    size = _sizes(~solid, spacing, limit=pore)
    at, value = place[pore.ravel()], size[pore]
    toward = aim(at, float(spacing.max())).axes[2, :2]
    middle = 0.5 * (at.min(axis=0) + at.max(axis=0))
    half = (at[:, :2] - middle[:2]) @ toward <= 0
    at, value = at[half], value[half]
    top = float(value.max())
    # Wide enough that the balls on neighbouring blocks close up to a smooth face.
    radius = 1.3 * float(spacing.max())
    camera = aim(at, radius)
    seen = (at - camera.centre_um) @ camera.axes.T / camera.um_per_px
    spheres = np.column_stack([seen, np.full(len(seen), radius / camera.um_per_px)])
    tint = LAYERS(value / top)[:, :3]
    flat = np.tile([0.0, 0.0, 1.0], (len(at), 1))
    image = splat(spheres, tint, (camera.height_px, camera.width_px), flat)
    shown = [0.25 * top, 0.5 * top, 0.75 * top, top]
    return framed(
        image,
        camera,
        alt="Three-dimensional picture of the pore space inside the envelope, coloured by size",
        caption="Pore space inside the envelope, its nearer half taken away, coloured by the "
        "diameter of the largest sphere that holds each point and fits between the solid; on "
        f"blocks of {spacing.max():.3g} µm and in {_SIZE_STEPS} steps, for the picture only. "
        f"{_HOW}",
        title="Pore space by size",
        legend=[(f"{v:.0f} µm", to_hex(LAYERS(v / top))) for v in shown],
    )


def _sizes(free: NDArray[np.bool_], spacing: FloatArray, *, limit: NDArray[np.bool_]) -> FloatArray:
    """Return the inscribed-sphere diameter of every free block, in steps, centres inside `limit`.

    For each radius the blocks that a sphere of it reaches, the largest radius last to lose.
    """
    radius = np.where(limit, ndimage.distance_transform_edt(free, sampling=spacing), 0.0)
    out = np.zeros(free.shape)
    for step in np.linspace(0.0, float(radius.max()), _SIZE_STEPS + 1)[1:]:
        centres = radius >= step * (1 - 1e-9)
        near = ndimage.distance_transform_edt(~centres, sampling=spacing) <= step
        out[near & free] = 2 * step
    # What no sphere of the first step reaches is smaller than it.
    out[(out == 0) & free] = float(radius.max()) / _SIZE_STEPS
    return out
