"""Solid volume over a plan outline, from closed-form chords of vertical lines through fibres."""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from volscan.phantom.polygon import edge_bands, is_convex

FloatArray = NDArray[np.float64]

# The plane's most even additive sequence: steps 1/g and 1/g², g³ = g + 1 (M. Roberts, 2018,
# "The unreasonable effectiveness of quasirandom sequences"). No line of points ever runs along a
# fibre, which is where a square grid would err.
_G = 1.3247179572447460
_CHUNKS = 16


def mean_solid_height(
    segments: FloatArray,
    *,
    radius: float | FloatArray,
    stretch: float,
    outline: FloatArray,
    base: float,
    top: float,
    lines: int = 2**20,
    slabs: FloatArray | None = None,
) -> tuple[float, float]:
    """Return the mean solid length of vertical lines inside an outline, and its error.

    Parameters
    ----------
    segments
        Centrelines (n, 2, 3) [X, Y, H] in µm.
    radius
        Half the fibres' width: one number, or one for each end of each segment (n, 2); between
        unequal ends a segment is the union of the balls whose radius changes in proportion.
    stretch
        Width over height of their cross-section.
    outline
        Polygon (m, 2), counter-clockwise, that does not cross itself.
    base, top
        Heights between which solid counts.
    lines
        Lines cast over the outline's bounding box.
    slabs
        Heights (m, 2) between which all is solid.

    Returns
    -------
    mean, error
        In µm. The lines fall into 16 successive sets, each evenly spread; the error is the
        standard error of their means, which is conservative because the whole is spread more
        evenly than its parts.
    """
    scaled = np.array(segments, dtype=np.float64)
    scaled[..., 2] *= stretch
    ends = np.ascontiguousarray(np.broadcast_to(np.asarray(radius, np.float64), (len(scaled), 2)))
    layers = np.zeros((0, 2)) if slabs is None else np.asarray(slabs, np.float64) * stretch
    widest = float(ends.max())
    low, high = outline.min(axis=0), outline.max(axis=0)
    cell = max(2 * widest, float((high - low).max()) / 256)
    shape = np.ceil((high - low) / cell).astype(np.int64) + 1
    starts, members = plan_bins(scaled, ends.max(axis=1), low, cell, shape)
    edges = np.roll(outline, -1, axis=0) - outline
    bands = edge_bands(outline)
    sums = np.zeros((_CHUNKS, 2))
    _cast(
        sums, lines, low, high - low, outline, edges, is_convex(outline), bands[0], bands[1],
        scaled, ends, layers, stretch, base, top, cell, shape, starts, members,
    )  # fmt: skip
    means = sums[:, 0] / sums[:, 1]
    mean = float(sums[:, 0].sum() / sums[:, 1].sum())
    return mean, float(means.std(ddof=1) / math.sqrt(_CHUNKS))


def plan_bins(
    segments: FloatArray, radius: FloatArray, low: FloatArray, cell: float, shape: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Which segments may cover which plan cell, as starts and members."""
    counts = np.zeros(int(shape[0] * shape[1]) + 1, dtype=np.int64)
    _list_members(segments, radius, low, cell, shape, counts, np.empty(0, dtype=np.int64), True)
    starts = np.concatenate([[0], np.cumsum(counts[:-1])])
    members = np.empty(int(starts[-1]), dtype=np.int64)
    _list_members(segments, radius, low, cell, shape, starts[:-1].copy(), members, False)
    return starts, members


@njit(cache=True)
def _list_members(  # type: ignore[no-untyped-def]
    segments, radius, low, cell, shape, cursor, members, counting
):
    for s in range(segments.shape[0]):
        reach = radius[s] + cell * 0.7072
        ax, ay = segments[s, 0, 0], segments[s, 0, 1]
        ex, ey = segments[s, 1, 0] - ax, segments[s, 1, 1] - ay
        square = ex * ex + ey * ey
        i0 = max(0, int((min(ax, ax + ex) - radius[s] - low[0]) // cell))
        i1 = min(shape[0] - 1, int((max(ax, ax + ex) + radius[s] - low[0]) // cell))
        j0 = max(0, int((min(ay, ay + ey) - radius[s] - low[1]) // cell))
        j1 = min(shape[1] - 1, int((max(ay, ay + ey) + radius[s] - low[1]) // cell))
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                px = low[0] + (i + 0.5) * cell - ax
                py = low[1] + (j + 0.5) * cell - ay
                t = 0.0
                if square > 0:
                    t = min(1.0, max(0.0, (px * ex + py * ey) / square))
                if math.hypot(px - t * ex, py - t * ey) <= reach:
                    b = i * shape[1] + j
                    if not counting:
                        members[cursor[b]] = s
                    cursor[b] += 1


@njit(cache=True)
def chord(segment, radius, px, py):  # type: ignore[no-untyped-def]
    """Lower and upper end of the vertical line at (px, py) inside a capsule; empty: low > high."""
    ax, ay, az = segment[0, 0], segment[0, 1], segment[0, 2]
    ex, ey, ez = segment[1, 0] - ax, segment[1, 1] - ay, segment[1, 2] - az
    length = math.sqrt(ex * ex + ey * ey + ez * ez)
    ux, uy, uz = ex / length, ey / length, ez / length
    vx, vy = px - ax, py - ay
    low, high = math.inf, -math.inf
    # The two end spheres.
    for end in range(2):
        wx, wy, wz = (vx, vy, az) if end == 0 else (vx - ex, vy - ey, az + ez)
        left = radius * radius - wx * wx - wy * wy
        if left > 0:
            root = math.sqrt(left)
            low, high = min(low, wz - root), max(high, wz + root)
    # The cylinder between them: |w|² - (w·u)² = r² with w = (vx, vy, z).
    flat = vx * ux + vy * uy
    a = 1.0 - uz * uz
    if a > 1e-12:
        b = -flat * uz
        c = vx * vx + vy * vy - flat * flat - radius * radius
        disc = b * b - a * c
        if disc > 0:
            root = math.sqrt(disc)
            z0, z1 = (-b - root) / a, (-b + root) / a
            # Keep the part whose foot lies on the segment: 0 <= flat + z uz <= length.
            if abs(uz) < 1e-12:
                if flat < 0 or flat > length:
                    z0, z1 = math.inf, -math.inf
            else:
                f0, f1 = -flat / uz, (length - flat) / uz
                z0, z1 = max(z0, min(f0, f1)), min(z1, max(f0, f1))
            if z0 < z1:
                low, high = min(low, az + z0), max(high, az + z1)
    return low, high


@njit(cache=True)
def cone_chord(segment, r0, r1, px, py):  # type: ignore[no-untyped-def]
    """Lower and upper end of a vertical line inside the union of balls along a segment.

    At t from the first end the ball's ends on the line are z(t) ∓ sqrt(q(t)), with q quadratic
    in t. Both ends of the whole are stationary there or belong to the first or last ball:
    z' = ∓ q' / (2 sqrt(q)) gives one quadratic for both.
    """
    ax, ay, az = segment[0, 0], segment[0, 1], segment[0, 2]
    ex, ey, ez = segment[1, 0] - ax, segment[1, 1] - ay, segment[1, 2] - az
    length = math.sqrt(ex * ex + ey * ey + ez * ez)
    vx, vy = px - ax, py - ay
    around = vx * vx + vy * vy
    low, high = math.inf, -math.inf
    if length == 0.0:
        left = max(r0, r1) ** 2 - around
        if left > 0:
            low, high = az - math.sqrt(left), az + math.sqrt(left)
        return low, high
    ux, uy, uz = ex / length, ey / length, ez / length
    k = (r1 - r0) / length
    a = k * k - (1.0 - uz * uz)
    b = r0 * k + vx * ux + vy * uy
    c = r0 * r0 - around
    t0, t1 = 0.0, length
    if a != uz * uz:
        rest = (b * b - uz * uz * c) / (a - uz * uz)
        if abs(a) > 1e-12:
            # A level axis has one root twice; where there is none, any ball of the row will do.
            root = math.sqrt(max(0.0, b * b - a * rest))
            t0, t1 = (-b - root) / a, (-b + root) / a
        elif b != 0.0:
            t0 = t1 = -rest / (2 * b)
    for i in range(4):
        t = 0.0
        if i == 1:
            t = length
        elif i == 2:
            t = min(length, max(0.0, t0))
        elif i == 3:
            t = min(length, max(0.0, t1))
        left = (a * t + 2 * b) * t + c
        if left > 0:
            root = math.sqrt(left)
            low, high = min(low, az + t * uz - root), max(high, az + t * uz + root)
    return low, high


@njit(cache=True)
def _inside(outline, edges, convex, band_starts, band_members, low, size, px, py):  # type: ignore[no-untyped-def]
    """Whether a point lies in a polygon: left of every edge, or behind an odd number of them."""
    if convex:
        for e in range(edges.shape[0]):
            if edges[e, 0] * (py - outline[e, 1]) - edges[e, 1] * (px - outline[e, 0]) < 0:
                return False
        return True
    n_bands = band_starts.shape[0] - 1
    band = min(n_bands - 1, int((py - low[1]) / size[1] * n_bands))
    odd = False
    for i in range(band_starts[band], band_starts[band + 1]):
        e = band_members[i]
        y0 = outline[e, 1]
        y1 = y0 + edges[e, 1]
        if (y0 > py) != (y1 > py) and px < outline[e, 0] + edges[e, 0] * (py - y0) / edges[e, 1]:
            odd = not odd
    return odd


@njit(parallel=True, cache=True)
def _cast(  # type: ignore[no-untyped-def]
    sums, lines, low, size, outline, edges, convex, band_starts, band_members,
    segments, radii, slabs, stretch, base, top, cell, shape, starts, members,
):  # fmt: skip
    n_chunks = sums.shape[0]
    longest = 1
    for b in range(starts.shape[0] - 1):
        longest = max(longest, starts[b + 1] - starts[b])
    longest += slabs.shape[0]
    for chunk in prange(n_chunks):
        lows = np.empty(longest)
        highs = np.empty(longest)
        total, count = 0.0, 0
        for i in range(chunk * lines // n_chunks, (chunk + 1) * lines // n_chunks):
            fx = (0.5 + (i + 1) / _G) % 1.0
            fy = (0.5 + (i + 1) / (_G * _G)) % 1.0
            px, py = low[0] + fx * size[0], low[1] + fy * size[1]
            if not _inside(outline, edges, convex, band_starts, band_members, low, size, px, py):
                continue
            count += 1
            b = int((px - low[0]) // cell) * shape[1] + int((py - low[1]) // cell)
            n = 0
            first = starts[b]
            fibres = starts[b + 1] - first
            for m in range(fibres + slabs.shape[0]):
                if m < fibres:
                    f = members[first + m]
                    if radii[f, 0] == radii[f, 1]:
                        lo, hi = chord(segments[f], radii[f, 0], px, py)
                    else:
                        lo, hi = cone_chord(segments[f], radii[f, 0], radii[f, 1], px, py)
                else:
                    lo, hi = slabs[m - fibres, 0], slabs[m - fibres, 1]
                lo, hi = max(lo, base * stretch), min(hi, top * stretch)
                if lo < hi:
                    # Insertion keeps the intervals sorted by their lower end.
                    k = n
                    while k > 0 and lows[k - 1] > lo:
                        lows[k], highs[k] = lows[k - 1], highs[k - 1]
                        k -= 1
                    lows[k], highs[k] = lo, hi
                    n += 1
            reached = -math.inf
            for k in range(n):
                if highs[k] > reached:
                    total += highs[k] - max(lows[k], reached)
                    reached = highs[k]
        sums[chunk, 0] = total / stretch
        sums[chunk, 1] = count
