"""A column of discs blurred by a point spread: the model that cross-sections are compared with.

The union of the discs is drawn row by row as one interval; the point spread is a mixture of two
separable Gaussians, so each row's part in a value is an error function across times a Gaussian
up.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange

_SQRT2 = math.sqrt(2.0)
_SQRT2PI = math.sqrt(2.0 * math.pi)
# Rows farther away than this many standard deviations add less than 1e-4.
_REACH = 4.0


@njit(cache=True, fastmath=True, nogil=True)
def row_intervals(centre_n, centre_h, radius_n, radius_h, h_start, row_step, left, right):  # type: ignore[no-untyped-def]
    """Fill left/right with the union's interval in each row; an empty row has left > right."""
    left[:] = 1e30
    right[:] = -1e30
    rows = left.size
    for k in range(centre_n.size):
        i0 = max(0, int((centre_h[k] - radius_h[k] - h_start) / row_step - 1))
        i1 = min(rows, int((centre_h[k] + radius_h[k] - h_start) / row_step + 2))
        for i in range(i0, i1):
            y = (h_start + (i + 0.5) * row_step - centre_h[k]) / radius_h[k]
            if abs(y) < 1.0:
                half = radius_n[k] * math.sqrt(1.0 - y * y)
                left[i] = min(left[i], centre_n[k] - half)
                right[i] = max(right[i], centre_n[k] + half)


@njit(cache=True, fastmath=True, nogil=True)
def blurred_at(n, h, left, right, h_start, row_step, sigma_n, sigma_h, share, widening):  # type: ignore[no-untyped-def]
    """Return the blurred union at one point.

    `share` of the point spread is a Gaussian `widening` times as wide.
    """
    value = 0.0
    for part in range(2):
        weight = share if part == 1 else 1.0 - share
        if weight <= 0.0:
            continue
        factor = widening if part == 1 else 1.0
        sn = sigma_n * factor
        sh = sigma_h * factor
        i0 = max(0, int((h - _REACH * sh - h_start) / row_step))
        i1 = min(left.size, int((h + _REACH * sh - h_start) / row_step) + 1)
        total = 0.0
        for i in range(i0, i1):
            if right[i] > left[i]:
                dy = (h_start + (i + 0.5) * row_step - h) / sh
                across = math.erf((n - left[i]) / (_SQRT2 * sn)) - math.erf(
                    (n - right[i]) / (_SQRT2 * sn)
                )
                total += 0.5 * across * math.exp(-0.5 * dy * dy)
        value += weight * total * row_step / (_SQRT2PI * sh)
    return value


@njit(cache=True, fastmath=True, nogil=True, parallel=True)
def column_values(  # type: ignore[no-untyped-def]
    n, h, centre_n, centre_h, radius_n, radius_h, sigma_n, sigma_h, share, widening, row_step
):
    """Return the blurred union of a column of discs at points (n, h).

    Parameters
    ----------
    n, h
        (points,) positions across and up.
    centre_n, centre_h, radius_n, radius_h
        (discs,) centres and half-axes; discs of one wall overlap across wherever they share a
        row.
    sigma_n, sigma_h
        Standard deviations of the narrow part of the point spread across and up.
    share, widening
        Weight of the wide part and how many times wider it is.
    row_step
        Height of the rows in which the union is drawn.
    """
    h_start = np.min(centre_h - radius_h) - row_step
    h_end = np.max(centre_h + radius_h) + row_step
    rows = int((h_end - h_start) / row_step) + 1
    left = np.empty(rows)
    right = np.empty(rows)
    row_intervals(centre_n, centre_h, radius_n, radius_h, h_start, row_step, left, right)
    out = np.empty(n.size)
    for i in prange(n.size):
        out[i] = blurred_at(
            n[i], h[i], left, right, h_start, row_step, sigma_n, sigma_h, share, widening
        )
    return out


@njit(cache=True, fastmath=True, nogil=True, parallel=True)
def column_jacobian(  # type: ignore[no-untyped-def]
    n,
    h,
    first,
    last,
    centre_n,
    centre_h,
    radius,
    flatness,
    sigma_n,
    sigma_h,
    share,
    widening,
    row_step,
    delta,
):
    """Return d(value)/d(centre_n, centre_h, radius) of each disc at its own points.

    Points must be sorted by h; `first[k]:last[k]` are the points that disc k can reach. The
    result is (discs, 3, longest run), central differences of half-width `delta`.
    """
    discs = centre_n.size
    longest = 1
    for k in range(discs):
        longest = max(longest, last[k] - first[k])
    out = np.zeros((discs, 3, longest))
    for k in prange(discs):
        reach = radius[k] * max(1.0, flatness) + 2.0 * row_step
        h_start = centre_h[k] - reach - _REACH * sigma_h * widening - radius[k]
        h_end = centre_h[k] + reach + _REACH * sigma_h * widening + radius[k]
        rows = int((h_end - h_start) / row_step) + 1
        left = np.empty(rows)
        right = np.empty(rows)
        for p in range(3):
            for sign in range(2):
                cn = centre_n.copy()
                ch = centre_h.copy()
                r = radius.copy()
                d = delta if sign == 1 else -delta
                if p == 0:
                    cn[k] += d
                elif p == 1:
                    ch[k] += d
                else:
                    r[k] += d
                row_intervals(cn, ch, r, r * flatness, h_start, row_step, left, right)
                scale = (1.0 if sign == 1 else -1.0) / (2.0 * delta)
                for i in range(first[k], last[k]):
                    out[k, p, i - first[k]] += scale * blurred_at(
                        n[i], h[i], left, right, h_start, row_step, sigma_n, sigma_h, share,
                        widening,
                    )
    return out
