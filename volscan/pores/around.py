"""Throats of a tube: along the axis, around it, and through its wall."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from volscan.geometry import Envelope, TubeFrame
from volscan.kernels.throat import widest_crossing
from volscan.pores.domain import PoreDomain
from volscan.pores.solid import Solid
from volscan.pores.throats import LEVELS, MOST_NODES, whole_levels

F32 = NDArray[np.float32]


def tube_domain(tube: TubeFrame, envelope: Envelope) -> PoreDomain:
    """Return the unrolled shell as the box that throats refer to."""
    low, high = envelope.outline_um.min(axis=0), envelope.outline_um.max(axis=0)
    return PoreDomain(
        (float(low[0]), float(low[1]), envelope.base_um),
        (float(high[0] - low[0]), tube.turn_um, envelope.top_um - envelope.base_um),
        0.0,
    )


def tube_throats(
    solid: Solid, radius_um: F32, tube: TubeFrame, domain: PoreDomain
) -> dict[str, float]:
    """Return the throat diameter along x (the axis), y (around) and h (outward) in µm.

    Spheres are those of the scan, at their true size; only the way they take is told on the
    sheet, whose nodes hold the sphere of the scan's voxel they fall into. Along x and around, the
    inner and outer surfaces count as solid; the ends never do. 0 where no sphere crosses.

    Parameters
    ----------
    solid
        The solid, for the working grid's spacing and origin.
    radius_um
        Largest sphere centred in each working voxel's box.
    tube, domain
        The tube, and the box on its sheet.
    """
    x0, y0, h0 = domain.origin_um
    length, turn, height = domain.size_um
    step = max(min(solid.spacing_um), (length * turn * height / MOST_NODES) ** (1 / 3))
    nx, ny, nh = (max(1, round(size / step)) for size in (length, turn, height))
    along = x0 + (np.arange(nx) + 0.5) * length / nx
    around = y0 + (np.arange(ny) + 0.5) * turn / ny
    up = h0 + (np.arange(nh) + 0.5) * height / nh
    sheet = np.zeros((nh, ny, nx), np.float32)
    plane = np.stack(np.broadcast_arrays(along[None, :], around[:, None], 0.0), axis=-1)
    limit = np.array(radius_um.shape) - 1
    for k, h in enumerate(up):
        place = (tube.to_scan(plane + np.array([0.0, 0.0, h])) - solid.origin_um) / np.asarray(
            solid.spacing_um
        )
        index = np.rint(place).astype(np.intp)
        seen = ((index >= 0) & (index <= limit)).all(axis=-1)
        z, y, x = np.moveaxis(index.clip(0, limit), -1, 0)
        sheet[k] = np.where(seen, radius_um[z, y, x], 0.0)
    room = np.minimum(up - h0, h0 + height - up).astype(np.float32)[:, None, None]
    return {
        **_widest(sheet, {"h": 0}),
        **_widest(np.minimum(sheet, room), {"y": 1, "x": 2}),
    }


def _widest(sheet: F32, axes: dict[str, int]) -> dict[str, float]:
    widest = float(sheet.max(initial=0.0))
    if widest <= 0:
        return dict.fromkeys(axes, 0.0)
    unit = widest / LEVELS
    level = whole_levels(sheet, unit)
    return {name: 2.0 * unit * widest_crossing(level, axis=k) for name, k in axes.items()}
