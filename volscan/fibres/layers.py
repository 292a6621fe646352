"""How many fibres stand on each other in a family's walls, and at which heights.

The width of polymer in the mean wall against height is compared with that of N equal discs on
top of each other, for every N that fits between base and top. Where the fibres stand apart the
profile has a tooth a fibre; where they have fused it is nearly flat, and its faint scallops
decide.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from volscan.geometry import FloatArray

# After a quick look at every count this many are fitted out.
_FITTED_OUT = 6
# Fibres of a wall sink into each other by no more than this share of a diameter.
_DEEPEST_OVERLAP = 0.55
# Decimals of a step to which a first look is told; it is good to a hundredth at best.
_DECIMALS = 3


@dataclass(frozen=True)
class Stack:
    """A wall's fibres: heights of their centres, their diameter, and how well that fits."""

    heights_um: FloatArray
    diameter_um: float
    residual: float
    runner_up: float


def find_stack(
    height_um: FloatArray, width_um: FloatArray, *, diameter_um: float, blur_um: float
) -> Stack | None:
    """Return the stack of equal discs whose blurred width profile fits best.

    Parameters
    ----------
    height_um, width_um
        Heights (n,), evenly spaced, and the width of polymer there in the mean wall.
    diameter_um
        First guess of the fibre diameter.
    blur_um
        Standard deviation of the blur along the height.

    Returns
    -------
    Stack or None
        `residual` is the root mean square misfit as a share of the profile's peak, `runner_up`
        that of the best other count.
    """
    # In steps of the profile, and told to a thousandth of one: the unit of length must not send
    # the fits that start from here another way.
    step = float(height_um[1] - height_um[0])
    height, diameter, blur = height_um / step, diameter_um / step, blur_um / step
    peak = float(np.percentile(width_um, 98))
    if peak <= 0:
        return None
    y = width_um / peak
    inside = np.flatnonzero(y > 0.5)
    if inside.size == 0:
        return None
    low = float(height[inside[0]]) - 0.5
    high = float(height[inside[-1]]) + 0.5
    tall = high - low
    most = max(1, int((tall - diameter) / (_DEEPEST_OVERLAP * diameter) + 1.5))
    quick = []
    for count in range(1, most + 1):
        fit = _fit_count(height, y, count, low, high, diameter, blur, evaluations=8)
        if fit is not None:
            quick.append((fit[0], fit[1].size))
    if not quick:
        return None
    quick.sort()
    fits = []
    for _, count in quick[:_FITTED_OUT]:
        fit = _fit_count(height, y, count, low, high, diameter, blur, evaluations=60)
        if fit is not None:
            fits.append(fit)
    fits.sort(key=lambda f: f[0])
    best = fits[0]
    return Stack(
        heights_um=np.round(best[1], _DECIMALS) * step,
        diameter_um=round(best[2], _DECIMALS) * step,
        residual=best[0],
        runner_up=fits[1][0] if len(fits) > 1 else math.inf,
    )


def _fit_count(
    height: FloatArray,
    y: FloatArray,
    count: int,
    low: float,
    high: float,
    diameter: float,
    blur: float,
    *,
    evaluations: int,
) -> tuple[float, FloatArray, float] | None:
    """Fit base, top, diameter, amplitude and blur of a stack of `count` discs."""
    r0 = 0.5 * diameter
    first, last = low + 0.8 * r0, high - 0.8 * r0
    if count == 1:
        first = last = 0.5 * (low + high)
    elif (last - first) / (count - 1) < 0.45 * diameter:
        return None

    def residual(p: FloatArray) -> FloatArray:
        centres = np.linspace(p[0], p[1], count) if count > 1 else np.array([p[0]])
        model = _profile(height, centres, p[2], p[3])
        top = float(model.max())
        if top <= 0:
            return y
        # Amplitude and baseline are linear: solve them outright.
        design = np.stack([model, np.ones_like(model)], axis=1)
        coefficients, *_ = np.linalg.lstsq(design, y, rcond=None)
        return np.asarray(design @ coefficients - y)

    bounds = (
        [low - diameter, low - diameter, 0.7 * r0, 0.5 * blur],
        [high + diameter, high + diameter, 1.35 * r0, 1.6 * blur + 1e-9],
    )
    start = np.array([first, last, r0, blur])
    result = least_squares(
        residual, start, bounds=bounds, max_nfev=evaluations, x_scale=[r0, r0, r0, blur]
    )
    p = result.x
    rms = float(np.sqrt(np.mean(result.fun**2)))
    centres = np.linspace(p[0], p[1], count) if count > 1 else np.array([p[0]])
    return rms, centres, 2.0 * float(p[2])


def _profile(height: FloatArray, centres: FloatArray, radius: float, blur: float) -> FloatArray:
    """Return the blurred chord of a stack of discs at evenly spaced heights."""
    fine = 5
    pad = math.ceil(4.0 * blur) + 1
    rows = height[0] + (np.arange((height.size + 2 * pad) * fine) / fine - pad)
    q = (rows[:, None] - centres[None, :]) / radius
    chord = 2.0 * radius * np.sqrt(np.clip(1.0 - q**2, 0.0, None)).max(axis=1)
    half = math.ceil(4.0 * blur * fine)
    x = np.arange(-half, half + 1) / fine
    kernel = np.exp(-0.5 * (x / blur) ** 2)
    blurred = np.convolve(chord, kernel / kernel.sum(), mode="same")
    return blurred[pad * fine : (pad + height.size) * fine : fine]
