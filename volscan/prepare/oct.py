"""OCT preparation: from stored values to intensity by optical path below a flat collector."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.errors import NothingToMeasureError
from volscan.prepare.oct_scale import Compression, Scale, find_compression
from volscan.prepare.oct_sheet import Sheet, find_sheet
from volscan.prepare.oct_speckle import speckle_sigma_um
from volscan.progress import Progress, no_progress
from volscan.quantity import Notice
from volscan.volume import Volume

Grey = NDArray[np.float32]
FloatArray = NDArray[np.float64]

# Rows are noise where their middle grey value lies this near (in standard deviations of one voxel)
# to that of the darkest rows.
_NOISE_ROWS_SD = 0.25
_FEWEST_NOISE_ROWS = 3
# A row all of whose columns are brighter than its neighbours by this many floors is a fixed line.
_FIXED_LINE = 0.5


@dataclass(frozen=True)
class BeamAxes:
    """How the array (row along the beam, y, x) lies in the scan as stored.

    `order` are the scan's axes taken in turn, `flip` whether rows run against the scan's axis.
    """

    order: tuple[int, int, int]
    flip: bool
    rows: int

    def seen(self, samples: NDArray[np.generic]) -> NDArray[np.generic]:
        """Return a view with the first axis along the beam, row 0 nearest to the scanner."""
        turned = samples.transpose(self.order)
        return turned[::-1] if self.flip else turned

    def to_scan(self, positions_um: FloatArray, step_um: float) -> FloatArray:
        """Turn positions (..., 3) [depth, y, x] into scan positions [z, y, x]."""
        p = np.array(positions_um, dtype=np.float64)
        if self.flip:
            p[..., 0] = (self.rows - 1) * step_um - p[..., 0]
        out = np.empty_like(p)
        for k, axis in enumerate(self.order):
            out[..., axis] = p[..., k]
        return out

    def direction_to_scan(self, v: FloatArray) -> FloatArray:
        """Turn a direction [depth, y, x] into the scan's [z, y, x]."""
        out = np.empty(3)
        for k, axis in enumerate(self.order):
            out[axis] = -v[k] if self.flip and k == 0 else v[k]
        return out


@dataclass(frozen=True)
class OctMap:
    """An OCT scan prepared: intensity in units of the noise floor by optical path.

    Parameters
    ----------
    intensity
        (rows, y, x) float32; row 0 nearest to the scanner.
    step_um
        Optical path of a row.
    spacing_um
        Spacing of the columns (y, x).
    axes
        How it lies in the scan.
    compression, sheet
        How values were stored; the collector's surface.
    steps
        What was done, in words, in order.
    lateral_sigma_um
        Standard deviation (y, x) of the amplitude's point spread, from the collector's speckle;
        None where it shows none.
    """

    intensity: Grey
    step_um: float
    spacing_um: tuple[float, float]
    axes: BeamAxes
    compression: Compression
    sheet: Sheet
    steps: tuple[str, ...]
    lateral_sigma_um: tuple[float | None, float | None] = (None, None)
    notices: tuple[Notice, ...] = ()


def beam_axes(up: str, shape: tuple[int, int, int]) -> BeamAxes:
    """Return how the beam runs where `up` points away from the collector, toward the scanner."""
    axis = "zyx".index(up[1])
    # The other two keep a right-handed order with depth = -up.
    others = [a for a in range(3) if a != axis]
    return BeamAxes((axis, others[0], others[1]), up[0] == "+", shape[axis])


def prepare_oct(
    volume: Volume,
    *,
    up: str,
    axial_index: float,
    scale: Scale | None = None,
    progress: Progress = no_progress,
) -> OctMap:
    """Return intensity by optical path, the collector's sheet and what was done.

    Parameters
    ----------
    volume
        The scan as stored.
    up
        Image axis that points from the collector to the scanner.
    axial_index
        Index by which the scanner has divided its depth scale.
    scale
        How values are stored, where the user told it.

    Raises
    ------
    NothingToMeasureError
        If noise or the collector's surface are not seen.
    """
    progress("prepare", 0.0)
    axes = beam_axes(up, volume.shape)
    samples = axes.seen(volume.samples)
    spacing = [volume.spacing_um[a] for a in axes.order]
    noise_rows = _noise_rows(samples)
    noise = _clean_noise(samples, noise_rows)
    compression = find_compression(noise[:: max(1, noise.size // 400_000)], scale=scale)
    if compression is None:
        raise NothingToMeasureError(
            "the OCT scan shows no noise from which its intensity scale could be told: leave some "
            "rows above the print in the picture, or tell --oct-scale"
        )
    steps = [
        f"intensity from {_WORDS[compression.scale]} by the noise's own statistics"
        if scale is None
        else f"intensity from {_WORDS[compression.scale]}, as told"
    ]
    intensity = compression.intensity(np.asarray(samples))
    progress("prepare", 0.4)
    lines = _remove_fixed_lines(intensity)
    if lines:
        steps.append(f"background of {lines} fixed lines removed")
    streaks = _remove_streaks(intensity, noise_rows)
    if streaks:
        steps.append(f"background of {streaks} columns with lines over all depths removed")
    step = spacing[0] * axial_index
    sheet = find_sheet(intensity, step_um=step, spacing_um=(spacing[1], spacing[2]))
    if sheet is None:
        raise NothingToMeasureError(
            "the OCT scan shows no collector surface between the fibres: check --up (it points "
            "from the collector to the scanner) and keep the collector in the picture"
        )
    steps.append("depth told from the collector's surface, a plane and the scan's curvature")
    lateral = speckle_sigma_um(
        intensity, sheet.path_um / step, sheet.free, (spacing[1], spacing[2]), compression.looks
    )
    progress("prepare", 1.0)
    return OctMap(
        intensity, step, (spacing[1], spacing[2]), axes, compression, sheet, tuple(steps), lateral
    )


_WORDS = {"db": "stored logarithms", "amplitude": "stored amplitudes", "intensity": "as stored"}


def _noise_rows(samples: NDArray[np.generic]) -> list[int]:
    """Return rows that hold noise alone: the darkest, fixed lines left out."""
    thin = samples[:, :: max(1, samples.shape[1] // 64), :: max(1, samples.shape[2] // 64)]
    flat = np.asarray(thin, dtype=np.float64).reshape(len(thin), -1)
    high = np.percentile(flat, 99, axis=1)
    middle = np.median(flat, axis=1)
    sd = float(flat[int(np.argmin(high))].std())
    near = np.flatnonzero(
        (high <= high.min() + _NOISE_ROWS_SD * sd) & (middle <= middle.min() + _NOISE_ROWS_SD * sd)
    )
    if near.size < _FEWEST_NOISE_ROWS:
        near = np.argsort(high, kind="stable")[:_FEWEST_NOISE_ROWS]
    return [int(r) for r in near[:: max(1, near.size // 12)]]


def _clean_noise(samples: NDArray[np.generic], rows: list[int]) -> FloatArray:
    """Return the noise rows' grey values without columns that are lit over all depths."""
    stack = np.array([np.asarray(samples[r], dtype=np.float64) for r in rows])
    mean = stack.mean(axis=0)
    kept = mean
    # Lit columns raise the middle: it is taken anew of those that are left. The scatter is that
    # of the columns below the middle, all of them clean.
    for _ in range(8):
        middle = float(np.median(kept))
        scatter = 1.4826 * float(np.median(middle - kept[kept <= middle]))
        left = mean[mean <= middle + 2.5 * scatter]
        if left.size == kept.size:
            break
        kept = left
    return np.asarray(stack[:, mean <= middle + 2.5 * scatter].ravel())


def _remove_fixed_lines(intensity: Grey) -> int:
    """Subtract what all columns of a row share beyond its neighbours; return how many rows did.

    The lower quartile of a row is that of open places; a line common to all columns lifts it.
    """
    thin = intensity[:, :: max(1, intensity.shape[1] // 64), :: max(1, intensity.shape[2] // 64)]
    flat = thin.reshape(len(thin), -1)
    low = np.percentile(flat, 10, axis=1)
    around = np.array([np.median(low[max(0, r - 4) : r + 5]) for r in range(low.size)])
    lifted = low - around
    narrow = np.array(
        [
            max(around[r], low[max(0, r - 1)], low[min(low.size - 1, r + 1)]) * 2 + _FIXED_LINE
            for r in range(low.size)
        ]
    )
    rows = np.flatnonzero((lifted > _FIXED_LINE) & (low > narrow))
    for r in rows:
        intensity[r] -= np.float32(float(np.median(flat[r])) - 1.0)
        np.maximum(intensity[r], np.float32(0.05), out=intensity[r])
    return int(rows.size)


def _remove_streaks(intensity: Grey, noise_rows: list[int]) -> int:
    """Subtract what a column shows where nothing scatters; return how many columns did.

    A detector that ran full lights a line over all depths of its column.
    """
    background = np.mean([intensity[r] for r in noise_rows], axis=0)
    # The mean of n noise rows of one look scatters by 1/√n.
    limit = 1.0 + 6.0 / math.sqrt(len(noise_rows))
    lit = background > limit
    count = int(lit.sum())
    if count:
        y, x = np.nonzero(lit)
        # Its own speckle stays: three times its mean lies over all but a twentieth of it.
        intensity[:, y, x] -= (3.0 * background[lit]).astype(np.float32)
        intensity[:, y, x] = np.maximum(intensity[:, y, x], np.float32(0.05))
    return count
