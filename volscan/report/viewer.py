"""The 3-D view that can be turned: fibres as compact data for a small script inside the page."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.colors import to_hex, to_rgb
from numpy.typing import NDArray

from volscan.report.style import LAYERS, LEAN, family_colour

Json = Mapping[str, Any]
FloatArray = NDArray[np.float64]

# Points that a phone turns without a jerk, and a quarter of a megabyte of page.
_MOST_POINTS = 24_000
# Parts of the box that a point's place is told in: finer than a pixel of any screen.
_STEPS = 32_000
_GREY = "#898989"


@dataclass(frozen=True)
class Viewer:
    """The view's data (JSON), its script, and a text for readers who do not see it."""

    data: str
    script: str
    alt: str


def make_viewer(
    lines: pd.DataFrame | None, fibres: pd.DataFrame | None, doc: Json
) -> Viewer | None:
    """Build the view of a print's fibres; None where there are none.

    Parameters
    ----------
    lines
        Centrelines as in ``tables/centrelines.csv``, of a tube rolled up again.
    fibres
        One line a fibre, as in ``tables/fibres.csv``.
    doc
        Contents of results.json.
    """
    if lines is None or fibres is None or len(lines) == 0 or len(fibres) == 0:
        return None
    parts, ids = _thinned(lines, set(fibres["id"].astype(int)))
    if not parts:
        return None
    points = np.concatenate(parts)
    low, high = points[:, :3].min(axis=0), points[:, :3].max(axis=0)
    span = float((high - low).max()) or 1.0
    place = np.rint((points[:, :3] - low) / span * _STEPS).astype("<u2")
    widest = float(points[:, 3].max()) or 1.0
    width = np.rint(points[:, 3] / widest * _STEPS).astype("<u2")
    table = fibres.set_index("id").loc[ids]
    layer = table["layer"].fillna(0).to_numpy(dtype=np.int64)
    data = {
        "low": low.tolist(),
        "span": span,
        "steps": _STEPS,
        "widest": widest,
        "points": _packed(place),
        "widths": _packed(width),
        "counts": [len(p) for p in parts],
        "layers": layer.tolist(),
        "colours": _colours(table, layer, doc),
    }
    script = files("volscan.report").joinpath("viewer.js").read_text("utf-8")
    alt = (
        f"A view of {len(parts)} fibres that can be turned. Keys: arrows turn, plus and minus "
        "zoom, 0 goes back."
    )
    return Viewer(json.dumps(data, separators=(",", ":")), script, alt)


def _thinned(lines: pd.DataFrame, known: set[int]) -> tuple[list[FloatArray], list[int]]:
    """Return each fibre's points [x, y, h, diameter] with its ends kept, and the fibres' ids."""
    every = max(1, -(-len(lines) // _MOST_POINTS))
    parts, ids = [], []
    for fibre, rows in lines.groupby("fibre", sort=True):
        part = rows[["x_um", "y_um", "h_um", "diameter_um"]].to_numpy(dtype=np.float64)
        part = part[np.isfinite(part).all(axis=1)]
        if len(part) < 2 or int(str(fibre)) not in known:
            continue
        parts.append(np.concatenate([part[:-1:every], part[-1:]]))
        ids.append(int(str(fibre)))
    return parts, ids


def _packed(values: NDArray[Any]) -> str:
    return base64.b64encode(np.ascontiguousarray(values).tobytes()).decode("ascii")


def _colours(table: pd.DataFrame, layer: NDArray[np.int64], doc: Json) -> list[dict[str, Any]]:
    """Return each way of colouring: its name, a colour a fibre, and its legend."""
    top = max(int(layer.max()), 1)
    shown = sorted({0, top // 2, top})
    modes = [
        {
            "name": "layer",
            "fibres": [to_hex(LAYERS(n / top)) for n in layer],
            "legend": [[f"layer {n}", to_hex(LAYERS(n / top))] for n in shown],
        }
    ]
    family = table["family"].to_numpy(dtype=np.int64)
    ids = sorted(set(family.tolist()))
    by_family = {f: to_hex(to_rgb(family_colour(k, len(ids)))) for k, f in enumerate(ids)}
    told = {f["id"]: f["direction_deg"] for f in doc["fibres"]["families"]}
    names = {f: f"{told[f]['value']:.0f}°" if told.get(f) else f"family {f}" for f in ids}
    modes.insert(
        0,
        {
            "name": "direction",
            "fibres": [by_family[f] for f in family.tolist()],
            "legend": [[f"family {f}, {names[f]}", by_family[f]] for f in ids],
        },
    )
    tilts = {w["id"]: w["tilt_deg"]["value"] for w in doc["walls"] if w.get("tilt_deg")}
    if tilts:
        most = max(max(abs(t) for t in tilts.values()), 1.0)
        wall = table["wall"].astype("Float64").to_numpy(dtype=np.float64, na_value=np.nan)
        modes.append(
            {
                "name": "lean of its wall",
                "fibres": [
                    to_hex(LEAN(0.5 + 0.5 * tilts[int(w)] / most))
                    if np.isfinite(w) and int(w) in tilts
                    else _GREY
                    for w in wall
                ],
                "legend": [
                    [f"{t:+.1f}°".replace("-", "−"), to_hex(LEAN(0.5 + 0.5 * t / most))]
                    for t in (-most, 0.0, most)
                ],
            }
        )
    return modes
