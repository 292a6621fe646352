"""Sums over concentric rings, slice by slice."""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray


def ring_sums(
    values: NDArray[np.float32],
    counted: NDArray[np.bool_],
    *,
    bins: NDArray[np.int32],
    sectors: NDArray[np.uint8],
    n_bins: int,
    n_sectors: int,
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Sum values over rings, each slice and each sector apart.

    Parameters
    ----------
    values, counted
        (z, y, x) samples, and which of them count.
    bins, sectors
        (y, x) ring of each voxel, 0 to `n_bins` - 1, and its sector, 0 to `n_sectors` - 1.
    n_bins, n_sectors
        Number of rings, and of sectors.

    Returns
    -------
    tuple
        Sums (float64) and counts (int64), each (z, n_sectors, n_bins).
    """
    sums = np.zeros((values.shape[0], n_sectors, n_bins))
    counts = np.zeros((values.shape[0], n_sectors, n_bins), np.int64)
    _sum(values, counted, bins, sectors, sums, counts)
    return sums, counts


@njit(cache=True, parallel=True, nogil=True)
def _sum(values, counted, bins, sectors, sums, counts):  # type: ignore[no-untyped-def]  # pragma: no cover
    nz, ny, nx = values.shape
    for z in prange(nz):
        for y in range(ny):
            for x in range(nx):
                if counted[z, y, x]:
                    h, b = sectors[y, x], bins[y, x]
                    sums[z, h, b] += values[z, y, x]
                    counts[z, h, b] += 1


def subtract_rings(
    values: NDArray[np.float32], profile: NDArray[np.float32], place: NDArray[np.float32]
) -> None:
    """Subtract each slice's ring profile (z, n), read at `place` (y, x) by linear interpolation."""
    _subtract(values, profile, place)


@njit(cache=True, parallel=True, nogil=True)
def _subtract(values, profile, place):  # type: ignore[no-untyped-def]  # pragma: no cover
    nz, ny, nx = values.shape
    last = profile.shape[1] - 1
    for z in prange(nz):
        for y in range(ny):
            for x in range(nx):
                p = min(max(place[y, x], np.float32(0.0)), np.float32(last))
                i = min(int(p), last - 1)
                w = p - np.float32(i)
                values[z, y, x] -= (np.float32(1.0) - w) * profile[z, i] + w * profile[z, i + 1]
