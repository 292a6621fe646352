"""Cross-sections of parallel fibres gathered straight from the voxels, without resampling.

Every voxel near a wall adds its value, and its exact position, to a bin of the cross-section.
A model is then compared at the mean position of each bin's voxels, so that neither interpolation
blur nor the alignment of bins and voxels enters.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange

# Channels of a bin: number of voxels, sum of fractions, sums of across and height positions,
# sum of positions along the wall.
CHANNELS = 5


@njit(cache=True, parallel=True, fastmath=True, nogil=True)
def sums_along_lines(image, rows, slopes):  # type: ignore[no-untyped-def]
    """Return (slopes, columns): sums of an image along leaning lines, linear between columns.

    Parameters
    ----------
    image
        (heights, columns).
    rows
        Height of each row from the line's middle, in bins.
    slopes
        Columns a line moves for each bin of height.

    Returns
    -------
    A line that leaves the image gathers nothing there.
    """
    height, width = image.shape
    out = np.zeros((slopes.size, width))
    for k in prange(slopes.size):
        line = out[k]
        for i in range(height):
            shift = slopes[k] * rows[i]
            whole = int(np.floor(shift))
            part = shift - whole
            row = image[i]
            first = max(0, -whole)
            last = min(width, width - 1 - whole)
            for j in range(first, last):
                line[j] += (1.0 - part) * row[j + whole] + part * row[j + whole + 1]
    return out


@njit(cache=True, parallel=True, fastmath=True, nogil=True)
def section_image(  # type: ignore[no-untyped-def]
    fraction, spacing, n_axis, h_axis, n0, h0, step, shape
):
    """Return (sum, count) images over (height, across) of a whole volume seen along one direction.

    `n_axis` and `h_axis` are unit vectors [z, y, x]; bins of `step` µm start at (h0, n0).
    """
    nz, ny, nx = fraction.shape
    threads = 8
    total = np.zeros((threads, shape[0], shape[1]))
    count = np.zeros((threads, shape[0], shape[1]))
    for t in prange(threads):
        for z in range(t, nz, threads):
            for y in range(ny):
                row = fraction[z, y]
                n = z * spacing[0] * n_axis[0] + y * spacing[1] * n_axis[1] - n0
                h = z * spacing[0] * h_axis[0] + y * spacing[1] * h_axis[1] - h0
                dn = spacing[2] * n_axis[2]
                dh = spacing[2] * h_axis[2]
                for x in range(nx):
                    i = int(np.floor((h + x * dh) / step))
                    j = int(np.floor((n + x * dn) / step))
                    if 0 <= i < shape[0] and 0 <= j < shape[1]:
                        total[t, i, j] += row[x]
                        count[t, i, j] += 1.0
    return total.sum(axis=0), count.sum(axis=0)


@njit(cache=True, parallel=True, fastmath=True, nogil=True)
def wall_sections(  # type: ignore[no-untyped-def]
    fraction,
    near,
    other_bits,
    spacing,
    axes,
    position,
    slope,
    half_width,
    h_range,
    s_start,
    s_step,
    segments,
    step,
):
    """Gather every wall's cross-section in segments along it.

    Parameters
    ----------
    fraction
        (z, y, x) polymer fraction.
    near
        (z, y, x) uint8; a voxel whose value shares a bit with `other_bits` is left out: it lies
        near a fibre of another family.
    axes
        (3, 3): rows are the unit vectors along the wall, across it and up, each [z, y, x].
    position, slope
        (walls,) across position of each wall at height 0 and its lean dn/dh.
    half_width
        Half the width gathered on either side of a wall.
    h_range
        Lowest and highest height gathered.
    s_start, s_step, segments
        (walls,) start and length of a segment along each wall; their number.
    step
        Bin size across and up.

    Returns
    -------
    (walls, segments, heights, across, CHANNELS) float64: bins across are relative to the wall's
    own leaning line, the position sums too.
    """
    nz, ny, nx = fraction.shape
    walls = position.size
    n_bins = int(np.ceil(2 * half_width / step))
    h_bins = int(np.ceil((h_range[1] - h_range[0]) / step))
    out = np.zeros((walls, segments, h_bins, n_bins, 5))
    a, n, h = axes[0], axes[1], axes[2]
    for w in prange(walls):
        g1 = spacing[2] * (n[2] - slope[w] * h[2])
        for z in range(nz):
            pz = z * spacing[0]
            for y in range(ny):
                py = y * spacing[1]
                s0 = pz * a[0] + py * a[1]
                h0 = pz * h[0] + py * h[1]
                g0 = pz * n[0] + py * n[1] - position[w] - slope[w] * h0
                if abs(g1) < 1e-9:
                    if abs(g0) >= half_width:
                        continue
                    x0, x1 = 0, nx
                else:
                    e0 = (-half_width - g0) / g1
                    e1 = (half_width - g0) / g1
                    x0 = max(0, int(np.ceil(min(e0, e1))))
                    x1 = min(nx, int(np.floor(max(e0, e1))) + 1)
                for x in range(x0, x1):
                    if near[z, y, x] & other_bits:
                        continue
                    px = x * spacing[2]
                    hv = h0 + px * h[2]
                    if hv < h_range[0] or hv >= h_range[1]:
                        continue
                    sv = s0 + px * a[2]
                    k = int(np.floor((sv - s_start[w]) / s_step[w]))
                    if k < 0 or k >= segments:
                        continue
                    g = g0 + x * g1
                    j = int((g + half_width) / step)
                    i = int((hv - h_range[0]) / step)
                    if j < 0 or j >= n_bins or i >= h_bins:
                        continue
                    bin_ = out[w, k, i, j]
                    bin_[0] += 1.0
                    bin_[1] += fraction[z, y, x]
                    bin_[2] += g
                    bin_[3] += hv
                    bin_[4] += sv
    return out


@njit(cache=True, nogil=True)
def mark_near_line(  # type: ignore[no-untyped-def]
    near, bit, spacing, start, end, radius
):
    """Set `bit` in every voxel of `near` closer than `radius` µm to the segment start-end.

    `start` and `end` are scan positions [z, y, x] in µm.
    """
    nz, ny, nx = near.shape
    d = end - start
    length2 = d[0] * d[0] + d[1] * d[1] + d[2] * d[2]
    lo = np.minimum(start, end) - radius
    hi = np.maximum(start, end) + radius
    z0 = max(0, int(np.ceil(lo[0] / spacing[0])))
    z1 = min(nz, int(np.floor(hi[0] / spacing[0])) + 1)
    y0 = max(0, int(np.ceil(lo[1] / spacing[1])))
    y1 = min(ny, int(np.floor(hi[1] / spacing[1])) + 1)
    r2 = radius * radius
    for z in range(z0, z1):
        for y in range(y0, y1):
            # Distance to an infinite line along x is a parabola in x: solve for the interval.
            q0 = z * spacing[0] - start[0]
            q1 = y * spacing[1] - start[1]
            # |q|^2 - (q.d)^2/L2 <= r2 with q2 = x - start2
            b = q0 * d[0] + q1 * d[1]
            aa = 1.0 - d[2] * d[2] / length2
            bb = -2.0 * b * d[2] / length2
            cc = q0 * q0 + q1 * q1 - b * b / length2 - r2
            if aa < 1e-12:
                if cc > 0:
                    continue
                x0, x1 = lo[2], hi[2]
            else:
                disc = bb * bb - 4.0 * aa * cc
                if disc < 0:
                    continue
                root = np.sqrt(disc)
                x0 = max(lo[2], start[2] + (-bb - root) / (2.0 * aa))
                x1 = min(hi[2], start[2] + (-bb + root) / (2.0 * aa))
            i0 = max(0, int(np.ceil(x0 / spacing[2])))
            i1 = min(nx, int(np.floor(x1 / spacing[2])) + 1)
            for x in range(i0, i1):
                along = b + (x * spacing[2] - start[2]) * d[2]
                if -radius * np.sqrt(length2) <= along <= length2 + radius * np.sqrt(length2):
                    near[z, y, x] |= bit


@njit(cache=True, nogil=True)
def mark_near_polyline(near, bit, spacing, line, radius):  # type: ignore[no-untyped-def]
    """Set `bit` in every voxel of `near` closer than `radius` µm to a polyline (m, 3) [z, y, x]."""
    for i in range(line.shape[0] - 1):
        mark_near_line(near, bit, spacing, line[i], line[i + 1], radius)
