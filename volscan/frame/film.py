"""A membrane or thick film in a print: a closed layer of polymer that no fibres make.

Seen from above, an open cell of a print holds nothing. Where a film spans the cells, each holds one
run of polymer, all at one plane. Fibres make such runs too, but narrow ones: what is left of them
after fibres' widths are taken away (an opening) is film.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from volscan.frame.plate import solid_points_um
from volscan.geometry import BuildFrame, FloatArray
from volscan.prepare.material import MaterialMap
from volscan.quantity import Notice, Quantity

_POINTS = 2_000_000
# Points that a full cell of the histogram holds on average, at least.
_POINTS_A_CELL = 6.0
# A film is wider than this many diameters everywhere, and covers this share of the print's plan.
_WIDER_THAN, _LEAST_SHARE = 2.2, 0.15
# Open pores are no more than this share of it; columns that hold nothing else are at least this
# share of the plan, more than doubled fibres make.
_MOST_HOLES, _LEAST_OPEN = 0.05, 0.08
# It takes up no more than this share of the print's height: more is a block.
_THICKEST = 0.6
# The cells beside each other lie on its plane to within this many diameters.
_ON_PLANE = 0.3
# Its blur reaches this many voxels beyond its faces.
_BLUR_VOX = 2.5
# The polymer anchor is a first guess when the film is looked for: share of the thickness.
_U_ANCHOR = 0.03


@dataclass(frozen=True)
class Film:
    """A closed layer of polymer.

    Parameters
    ----------
    mask
        (z, y, x) bool: its voxels, blur included.
    height_um
        Of its middle above the frame's origin.
    thickness_um
        From what its open cells hold in all.
    plan_share
        Share of the print's plan that it covers.
    """

    mask: NDArray[np.bool_]
    height_um: float
    thickness_um: Quantity
    plan_share: float

    @property
    def notice(self) -> Notice:
        """What the results say of it."""
        return Notice(
            "film_found",
            f"a film {self.thickness_um.value:.3g} ± {self.thickness_um.u or 0.0:.2g} µm thick "
            f"spans {100 * self.plan_share:.0f} % of the print's plan at a height of "
            f"{self.height_um:.4g} µm: it counts as polymer, not as fibres, and what lies in it is "
            "not seen",
        )


def find_film(material: MaterialMap, frame: BuildFrame) -> Film | None:
    """Return the film in a flat print, None where there is none.

    Parameters
    ----------
    material
        The material map.
    frame
        The build frame, good to a degree.

    Notes
    -----
    Found are films that cover at least 15 % of the plan and are no thicker than 0.6 of the print's
    height; of several the one that covers most.
    """
    cells = _cells(material, frame)
    if cells is None:
        return None
    # A thick film is the thickest thing in the scan: then fibres are thinner than that.
    found = _spanned(cells, cells.diameter_um) or _spanned(cells, 0.5 * cells.diameter_um)
    if found is None:
        return None
    open_cells, covered, plane = found
    share = float(covered.sum()) / float(cells.footprint.sum())
    inner = ndimage.binary_erosion(open_cells, _disc(1))
    usual = float(np.median(cells.filled[open_cells])) * cells.bin_um
    margin = 0.5 * usual + _BLUR_VOX * max(material.spacing_um)
    mask, held = _voxels(material, frame, cells, covered, inner, plane, margin)
    cell_area = cells.step_um**2
    thickness = held / (float(inner.sum()) * cell_area) if inner.any() else usual
    u = math.hypot(_U_ANCHOR * thickness, 0.1 * max(material.spacing_um))
    a, b = np.argwhere(open_cells).mean(axis=0)
    return Film(
        mask,
        float(plane @ (a, b, 1.0)) - float(frame.origin_um @ frame.h),
        Quantity(thickness, u, "µm", int(inner.sum())),
        share,
    )


def _spanned(
    cells: _Cells, diameter_um: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], FloatArray] | None:
    """Return the open cells that a film spans, all it covers, and its plane; None without."""
    reach = max(1, math.ceil(0.5 * _WIDER_THAN * diameter_um / cells.step_um))
    broad = ndimage.binary_opening(cells.single, _disc(reach))
    if broad.sum() < 0.25 * _LEAST_SHARE * cells.footprint.sum():
        return None
    near, plane = _on_plane(cells, broad, diameter_um)
    open_cells = ndimage.binary_opening(near, _disc(reach))
    covered = ndimage.binary_opening(_at(cells, plane), _disc(reach)) & cells.footprint
    # Open pores in it, where fibres and not a film cover the plan.
    filled = _closed(covered, 2 * reach) & cells.footprint
    holes = float((filled & (cells.runs == 0)).sum()) / max(float(filled.sum()), 1.0)
    spans = covered.sum() >= _LEAST_SHARE * cells.footprint.sum()
    shown = open_cells.sum() >= _LEAST_OPEN * cells.footprint.sum()
    if not spans or not shown or holes > _MOST_HOLES:
        return None
    return open_cells, covered, plane


def _at(cells: _Cells, plane: FloatArray) -> NDArray[np.bool_]:
    """Tell of each column whether it holds polymer on a plane."""
    a, b = np.indices(cells.runs.shape)
    level = (_height(plane, a, b) - cells.low[2]) / cells.bin_um
    row = np.clip(np.floor(level).astype(np.int64), 0, cells.occupied.shape[2] - 1)
    return np.asarray(np.take_along_axis(cells.occupied, row[..., None], axis=2)[..., 0])


def without_film(material: MaterialMap, film: Film) -> tuple[MaterialMap, NDArray[np.float32]]:
    """Return the map with the film's voxels empty and hidden, and what they held.

    The fraction is emptied in place, to hold a large scan once.
    """
    held = material.fraction[film.mask].copy()
    material.fraction[film.mask] = 0.0
    return replace(material, solid=material.solid & ~film.mask, hidden=film.mask), held


def with_film(
    material: MaterialMap, film: Film, held: NDArray[np.float32], before: MaterialMap
) -> MaterialMap:
    """Return the map with the film put back, on the polymer anchor found since."""
    scale = (before.polymer - before.air) / (material.polymer - material.air)
    material.fraction[film.mask] = held * np.float32(scale)
    return replace(material, solid=before.solid, hidden=None)


@dataclass(frozen=True)
class _Cells:
    """The print in columns: occupied (a, b, h), runs and filled bins of each, its footprint."""

    occupied: NDArray[np.bool_]
    runs: NDArray[np.int64]
    filled: NDArray[np.int64]
    footprint: NDArray[np.bool_]
    low: FloatArray
    step_um: float
    bin_um: float
    diameter_um: float

    @property
    def single(self) -> NDArray[np.bool_]:
        """Columns of one run that is no block."""
        most = _THICKEST * self.occupied.shape[2]
        return np.asarray((self.runs == 1) & (self.filled <= most))


def _cells(material: MaterialMap, frame: BuildFrame) -> _Cells | None:
    points = solid_points_um(material, limit=_POINTS)
    if len(points) < 1000:
        return None
    share = len(points) / float(np.count_nonzero(material.solid))
    voxel = float(np.prod(material.spacing_um))
    coarsest = max(material.spacing_um)
    bin_um = coarsest
    step = max(2.0 * coarsest, math.sqrt(_POINTS_A_CELL * voxel / (share * bin_um)))
    places = np.stack([points @ frame.x, points @ frame.y, points @ frame.h], axis=1)
    size = np.array([step, step, bin_um])
    low = np.percentile(places, 0.05, axis=0) - size
    high = np.percentile(places, 99.95, axis=0) + size
    shape = [max(1, math.ceil(n)) for n in (high - low) / size]
    if np.prod(shape, dtype=float) > 2e8:
        return None
    index = np.floor((places - low) / size).astype(np.int64)
    inside = np.all((index >= 0) & (index < shape), axis=1)
    flat = np.ravel_multi_index(tuple(index[inside].T), shape)
    counts = np.bincount(flat, minlength=int(np.prod(shape))).reshape(shape)
    occupied = counts > 0.4 * share * step * step * bin_um / voxel
    edges = np.diff(np.pad(occupied, ((0, 0), (0, 0), (1, 0))).astype(np.int8), axis=2)
    any_solid = np.asarray(occupied.any(axis=2))
    reach = max(1, round(2.0 * material.rough_thickness_um / step))
    footprint = ndimage.binary_fill_holes(_closed(any_solid, reach))
    return _Cells(
        occupied,
        (edges == 1).sum(axis=2),
        occupied.sum(axis=2),
        np.asarray(footprint),
        np.asarray(low),
        step,
        bin_um,
        max(material.rough_thickness_um, 2.0 * coarsest),
    )


def _closed(image: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Return the image with gaps up to twice the reach closed, as if air lay beyond its edges."""
    closed = ndimage.binary_closing(np.pad(image, reach), _disc(reach))
    return np.asarray(closed[reach:-reach, reach:-reach])


def _height(plane: FloatArray, a: Any, b: Any) -> FloatArray:
    """Return a plane's height at column numbers."""
    return np.asarray(plane[0] * a + plane[1] * b + plane[2])


def _disc(radius: int) -> NDArray[np.bool_]:
    y, x = np.ogrid[-radius : radius + 1, -radius : radius + 1]
    return np.asarray(x * x + y * y <= radius * radius)


def _on_plane(
    cells: _Cells, broad: NDArray[np.bool_], diameter_um: float
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Return the columns of one run that lie on one plane, and the plane.

    The plane tells h (µm) from column numbers a, b: h = plane @ (a, b, 1).
    """
    first = np.argmax(cells.occupied, axis=2)
    middle = cells.low[2] + (first + 0.5 * cells.filled) * cells.bin_um
    at = np.argwhere(broad)
    design = np.column_stack([at, np.ones(len(at))])
    values = middle[broad]
    within = max(_ON_PLANE * diameter_um, cells.bin_um)
    # The usual height first: two films, or a film and loops, must not pull the plane between them.
    counts, edges = np.histogram(values, bins=max(2, round(float(np.ptp(values)) / within) + 1))
    peak = int(np.argmax(counts))
    weight = (np.abs(values - 0.5 * (edges[peak] + edges[peak + 1])) < 2.0 * within).astype(float)
    plane = np.zeros(3)
    for _ in range(5):
        plane = np.linalg.lstsq(design * weight[:, None], values * weight, rcond=None)[0]
        weight = (np.abs(values - design @ plane) < within).astype(float)
        if weight.sum() < 10:
            break
    a, b = np.indices(broad.shape)
    return cells.single & (np.abs(middle - _height(plane, a, b)) < 2.0 * within), np.asarray(plane)


def _voxels(
    material: MaterialMap,
    frame: BuildFrame,
    cells: _Cells,
    covered: NDArray[np.bool_],
    inner: NDArray[np.bool_],
    plane: FloatArray,
    margin_um: float,
) -> tuple[NDArray[np.bool_], float]:
    """Return the film's voxels, and the volume (µm³) that its open cells hold."""
    nz, ny, nx = material.fraction.shape
    spacing = np.asarray(material.spacing_um)
    mask = np.zeros((nz, ny, nx), np.bool_)
    axes = np.stack([frame.x, frame.y, frame.h])
    rows, columns = np.mgrid[0:ny, 0:nx]
    flat = np.tensordot(axes[:, 1:], np.stack([rows * spacing[1], columns * spacing[2]]), axes=1)
    held = 0.0
    for k in range(nz):
        place = flat + (axes[:, 0] * k * spacing[0])[:, None, None]
        i = np.floor((place[0] - cells.low[0]) / cells.step_um).astype(np.int64)
        j = np.floor((place[1] - cells.low[1]) / cells.step_um).astype(np.int64)
        inside = (i >= 0) & (j >= 0) & (i < covered.shape[0]) & (j < covered.shape[1])
        if not inside.any():
            continue
        i, j = np.where(inside, i, 0), np.where(inside, j, 0)
        off = np.abs(place[2] - _height(plane, i, j))
        near = inside & (off < margin_um)
        mask[k] = near & covered[i, j]
        held += float(material.fraction[k][near & inner[i, j]].sum(dtype=np.float64))
    return mask, held * float(np.prod(spacing))
