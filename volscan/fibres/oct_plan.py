"""Walls in an OCT scan seen from above: directions, places, open stretches between crossings."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from volscan.fibres.directions import find_directions
from volscan.geometry import FloatArray
from volscan.prepare.oct import OctMap

# An echo above the collector counts from this many noise floors on in the mean of three rows:
# of a single look's noise fewer than 1 in 10^4 places reach it.
_ECHO = 9.0
# Rows (of the beam's resolution) above the collector that are left to it, µm of optical path.
_COLLECTOR_UM = 14.0
# A wall's core is where coverage reaches this share of the way from the open places to its top.
_CORE = 0.5
# Fewest columns of an open stretch along a wall.
_SHORTEST_COLUMNS = 4


@dataclass(frozen=True)
class PlanWall:
    """A wall seen from above: place across and extent along, µm in the family's plan axes."""

    position_um: float
    width_um: float
    start_um: float
    end_um: float


@dataclass(frozen=True)
class PlanFamily:
    """Parallel walls: direction (cos, sin) in (x, y) of the columns, and the walls by place."""

    along: FloatArray
    walls: tuple[PlanWall, ...]

    @property
    def across(self) -> FloatArray:
        """Unit vector (x, y) across."""
        return np.array([-self.along[1], self.along[0]])


def covered_columns(scan: OctMap) -> NDArray[np.bool_]:
    """Return (y, x) where something echoes above the collector."""
    smooth = ndimage.uniform_filter1d(scan.intensity, 3, axis=0)
    rows = np.arange(smooth.shape[0])[:, None, None]
    limit = (scan.sheet.path_um - _COLLECTOR_UM) / scan.step_um
    smooth[rows > limit[None]] = 0.0
    covered = smooth.max(axis=0) >= _ECHO
    return np.asarray(ndimage.median_filter(covered.astype(np.uint8), 3) > 0)


def find_plan(scan: OctMap, covered: NDArray[np.bool_]) -> list[PlanFamily]:
    """Return the families of straight walls that the covered columns show.

    Directions are those along which the covered columns, seen end on, bunch most; walls are the
    bands in which they do.
    """
    iy, ix = np.nonzero(covered)
    if iy.size < 50:
        return []
    y, x = iy * scan.spacing_um[0], ix * scan.spacing_um[1]
    points = np.stack([np.zeros(y.size), y, x], axis=1)
    every = max(1, iy.size // 60_000)
    level = np.array([-1.0, 0.0, 0.0])
    found = find_directions(points[::every], level, bin_um=max(scan.spacing_um))
    families = []
    for vector in found:
        along = np.array([vector[2], vector[1]])
        along = along / np.linalg.norm(along)
        if along[0] < 0:
            along = -along
        family = _family(scan, covered, along)
        if family is not None:
            families.append(family)
    return families


def _family(scan: OctMap, covered: NDArray[np.bool_], along: FloatArray) -> PlanFamily | None:
    ny, nx = covered.shape
    gy, gx = np.mgrid[:ny, :nx]
    y, x = gy * scan.spacing_um[0], gx * scan.spacing_um[1]
    s = along[0] * x + along[1] * y
    u = -along[1] * x + along[0] * y
    step = max(scan.spacing_um)
    low = float(u.min())
    bins = ((u - low) / step).astype(np.int64)
    size = int(bins.max()) + 1
    held = np.bincount(bins.ravel(), covered.ravel().astype(float), size)
    count = np.bincount(bins.ravel(), minlength=size).astype(float)
    share = ndimage.gaussian_filter1d(held, 0.7) / np.maximum(
        ndimage.gaussian_filter1d(count, 0.7), 1e-9
    )
    # Where few columns lie (the field's corners) a share says little.
    known = count >= 0.25 * np.percentile(count, 90)
    if known.sum() < 5:
        return None
    base, top = np.percentile(share[known], 15), np.percentile(share[known], 97)
    if top - base < 0.2:
        return None
    labels, number = ndimage.label((share > base + _CORE * (top - base)) & known)
    walls = []
    for k in range(1, number + 1):
        own = np.flatnonzero(labels == k)
        weight = share[own] - base
        middle = low + (float((own * weight).sum() / weight.sum()) + 0.5) * step
        core = np.abs(u - middle) <= max(step, 0.2 * own.size * step)
        ends = _extent(s[core], covered[core], step)
        if ends is not None:
            walls.append(PlanWall(middle, own.size * step, *ends))
    return PlanFamily(along, tuple(walls)) if walls else None


def _extent(s: FloatArray, covered: NDArray[np.bool_], step: float) -> tuple[float, float] | None:
    """Return where a wall begins and ends along its direction; None for a scatter of specks."""
    low = float(s.min())
    bins = ((s - low) / (2.0 * step)).astype(np.int64)
    count = np.bincount(bins).astype(float)
    share = np.bincount(bins, covered.astype(float), count.size) / np.maximum(count, 1.0)
    full = np.flatnonzero(share > 0.5)
    if full.size < 3 or share[full[0] : full[-1] + 1].mean() < 0.5:
        return None
    return low + full[0] * 2.0 * step, low + (full[-1] + 1) * 2.0 * step


def open_stretches(
    family: PlanFamily,
    wall: PlanWall,
    others: list[PlanFamily],
    *,
    margin_um: float,
    step_um: float,
) -> list[tuple[float, float]]:
    """Return the parts of a wall [start, end] that no other family's wall crosses."""
    blocked = []
    for other in others:
        sine = float(family.along @ other.across)
        if abs(sine) < 0.1:
            continue
        offset = float(family.across @ other.across) * wall.position_um
        # A crossing at a slant is longer, by what either wall is wide.
        own = 0.5 * wall.width_um * abs(float(family.across @ other.across) / sine)
        for w in other.walls:
            at = (w.position_um - offset) / sine
            half = (0.5 * w.width_um + margin_um) / abs(sine) + own
            blocked.append((at - half, at + half))
    parts, at = [], wall.start_um
    for low, high in sorted(blocked):
        if low > at:
            parts.append((at, min(low, wall.end_um)))
        at = max(at, high)
    if at < wall.end_um:
        parts.append((at, wall.end_um))
    return [(a, b) for a, b in parts if b - a >= _SHORTEST_COLUMNS * step_um]


def clear_of(scan: OctMap, others: list[PlanFamily], *, margin_um: float) -> NDArray[np.bool_]:
    """Return (y, x) where no wall of the families named lies above a column."""
    ny, nx = scan.sheet.path_um.shape
    gy, gx = np.mgrid[:ny, :nx]
    y, x = gy * scan.spacing_um[0], gx * scan.spacing_um[1]
    clear = np.ones((ny, nx), bool)
    for family in others:
        u = -family.along[1] * x + family.along[0] * y
        for wall in family.walls:
            clear &= np.abs(u - wall.position_um) > 0.5 * wall.width_um + margin_um
    return clear


def columns_of(
    scan: OctMap,
    family: PlanFamily,
    wall: PlanWall,
    *,
    reach_um: float,
    clear: NDArray[np.bool_],
) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray, FloatArray]:
    """Return rows, columns, places along and across (from the wall's middle) of clear columns."""
    ny, nx = scan.sheet.path_um.shape
    gy, gx = np.mgrid[:ny, :nx]
    y, x = gy * scan.spacing_um[0], gx * scan.spacing_um[1]
    s = family.along[0] * x + family.along[1] * y
    u = -family.along[1] * x + family.along[0] * y - wall.position_um
    near = clear & (np.abs(u) <= reach_um) & (s >= wall.start_um) & (s <= wall.end_um)
    iy, ix = np.nonzero(near)
    return iy, ix, s[near], u[near]


def spacing_of(family: PlanFamily) -> float:
    """Return the middle distance of neighbouring walls; infinite for a single one."""
    gaps = np.diff([w.position_um for w in family.walls])
    return float(np.median(gaps)) if gaps.size else math.inf
