"""What stands beside the grid: fibres of their own between two points, and spikes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from volscan.phantom.form import Bridge, Site, Spikes
from volscan.phantom.paths import crossings
from volscan.phantom.pieces import Strand

if TYPE_CHECKING:
    from volscan.phantom.laying import Laying

FloatArray = NDArray[np.float64]

_BRIDGE_CHORDS = 48


def bridge_strand(bridge: Bridge, width_over_height: float) -> Strand:
    """Lay a fibre between two points, hanging below the line between them as a parabola."""
    a, b = np.array(bridge.from_um), np.array(bridge.to_um)
    t = np.linspace(0, 1, 2 if not bridge.sag_um else _BRIDGE_CHORDS + 1)[:, None]
    points = a + t * (b - a) - 4 * bridge.sag_um * t * (1 - t) * np.array([0.0, 0.0, 1.0])
    width = bridge.diameter_um * math.sqrt(width_over_height)
    widths = np.full(len(points), width)
    return Strand(-1, -1, -1, False, points, widths, bridge.sag_um, "bridge")


def spike_strands(spikes: Spikes, laying: Laying, height_um: float) -> list[Strand]:
    """Stand a cone on each crossing of the top fibres of the first two families."""
    out: list[Strand] = []
    if len(laying.walls) < 2:
        return out
    first, second = laying.walls[0], laying.walls[1]
    top = max(float(w.heights_um[-1]) for w in (*first, *second))
    # The cone grows out of the highest fibre; its round tip ends at the stated height.
    foot, tip = top, top + height_um / 2 + spikes.height_um - spikes.tip_um / 2
    for i, own in enumerate(first):
        path = laying.plan(Site(0, i, len(own.heights_um) - 1))
        for j, other in enumerate(second):
            crossed = laying.plan(Site(1, j, len(other.heights_um) - 1))
            for at in crossings(path, crossed):
                c = int(at)
                x, y = path[c] + (at - c) * (path[c + 1] - path[c])
                points = np.array([[x, y, foot], [x, y, tip]])
                widths = np.array([spikes.base_um, spikes.tip_um])
                out.append(Strand(-1, -1, -1, False, points, widths, 0.0, "spike"))
    return out
