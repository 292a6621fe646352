"""Walls of one family are written alike: pieces of paths put together by the shape they share.

Seen from above, walls that cross at a slant share stretches, and a path may take the wrong turn
there or end. The family's other walls pass the same stretch elsewhere: their common shape, moved
across or mirrored, tells how each wall goes on.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.paths import WallPath, smoothed
from volscan.geometry import FloatArray

# A piece has the shape where it strays from it by less than this share of the thickness.
_STRAY = 0.3
# Mirrored only where that holds this many times the places.
_MIRRORED_GAIN = 1.3
# A piece is at least this share of its path, and a wall is told at this share of its places.
_LEAST_PIECE, _LEAST_TOLD = 0.35, 0.2
# A piece this much of which runs back is no function of the place along.
_MOST_BACK = 0.15
# Pieces with less than this share of the whole length in common say nothing of all.
_LEAST_ALIKE = 0.5
_ROUNDS = 3
_FEWEST_PLACES = 6


@dataclass(frozen=True)
class Alike:
    """Walls put together, numbers of the strangers that joined, and places that have the shape.

    What does not have the shape is among the walls where it is not within one.
    """

    walls: list[WallPath]
    joined: list[int]
    places: int


def alike_walls(
    paths: list[WallPath],
    clear: Callable[[FloatArray], NDArray[np.bool_]],
    *,
    thickness_um: float,
    strangers: Sequence[WallPath] = (),
) -> Alike:
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
    strangers
        Pieces that run another way, in the same axes: those that have the shape join.

    Returns
    -------
    Alike
        Whole walls, which strangers went into them, and how many places have the shape; the
        pieces as they were where they share none.
    """
    if len(paths) < 2 and not strangers:
        return Alike(paths, [], 0)
    step = 0.5 * thickness_um
    low = min(float(p.points_um[:, 0].min()) for p in paths)
    high = max(float(p.points_um[:, 0].max()) for p in paths)
    count = max(2, math.ceil((high - low) / step) + 1)
    grid: FloatArray = low + step * np.arange(count, dtype=np.float64)
    rows = np.array([_told(p, clear, grid) for p in (*paths, *strangers)])
    told = np.isfinite(rows).sum(axis=1)
    own = len(paths)
    if told[:own].max() < _FEWEST_PLACES:
        return Alike(paths, [], 0)
    shape = rows[int(np.argmax(told[:own]))]
    pieces: list[_Piece] = []
    for _ in range(_ROUNDS):
        pieces = [
            piece
            for i, row in enumerate(rows)
            for piece in _pieces_of(row, shape, i, _STRAY * thickness_um)
        ]
        within = np.bincount(
            np.array([p.row for p in pieces], dtype=np.int64),
            np.array([p.size for p in pieces], dtype=np.float64),
            minlength=len(rows),
        )
        if len(pieces) < 2 or within[:own].sum() < _LEAST_ALIKE * told[:own].sum():
            return Alike(paths, [], 0)
        moved = np.array(
            [np.where(p.places, p.sign * (rows[p.row] - p.offset), np.nan) for p in pieces]
        )
        seen = np.isfinite(moved).any(axis=0)
        shape = np.full(grid.size, np.nan)
        shape[seen] = np.nanmedian(moved[:, seen], axis=0)
    first, last = np.flatnonzero(seen)[[0, -1]]
    grid, shape = grid[first : last + 1], shape[first : last + 1]
    shape = smoothed(shape[:, None], step, 3.0 * thickness_um)[:, 0]
    walls = []
    for group in _together(pieces, 0.6 * thickness_um):
        sizes = [p.size for p in group]
        if sum(sizes) < _LEAST_TOLD * grid.size:
            continue
        across = float(np.average([p.offset for p in group], weights=sizes))
        line = across + group[0].sign * shape
        walls.append(WallPath(np.stack([grid, line], axis=1)).resampled(step))
    strange = within < _LEAST_ALIKE * told
    others = [p for p, away in zip(paths, strange[:own], strict=True) if away]
    joined = [i for i, away in enumerate(strange[own:]) if not away and told[own + i] > 0]
    apart = [p for p in others if not _within(p, walls, thickness_um)]
    return Alike(walls + apart, joined, int(within.sum()))


@dataclass(frozen=True)
class _Piece:
    """Part of a row that has the shape: which row, mirrored or not, moved by what, where."""

    row: int
    sign: float
    offset: float
    places: NDArray[np.bool_]

    @property
    def size(self) -> int:
        """At how many places it is told."""
        return int(self.places.sum())


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


def _pieces_of(row: FloatArray, shape: FloatArray, number: int, within_um: float) -> list[_Piece]:
    """Return the parts of a row that have the shape, each moved by its own offset.

    A path that takes a wrong turn runs along one wall and then along another: it is two pieces.
    """
    found: list[_Piece] = []
    left = np.isfinite(row) & np.isfinite(shape)
    whole = int(left.sum())
    while left.sum() >= _FEWEST_PLACES:
        best: _Piece | None = None
        for sign in (1.0, -1.0):
            off = row - sign * shape
            values = np.sort(off[left])
            # The window that holds most, and its median.
            ends = np.searchsorted(values, values + 2.0 * within_um, side="right")
            start = int(np.argmax(ends - np.arange(values.size)))
            middle = float(np.median(values[start : ends[start]]))
            places = left & (np.abs(off - middle) < within_um)
            # Mirrored only where that holds clearly more: a straight piece is both.
            gain = 1.0 if sign > 0 else _MIRRORED_GAIN
            if best is None or places.sum() > gain * best.size:
                best = _Piece(number, sign, middle, places)
        assert best is not None
        if best.size < max(_FEWEST_PLACES, _LEAST_PIECE * whole):
            break
        found.append(best)
        left = left & ~best.places
    return found


def _together(pieces: list[_Piece], apart_um: float) -> list[list[_Piece]]:
    """Group pieces of one sign that stand no farther apart than this."""
    groups: list[list[_Piece]] = []
    for piece in sorted(pieces, key=lambda p: (p.sign, p.offset)):
        last = groups[-1][-1] if groups else None
        if last is None or last.sign != piece.sign or piece.offset - last.offset > apart_um:
            groups.append([])
        groups[-1].append(piece)
    return groups


def _within(path: WallPath, walls: list[WallPath], thickness_um: float) -> bool:
    """Whether most of a piece lies in walls that are told already."""
    near = np.zeros(len(path.points_um), np.bool_)
    for wall in walls:
        gaps = np.linalg.norm(path.points_um[:, None] - wall.points_um[None], axis=2)
        near |= gaps.min(axis=1) < thickness_um
    return bool(near.mean() > 0.5)
