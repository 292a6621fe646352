"""Shapes that no print has: the wall of a sample tube, a sheet across the field."""

from __future__ import annotations

import cc3d
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Points of a body that shapes are fitted to.
_POINTS = 20_000
# Full walls have no holes; this leaves room for noise. Welded windings of a tube have pores.
_FULL = 0.93
# Cells by which a wall's points may stray from its circle.
_ROUND = 2.0


def outside_share(body: Mask, rest: Mask) -> float:
    """Return the share of a body that lies outside the hull of the rest (0 without a hull)."""
    points = _some(np.argwhere(rest))
    try:
        hull = ConvexHull(points)
    except (QhullError, ValueError):
        return 0.0
    own = _some(np.argwhere(body))
    inside = np.ones(len(own), np.bool_)
    for plane in hull.equations:
        inside &= own @ plane[:-1] + plane[-1] <= 0.5
    return float(1.0 - inside.mean())


def tube_wall(bright: Mask) -> Mask | None:
    """Return the cells of a tube along z with something loose inside; None without one.

    The outermost bright cells of every row and column of a slice lie on the tube; a circle whose
    centre may drift with z is fitted to them (least squares on x² + y² = 2 a x + 2 b y + c, the
    worst points dropped in turn).
    """
    nz, ny, nx = bright.shape
    if min(ny, nx) < 32 or nz < 8:
        return None
    slices = np.unique(np.linspace(0, nz - 1, min(nz, 32)).astype(int))
    points = np.concatenate([_outermost(bright[k], k) for k in slices])
    if len(points) < 200:
        return None
    fit = _circle(points, (ny, nx))
    if fit is None:
        return None
    z, y, x = np.arange(nz)[:, None, None], np.arange(ny)[:, None], np.arange(nx)
    cy, cx, radius = fit[0] + fit[1] * z, fit[2] + fit[3] * z, fit[4]
    off = np.hypot(y - cy, x - cx) - radius
    if radius < 0.25 * min(ny, nx):
        return None
    shares, edges = _radial_share(bright, off)
    top = np.flatnonzero((shares >= _FULL) & (np.abs(edges) <= 6.0))
    if top.size == 0:
        return None
    half = shares >= 0.5 * _FULL
    first = last = int(top[np.argmin(np.abs(edges[top]))])
    while first > 0 and half[first - 1]:
        first -= 1
    while last < half.size - 1 and half[last + 1]:
        last += 1
    thickness = edges[last] - edges[first] + 1
    inner = off < edges[first] - 3.0
    loose = int(np.count_nonzero(bright & inner))
    wall = (off >= edges[first] - 1.5) & (off <= edges[last] + 1.5)
    own = int(np.count_nonzero(bright & wall))
    gap = (off >= edges[first] - 5.0) & inner
    if thickness > 0.3 * radius or own == 0:
        return None
    # A print wound on a mandrel has nothing loose inside it, or a mandrel that fills it.
    if not 0.05 * own < loose < 0.4 * np.count_nonzero(inner):
        return None
    if np.count_nonzero(bright & gap) > 0.3 * np.count_nonzero(gap):
        return None
    return np.asarray(bright & (off >= edges[first] - 2.5))


def _outermost(piece: Mask, k: int) -> FloatArray:
    """Return (z, y, x) of the first and last bright cell of each row and column."""
    out = []
    for turned in (False, True):
        view = piece.T if turned else piece
        lines = np.flatnonzero(view.any(axis=1))
        if lines.size == 0:
            continue
        first = view[lines].argmax(axis=1)
        last = view.shape[1] - 1 - view[lines, ::-1].argmax(axis=1)
        for at in (first, last):
            pair = (at, lines) if turned else (lines, at)
            out.append(np.stack([np.full(lines.size, k), *pair], axis=1))
    return np.concatenate(out).astype(np.float64) if out else np.empty((0, 3))


def _circle(points: FloatArray, size: tuple[int, int]) -> FloatArray | None:
    """Return y, its change with z, x, its change with z, and the radius; None without a circle."""
    keep = np.ones(len(points), np.bool_)
    z, y, x = points.T
    fit = np.zeros(5)
    off = np.zeros(len(points))
    for turn in range(12):
        a = np.stack([2 * y, 2 * y * z, 2 * x, 2 * x * z, np.ones_like(y)], axis=1)[keep]
        c = np.linalg.lstsq(a, (y**2 + x**2)[keep], rcond=None)[0]
        cy, cx = c[0] + c[1] * z, c[2] + c[3] * z
        square = c[4] + float(np.mean(cy[keep] ** 2 + cx[keep] ** 2))
        if square <= 0:
            return None
        off = np.hypot(y - cy, x - cx) - np.sqrt(square)
        fit = np.array([c[0], c[1], c[2], c[3], np.sqrt(square)])
        spread = float(np.median(np.abs(off[keep])))
        keep = np.abs(off) <= max(_ROUND, (4.0 if turn < 6 else 2.5) * spread)
        if np.count_nonzero(keep) < 100:
            return None
    near = np.abs(off) <= _ROUND
    turns = np.arctan2(y - cy, x - cx)[near]
    seen = np.unique(np.floor((turns + np.pi) / (2 * np.pi) * 72)).size
    good = np.count_nonzero(near) >= 0.6 * len(points) and seen >= 0.7 * 72
    return fit if good and max(abs(fit[1]), abs(fit[3])) < 0.2 else None


def _radial_share(bright: Mask, off: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the share of bright cells by distance from the circle, one cell a bin."""
    low = -40
    bins = np.clip(np.rint(off).astype(np.int64) - low, 0, 80).ravel()
    total = np.bincount(bins, minlength=81)
    full = np.bincount(bins, weights=bright.ravel(), minlength=81)
    edges = np.arange(81, dtype=np.float64) + low
    share = full / np.maximum(total, 1)
    share[[0, 80]] = 0.0
    return np.asarray(share, dtype=np.float64), edges


def sheet_cells(bright: Mask, spacing_um: tuple[float, ...]) -> list[Mask]:
    """Return loose sheets that cross the field, without holes, everything else on one side.

    Walls of a print of one direction are sheets too, but have others of their kind beside them.
    """
    labels, count = cc3d.connected_components(bright, connectivity=26, return_N=True)
    if not count > 1:
        return []
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    sizes[0] = 0
    total = int(sizes.sum())
    large = [int(k) for k in np.argsort(-sizes)[:12] if sizes[k] >= max(0.005 * total, 200)]
    if len(large) < 2:
        return []
    points = {
        k: np.asarray(_some(np.argwhere(labels == k)) * np.array(spacing_um), np.float64)
        for k in large
    }
    forms = {k: _sheet_form(points[k]) for k in large}
    out = []
    for k in large:
        normal, middle, thickness, extents = forms[k]
        if thickness > 0.2 * extents[0]:
            continue
        body = np.asarray(labels == k)
        if not _crosses(body) or _holes(body, normal):
            continue
        others = [j for j in large if j != k]
        if any(_alike(forms[k], forms[j], sizes[k], sizes[j]) for j in others):
            continue
        rest = np.concatenate([points[j] for j in others])
        side = (rest - middle) @ normal
        if max(np.mean(side > 0), np.mean(side < 0)) >= 0.99 and sizes[k] < 0.9 * total:
            out.append(body)
    return out


def _sheet_form(points: FloatArray) -> tuple[FloatArray, FloatArray, float, FloatArray]:
    """Return normal, middle, thickness and the two other extents (the shorter first)."""
    middle = points.mean(axis=0)
    _, vectors = np.linalg.eigh(np.cov((points - middle).T))
    along = (points - middle) @ vectors
    extents = np.ptp(np.percentile(along, [1, 99], axis=0), axis=0)
    return vectors[:, 0], middle, float(extents[0]), np.sort(extents[1:])


def _crosses(body: Mask) -> bool:
    """Tell whether a body reaches two opposite faces of the scan."""
    for axis in range(3):
        other = tuple(a for a in range(3) if a != axis)
        seen = np.asarray(body.any(axis=other))
        if seen[0] and seen[-1]:
            return True
    return False


def _holes(body: Mask, normal: FloatArray) -> bool:
    """Tell whether one can look through a sheet: its shadow along the nearest axis is not full."""
    axis = int(np.argmax(np.abs(normal)))
    shadow = body.any(axis=axis)
    rows, columns = np.nonzero(shadow)
    try:
        area = float(ConvexHull(np.stack([rows, columns], axis=1)).volume)
    except QhullError:
        return True
    return bool(shadow.sum() < _FULL * area)


def _alike(
    one: tuple[FloatArray, FloatArray, float, FloatArray],
    other: tuple[FloatArray, FloatArray, float, FloatArray],
    size: int,
    other_size: int,
) -> bool:
    """Tell whether another body is a sheet along the same plane and about as large."""
    parallel = abs(float(one[0] @ other[0])) > np.cos(np.radians(15.0))
    return bool(parallel and other[2] < 0.3 * other[3][0] and 0.3 * size < other_size < size / 0.3)


def _some(points: NDArray[np.int64]) -> NDArray[np.int64]:
    return points[:: max(1, len(points) // _POINTS)]
