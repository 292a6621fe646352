"""Point spreads as sums of Gaussians, scaled to a stated width of their line spread.

The line spread (the point spread summed over the two other axes) is what an edge scan shows, so
its full width at half maximum is the width that is stated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import brentq

from volscan.errors import SettingsError

Grey = NDArray[np.float32]

# Rows (weight, width relative to the narrow part), weights summing to 1.
_TWO_GAUSSIANS = ((0.75, 1.0), (0.25, 2.5))

# An exponential tail exp(-|x|/λ) is a Gaussian whose variance is itself exponential with mean
# 2 λ²; three nodes of Gauss-Laguerre quadrature (Abramowitz & Stegun, table 25.9) stand for it.
# λ is 1.2 narrow widths, and each node is widened by the narrow part.
_LAGUERRE = ((0.711093, 0.415775), (0.278518, 2.294280), (0.010389, 6.289945))
_TAIL_SHARE, _TAIL_LENGTH = 0.2, 1.2
_LONG_TAIL = (
    (1 - _TAIL_SHARE, 1.0),
    *((_TAIL_SHARE * w, math.sqrt(1 + 2 * _TAIL_LENGTH**2 * t)) for w, t in _LAGUERRE),
)

_SHAPES: dict[str, tuple[tuple[float, float], ...]] = {
    "gaussian": ((1.0, 1.0),),
    "two_gaussians": _TWO_GAUSSIANS,
    "long_tail": _LONG_TAIL,
}


def components(shape: str) -> tuple[tuple[float, float], ...]:
    """Return rows (weight, standard deviation for a line spread of unit full width at half max).

    Raises
    ------
    SettingsError
        If the shape is unknown.
    """
    if shape not in _SHAPES:
        raise SettingsError(f"psf must be one of {', '.join(_SHAPES)}, got {shape!r}")
    rows = _SHAPES[shape]

    def line_spread(x: float) -> float:
        return sum(w / s * math.exp(-0.5 * (x / s) ** 2) for w, s in rows)

    half = float(brentq(lambda x: line_spread(x) - 0.5 * line_spread(0.0), 0.0, 10.0))
    total = sum(w for w, _ in rows)
    return tuple((w / total, s / (2 * half)) for w, s in rows)


def blur(
    image: Grey,
    fwhm_um: Sequence[float],
    *,
    spacing_um: Sequence[float],
    shape: str,
    goes_on: bool = False,
) -> Grey:
    """Return an image (z, y, x) blurred by a point spread of the given line-spread widths.

    Outside the image there is air (zero), or with `goes_on` what its faces show.
    """
    mode = "nearest" if goes_on else "constant"
    rows = components(shape)
    if max(fwhm_um) == 0:
        return image.copy()
    out = np.zeros_like(image)
    for weight, relative in rows:
        part = image
        for axis in range(3):
            sigma = relative * fwhm_um[axis] / spacing_um[axis]
            if sigma > 0:
                kernel = _kernel(sigma)
                part = ndimage.correlate1d(part, kernel, axis=axis, mode=mode)
        out += np.float32(weight) * part
    return out


def _kernel(sigma: float) -> NDArray[np.float64]:
    """Sampled Gaussian (sigma in voxels) of unit sum, reaching 4.5 standard deviations."""
    reach = max(1, math.ceil(4.5 * sigma))
    x = np.arange(-reach, reach + 1)
    kernel = np.exp(-0.5 * (x / sigma) ** 2)
    return np.asarray(kernel / kernel.sum())
