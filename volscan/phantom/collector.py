"""A flat collector plate under a scaffold: the exact share of each voxel that it fills."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from volscan.phantom.mounting import Mounting

FloatArray = NDArray[np.float64]
Grey = NDArray[np.float32]

# A voxel edge that adds less than this share of the longest to the depth counts as that much:
# the closed form divides by each, and the surface moves by nothing that shows.
_LEAST_EDGE = 1e-3


def plate_share(
    shape: tuple[int, int, int],
    voxel_um: tuple[float, float, float],
    mounting: Mounting,
    *,
    thickness_um: float,
) -> Grey:
    """Return the share of each voxel (z, y, x) between build heights -thickness and 0.

    The plate has no edges in the field of view. Heights inside a voxel are the sum of three
    uniform ones, whose distribution is a closed form (a cut cube's volume).
    """
    up = mounting.h[::-1]
    edges = np.abs(up) * np.array(voxel_um)
    edges = np.maximum(edges, _LEAST_EDGE * edges.max())
    base = float(mounting.to_scan_xyz(np.zeros(3)) @ mounting.h)
    out = np.empty(shape, dtype=np.float32)
    rows = [np.arange(n) * v * u for n, v, u in zip(shape, voxel_um, up, strict=True)]
    across = rows[1][:, None] + rows[2][None, :]
    for z in range(shape[0]):
        height = rows[0][z] + across - base
        out[z] = _below(-height, edges) - _below(-thickness_um - height, edges)
    return out


def _below(t: FloatArray, edges: FloatArray) -> FloatArray:
    """Share of a box of heights, centred on 0 with these three edges, that lies below t."""
    half = float(edges.sum()) / 2
    inner = np.clip(t, -half, half)
    total = np.zeros_like(t)
    for signs in itertools.product((-1.0, 1.0), repeat=3):
        corner = float(np.dot(signs, edges)) / 2
        total += np.prod(signs) * np.maximum(inner + corner, 0.0) ** 3
    return np.asarray(np.clip(total / (6 * float(np.prod(edges))), 0.0, 1.0))
