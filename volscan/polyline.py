"""Polylines as plain arrays: how far along their corners lie, and what lies at a length."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def arc_lengths(points: FloatArray) -> FloatArray:
    """Return how far along a polyline its corners (n, d) lie: (n,), from 0.

    Examples
    --------
    >>> arc_lengths(np.array([[0.0, 0.0], [3.0, 4.0], [3.0, 6.0]]))
    array([0., 5., 7.])
    """
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def at_lengths(values: FloatArray, arc: FloatArray, wanted: FloatArray) -> FloatArray:
    """Return columns (n, d), given at lengths `arc` (n,), at other lengths (m,): (m, d).

    Examples
    --------
    >>> at_lengths(np.array([[0.0, 0.0], [3.0, 4.0]]), np.array([0.0, 5.0]), np.array([2.5]))
    array([[1.5, 2. ]])
    """
    return np.stack([np.interp(wanted, arc, column) for column in values.T], axis=1)
