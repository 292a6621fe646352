"""A column of discs blurred by a point spread: the model that cross-sections are compared with.

The union of the discs is drawn row by row as one interval; the point spread is a mixture of two
separable Gaussians, so each row's part in a value is an error function across times a Gaussian
up.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

F64 = NDArray[np.float64]

_SQRT2 = math.sqrt(2.0)
_SQRT2PI = math.sqrt(2.0 * math.pi)
# Rows farther away than this many standard deviations add less than 1e-4.
_REACH = 4.0
# The error function from a table: linear between 1/256 steps is good to 2e-6.
_TABLE_STEPS = 256.0
_TABLE_END = 4.0
_ERF = np.array([math.erf(i / _TABLE_STEPS) for i in range(int(_TABLE_END * _TABLE_STEPS) + 2)])


@njit(cache=True, fastmath=True, nogil=True, inline="always")
def _erf(x, table):  # type: ignore[no-untyped-def]
    a = abs(x)
    if a >= _TABLE_END:
        v = 1.0
    else:
        q = a * _TABLE_STEPS
        i = int(q)
        v = table[i] + (q - i) * (table[i + 1] - table[i])
    return v if x >= 0 else -v


@njit(cache=True, fastmath=True, nogil=True)
def row_intervals(  # type: ignore[no-untyped-def]
    centre_n, centre_h, radius_n, radius_h, h_start, row_step, left, right, owner_left, owner_right
):
    """Fill left/right with the union's interval in each row, and which disc bounds it.

    An empty row has left > right.
    """
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
                if centre_n[k] - half < left[i]:
                    left[i] = centre_n[k] - half
                    owner_left[i] = k
                if centre_n[k] + half > right[i]:
                    right[i] = centre_n[k] + half
                    owner_right[i] = k


# Serial on purpose: a call lasts a millisecond or two, less than waking threads costs under load.
@njit(cache=True, fastmath=True, nogil=True)
def _values(  # type: ignore[no-untyped-def]
    n, h, left, right, h_start, row_step, sigma_n, sigma_h, share, widening, table
):
    out = np.zeros(n.size)
    parts = 2 if share > 1e-4 else 1
    for q in range(n.size):
        value = 0.0
        for part in range(parts):
            weight = share if part == 1 else 1.0 - share
            factor = widening if part == 1 else 1.0
            sn = 1.0 / (_SQRT2 * sigma_n * factor)
            sh = sigma_h * factor
            i0 = max(0, int((h[q] - _REACH * sh - h_start) / row_step))
            i1 = min(left.size, int((h[q] + _REACH * sh - h_start) / row_step) + 1)
            total = 0.0
            for i in range(i0, i1):
                if right[i] > left[i]:
                    dy = (h_start + (i + 0.5) * row_step - h[q]) / sh
                    across = _erf((n[q] - left[i]) * sn, table) - _erf(
                        (n[q] - right[i]) * sn, table
                    )
                    total += 0.5 * across * math.exp(-0.5 * dy * dy)
            value += weight * total * row_step / (_SQRT2PI * sh)
        out[q] = value
    return out


@njit(cache=True, fastmath=True, nogil=True)
def _jacobian(  # type: ignore[no-untyped-def]
    n,
    h,
    centre_h,
    radius_n,
    radius_h,
    left,
    right,
    owner_left,
    owner_right,
    h_start,
    row_step,
    sigma_n,
    sigma_h,
    share,
    widening,
    out,
):
    parts = 2 if share > 1e-4 else 1
    for q in range(n.size):
        for part in range(parts):
            weight = share if part == 1 else 1.0 - share
            factor = widening if part == 1 else 1.0
            sn = sigma_n * factor
            sh = sigma_h * factor
            scale = weight * row_step / (_SQRT2PI * sh) / (_SQRT2PI * sn)
            i0 = max(0, int((h[q] - _REACH * sh - h_start) / row_step))
            i1 = min(left.size, int((h[q] + _REACH * sh - h_start) / row_step) + 1)
            for i in range(i0, i1):
                if right[i] <= left[i]:
                    continue
                row = h_start + (i + 0.5) * row_step
                dy = (row - h[q]) / sh
                up = scale * math.exp(-0.5 * dy * dy)
                for side in range(2):
                    if side == 0:
                        k = owner_left[i]
                        d = (n[q] - left[i]) / sn
                        outward = up * math.exp(-0.5 * d * d)
                        sign = -1.0
                    else:
                        k = owner_right[i]
                        d = (n[q] - right[i]) / sn
                        outward = up * math.exp(-0.5 * d * d)
                        sign = 1.0
                    # The chord's ends run off steeply near a disc's top: the floor is the mean
                    # over a row there.
                    y = (row - centre_h[k]) / radius_h[k]
                    chord = math.sqrt(max(1.0 - y * y, 0.5 * row_step / radius_h[k]))
                    # d(half chord)/d(centre_h) and /d(radius) with radius_h in proportion.
                    out[q, 3 * k] += sign * outward
                    out[q, 3 * k + 1] += outward * radius_n[k] / radius_h[k] * y / chord
                    out[q, 3 * k + 2] += outward / chord


def _drawn(
    centre_n: F64, centre_h: F64, radius_n: F64, radius_h: F64, row_step: float
) -> tuple[float, F64, F64, tuple[NDArray[np.int64], NDArray[np.int64]]]:
    h_start = float(np.min(centre_h - radius_h)) - row_step
    h_end = float(np.max(centre_h + radius_h)) + row_step
    rows = int((h_end - h_start) / row_step) + 1
    left, right = np.empty(rows), np.empty(rows)
    owners = np.zeros(rows, np.int64), np.zeros(rows, np.int64)
    row_intervals(centre_n, centre_h, radius_n, radius_h, h_start, row_step, left, right, *owners)
    return h_start, left, right, owners


def column_values(
    n: F64,
    h: F64,
    centre_n: F64,
    centre_h: F64,
    radius_n: F64,
    radius_h: F64,
    *,
    sigma_n: float,
    sigma_h: float,
    share: float,
    widening: float,
    row_step: float,
) -> F64:
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
    h_start, left, right, _ = _drawn(centre_n, centre_h, radius_n, radius_h, row_step)
    values: F64 = _values(
        n, h, left, right, h_start, row_step, sigma_n, sigma_h, share, widening, _ERF
    )
    return values


def column_jacobian(
    n: F64,
    h: F64,
    centre_n: F64,
    centre_h: F64,
    radius_n: F64,
    radius_h: F64,
    *,
    sigma_n: float,
    sigma_h: float,
    share: float,
    widening: float,
    row_step: float,
) -> F64:
    """Return (points, 3 × discs): d(value)/d(centre_n, centre_h, radius_n) of each disc in turn.

    `radius_h` is taken to follow `radius_n` in proportion. Rows of a sixtieth of the radius make
    it good to a tenth (heights are the worst): a descent needs no more.
    """
    h_start, left, right, owners = _drawn(centre_n, centre_h, radius_n, radius_h, row_step)
    out = np.zeros((n.size, 3 * centre_n.size))
    _jacobian(
        n,
        h,
        centre_h,
        radius_n,
        radius_h,
        left,
        right,
        *owners,
        h_start,
        row_step,
        sigma_n,
        sigma_h,
        share,
        widening,
        out,
    )
    return out
