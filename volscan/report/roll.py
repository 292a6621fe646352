"""Roll a tube's centrelines up again, from the numbers of its frame in the results."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from volscan.geometry import TubeFrame
from volscan.polyline import arc_lengths, at_lengths

Json = Mapping[str, Any]

# Chords this long leave an arc by less than 4e-4 of its radius.
_STEP_DEG = 3.0


def rolled_up(centrelines: pd.DataFrame | None, frame: Json) -> pd.DataFrame | None:
    """Return a tube's centrelines as they run in space; those of a print on a plate as they are.

    Parameters
    ----------
    centrelines
        The table `centrelines`, (X, Y, H) of the unrolled sheet.
    frame
        `frame` of the results.

    Returns
    -------
    DataFrame
        The same columns: X along the axis at the tube's middle, H the way Y = 0 faces there, Y
        square to both; divided finely enough for the eye.
    """
    if centrelines is None or len(centrelines) == 0 or frame["kind"] != "mandrel":
        return centrelines
    tube = TubeFrame(
        point_um=np.array(frame["point_um"]),
        axis=np.array(frame["axis"]),
        across=np.array(frame["across"]),
        bend_per_um=(float(frame["axis_bend_per_um"][0]), float(frame["axis_bend_per_um"][1])),
        start_um=float(frame["start_um"]),
        length_um=float(frame["length_um"]),
        radius_um=float(frame["radius_um"]),
        oval=(float(frame["oval"][0]), float(frame["oval"][1])),
        base_um=float(frame["base_um"]),
        mirrored_confirmed=bool(frame["mirrored_confirmed"]),
        h_from=str(frame["h_from"]),
    )
    # y = h × x, taken in (x, y, z) of vectors stored [z, y, x].
    sideways = np.cross(tube.across[::-1], tube.axis[::-1])[::-1]
    basis = np.stack([tube.axis, sideways, tube.across])
    step = tube.radius_um * math.radians(_STEP_DEG)
    columns = ["x_um", "y_um", "h_um", "diameter_um"]
    parts = []
    for fibre, rows in centrelines.groupby("fibre", sort=True):
        own = rows[columns].to_numpy(dtype=np.float64)
        arc = arc_lengths(own[:, :3])
        at = np.unique(np.concatenate([np.linspace(0, arc[-1], int(arc[-1] / step) + 2), arc]))
        fine = at_lengths(own, arc, at)
        fine[:, :3] = (tube.to_scan(fine[:, :3]) - tube.point_um) @ basis.T
        part = pd.DataFrame(fine, columns=columns)
        part.insert(0, "fibre", fibre)
        parts.append(part)
    return pd.concat(parts, ignore_index=True)
