"""Slow background drift and additive cupping, removed by what the air itself shows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Edge of the blocks whose mean air value is fitted, in voxels.
_BLOCK_VOX = 16
# Drift below this share of the contrast is left alone: it moves porosity by less than its own
# standard uncertainty, and fitting it would only add noise.
_SMALLEST_DRIFT = 0.004


def flatten_air(
    fraction: NDArray[np.float32],
    far_air: NDArray[np.bool_],
    *,
    noise: float,
    correlation_vox: float = 1.0,
) -> tuple[NDArray[np.float32], float | None]:
    """Subtract a second-order surface fitted to air, in place, when it is significant.

    Parameters
    ----------
    fraction
        (z, y, x) polymer fraction; changed in place.
    far_air
        (z, y, x) voxels that are surely air.
    noise
        Standard deviation of a single air voxel, as a fraction of the contrast.
    correlation_vox
        How many neighbouring voxels share their noise.

    Returns
    -------
    tuple
        The fraction, and the drift's range over the scan as a share of the contrast; None when
        nothing was removed.
    """
    positions, means, counts = _block_means(fraction, far_air)
    if means.size < 40:
        return fraction, None
    shape = np.array(fraction.shape, dtype=np.float64)
    terms = _terms(2.0 * positions / shape - 1.0)
    weight = np.sqrt(counts)
    coefficients, *_ = np.linalg.lstsq(terms * weight[:, None], means * weight, rcond=None)
    fitted = terms @ coefficients
    drift = float(fitted.max() - fitted.min())
    # The ten terms' own noise, at its largest in the corners: about four times its mean.
    expected = 4.0 * 2.0 * noise * float(np.sqrt(10.0 * correlation_vox / counts.sum()))
    if drift < max(_SMALLEST_DRIFT, expected):
        return fraction, None
    z, y, x = (2.0 * np.arange(n) / n - 1.0 for n in fraction.shape)
    for k in range(fraction.shape[0]):
        grid = np.stack(
            [np.full((y.size, x.size), z[k]), *np.meshgrid(y, x, indexing="ij")], axis=-1
        )
        surface = _terms(grid.reshape(-1, 3)) @ coefficients
        fraction[k] -= surface.reshape(y.size, x.size).astype(np.float32)
    return fraction, drift


def _terms(p: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the ten second-order terms at points (n, 3) scaled to -1..1."""
    z, y, x = p[:, 0], p[:, 1], p[:, 2]
    one = np.ones_like(z)
    return np.stack([one, z, y, x, z * z, y * y, x * x, z * y, z * x, y * x], axis=1)


def _block_means(
    fraction: NDArray[np.float32], far_air: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the centres (n, 3), mean fractions and voxel counts of blocks with enough air."""
    centres, means, counts = [], [], []
    b = _BLOCK_VOX
    for z in range(0, fraction.shape[0], b):
        for y in range(0, fraction.shape[1], b):
            for x in range(0, fraction.shape[2], b):
                air = far_air[z : z + b, y : y + b, x : x + b]
                n = int(np.count_nonzero(air))
                if n < 256:
                    continue
                values = fraction[z : z + b, y : y + b, x : x + b][air]
                centres.append((z + 0.5 * b, y + 0.5 * b, x + 0.5 * b))
                means.append(float(values.mean(dtype=np.float64)))
                counts.append(float(n))
    return np.array(centres).reshape(-1, 3), np.array(means), np.array(counts)
