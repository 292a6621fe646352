"""Dark rims about edges: phase contrast, or a sharpening filter, recognised and undone.

Behind an object a partly coherent beam spreads, and for one material the tomogram becomes
image - k ∇² image (transport of intensity). Edges are then brighter inside and darker outside than
blur alone could make them: blur never takes the air beside a fibre below the air farther off.
So the mean grey in shells about what is solid tells fringes from blur, and undoing them,
image / (1 + k q²) in the frequency q, with the k at which the shells show no rim any more, tells k.

References
----------
Paganin, D., Mayo, S. C., Gureyev, T. E., Miller, P. R. and Wilkins, S. W. (2002), Journal of
Microscopy 206, 33-40, doi 10.1046/j.1365-2818.2002.01010.x (cited from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import edt
import numpy as np
from numpy.typing import NDArray
from scipy.fft import dctn, idctn

Grey = NDArray[np.float32]
Mask = NDArray[np.bool_]
FloatArray = NDArray[np.float64]

# Shells of one voxel about what is solid: a rim shows in the near ones, the far ones are air.
_NEAR, _FAR = range(1, 7), range(8, 11)
# Edge of the part of the scan in which shells are looked at, voxels.
_PART = 128
_FEWEST = 300
# A rim shallower than this share of the contrast is left alone (the air's own level is known no
# better beside a slow drift); and six standard errors are no noise.
_SHALLOWEST, _SURE = 0.003, 6.0
# One of this share of that depth and of those standard errors is told, not undone: it narrows the
# blur that sections show by up to a seventh (phantoms).
_FAINT = 0.4
U_BLUR_FAINT = 0.1
# Widest k looked for, voxels²: a rim of some five voxels.
_LARGEST = 25.0


@dataclass(frozen=True)
class Fringes:
    """Rim depth as a share of the contrast, and k, voxels²: 0 where they are too faint to undo."""

    rim: float
    k: float

    @property
    def faint(self) -> bool:
        """True when the rim is told and not undone."""
        return self.k == 0.0


def find_fringes(
    fraction: Grey, solid: Mask, left_out: Mask | None, *, noise: float, correlation_vox: float
) -> Fringes | None:
    """Look for dark rims about what is solid; None without.

    Parameters
    ----------
    fraction
        (z, y, x) polymer fraction, its background level.
    solid
        (z, y, x) what is solid.
    left_out
        (z, y, x) voxels of foreign bodies, or None.
    noise, correlation_vox
        Noise of a voxel as a share of the contrast, and how many voxels share it.
    """
    part = _part(solid)
    values = np.ascontiguousarray(fraction[part])
    away = edt.edt(~np.ascontiguousarray(solid[part]), black_border=False, parallel=2)
    shell = np.rint(away).astype(np.int16)
    shell[(away <= 0) | (shell > _FAR[-1])] = 0
    if left_out is not None:
        shell[left_out[part]] = 0
    count = np.bincount(shell.ravel(), minlength=_FAR[-1] + 1)
    if min(count[list(_NEAR)].min(), count[list(_FAR)].sum()) < _FEWEST:
        return None
    rim, u_rim = _rim(values, shell, count, noise=noise, correlation_vox=correlation_vox)
    if rim > -_FAINT * max(_SHALLOWEST, _SURE * u_rim):
        return None
    if rim > -max(_SHALLOWEST, _SURE * u_rim):
        return Fringes(-rim, 0.0)
    rows = dctn(values, type=2, norm="ortho", workers=2)

    def left(k: float) -> float:
        undone = idctn(rows / _gain(values.shape, k), type=2, norm="ortho", workers=2)
        return _rim(undone, shell, count, noise=noise, correlation_vox=correlation_vox)[0]

    return Fringes(-rim, _k_where(left, -0.5 * u_rim))


def undo_fringes(fraction: Grey, k: float) -> Grey:
    """Return the image that image - k ∇² image came from (k in voxels², faces mirrored)."""
    rows = dctn(fraction, type=2, norm="ortho", workers=2)
    for z, layer in enumerate(rows):
        layer /= _gain(fraction.shape, k, z)
    return np.asarray(
        idctn(rows, type=2, norm="ortho", workers=2, overwrite_x=True), dtype=np.float32
    )


def _gain(shape: tuple[int, ...], k: float, z: int | None = None) -> Grey:
    """Return 1 + k q² of the cosine transform's rows: q² of the second difference."""
    q = [2.0 - 2.0 * np.cos(math.pi * np.arange(n) / n) for n in shape]
    first = q[0][:, None, None] if z is None else q[0][z]
    return np.asarray(1.0 + k * (first + q[1][:, None] + q[2]), dtype=np.float32)


def _part(solid: Mask) -> tuple[slice, slice, slice]:
    """Return a part of the scan about the middle of what is solid."""
    out = []
    for axis, n in enumerate(solid.shape):
        seen = np.flatnonzero(solid.any(axis=tuple(a for a in range(3) if a != axis)))
        middle = int(seen[seen.size // 2])
        low = max(0, min(middle - _PART // 2, n - _PART))
        out.append(slice(low, low + _PART))
    return out[0], out[1], out[2]


def _rim(
    values: Grey,
    shell: NDArray[np.int16],
    count: NDArray[np.int64],
    *,
    noise: float,
    correlation_vox: float,
) -> tuple[float, float]:
    """Return by how much the darkest near shell exceeds the far ones (a rim: < 0), and its u."""
    sums = np.bincount(shell.ravel(), weights=values.ravel(), minlength=count.size)
    mean = sums / np.maximum(count, 1)
    far = sums[list(_FAR)].sum() / count[list(_FAR)].sum()
    near = mean[list(_NEAR)]
    k = int(np.argmin(near))
    u = noise * math.sqrt(
        max(1.0, correlation_vox) * (1.0 / count[_NEAR[k]] + 1.0 / count[list(_FAR)].sum())
    )
    return float(near[k] - far), u


def _k_where(left: Callable[[float], float], level: float) -> float:
    """Return the k at which the rim is as shallow as `level`, by bisection."""
    low, high = 0.0, 1.0
    while left(high) < level and high < _LARGEST:
        low, high = high, 2.0 * high
    for _ in range(8):
        middle = 0.5 * (low + high)
        if left(middle) < level:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
