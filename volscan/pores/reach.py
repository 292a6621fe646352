"""Interconnectivity: what share of the pores a sphere from outside can reach."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.kernels.throat import widest_from_faces
from volscan.pores.paint import painted
from volscan.pores.solid import Solid

F32 = NDArray[np.float32]

PROBES = 24
# Levels of the widest path: finer than a hundredth of a voxel for radii up to 600 voxels.
LEVELS = 60_000


@dataclass(frozen=True)
class Reach:
    """The curve (probe diameter in µm, share of pore volume), and its start: the open share."""

    curve: tuple[tuple[float, float], ...]
    open_share: float


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
    return Reach(curve, float(open_share))


def _weighted(mask: NDArray[np.bool_], coverage: F32 | None) -> float:
    if coverage is None:
        return float(np.count_nonzero(mask))
    return float(sum(coverage[z][mask[z]].sum(dtype=np.float64) for z in range(mask.shape[0])))
