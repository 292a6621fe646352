"""Where vertical lines of sight enter and leave fibres, in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from volscan.phantom.integrate import chord, cone_chord, plan_bins
from volscan.phantom.mounting import Mounting
from volscan.phantom.raster import nearest_ball
from volscan.phantom.scaffold import Scaffold

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Bodies closer together than this (µm) let light pass as one.
_TOUCHING_UM = 1e-6


@dataclass(frozen=True)
class Columns:
    """Solid pieces of every column (y, x), from the top down.

    Parameters
    ----------
    starts
        Where each column's pieces begin, (ny × nx + 1,), columns row by row.
    ends_um
        Depth (n, 2) at which each piece begins and ends, geometric.
    slopes
        Slope dz/dy, dz/dx of the surface there, (n, 2, 2): begin and end, y and x.
    strands
        Number of the fibre whose surface it is, (n, 2); -1: a membrane.
    collector_um
        Depth of the collector's surface, (ny, nx).
    beyond
        Columns (y, x) at each side that lie beyond the picture.
    """

    starts: IntArray
    ends_um: FloatArray
    slopes: FloatArray
    strands: IntArray
    collector_um: FloatArray
    beyond: tuple[int, int] = (0, 0)

    @property
    def solid_um(self) -> FloatArray:
        """Polymer crossed by each column, (ny, nx)."""
        total = np.concatenate([[0.0], np.cumsum(self.ends_um[:, 1] - self.ends_um[:, 0])])
        return np.asarray(np.diff(total[self.starts]).reshape(self.collector_um.shape))


def trace_columns(
    scaffold: Scaffold,
    mounting: Mounting,
    *,
    shape: tuple[int, int],
    voxel_um: tuple[float, float],
    beyond: tuple[int, int] = (0, 0),
) -> Columns:
    """Follow the line of sight of every column of a picture (y, x) down to the collector.

    Parameters
    ----------
    scaffold
        What lies on the collector, which is the plane of build height 0.
    mounting
        Where it lies.
    shape, voxel_um
        Number and spacing of the columns (y, x) of the picture.
    beyond
        Further columns (y, x) at each side, whose light the point spread brings in.
    """
    wide = (shape[0] + 2 * beyond[0], shape[1] + 2 * beyond[1])
    first = np.array([0.0, -beyond[0] * voxel_um[0], -beyond[1] * voxel_um[1]])
    stretch = np.diag([1.0, 1.0, scaffold.stretch])
    to_build = mounting.rotation.T
    matrix = stretch @ to_build[:, ::-1]
    offset = stretch @ (mounting.centre_build_um - to_build @ mounting.centre_scan_um)
    # Counted from the first column, which may lie beyond the picture.
    offset = offset + matrix @ first
    # Turned so that lines of sight run along the third axis; capsules stay capsules.
    turn = _onto_third(matrix[:, 0])
    segments = scaffold.segments_um() * np.array([1.0, 1.0, scaffold.stretch]) @ turn.T
    radii = np.broadcast_to(np.asarray(scaffold.radii_um(), np.float64), (len(segments), 2))
    lines = turn @ matrix
    start = turn @ offset
    corners = np.array([[0.0, y, x] for y in (0, wide[0]) for x in (0, wide[1])])
    corners *= np.array([1.0, *voxel_um])
    seen = (corners @ lines.T + start)[:, :2]
    low, high = seen.min(axis=0), seen.max(axis=0)
    cell = max(2 * float(radii.max()), float((high - low).max()) / 256)
    bins = np.ceil((high - low) / cell).astype(np.int64) + 1
    cells, members = plan_bins(segments, radii.max(axis=1), low, cell, bins)
    owner = np.repeat(
        np.arange(len(scaffold.strands)), [len(s.points_um) - 1 for s in scaffold.strands]
    )
    boxes = scaffold.boxes_um() * np.array([1.0, 1.0, scaffold.stretch])
    h = mounting.h
    base = float(mounting.to_scan_xyz(np.zeros(3)) @ h)
    y = first[1] + np.arange(wide[0])[:, None] * voxel_um[0]
    x = first[2] + np.arange(wide[1])[None, :] * voxel_um[1]
    collector = (base - y * h[1] - x * h[0]) / h[2]
    counts = np.zeros(wide, dtype=np.int64)
    nothing = np.empty((0, 2))
    arguments = (
        collector, np.array(voxel_um), segments, np.ascontiguousarray(radii), owner, boxes,
        np.ascontiguousarray(matrix), offset, np.ascontiguousarray(lines), start, low, cell, bins,
        cells, members,
    )  # fmt: skip
    empty = (nothing, np.empty((0, 2, 2)), np.empty((0, 2), dtype=np.int64))
    _trace(counts, np.zeros(counts.size + 1, dtype=np.int64), *empty, True, *arguments)
    starts = np.concatenate([[0], np.cumsum(counts.ravel())])
    n = int(starts[-1])
    ends, slopes = np.zeros((n, 2)), np.zeros((n, 2, 2))
    strands = np.full((n, 2), -1, dtype=np.int64)
    _trace(counts, starts, ends, slopes, strands, False, *arguments)
    return Columns(starts, ends, slopes, strands, collector, beyond)


def _onto_third(d: FloatArray) -> FloatArray:
    """Rotation (3, 3) that takes the direction of d onto the third axis."""
    third = d / np.linalg.norm(d)
    helper = np.eye(3)[int(np.argmin(np.abs(third)))]
    first = np.cross(helper, third)
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(third, first), third])


@njit(cache=True)
def _box_span(box, matrix, offset, y, x):  # type: ignore[no-untyped-def]
    """Depths between which the line of sight at (y, x) runs inside a box; empty: low > high."""
    low, high = -math.inf, math.inf
    for i in range(3):
        q = matrix[i, 1] * y + matrix[i, 2] * x + offset[i]
        d = matrix[i, 0]
        if abs(d) < 1e-12:
            if q < box[0, i] or q > box[1, i]:
                return math.inf, -math.inf
        else:
            a, b = (box[0, i] - q) / d, (box[1, i] - q) / d
            low, high = max(low, min(a, b)), min(high, max(a, b))
    return low, high


@njit(cache=True)
def _slope(matrix, g0, g1, g2):  # type: ignore[no-untyped-def]
    """Slope dz/dy, dz/dx of a surface whose normal in the capsules' space is g."""
    nz = matrix[0, 0] * g0 + matrix[1, 0] * g1 + matrix[2, 0] * g2
    ny = matrix[0, 1] * g0 + matrix[1, 1] * g1 + matrix[2, 1] * g2
    nx = matrix[0, 2] * g0 + matrix[1, 2] * g1 + matrix[2, 2] * g2
    # A grazing line of sight: steeper than any picture shows.
    if abs(nz) < 1e-6:
        nz = 1e-6 if nz >= 0 else -1e-6
    return -ny / nz, -nx / nz


@njit(parallel=True, cache=True)
def _trace(  # type: ignore[no-untyped-def]
    counts, starts, ends, slopes, strands, counting, collector, voxel, segments, radii, owner,
    boxes, matrix, offset, lines, start, low, cell, bins, cells, members,
):  # fmt: skip
    ny, nx = collector.shape
    longest = boxes.shape[0]
    for b in range(cells.shape[0] - 1):
        longest = max(longest, boxes.shape[0] + cells[b + 1] - cells[b])
    for iy in prange(ny):
        begin, end = np.empty(longest), np.empty(longest)
        which = np.empty(longest, dtype=np.int64)
        for ix in range(nx):
            y, x = iy * voxel[0], ix * voxel[1]
            px = lines[0, 1] * y + lines[0, 2] * x + start[0]
            py = lines[1, 1] * y + lines[1, 2] * x + start[1]
            pz = lines[2, 1] * y + lines[2, 2] * x + start[2]
            n = 0
            b = int((px - low[0]) // cell) * bins[1] + int((py - low[1]) // cell)
            first = cells[b]
            fibres = cells[b + 1] - first
            for m in range(fibres + boxes.shape[0]):
                s = -1 - (m - fibres)
                if m < fibres:
                    s = members[first + m]
                    if radii[s, 0] == radii[s, 1]:
                        a, z = chord(segments[s], radii[s, 0], px, py)
                    else:
                        a, z = cone_chord(segments[s], radii[s, 0], radii[s, 1], px, py)
                    a, z = (a - pz) / lines[2, 0], (z - pz) / lines[2, 0]
                else:
                    a, z = _box_span(boxes[m - fibres], matrix, offset, y, x)
                z = min(z, collector[iy, ix])
                if a < z:
                    k = n
                    while k > 0 and begin[k - 1] > a:
                        begin[k], end[k], which[k] = begin[k - 1], end[k - 1], which[k - 1]
                        k -= 1
                    begin[k], end[k], which[k] = a, z, s
                    n += 1
            at = starts[iy * nx + ix]
            pieces, i = 0, 0
            while i < n:
                last = i
                j = i + 1
                while j < n and begin[j] <= end[last] + _TOUCHING_UM:
                    if end[j] > end[last]:
                        last = j
                    j += 1
                if not counting:
                    for side in range(2):
                        m = i if side == 0 else last
                        s, depth = which[m], begin[m] if side == 0 else end[m]
                        ends[at + pieces, side] = depth
                        if s >= 0:
                            strands[at + pieces, side] = owner[s]
                            q2 = pz + lines[2, 0] * depth
                            _, v0, v1, v2, _ = nearest_ball(segments[s], radii[s], px, py, q2)
                            p, q = _slope(lines, v0, v1, v2)
                        else:
                            p, q = _slope(matrix, 0.0, 0.0, 1.0)
                        slopes[at + pieces, side, 0], slopes[at + pieces, side, 1] = p, q
                pieces += 1
                i = j
            if counting:
                counts[iy, ix] = pieces
