"""Cross-sections of curved walls gathered straight from the voxels, and the plan view.

As for straight walls, every voxel near a wall adds its value and its exact position to a bin;
only that the position is told along and across a polyline in plan view.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange


@njit(cache=True, parallel=True, fastmath=True, nogil=True)
def plan_sums(  # type: ignore[no-untyped-def]
    fraction, spacing, axes, low, high, a0, b0, step, shape
):
    """Return the sum of fractions over (b, a) of all voxels between two heights.

    Parameters
    ----------
    fraction
        (z, y, x) polymer fraction.
    axes
        (3, 3): unit vectors [z, y, x] of the plan axes a and b, and of height.
    low, high
        Heights in µm.
    a0, b0, step
        Where the bins start, and their size, µm.
    shape
        Bins along b and a.
    """
    nz, ny, nx = fraction.shape
    threads = 8
    total = np.zeros((threads, shape[0], shape[1]))
    for t in prange(threads):
        for z in range(t, nz, threads):
            for y in range(ny):
                row = fraction[z, y]
                pz, py = z * spacing[0], y * spacing[1]
                a = pz * axes[0, 0] + py * axes[0, 1] - a0
                b = pz * axes[1, 0] + py * axes[1, 1] - b0
                h = pz * axes[2, 0] + py * axes[2, 1]
                for x in range(nx):
                    px = x * spacing[2]
                    hv = h + px * axes[2, 2]
                    if hv < low or hv >= high:
                        continue
                    i = int(np.floor((b + px * axes[1, 2]) / step))
                    j = int(np.floor((a + px * axes[0, 2]) / step))
                    if 0 <= i < shape[0] and 0 <= j < shape[1]:
                        total[t, i, j] += row[x]
    return total.sum(axis=0)


@njit(cache=True, parallel=True, fastmath=True, nogil=True)
def path_sections(  # type: ignore[no-untyped-def]
    fraction,
    near,
    other_bits,
    spacing,
    axes,
    points,
    starts,
    slope,
    half_width,
    h_range,
    s_start,
    s_step,
    segments,
    step,
):
    """Gather the cross-sections of walls that follow polylines in plan view.

    Parameters
    ----------
    fraction, near, other_bits, spacing
        As for `wall_sections`.
    axes
        (3, 3): rows are the unit vectors [z, y, x] along the family's mean line, across it and up.
    points
        (n, 2): corners of all polylines, in µm along and across, at height 0.
    starts
        (walls + 1,): where each polyline begins in `points`.
    slope
        (walls,) lean: how far a polyline moves across for each unit of height.
    half_width
        Half the width gathered on either side of a polyline.
    h_range
        Lowest and highest height gathered.
    s_start, s_step, segments
        (walls,) arc length at which segments start, their length; their number.
    step
        Bin size across and up.

    Returns
    -------
    (walls, segments, heights, across, 5): voxels, sums of fraction, of place across the polyline
    (left positive), of height and of arc length.
    """
    nz, ny, nx = fraction.shape
    walls = slope.size
    n_bins = int(np.ceil(2 * half_width / step))
    h_bins = int(np.ceil((h_range[1] - h_range[0]) / step))
    out = np.zeros((walls, segments, h_bins, n_bins, 5))
    e, f, g = axes[0], axes[1], axes[2]
    for w in prange(walls):
        first, last = starts[w], starts[w + 1]
        arc = 0.0
        for j in range(first, last - 1):
            ta = points[j + 1, 0] - points[j, 0]
            tb = points[j + 1, 1] - points[j, 1]
            length = np.sqrt(ta * ta + tb * tb)
            if length == 0.0:
                continue
            ta /= length
            tb /= length
            # Neighbouring pieces are parted by the bisectors at their corners.
            m0a, m0b = ta, tb
            if j > first:
                pa = points[j, 0] - points[j - 1, 0]
                pb = points[j, 1] - points[j - 1, 1]
                norm = np.sqrt(pa * pa + pb * pb)
                if norm > 0:
                    m0a, m0b = ta + pa / norm, tb + pb / norm
            m1a, m1b = ta, tb
            if j < last - 2:
                qa = points[j + 2, 0] - points[j + 1, 0]
                qb = points[j + 2, 1] - points[j + 1, 1]
                norm = np.sqrt(qa * qa + qb * qb)
                if norm > 0:
                    m1a, m1b = ta + qa / norm, tb + qb / norm
            lo = np.full(3, 1e30)
            hi = np.full(3, -1e30)
            for end in range(2):
                for side in range(2):
                    for level in range(2):
                        h = h_range[level]
                        # The bisectors lean over by no more than half a width.
                        shift = -half_width if end == 0 else half_width
                        a = points[j + end, 0] + ta * 0.5 * shift
                        b = points[j + end, 1] + tb * 0.5 * shift
                        sign = -half_width if side == 0 else half_width
                        a += -tb * sign
                        b += ta * sign + slope[w] * h
                        for k in range(3):
                            v = a * e[k] + b * f[k] + h * g[k]
                            lo[k] = min(lo[k], v)
                            hi[k] = max(hi[k], v)
            z0, z1 = max(0, int(lo[0] / spacing[0])), min(nz, int(hi[0] / spacing[0]) + 2)
            y0, y1 = max(0, int(lo[1] / spacing[1])), min(ny, int(hi[1] / spacing[1]) + 2)
            x0, x1 = max(0, int(lo[2] / spacing[2])), min(nx, int(hi[2] / spacing[2]) + 2)
            for z in range(z0, z1):
                for y in range(y0, y1):
                    pz, py = z * spacing[0], y * spacing[1]
                    a0 = pz * e[0] + py * e[1] - points[j, 0]
                    b0 = pz * f[0] + py * f[1] - points[j, 1]
                    h0 = pz * g[0] + py * g[1]
                    for x in range(x0, x1):
                        px = x * spacing[2]
                        h = h0 + px * g[2]
                        if h < h_range[0] or h >= h_range[1]:
                            continue
                        a = a0 + px * e[2]
                        b = b0 + px * f[2] - slope[w] * h
                        n = ta * b - tb * a
                        if n <= -half_width or n >= half_width:
                            continue
                        d0 = a * m0a + b * m0b
                        d1 = (ta * length - a) * m1a + (tb * length - b) * m1b
                        if d0 < 0.0 or d1 <= 0.0:
                            continue
                        if near[z, y, x] & other_bits:
                            continue
                        # Bisector vectors differ in length; along the piece they must meet.
                        l0 = m0a * ta + m0b * tb
                        l1 = m1a * ta + m1b * tb
                        d0 /= l0
                        d1 /= l1
                        s = arc + length * d0 / (d0 + d1)
                        k = int(np.floor((s - s_start[w]) / s_step[w]))
                        if k < 0 or k >= segments:
                            continue
                        i = int((h - h_range[0]) / step)
                        c = int((n + half_width) / step)
                        if i >= h_bins or c >= n_bins:
                            continue
                        bin_ = out[w, k, i, c]
                        bin_[0] += 1.0
                        bin_[1] += fraction[z, y, x]
                        bin_[2] += n
                        bin_[3] += h
                        bin_[4] += s
            arc += length
    return out
