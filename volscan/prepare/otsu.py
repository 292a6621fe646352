"""Otsu's threshold, and how it fails when there is little solid."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.filters import threshold_otsu

# More values than this add nothing to a histogram's threshold.
_SAMPLE = 4_000_000


def otsu_threshold(grey: NDArray[Any]) -> float:
    """Return the grey value that parts the histogram with the greatest variance between classes.

    On scans with a few percent of solid and moderate noise this splits the background; the
    caller must check it against independently found anchors.

    References
    ----------
    Otsu 1979, IEEE Trans. SMC 9(1), 62-66.

    Examples
    --------
    >>> round(otsu_threshold(np.repeat([0.0, 10.0], 50).reshape(4, 5, 5)))
    0
    """
    step = max(1, round((grey.size / _SAMPLE) ** (1 / 3)))
    return float(threshold_otsu(np.asarray(grey[::step, ::step, ::step], dtype=np.float64)))
