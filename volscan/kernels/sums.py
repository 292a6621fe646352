"""One pass over a slab of a scan for every sum that porosity needs."""

from __future__ import annotations

import math

from numba import njit

# Polymer fraction is binned finely over a range that noise of a contrast-to-noise ratio of 3
# rarely leaves (4.5 standard deviations); what does leave it falls into the end bins.
LEVEL_LOW = -1.5
LEVEL_HIGH = 2.5
LEVEL_BINS = 40_000

# Where `totals` keeps its sums.
VOLUME, POLYMER, ABOVE_LEVEL = 0, 1, 2
OUT_BELOW, OUT_ABOVE = 3, 4  # polymer in the extension beyond base and top
EXT_BELOW, EXT_ABOVE = 5, 6  # volume of the extension
FAR_BELOW, FAR_BELOW_VOLUME, FAR_ABOVE, FAR_ABOVE_VOLUME = 7, 8, 9, 10
TOTALS = 11


@njit(cache=True, nogil=True)
def add_slab(  # type: ignore[no-untyped-def]  # pragma: no cover
    fraction,
    inside,
    wider,
    widest,
    axes,
    bins,
    level,
    totals,
    level_counts,
    height_polymer,
    height_volume,
    block_polymer,
    block_volume,
):
    """Add a slab's sums, in voxels.

    `inside`, `wider`, `widest`: coverage of the envelope, of it with its extension, and of the
    latter with the zone that must be air. `axes` (3, 4): rows give height and the two plan-view
    coordinates as a·z + b·y + c·x + d with indices within the slab. `bins`: middle height, base,
    slab height, plan-view corner u and v, block size.
    """
    n_z, n_y, n_x = fraction.shape
    scale = LEVEL_BINS / (LEVEL_HIGH - LEVEL_LOW)
    middle, base, slab = bins[0], bins[1], bins[2]
    slabs = height_volume.size
    reach = 0.5 * (abs(axes[0, 0]) + abs(axes[0, 1]) + abs(axes[0, 2])) / slab
    for q in range(n_z):
        for r in range(n_y):
            h0 = axes[0, 0] * q + axes[0, 1] * r + axes[0, 3]
            u0 = axes[1, 0] * q + axes[1, 1] * r + axes[1, 3]
            v0 = axes[2, 0] * q + axes[2, 1] * r + axes[2, 3]
            for k in range(n_x):
                far = widest[q, r, k]
                if far <= 0:
                    continue
                f = float(fraction[q, r, k])
                cover = float(inside[q, r, k])
                more = float(wider[q, r, k]) - cover
                rest = far - float(wider[q, r, k])
                h = h0 + axes[0, 2] * k
                if more > 0:
                    if h < middle:
                        totals[OUT_BELOW] += more * f
                        totals[EXT_BELOW] += more
                    else:
                        totals[OUT_ABOVE] += more * f
                        totals[EXT_ABOVE] += more
                if rest > 0:
                    if h < middle:
                        totals[FAR_BELOW] += rest * f
                        totals[FAR_BELOW_VOLUME] += rest
                    else:
                        totals[FAR_ABOVE] += rest * f
                        totals[FAR_ABOVE_VOLUME] += rest
                if cover <= 0:
                    continue
                totals[VOLUME] += cover
                totals[POLYMER] += cover * f
                if f >= level:
                    totals[ABOVE_LEVEL] += cover
                at = math.floor((f - LEVEL_LOW) * scale)
                level_counts[min(max(at, 0), LEVEL_BINS - 1)] += cover
                # A voxel is shared out over the slabs that its height reaches into.
                low = max((h - base) / slab - reach, 0.0)
                high = min((h - base) / slab + reach, float(slabs))
                if high <= low:
                    low = min(max(low, 0.0), slabs - 1e-3)
                    high = low + 1e-3
                at = min(int(low), slabs - 1)
                while at < slabs and at < high:
                    part = cover * (min(high, at + 1.0) - max(low, float(at))) / (high - low)
                    height_polymer[at] += part * f
                    height_volume[at] += part
                    at += 1
                i = math.floor((u0 + axes[1, 2] * k - bins[3]) / bins[5])
                j = math.floor((v0 + axes[2, 2] * k - bins[4]) / bins[5])
                i = min(max(i, 0), block_volume.shape[0] - 1)
                j = min(max(j, 0), block_volume.shape[1] - 1)
                block_polymer[i, j] += cover * f
                block_volume[i, j] += cover


@njit(cache=True, nogil=True)
def add_model_slab(  # type: ignore[no-untyped-def]  # pragma: no cover
    share, blurred, smeared, fraction, inside, wider, axis, middle, totals, counts, tails, air, fit
):
    """Add a slab's sums of the drawn fibres.

    `share`, `blurred`, `smeared`: drawn fibres, blurred by the point spread, and by its tail.
    `totals`: drawn polymer inside, beyond the base, beyond the top; blurred polymer beyond base
    and top; smeared polymer beyond base and top. `counts` (tails, n): coverage by the share that
    each weight in `tails` of the tail gives, 0 to 1. `air`: sum and volume of the scan's own
    fraction where no drawn fibre reaches. `fit`: sums for the tail's weight (1, d, d², r, r d)
    with d = smeared - blurred and r = fraction - blurred.
    """
    n_z, n_y, n_x = share.shape
    n = counts.shape[1]
    nothing = 0.0
    for q in range(n_z):
        for r in range(n_y):
            h0 = axis[0] * q + axis[1] * r + axis[3]
            for k in range(n_x):
                reach = float(wider[q, r, k])
                if reach <= 0:
                    continue
                cover = float(inside[q, r, k])
                m, b = float(share[q, r, k]), float(blurred[q, r, k])
                wide = float(smeared[q, r, k])
                totals[0] += cover * m
                if reach > cover:
                    side = 0 if h0 + axis[2] * k < middle else 1
                    totals[1 + side] += (reach - cover) * m
                    totals[3 + side] += (reach - cover) * b
                    totals[5 + side] += (reach - cover) * wide
                if cover <= 0:
                    continue
                d, left = wide - b, float(fraction[q, r, k]) - b
                fit[0] += cover
                fit[1] += cover * d
                fit[2] += cover * d * d
                fit[3] += cover * left
                fit[4] += cover * left * d
                if b < 1e-3:
                    air[0] += cover * left
                    air[1] += cover
                if b * n < 1.0 and wide * n < 1.0:
                    nothing += cover
                    continue
                for w in range(tails.size):
                    at = int((b + tails[w] * d) * n)
                    counts[w, min(max(at, 0), n - 1)] += cover
    for w in range(tails.size):
        counts[w, 0] += nothing


@njit(cache=True, nogil=True)
def add_label_slab(labels, inside, volumes, counts):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Add each label's volume inside the envelope and its voxels anywhere, in voxels."""
    for q in range(labels.shape[0]):
        for r in range(labels.shape[1]):
            for k in range(labels.shape[2]):
                label = labels[q, r, k]
                if label > 0:
                    volumes[label] += inside[q, r, k]
                    counts[label] += 1
