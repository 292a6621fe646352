"""Separable Gaussian smoothing with an exact, finite halo (float32)."""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

# The kernel is cut where the Gaussian has fallen to 3e-4 of its peak.
TRUNCATE_SIGMAS = 4.0


def gaussian_weights(sigma_vox: float) -> NDArray[np.float32]:
    """Return normalised Gaussian weights for a width in voxels, centre in the middle."""
    half = max(1, int(np.ceil(TRUNCATE_SIGMAS * sigma_vox)))
    x = np.arange(-half, half + 1, dtype=np.float64)
    w = np.exp(-0.5 * (x / sigma_vox) ** 2)
    return np.asarray(w / w.sum(), dtype=np.float32)


def smooth(
    samples: NDArray[np.float32], *, sigma_vox: tuple[float, float, float]
) -> NDArray[np.float32]:
    """Return the samples smoothed by a Gaussian; beyond the array its edge value goes on.

    Parameters
    ----------
    samples
        Array (z, y, x), float32; not modified.
    sigma_vox
        Standard deviations along z, y, x in voxels; 0 leaves an axis as it is.

    Examples
    --------
    >>> smooth(np.ones((4, 4, 4), np.float32), sigma_vox=(1, 1, 1))[2, 2, 2]
    np.float32(1.0)
    """
    out = np.array(samples, dtype=np.float32, copy=True, order="C")
    z, y, x = out.shape
    if sigma_vox[2] > 0:
        _rows(out.reshape(z * y, x), gaussian_weights(sigma_vox[2]))
    if sigma_vox[1] > 0:
        _columns(out, gaussian_weights(sigma_vox[1]))
    if sigma_vox[0] > 0:
        _columns(out.reshape(1, z, y * x), gaussian_weights(sigma_vox[0]))
    return out


@njit(cache=True, parallel=True, fastmath=True, nogil=True)
def _rows(a, w):  # type: ignore[no-untyped-def]  # pragma: no cover
    half = w.size // 2
    n = a.shape[1]
    for q in prange(a.shape[0]):
        line = np.empty(n + 2 * half, np.float32)
        line[half : half + n] = a[q]
        line[:half] = a[q, 0]
        line[half + n :] = a[q, n - 1]
        row = a[q]
        row[:] = 0.0
        for k in range(w.size):
            part = line[k : k + n]
            wk = w[k]
            for i in range(n):
                row[i] += wk * part[i]


@njit(cache=True, parallel=True, fastmath=True, nogil=True)
def _columns(a, w):  # type: ignore[no-untyped-def]  # pragma: no cover
    # Smooths along axis 1 of (q, n, m): blocks of columns stay in cache.
    half = w.size // 2
    q_n, n, m = a.shape
    block = 256
    blocks = (m + block - 1) // block
    for t in prange(q_n * blocks):
        q = t // blocks
        x0 = (t % blocks) * block
        x1 = min(x0 + block, m)
        work = np.empty((n + 2 * half, x1 - x0), np.float32)
        for i in range(n + 2 * half):
            j = min(max(i - half, 0), n - 1)
            work[i, :] = a[q, j, x0:x1]
        for i in range(n):
            row = a[q, i, x0:x1]
            row[:] = 0.0
            for k in range(w.size):
                part = work[i + k]
                wk = w[k]
                for c in range(row.size):
                    row[c] += wk * part[c]
