"""Look for a slab along the columns of a scan: bright, flat on top, full, alone below a print."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

FloatArray = NDArray[np.float64]
Grey = NDArray[np.float32]
Mask = NDArray[np.bool_]

# Columns looked at along each side of the scan: a thousandth of a degree is not wanted here.
_COLUMNS = 160
# Share of columns that end on the plane between the lowest fibres. Prints are mostly open.
_LEAST_OPEN = 0.25
# Share of the plane's columns that a slab fills, and how far beyond the print a smaller one goes.
_FULL, _WIDER = 0.9, 1.1
# Share of bright voxels beyond the slab's far face that specks may make.
_BEYOND = 0.005
# Share of the columns under a print in which it touches the plate. Fibres of one layer cover a
# tenth of the plan and more; a print that has curled off still touches with a part of them.
_LEAST_TOUCHED = 0.02
_STEEPEST = math.tan(math.radians(18.0))
# Thinner than this, in voxels, is a film whose two faces blur into each other.
THINNEST_VOX = 3.0


@dataclass(frozen=True)
class SlabFace:
    """A plane over columns in voxels: height = a + b · row + c · column, seen along one axis."""

    axis: int
    flipped: bool
    plane: FloatArray
    thickness: float
    inliers: int

    def heights(self, rows: NDArray[Any], columns: NDArray[Any]) -> FloatArray:
        """Return the plane's heights over columns, in voxels."""
        return np.asarray(self.plane[0] + self.plane[1] * rows + self.plane[2] * columns)


def slab_face(seen: Grey, level: np.float32, axis: int, flipped: bool) -> SlabFace | None:
    """Look along the columns from the far side: is the first bright thing a slab with a plane?"""
    n = seen.shape[0]
    strides = [max(1, math.ceil(m / _COLUMNS)) for m in seen.shape[1:]]
    if n < 8 or min(seen.shape[1:]) < 16:
        return None
    bright = seen[:, :: strides[0], :: strides[1]] > level
    grid = np.indices(bright.shape[1:]).reshape(2, -1)
    rows: FloatArray = grid[0] * float(strides[0])
    columns: FloatArray = grid[1] * float(strides[1])
    bright = bright.reshape(n, -1)
    first = bright.argmax(axis=0)
    hit = bright.any(axis=0)
    after = np.where(np.arange(n)[:, None] >= first, ~bright, False)
    ends = hit & after.any(axis=0)
    top = after.argmax(axis=0) - 0.5
    if np.count_nonzero(ends) < _LEAST_OPEN * first.size:
        return None
    plane = _common_plane(rows[ends], columns[ends], top[ends])
    if plane is None or max(abs(plane[1]), abs(plane[2])) > _STEEPEST * 1.1:
        return None
    height = plane[0] + plane[1] * rows + plane[2] * columns
    on = ends & (np.abs(top - height) < 1.5)
    inside = (height > THINNEST_VOX) & (height < n - 3)
    if not inside.any() or np.count_nonzero(on) < _LEAST_OPEN * np.count_nonzero(inside):
        return None
    # Where the scan's own end cuts the slab its thickness is not seen.
    whole = on & (first > 0)
    cut = np.count_nonzero(whole) < 0.1 * np.count_nonzero(on)
    thickness = float(np.max(top[on]) if cut else np.median((top - first)[whole])) + 0.5
    face = SlabFace(axis, flipped, plane, thickness, int(np.count_nonzero(on)))
    alone = _stands_alone(bright, face, height, inside, rows, columns)
    return face if thickness >= THINNEST_VOX and alone else None


def _common_plane(rows: FloatArray, columns: FloatArray, top: FloatArray) -> FloatArray | None:
    """Return the plane (a, b, c) that most tops lie on: tried on triples, then fitted."""
    a = np.stack([np.ones_like(rows), rows, columns], axis=1)
    # Triples are drawn anew from the same seed: the same scan gives the same plane.
    rng = np.random.default_rng(1)
    best: FloatArray | None = None
    most = 0
    for _ in range(150):
        pick = rng.integers(0, top.size, 3)
        if abs(np.linalg.det(a[pick])) < 1e-6:
            continue
        plane = np.asarray(np.linalg.solve(a[pick], top[pick]), dtype=np.float64)
        count = int(np.count_nonzero(np.abs(a @ plane - top) < 1.5))
        if count > most:
            best, most = plane, count
    for _ in range(4):
        if best is None:
            return None
        near = np.abs(a @ best - top) < 1.5
        if np.count_nonzero(near) < 12:
            return None
        best = np.asarray(np.linalg.lstsq(a[near], top[near], rcond=None)[0], dtype=np.float64)
    return best


def _stands_alone(
    bright: Mask,
    face: SlabFace,
    height: FloatArray,
    inside: Mask,
    rows: FloatArray,
    columns: FloatArray,
) -> bool:
    """Tell a plate from a film of the print's own, a membrane within it, and a plain block."""
    n = bright.shape[0]
    level = np.arange(n)[:, None]
    above = (bright & (level > height + 3.0)).any(axis=0)
    if not 0.01 < np.count_nonzero(above) / above.size < 0.95:
        return False
    # A sheet that a print does not touch (tape beside it) is no plate under it: somewhere the
    # lowest fibres rise from the face itself.
    close = bright & (level > height + 1.5) & (level < height + 3.5)
    if np.count_nonzero(close.any(axis=0) & inside) < _LEAST_TOUCHED * np.count_nonzero(above):
        return False
    far = level < height - face.thickness - 2.0
    seen = int(np.count_nonzero(far))
    if int(np.count_nonzero(bright & far)) > _BEYOND * max(seen, 1):
        return False
    middle = np.rint(height - 0.5 * min(face.thickness, 12.0)).astype(np.int64)
    there = inside & (middle >= 0)
    filled = there.copy()
    filled[there] = bright[middle[there], np.flatnonzero(there)]
    if not there.any() or not filled.any():
        return False
    if np.count_nonzero(filled) >= _FULL * np.count_nonzero(there):
        return True
    plan = np.stack([rows, columns], axis=1)
    try:
        slab, piece = ConvexHull(plan[filled]), ConvexHull(plan[above])
    except QhullError:
        return False
    within = (plan @ slab.equations[:, :2].T + slab.equations[:, 2] <= 1e-9).all(axis=1) & there
    whole = np.count_nonzero(filled & within) >= 0.97 * np.count_nonzero(within)
    # Hull "volume" is area in the plane.
    return bool(whole and float(slab.volume) >= _WIDER * float(piece.volume))
