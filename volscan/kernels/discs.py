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
# A row's Gaussian is read from a table with this many places between two rows, linear between
# them: at rows 0.3 standard deviations apart it is good to 0.3² / (8 · 32²) = 1.1e-5.
_PLACES = 32


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


# The loops over rows hold nothing but arithmetic, so that the compiler makes vectors of them; with
# Python's own check for division by zero it would not.
@njit(cache=True, fastmath=True, nogil=True, error_model="numpy")
def _bells(step, reach):  # type: ignore[no-untyped-def]
    """Return (places, rows): the Gaussian at rows `step` standard deviations apart."""
    out = np.empty((_PLACES + 1, 2 * reach + 2))
    for k in range(_PLACES + 1):
        for i in range(2 * reach + 2):
            d = (i - reach - k / _PLACES) * step
            out[k, i] = math.exp(-0.5 * d * d)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _place_of(height, h_start, row_step):  # type: ignore[no-untyped-def]
    """Return the row below a height, its place in the table of bells, and how far past it."""
    at = (height - h_start) / row_step - 0.5
    row = int(np.floor(at))
    f = (at - row) * _PLACES
    k = min(int(f), _PLACES - 1)
    return row, k, f - k


@njit(cache=True, fastmath=True, nogil=True, error_model="numpy")
def _seen(n, sharp, left, right, low, high, f):  # type: ignore[no-untyped-def]
    """Return the sum over rows of bell times chord as seen from `n`.

    The error function is Abramowitz and Stegun's 7.1.28, good to 3e-7.
    """
    total = 0.0
    for i in range(left.size):
        x = (n - left[i]) * sharp
        y = (n - right[i]) * sharp
        a = abs(x)
        b = abs(y)
        a = a if a < 8.0 else 8.0
        b = b if b < 8.0 else 8.0
        p = 0.0002765672 + a * 0.0000430638
        q = 0.0002765672 + b * 0.0000430638
        p = 0.0092705272 + a * (0.0001520143 + a * p)
        q = 0.0092705272 + b * (0.0001520143 + b * q)
        p = 1.0 + a * (0.0705230784 + a * (0.0422820123 + a * p))
        q = 1.0 + b * (0.0705230784 + b * (0.0422820123 + b * q))
        p *= p
        q *= q
        p *= p
        q *= q
        p *= p
        q *= q
        p *= p
        q *= q
        u = 1.0 - 1.0 / p
        v = 1.0 - 1.0 / q
        u = u if x > 0 else -u
        v = v if y > 0 else -v
        total += (low[i] + f * (high[i] - low[i])) * (u - v)
    return total


# Serial on purpose: a call lasts a millisecond, less than waking threads costs under load.
@njit(cache=True, fastmath=True, nogil=True, error_model="numpy")
def _values(  # type: ignore[no-untyped-def]
    n, h, left, right, h_start, row_step, sigma_n, sigma_h, share, widening
):
    out = np.zeros(n.size)
    for part in range(2 if share > 1e-4 else 1):
        weight = share if part == 1 else 1.0 - share
        factor = widening if part == 1 else 1.0
        sharp = 1.0 / (_SQRT2 * sigma_n * factor)
        sh = sigma_h * factor
        reach = int(_REACH * sh / row_step) + 1
        bells = _bells(row_step / sh, reach)
        scale = 0.5 * weight * row_step / (_SQRT2PI * sh)
        for q in range(n.size):
            row, k, f = _place_of(h[q], h_start, row_step)
            i0, i1 = max(0, row - reach), min(left.size, row + reach + 2)
            if i1 > i0:
                j0 = i0 - (row - reach)
                j1 = j0 + i1 - i0
                out[q] += scale * _seen(
                    n[q],
                    sharp,
                    left[i0:i1],
                    right[i0:i1],
                    bells[k, j0:j1],
                    bells[k + 1, j0:j1],
                    f,
                )
    return out


@njit(cache=True, fastmath=True, nogil=True, error_model="numpy")
def _pulls(n, sharp, edge, low, high, f, out):  # type: ignore[no-untyped-def]
    """Fill `out` with what every row's edge, moved by one unit, adds at `n`.

    exp(-t) is one over the sixteenth power of the series of exp(t / 16), good to 1e-5 at t = 1
    and never off by more than 1e-4.
    """
    for i in range(edge.size):
        d = (n - edge[i]) * sharp
        t = 0.5 * d * d
        t = (t if t < 40.0 else 40.0) / 16.0
        p = 1.0 + t * (1.0 + t * (0.5 + t * (1.0 / 6.0)))
        p *= p
        p *= p
        p *= p
        p *= p
        out[i] = (low[i] + f * (high[i] - low[i])) / p


@njit(cache=True, fastmath=True, nogil=True, error_model="numpy")
def _add_rows(pull, owner, sideways, rise, swell, out):  # type: ignore[no-untyped-def]
    """Add the rows' pulls, times how their edge follows each unknown, to their discs."""
    k = owner[0]
    a = b = c = 0.0
    for i in range(pull.size):
        if owner[i] != k:
            out[3 * k] += a
            out[3 * k + 1] += b
            out[3 * k + 2] += c
            a = b = c = 0.0
            k = owner[i]
        a += pull[i] * sideways[i]
        b += pull[i] * rise[i]
        c += pull[i] * swell[i]
    out[3 * k] += a
    out[3 * k + 1] += b
    out[3 * k + 2] += c


@njit(cache=True, fastmath=True, nogil=True, error_model="numpy")
def _jacobian(  # type: ignore[no-untyped-def]
    n,
    h,
    centre_h,
    radius_n,
    radius_h,
    edges,
    owners,
    h_start,
    row_step,
    sigma_n,
    sigma_h,
    share,
    widening,
    out,
):
    rows = edges.shape[1]
    # How an edge follows its disc: across, up, and in radius.
    sideways, rise, swell = np.zeros((2, rows)), np.zeros((2, rows)), np.zeros((2, rows))
    for i in range(rows):
        if edges[1, i] > edges[0, i]:
            for side in range(2):
                k = owners[side, i]
                # The chord's ends run off steeply near a disc's top: the floor is the mean over a
                # row there. `radius_h` follows the radius in proportion.
                y = (h_start + (i + 0.5) * row_step - centre_h[k]) / radius_h[k]
                chord = math.sqrt(max(1.0 - y * y, 0.5 * row_step / radius_h[k]))
                sideways[side, i] = 2.0 * side - 1.0
                rise[side, i] = radius_n[k] / radius_h[k] * y / chord
                swell[side, i] = 1.0 / chord
    pull = np.empty(rows)
    for part in range(2 if share > 1e-4 else 1):
        weight = share if part == 1 else 1.0 - share
        factor = widening if part == 1 else 1.0
        sn, sh = sigma_n * factor, sigma_h * factor
        reach = int(_REACH * sh / row_step) + 1
        bells = _bells(row_step / sh, reach) * (weight * row_step / (2.0 * math.pi * sh * sn))
        for q in range(n.size):
            row, k, f = _place_of(h[q], h_start, row_step)
            i0, i1 = max(0, row - reach), min(rows, row + reach + 2)
            if i1 > i0:
                j0 = i0 - (row - reach)
                low, high = bells[k, j0 : j0 + i1 - i0], bells[k + 1, j0 : j0 + i1 - i0]
                for side in range(2):
                    near = pull[i0:i1]
                    _pulls(n[q], 1.0 / sn, edges[side, i0:i1], low, high, f, near)
                    _add_rows(
                        near,
                        owners[side, i0:i1],
                        sideways[side, i0:i1],
                        rise[side, i0:i1],
                        swell[side, i0:i1],
                        out[q],
                    )


def _drawn(
    centre_n: F64, centre_h: F64, radius_n: F64, radius_h: F64, row_step: float
) -> tuple[float, F64, NDArray[np.int64]]:
    """Return the lowest row's lower side, (2, rows) ends of the rows, and the discs they end on.

    An empty row begins and ends at 0.
    """
    h_start = float(np.min(centre_h - radius_h)) - row_step
    h_end = float(np.max(centre_h + radius_h)) + row_step
    rows = int((h_end - h_start) / row_step) + 1
    edges, owners = np.empty((2, rows)), np.zeros((2, rows), np.int64)
    row_intervals(centre_n, centre_h, radius_n, radius_h, h_start, row_step, *edges, *owners)
    edges[:, edges[0] > edges[1]] = 0.0
    return h_start, edges, owners


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
    h_start, edges, _ = _drawn(centre_n, centre_h, radius_n, radius_h, row_step)
    values: F64 = _values(n, h, *edges, h_start, row_step, sigma_n, sigma_h, share, widening)
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
    h_start, edges, owners = _drawn(centre_n, centre_h, radius_n, radius_h, row_step)
    out = np.zeros((n.size, 3 * centre_n.size))
    _jacobian(
        n,
        h,
        centre_h,
        radius_n,
        radius_h,
        edges,
        owners,
        h_start,
        row_step,
        sigma_n,
        sigma_h,
        share,
        widening,
        out,
    )
    return out
