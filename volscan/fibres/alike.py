"""Walls of one family are written alike: pieces of paths put together by the shape they share.

Seen from above, walls that cross at a slant share stretches, and a path may take the wrong turn
there or end. The family's other walls pass the same stretch elsewhere: their common shape, moved
across or mirrored, tells how each wall goes on.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.paths import WallPath, smoothed
from volscan.geometry import FloatArray

# A piece has the shape when it strays from it by less than this share of the thickness (median).
_STRAY = 0.3
# Mirrored only when that halves the stray: a straight piece is both.
_MIRRORED_GAIN = 0.5
# A piece this much of which runs back is no function of the place along.
_MOST_BACK = 0.05
# Pieces with less than this share of the whole length in common say nothing of all.
_LEAST_ALIKE = 0.5
_ROUNDS = 3
_FEWEST_PLACES = 6


def alike_walls(
    paths: list[WallPath],
    clear: Callable[[FloatArray], NDArray[np.bool_]],
    *,
    thickness_um: float,
) -> list[WallPath]:
    """Return whole walls for pieces of paths, where the family's walls share a shape.

    Parameters
    ----------
    paths
        Pieces, in the family's axes.
    clear
        Tells of places (m, 2) whether no other family's wall is near, so that the piece is to be
        trusted there.
    thickness_um
        Usual thickness of a wall.

    Returns
    -------
    list
        A path over the family's whole length for each wall; the pieces as they were where they
        share no shape. What does not have the shape is kept where it is not within a wall.
    """
    if len(paths) < 2:
        return paths
    step = 0.5 * thickness_um
    low = min(float(p.points_um[:, 0].min()) for p in paths)
    high = max(float(p.points_um[:, 0].max()) for p in paths)
    grid: FloatArray = low + step * np.arange(
        max(2, math.ceil((high - low) / step) + 1), dtype=np.float64
    )
    rows = np.array([_told(p, clear, grid) for p in paths])
    told = np.isfinite(rows).sum(axis=1)
    if told.max() < _FEWEST_PLACES:
        return paths
    shape = rows[int(np.argmax(told))]
    for _ in range(_ROUNDS):
        signs, offsets, strays = _fitted(rows, shape)
        alike = strays < _STRAY * thickness_um
        if alike.sum() < 2 or told[alike].sum() < _LEAST_ALIKE * told.sum():
            return paths
        moved = signs[alike, None] * (rows[alike] - offsets[alike, None])
        seen = np.isfinite(moved).any(axis=0)
        shape = np.full(grid.size, np.nan)
        shape[seen] = np.nanmedian(moved[:, seen], axis=0)
    first, last = np.flatnonzero(seen)[[0, -1]]
    grid, shape = grid[first : last + 1], shape[first : last + 1]
    shape = smoothed(shape[:, None], step, 3.0 * thickness_um)[:, 0]
    walls = []
    for sign in (1.0, -1.0):
        own = np.flatnonzero(alike & (signs == sign))
        for group in _together(own[np.argsort(offsets[own])], offsets, 0.6 * thickness_um):
            across = float(np.average(offsets[group], weights=told[group]))
            walls.append(WallPath(np.stack([grid, across + sign * shape], axis=1)).resampled(step))
    others = [p for p, same in zip(paths, alike, strict=True) if not same]
    return walls + [p for p in others if not _within(p, walls, thickness_um)]


def _told(
    path: WallPath, clear: Callable[[FloatArray], NDArray[np.bool_]], grid: FloatArray
) -> FloatArray:
    """Return a piece's places across on a grid along; NaN where it does not tell."""
    points = path.points_um
    if np.mean(np.diff(points[:, 0]) <= 0) > _MOST_BACK:
        return np.full(grid.size, np.nan)
    along = np.maximum.accumulate(points[:, 0])
    trusted = np.interp(grid, along, clear(points).astype(float)) > 0.5
    inside = (grid >= along[0]) & (grid <= along[-1])
    return np.where(trusted & inside, np.interp(grid, along, points[:, 1]), np.nan)


def _fitted(rows: FloatArray, shape: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return each piece's sign, offset across, and stray from the shape."""
    signs, offsets = np.ones(len(rows)), np.zeros(len(rows))
    strays = np.full(len(rows), np.inf)
    for i, row in enumerate(rows):
        for sign, gain in ((1.0, 1.0), (-1.0, _MIRRORED_GAIN)):
            off = row - sign * shape
            off = off[np.isfinite(off)]
            if off.size < _FEWEST_PLACES:
                continue
            middle = float(np.median(off))
            stray = float(np.median(np.abs(off - middle)))
            if stray < gain * strays[i]:
                signs[i], offsets[i], strays[i] = sign, middle, stray
    return signs, offsets, strays


def _together(
    order: NDArray[np.intp], offsets: FloatArray, apart_um: float
) -> list[NDArray[np.intp]]:
    """Split pieces, in order across, where the next one stands apart."""
    if order.size == 0:
        return []
    cuts = np.flatnonzero(np.diff(offsets[order]) > apart_um) + 1
    return list(np.split(order, cuts))


def _within(path: WallPath, walls: list[WallPath], thickness_um: float) -> bool:
    """Whether most of a piece lies in walls that are told already."""
    near = np.zeros(len(path.points_um), np.bool_)
    for wall in walls:
        gaps = np.linalg.norm(path.points_um[:, None] - wall.points_um[None], axis=2)
        near |= gaps.min(axis=1) < thickness_um
    return bool(near.mean() > 0.5)
