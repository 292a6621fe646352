"""Euler number of a voxel body, counted exactly.

Voxels are closed cubes, so that those that share only an edge or a corner belong together
(26-connected solid, 6-connected pores; the pairing of Kong and Rosenfeld 1989, from memory). Each
corner of the grid counts itself, the three edges, three squares and one cube that start from it:
corners - edges + squares - cubes.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray


@njit(cache=True, parallel=True, nogil=True)
def _count(solid, sums):  # type: ignore[no-untyped-def]
    nz, ny, nx = solid.shape
    for zu in prange(nz + 1):
        z = np.int64(zu)
        total = np.int64(0)
        for y in range(ny + 1):
            for x in range(nx + 1):
                v = 0
                for k in range(8):
                    a, b, c = z - 1 + (k >> 2), y - 1 + ((k >> 1) & 1), x - 1 + (k & 1)
                    if 0 <= a < nz and 0 <= b < ny and 0 <= c < nx and solid[a, b, c]:
                        v |= 1 << k
                if v == 0:
                    continue
                # Bit 4 stands for the upper z, 2 for the upper y, 1 for the upper x.
                total += 1
                total -= (v & 0b11110000) > 0
                total -= (v & 0b11001100) > 0
                total -= (v & 0b10101010) > 0
                total += (v & 0b11000000) > 0
                total += (v & 0b10100000) > 0
                total += (v & 0b10001000) > 0
                total -= (v & 0b10000000) > 0
        sums[z] = total


def euler_number(solid: NDArray[np.bool_]) -> int:
    """Return the Euler number of a 26-connected body; what lies outside the array is void.

    Parameters
    ----------
    solid
        Voxels (z, y, x) of the body.

    Returns
    -------
    int
        Parts - tunnels + closed cavities.

    Examples
    --------
    >>> import numpy as np
    >>> ring = np.ones((1, 3, 3), bool); ring[0, 1, 1] = False
    >>> euler_number(ring), euler_number(np.ones((2, 2, 2), bool))
    (0, 1)
    """
    sums = np.zeros(solid.shape[0] + 1, np.int64)
    _count(np.ascontiguousarray(solid, dtype=bool), sums)
    return int(sums.sum())
