"""The fitted fibres drawn, blurred and thresholded like the scan: what blur does to a count."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Envelope
from volscan.kernels.filters import TRUNCATE_SIGMAS, smooth
from volscan.kernels.sums import add_model_slab
from volscan.kernels.tubes import render_tubes
from volscan.porosity.sums import Reach, slab_axes, slabs
from volscan.prepare.material import MaterialMap

FloatArray = NDArray[np.float64]

FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
_SHARE_BINS = 2000
# A point spread is rarely Gaussian to its end: scatter and reconstruction give it a tail. It is
# taken as a second Gaussian of this many times the width (own choice), its weight fitted.
_TAIL_WIDTH = 3.0
_TAIL_WEIGHTS: FloatArray = np.linspace(0.0, 0.5, 11)


@dataclass(frozen=True)
class ModelSums:
    """Sums in voxels over the drawn fibres.

    `inside`: polymer in the envelope; `outside`: beyond base and beyond top, where outer fibres
    stand out of their mean tangent (or the envelope cuts the piece); `blurred_outside`: the same
    after blur; `blurred_counts`: coverage by blurred share from 0 to 1, `narrow_counts` the same
    without the point spread's tail; `tail_weight`: the tail's fitted weight; `air_mean`,
    `air_volume`: the scan's own mean fraction where no drawn fibre reaches, NaN where there is no
    such place, and that volume.
    """

    inside: float
    outside: tuple[float, float]
    blurred_outside: tuple[float, float]
    blurred_counts: FloatArray
    narrow_counts: FloatArray
    tail_weight: float
    air_mean: float
    air_volume: float

    def above(self, level: float) -> float:
        """Return the volume whose blurred share lies at or above a level."""
        return _above(self.blurred_counts, level)

    def above_without_tail(self, level: float) -> float:
        """Return the same for the narrow part of the point spread alone."""
        return _above(self.narrow_counts, level)

    @property
    def shares(self) -> FloatArray:
        """Blurred share at the middle of each bin of `blurred_counts`."""
        return np.asarray((np.arange(_SHARE_BINS) + 0.5) / _SHARE_BINS)


def draw_fibres(
    material: MaterialMap,
    frame: BuildFrame,
    fibres: FibreField,
    envelope: Envelope,
    reach: Reach,
) -> ModelSums:
    """Draw the fitted fibres, blur them by the measured point spread, and sum.

    Memory: a slab at a time.
    """
    spacing = material.spacing_um
    lines = [frame.to_scan(f.points_um) for f in fibres.fibres]
    radii = [0.5 * f.diameters_um for f in fibres.fibres]
    blur = material.blur_axes_um if material.blur_axes_um is not None else (0.0, 0.0, 0.0)
    sigma = tuple(b / FWHM_PER_SIGMA / s for b, s in zip(blur, spacing, strict=True))
    more = math.sqrt(_TAIL_WIDTH**2 - 1.0)
    margins = [math.ceil(TRUNCATE_SIGMAS * (1.0 + more) * w) + 1 if w > 0 else 0 for w in sigma]
    halo, m_y, m_x = margins
    totals, air, fit = np.zeros(7), np.zeros(2), np.zeros(5)
    counts = np.zeros((_TAIL_WEIGHTS.size, _SHARE_BINS))
    middle = 0.5 * (envelope.base_um + envelope.top_um)
    height = np.array([[0.0, 0.0, 1.0]])
    for slab in slabs(material, frame, envelope, reach):
        rows, columns = _occupied(slab.wider)
        if rows.stop <= rows.start:
            continue
        y0, y1 = rows.start - m_y, rows.stop + m_y
        x0, x1 = columns.start - m_x, columns.stop + m_x
        z0, z1 = slab.first - halo, slab.last + halo
        share = render_tubes(
            lines,
            radii,
            shape=(z1 - z0, y1 - y0, x1 - x0),
            spacing_um=spacing,
            origin_um=(z0 * spacing[0], y0 * spacing[1], x0 * spacing[2]),
        )
        blurred = smeared = share
        if max(sigma) > 0:
            blurred = smooth(share, sigma_vox=(sigma[0], sigma[1], sigma[2]))
            smeared = smooth(blurred, sigma_vox=(more * sigma[0], more * sigma[1], more * sigma[2]))
        part = (
            slice(halo, z1 - z0 - halo),
            slice(m_y, y1 - y0 - m_y),
            slice(m_x, x1 - x0 - m_x),
        )
        axis = slab_axes(frame, spacing, slab.first, height)[0]
        axis[3] += axis[1] * rows.start + axis[2] * columns.start
        add_model_slab(
            np.ascontiguousarray(share[part]),
            np.ascontiguousarray(blurred[part]),
            np.ascontiguousarray(smeared[part]),
            material.fraction[slab.first : slab.last, rows, columns],
            np.ascontiguousarray(slab.inside[:, rows, columns]),
            np.ascontiguousarray(slab.wider[:, rows, columns]),
            axis,
            middle,
            totals,
            counts,
            _TAIL_WEIGHTS,
            air,
            fit,
        )
    weight = _tail_weight(fit)
    mixed = (1.0 - weight) * totals[3:5] + weight * totals[5:7]
    return ModelSums(
        inside=float(totals[0]),
        outside=(float(totals[1]), float(totals[2])),
        blurred_outside=(float(mixed[0]), float(mixed[1])),
        blurred_counts=_between(counts, weight),
        narrow_counts=counts[0],
        tail_weight=weight,
        air_mean=float(air[0] / air[1]) if air[1] > 0 else float("nan"),
        air_volume=float(air[1]),
    )


def _above(counts: FloatArray, level: float) -> float:
    edges = np.linspace(0.0, 1.0, _SHARE_BINS + 1)
    above = np.concatenate([np.cumsum(counts[::-1])[::-1], [0.0]])
    return float(np.interp(level, edges, above))


def _tail_weight(fit: FloatArray) -> float:
    """Return the tail's weight by least squares, a constant background beside it."""
    volume, d, d2, r, rd = fit
    spread = d2 - d * d / volume if volume > 0 else 0.0
    if spread <= 0:
        return 0.0
    weight = (rd - r * d / volume) / spread
    return float(min(max(weight, 0.0), _TAIL_WEIGHTS[-1]))


def _between(counts: FloatArray, weight: float) -> FloatArray:
    """Return the counts at a weight between the tabulated ones."""
    at = weight / _TAIL_WEIGHTS[1]
    low = min(int(at), _TAIL_WEIGHTS.size - 2)
    share = at - low
    return np.asarray((1.0 - share) * counts[low] + share * counts[low + 1])


def _occupied(cover: NDArray[np.float32]) -> tuple[slice, slice]:
    """Return the rows and columns that hold any of the coverage."""
    plan = np.any(cover > 0, axis=0)
    y, x = np.flatnonzero(np.any(plan, axis=1)), np.flatnonzero(np.any(plan, axis=0))
    if not y.size:
        return slice(0, 0), slice(0, 0)
    return slice(int(y[0]), int(y[-1]) + 1), slice(int(x[0]), int(x[-1]) + 1)
