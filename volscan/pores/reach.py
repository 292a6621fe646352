"""Interconnectivity: what share of the pores a sphere from outside can reach."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.kernels.spheres import paint_spheres
from volscan.kernels.throat import widest_from_face, widest_from_faces
from volscan.pores.paint import painted
from volscan.pores.solid import Solid
from volscan.pores.throats import LEVELS, Crossings

F32 = NDArray[np.float32]

Curve = tuple[tuple[float, float], ...]

PROBES = 24
# Faces of the domain's grid (h, y, x): axis, and whether it is the last one.
SIDES = {
    "base": (0, False), "top": (0, True), "y-": (1, False), "y+": (1, True),
    "x-": (2, False), "x+": (2, True),
}  # fmt: skip
# Reach from single sides is painted on so many nodes: its curve is one of shares, not of sizes.
MOST_SIDE_NODES = 700_000


@dataclass(frozen=True)
class Reach:
    """The curve (probe diameter in µm, share of pore volume), and its start: the open share.

    `largest_um` holds for each painted node the largest probe that can cover it.
    """

    curve: Curve
    open_share: float
    largest_um: F32


def reach(
    solid: Solid,
    radius_um: F32,
    offsets: NDArray[np.int8],
    *,
    coverage: F32 | None,
    largest_um: float,
    factor: int,
) -> Reach | None:
    """Return the share of the pore volume that spheres entering from outside can cover.

    The scan's six faces are open: they are the air around the scaffold, or cut faces, which
    count as open. For each voxel the widest path from the faces tells the largest sphere whose
    centre can come there; what that sphere covers, no smaller one misses, so one painting gives
    the whole curve, which can only fall with the probe's diameter.

    Parameters
    ----------
    solid, radius_um, offsets
        The solid and the largest sphere centred in each voxel's box.
    coverage
        Share of each voxel inside the envelope; None for all.
    largest_um
        Largest probe of the curve.
    factor
        As in `painted`; what is open is always found on every voxel.
    """
    cap = 0.5 * largest_um
    step = cap / LEVELS
    level = np.empty(radius_um.shape, np.uint16)
    for z in range(radius_um.shape[0]):
        steps = np.minimum(radius_um[z], np.float32(cap)) / np.float32(step)
        level[z] = np.where(radius_um[z] > 0, np.maximum(steps, 1), 0).astype(np.uint16)
    width = widest_from_faces(level)
    del level
    pore = solid.dist_um > 0
    if coverage is not None:
        pore &= coverage > 0
    volume = _weighted(pore, coverage)
    if volume <= 0:
        return None
    pore &= width > 0
    open_share = _weighted(pore, coverage) / volume
    found = painted(
        width.astype(np.float32) * np.float32(step),
        offsets,
        spacing_um=solid.spacing_um,
        pore=pore,
        coverage=coverage,
        factor=factor,
    )
    probes = np.linspace(0.0, largest_um, PROBES)
    counts = np.zeros(PROBES)
    for covered, weights in zip(found.diameters_um, found.weights, strict=True):
        here = weights > 0
        # Two steps of tolerance: widths are whole steps, cut off.
        place = np.searchsorted(probes, covered[here] + 2 * step, side="right")
        counts += np.bincount(place - 1, weights=weights[here], minlength=PROBES)[:PROBES]
    total = counts.sum()
    shares = np.cumsum(counts[::-1])[::-1] * (open_share / total if total > 0 else 0.0)
    shares[0] = open_share
    curve = tuple((float(p), float(min(s, 1.0))) for p, s in zip(probes, shares, strict=True))
    return Reach(curve, float(open_share), found.diameters_um)


def reach_from_sides(crossings: Crossings, *, largest_um: float) -> dict[str, Curve]:
    """Return the share of the domain's pore volume that spheres entering by one face can cover.

    The other five faces are closed to spheres' centres, so that none goes around outside.

    Parameters
    ----------
    crossings
        The largest sphere in the box of each node of the domain's grid.
    largest_um
        Largest probe of the curves.
    """
    radius, steps = fewer_nodes(crossings.radius_um, crossings.steps_um, most=MOST_SIDE_NODES)
    pore = radius > 0
    count = int(np.count_nonzero(pore))
    if count == 0 or largest_um <= 0:
        return {}
    cap = 0.5 * largest_um
    unit = cap / LEVELS
    level = np.where(pore, np.maximum(np.minimum(radius, cap) / unit, 1), 0).astype(np.uint16)
    probes = np.linspace(0.0, largest_um, PROBES)
    offsets = np.zeros((*radius.shape, 3), np.int8)
    found: dict[str, Curve] = {}
    for name, (axis, last) in SIDES.items():
        width = widest_from_face(level, axis=axis, last=last).astype(np.float32) * np.float32(unit)
        covered = paint_spheres(width, offsets, spacing_um=steps, pore=pore & (width > 0))
        covered = np.sort(covered[covered > 0])
        shares = (covered.size - np.searchsorted(covered, probes - 2 * unit)) / count
        found[name] = tuple((float(p), float(s)) for p, s in zip(probes, shares, strict=True))
    return found


def fewer_nodes(
    radius: F32, steps_um: tuple[float, float, float], *, most: int
) -> tuple[F32, tuple[float, float, float]]:
    """Return the largest sphere of each cube of nodes where there are too many."""
    factor = 1
    while math.prod(-(-n // factor) for n in radius.shape) > most:
        factor += 1
    if factor == 1:
        return radius, steps_um
    pad = [(0, -n % factor) for n in radius.shape]
    padded = np.pad(radius, pad)
    nz, ny, nx = (n // factor for n in padded.shape)
    blocks = padded.reshape(nz, factor, ny, factor, nx, factor)
    hz, hy, hx = (s * factor for s in steps_um)
    return np.ascontiguousarray(blocks.max(axis=(1, 3, 5))), (hz, hy, hx)


def _weighted(mask: NDArray[np.bool_], coverage: F32 | None) -> float:
    if coverage is None:
        return float(np.count_nonzero(mask))
    return float(sum(coverage[z][mask[z]].sum(dtype=np.float64) for z in range(mask.shape[0])))
