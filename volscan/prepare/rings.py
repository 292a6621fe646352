"""Ring artefacts: found in the air of a scan and subtracted everywhere.

A faulty detector pixel draws a circle about the rotation axis (slices run along that axis). The
air tells its height: the mean over each ring, in every slice, of voxels far from anything solid,
freed from what changes slowly with the radius. Rings are told from noise by two halves of the
circle, cut into alternating sectors: a ring is the same in both, noise is not, whatever its own
correlation. What is subtracted is the mean shrunk by signal / (signal + noise) as the two halves
tell it (Wiener's factor), so that noise is not drawn into rings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, uniform_filter1d

from volscan.kernels.rings import ring_sums, subtract_rings

FloatArray = NDArray[np.float64]

# Two rings a voxel: wider ones would smear rings of single pixels, narrower ones hold less air.
_BINS_PER_VOXEL = 2
_SECTORS = 16
# Rings common to all slices are seen best, then those of blocks of so many slices.
_BLOCKS = (16, 4, 1)
# A ring is narrower than this many voxels; what changes more slowly is drift or the blur's tail.
_WIDEST_RING, _WIDEST_TOLD = 24, 6
# A half-ring of fewer voxels says nothing of its own.
_LEAST_VOXELS = 6
# Rings are told where the halves agree by this many standard errors: the search over some two
# hundred axes reaches 3.5 by chance, and noise is not quite normal.
_SURE = 6.0
# Below this share of the contrast rings are left alone, as drift is (background.py).
_SMALLEST_RINGS = 0.004
# Voxels about the middle of the field, and about the place where gradients meet, that are tried
# as the rotation axis.
_SEARCH = 4


# Places of the mean slice on which axes are tried.
_PLACES_TRIED = 20_000


@dataclass(frozen=True)
class Rings:
    """What was removed: standard deviation as a share of the contrast, and the axis (y, x)."""

    strength: float
    centre: tuple[float, float]
    share_of_slice: float


def remove_rings(fraction: NDArray[np.float32], far_air: NDArray[np.bool_]) -> Rings | None:
    """Subtract rings about an axis along z, in place; None, and nothing changed, without any.

    Parameters
    ----------
    fraction
        (z, y, x) polymer fraction; changed in place.
    far_air
        (z, y, x) voxels that are surely air.

    Notes
    -----
    Air is needed at a radius to see its ring: circles that lie in solid for most of their length
    keep theirs. Rings about an axis that is not along z, or arcs, are not looked for. An axis
    farther from the middle of the field than four voxels is found from the gradients of the mean
    slice, which takes rings well above its noise.
    """
    if min(fraction.shape[1:]) < 24:
        return None
    mean, count = _mean_over_slices(fraction, far_air)
    # Axes are tried on a share of the places: each ring still meets hundreds of them.
    every = max(1, math.ceil(math.sqrt(mean.size / _PLACES_TRIED)))
    some = mean[::every, ::every], count[::every, ::every]
    best = max(_candidates(mean, count), key=lambda c: _tried(*some, c, every)[0])
    if _tried(mean, count, best)[1] < 3.0:
        return None
    best = max(
        (
            (best[0] + dy, best[1] + dx)
            for dy in (-0.5, -0.25, 0.0, 0.25, 0.5)
            for dx in (-0.5, -0.25, 0.0, 0.25, 0.5)
        ),
        key=lambda c: _tried(mean, count, c)[0],
    )
    place, bins, sectors = _polar(fraction.shape[1:], best)
    n = int(bins.max()) + 1
    sums, counts = ring_sums(
        fraction, far_air, bins=bins, sectors=sectors, n_bins=n, n_sectors=_SECTORS
    )
    profile = np.zeros((fraction.shape[0], n))
    strength = 0.0
    for slices in (fraction.shape[0], *_BLOCKS):
        starts = np.arange(0, fraction.shape[0], slices)
        left = sums - profile[:, None] * counts
        told, signal = _told(np.add.reduceat(left, starts), np.add.reduceat(counts, starts))
        profile += np.repeat(told, np.diff([*starts, fraction.shape[0]]), axis=0)
        strength = math.hypot(strength, signal)
    if strength == 0.0:
        return None
    subtract_rings(fraction, profile.astype(np.float32), place)
    seen = counts.sum(axis=(0, 1)) >= 2 * _LEAST_VOXELS
    area = np.bincount(bins.ravel(), minlength=n)
    return Rings(strength, best, float(area[seen].sum() / area.sum()))


def _mean_over_slices(
    fraction: NDArray[np.float32], far_air: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Return the mean over z of the air above each place (y, x), and of how many voxels."""
    total = np.zeros(fraction.shape[1:])
    count = np.zeros(fraction.shape[1:])
    for values, air in zip(fraction, far_air, strict=True):
        np.add(total, values, out=total, where=air)
        count += air
    return total / np.maximum(count, 1), count


def _candidates(mean: FloatArray, count: FloatArray) -> list[tuple[float, float]]:
    """Return axes to try: about the middle of the field, and where the gradients' lines meet."""
    ny, nx = mean.shape
    starts = [((ny - 1) / 2, (nx - 1) / 2)]
    weight = gaussian_filter(count, 1.0)
    gy, gx = np.gradient(gaussian_filter(mean * count, 1.0) / np.maximum(weight, 1e-9))
    y, x = np.mgrid[:ny, :nx].astype(np.float64)
    length = gy**2 + gx**2
    usual = length[count > 0]
    # Edges of the air's mask make gradients that are no ring's.
    top = np.percentile(usual, 90) if usual.size else 0.0
    use = (count >= 0.5 * count.max()) & (length <= top) & (length > 0)
    if np.count_nonzero(use) > 1000:
        g = np.stack([gy[use], gx[use]])
        p = np.stack([y[use], x[use]])
        # The line through p along g: distance of c from it is |g⊥ · (c - p)|.
        across = np.stack([-g[1], g[0]])
        matrix = across @ across.T
        met = np.linalg.solve(matrix, across @ (across * p).sum(axis=0))
        if -ny < met[0] < 2 * ny and -nx < met[1] < 2 * nx:
            starts.append((round(2 * met[0]) / 2, round(2 * met[1]) / 2))
    steps = range(-_SEARCH, _SEARCH + 1)
    return [(cy + dy, cx + dx) for cy, cx in starts for dy in steps for dx in steps]


def _polar(
    shape: tuple[int, ...], centre: tuple[float, float], every: int = 1
) -> tuple[NDArray[np.float32], NDArray[np.int32], NDArray[np.uint8]]:
    """Return each place's radius in ring widths less a half, its ring and its sector."""
    y = every * np.arange(shape[0])[:, None] - centre[0]
    x = every * np.arange(shape[1])[None, :] - centre[1]
    radius = np.hypot(y, x) * _BINS_PER_VOXEL
    turn = np.arctan2(y, x) / (2.0 * math.pi) + 0.5
    sectors = (np.floor(turn * _SECTORS).astype(np.int64) % _SECTORS).astype(np.uint8)
    return (radius - 0.5).astype(np.float32), radius.astype(np.int32), sectors


def _tried(
    mean: FloatArray, count: FloatArray, centre: tuple[float, float], every: int = 1
) -> tuple[float, float]:
    """Return how strong rings of the mean slice are about an axis, and how sure.

    The slice may hold only each `every`-th row and column.
    """
    _, bins, sectors = _polar(mean.shape, centre, every)
    n = int(bins.max()) + 1
    which = ((sectors % 2).astype(np.int64) * n + bins).ravel()
    counts = np.bincount(which, weights=count.ravel(), minlength=2 * n).reshape(1, 2, n)
    sums = np.zeros((1, 2, n))
    sums += np.bincount(which, weights=(mean * count).ravel(), minlength=2 * n).reshape(1, 2, n)
    p, good = _halves(sums, counts, _WIDEST_TOLD)
    return _agreement(p, counts, good)


def _told(sums: FloatArray, counts: NDArray[np.int64]) -> tuple[FloatArray, float]:
    """Return rings (z, n) and their standard deviation where they are sure, else zeros and 0."""
    even_odd = [np.stack([a[:, h::2].sum(axis=1) for h in (0, 1)], axis=1) for a in (sums, counts)]
    profile, signal, sure = _shrunk(even_odd[0], even_odd[1])
    if sure < _SURE or signal < _SMALLEST_RINGS or not _all_around(sums, counts):
        return np.zeros_like(profile), 0.0
    return profile, signal


def _all_around(sums: FloatArray, counts: NDArray[np.int64]) -> bool:
    """Tell rings from bodies, which lie in a few sectors only: most sectors agree with the rest."""
    whole, number = sums.sum(axis=1), counts.sum(axis=1)
    z = []
    for s in range(_SECTORS):
        pair = np.stack([sums[:, s], whole - sums[:, s]], axis=1)
        pair_counts = np.stack([counts[:, s], number - counts[:, s]], axis=1)
        p, good = _halves(pair, pair_counts, _WIDEST_TOLD)
        if np.count_nonzero(good) >= 10:
            product = (p[:, 0] * p[:, 1] * np.sqrt(pair_counts[:, 0] * pair_counts[:, 1]))[good]
            norm = math.sqrt(float(np.sum(product**2)))
            z.append(float(product.sum()) / norm if norm > 0 else 0.0)
    return len(z) >= _SECTORS // 2 and float(np.median(z)) >= 1.0


def _halves(
    sums: FloatArray, counts: NDArray[Any], widest: int
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return both halves' profiles (z, 2, n) without what changes slowly, and where they hold."""
    good: NDArray[np.bool_] = np.asarray((counts >= _LEAST_VOXELS).all(axis=1))
    p = np.where(good[:, None], sums / np.maximum(counts, 1), 0.0)
    size = 2 * widest * _BINS_PER_VOXEL // 2 + 1
    weight = np.where(good, counts.sum(axis=1), 0).astype(np.float64)
    below = uniform_filter1d(weight, size, axis=-1, mode="constant")
    both = (p * weight[:, None]).sum(axis=1) / 2.0
    slow = uniform_filter1d(both, size, axis=-1, mode="constant") / np.maximum(below, 1e-9)
    return np.where(good[:, None], p - slow[:, None], 0.0), good


def _agreement(p: FloatArray, counts: NDArray[Any], good: NDArray[np.bool_]) -> tuple[float, float]:
    """Return the halves' mean product, and that over its standard error without rings."""
    if np.count_nonzero(good) < 20:
        return 0.0, 0.0
    # Noise of a ring's mean falls with the root of its voxels: weighted so, all rings are alike
    # and the few short ones about the axis do not carry the sum.
    weight = np.sqrt(np.asarray(counts, dtype=np.float64))
    both = p * weight
    n = np.count_nonzero(good) / _dependence(both[:, 0] - both[:, 1])
    a, b = both[:, 0][good], both[:, 1][good]
    scale = math.sqrt(float(np.mean(a * a)) * float(np.mean(b * b)) / n)
    product = float(np.mean(a * b))
    signal = product / float(np.mean((weight[:, 0] * weight[:, 1])[good]))
    return signal, product / scale if scale > 0 else 0.0


def _dependence(noise: FloatArray) -> float:
    """Return how many neighbouring rings and slices share their noise.

    The variance of a mean product of two independent series grows by 1 + 2 Σ ρ², ρ their
    autocorrelation (Bartlett's formula); the halves' difference (z, n) holds no rings.
    """
    whole = float(np.mean(noise**2))
    if whole == 0.0:
        return 1.0
    share = 1.0
    for axis in (0, 1):
        length = noise.shape[axis]
        lags = range(1, min(9, length // 2))
        rho = [
            float(
                np.mean(
                    np.take(noise, range(length - k), axis) * np.take(noise, range(k, length), axis)
                )
            )
            / whole
            for k in lags
        ]
        share *= 1.0 + 2.0 * sum(r * r for r in rho)
    return share


def _shrunk(sums: FloatArray, counts: NDArray[np.int64]) -> tuple[FloatArray, float, float]:
    """Return rings (z, n) as far as they are sure, their standard deviation, and how sure."""
    told, good = _halves(sums, counts, _WIDEST_TOLD)
    _, sure = _agreement(told, counts, good)
    p, good = _halves(sums, counts, _WIDEST_RING)
    signal, _ = _agreement(p, counts, good)
    if signal <= 0.0:
        return np.zeros(good.shape), 0.0, sure
    n0, n1 = counts[:, 0].astype(np.float64), counts[:, 1].astype(np.float64)
    n = np.maximum(n0 + n1, 1.0)
    noise = np.mean(((p[:, 0] - p[:, 1]) ** 2 * (n0 * n1 / n))[good])
    both = (p[:, 0] * n0 + p[:, 1] * n1) / n
    weight = np.where(good, signal / (signal + noise / n), 0.0)
    return weight * both, math.sqrt(signal), sure
