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


@dataclass(frozen=True)
class ModelSums:
    """Sums in voxels over the drawn fibres.

    `inside`: polymer in the envelope; `outside`: beyond base and beyond top, where outer fibres
    stand out of their mean tangent (or the envelope cuts the piece); `blurred_outside`: the same
    after blur; `blurred_counts`: coverage by blurred share from 0 to 1; `air_mean`: the scan's
    own mean fraction where no drawn fibre reaches, NaN where there is no such place.
    """

    inside: float
    outside: tuple[float, float]
    blurred_outside: tuple[float, float]
    blurred_counts: FloatArray
    air_mean: float

    def above(self, level: float) -> float:
        """Return the volume whose blurred share lies at or above a level."""
        edges = np.linspace(0.0, 1.0, _SHARE_BINS + 1)
        above = np.concatenate([np.cumsum(self.blurred_counts[::-1])[::-1], [0.0]])
        return float(np.interp(level, edges, above))

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
    halo = math.ceil(TRUNCATE_SIGMAS * sigma[0]) + 1 if sigma[0] > 0 else 0
    totals, air = np.zeros(5), np.zeros(2)
    counts = np.zeros(_SHARE_BINS)
    middle = 0.5 * (envelope.base_um + envelope.top_um)
    height = np.array([[0.0, 0.0, 1.0]])
    for slab in slabs(material, frame, envelope, reach):
        rows, columns = _occupied(slab.wider)
        if rows.stop <= rows.start:
            continue
        m_y = math.ceil(TRUNCATE_SIGMAS * sigma[1]) + 1
        m_x = math.ceil(TRUNCATE_SIGMAS * sigma[2]) + 1
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
        blurred = (
            smooth(share, sigma_vox=(sigma[0], sigma[1], sigma[2])) if max(sigma) > 0 else share
        )
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
            material.fraction[slab.first : slab.last, rows, columns],
            np.ascontiguousarray(slab.inside[:, rows, columns]),
            np.ascontiguousarray(slab.wider[:, rows, columns]),
            axis,
            middle,
            totals,
            counts,
            air,
        )
    return ModelSums(
        inside=float(totals[0]),
        outside=(float(totals[1]), float(totals[2])),
        blurred_outside=(float(totals[3]), float(totals[4])),
        blurred_counts=counts,
        air_mean=float(air[0] / air[1]) if air[1] > 0 else float("nan"),
    )


def _occupied(cover: NDArray[np.float32]) -> tuple[slice, slice]:
    """Return the rows and columns that hold any of the coverage."""
    plan = np.any(cover > 0, axis=0)
    y, x = np.flatnonzero(np.any(plan, axis=1)), np.flatnonzero(np.any(plan, axis=0))
    if not y.size:
        return slice(0, 0), slice(0, 0)
    return slice(int(y[0]), int(y[-1]) + 1), slice(int(x[0]), int(x[-1]) + 1)
