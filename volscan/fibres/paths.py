"""Paths of curved walls in plan view: places along and across a polyline, and the way back."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.geometry import FloatArray
from volscan.polyline import arc_lengths


@dataclass(frozen=True)
class WallPath:
    """A wall's path in its family's plane: corners (m, 2), µm along and across the mean line.

    It runs the way the family does, from small to large along. Arc length starts at 0.
    """

    points_um: FloatArray

    @property
    def arc_um(self) -> FloatArray:
        """Arc length at each corner (m,)."""
        return arc_lengths(self.points_um)

    @property
    def length_um(self) -> float:
        """Length of the whole path."""
        return float(self.arc_um[-1])

    def normals(self) -> FloatArray:
        """Return the left normal (m, 2) at each corner: of the chord between its neighbours."""
        chord = np.empty_like(self.points_um)
        chord[1:-1] = self.points_um[2:] - self.points_um[:-2]
        chord[0] = self.points_um[1] - self.points_um[0]
        chord[-1] = self.points_um[-1] - self.points_um[-2]
        length = np.linalg.norm(chord, axis=1, keepdims=True)
        chord = chord / np.where(length > 0, length, 1.0)
        return np.stack([-chord[:, 1], chord[:, 0]], axis=1)

    def at(self, arc_um: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return places and left normals, each (k, 2), at arc lengths; carried on straight."""
        own = self.arc_um
        place = np.stack([np.interp(arc_um, own, self.points_um[:, k]) for k in (0, 1)], axis=1)
        normal = np.stack([np.interp(arc_um, own, self.normals()[:, k]) for k in (0, 1)], axis=1)
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        over = np.asarray(arc_um) - np.clip(arc_um, own[0], own[-1])
        ahead = np.stack([normal[:, 1], -normal[:, 0]], axis=1)
        return np.asarray(place + over[:, None] * ahead), np.asarray(normal)

    def moved(self, arc_um: FloatArray, across_um: FloatArray) -> WallPath:
        """Return the path moved along its normals by `across_um` given at arc lengths."""
        by = np.interp(self.arc_um, arc_um, across_um)
        return WallPath(self.points_um + by[:, None] * self.normals())

    def resampled(self, step_um: float) -> WallPath:
        """Return the path with corners an even step apart, near `step_um`."""
        count = max(2, round(self.length_um / step_um) + 1)
        place, _ = self.at(np.linspace(0.0, self.length_um, count))
        return WallPath(place)

    def lengthened(self, by_um: float) -> WallPath:
        """Return the path carried on straight at both ends."""
        whole = self.length_um
        ends, _ = self.at(np.array([-by_um, whole + by_um]))
        return WallPath(np.vstack([ends[:1], self.points_um, ends[1:]]))

    def cut(self, start_um: float, end_um: float) -> WallPath:
        """Return the part between two arc lengths."""
        own = self.arc_um
        inside = (own > start_um) & (own < end_um)
        ends, _ = self.at(np.array([start_um, end_um]))
        return WallPath(np.vstack([ends[:1], self.points_um[inside], ends[1:]]))


def smoothed(values: FloatArray, step_um: float, window_um: float) -> FloatArray:
    """Smooth evenly spaced values (m, k) by local cubics over a window; NaN is left out.

    Local regression with tricube weights (W. S. Cleveland, 1979, J. Am. Stat. Assoc. 74, 829).
    A cubic keeps bends that a mean would flatten.
    """
    values = np.asarray(values, dtype=np.float64)
    m = values.shape[0]
    half = max(2.5, 0.5 * window_um / step_um)
    out = np.full_like(values, np.nan)
    good = np.isfinite(values).all(axis=1)
    index = np.flatnonzero(good)
    if index.size < 2:
        return out
    for i in range(m):
        reach = half
        near = index[np.abs(index - i) <= reach]
        while near.size < 6 and near.size < index.size:
            reach *= 1.5
            near = index[np.abs(index - i) <= reach]
        u = (near - i) / (reach + 0.5)
        weight = (1.0 - np.abs(u) ** 3) ** 3
        inside = near.min() < i < near.max()
        degree = min(3 if inside else 1, near.size - 1)
        basis = np.vander(u, degree + 1) * np.sqrt(weight)[:, None]
        fit, *_ = np.linalg.lstsq(basis, values[near] * np.sqrt(weight)[:, None], rcond=None)
        out[i] = fit[-1]
    return out


def turned_at(points_um: FloatArray, *, window: int = 3, legs: bool = False) -> list[FloatArray]:
    """Cut a path where it turns back on its own main direction, and trim the turns.

    A layer written in one stroke runs there and back: its walls are joined by loops. A path is
    cut where its heading passes a right angle to its main direction; from such a cut it is
    trimmed back until the heading is one that the path has elsewhere. Headings are told over
    `window` corners, so that a hook where two walls were joined is no turn. With `legs`, one that
    leans back between two stretches that run on is no turn either, as in re-entrant cells.
    """
    headings = _headings(points_um, window)
    if headings is None:
        return []
    off, cuts, ahead = headings
    if legs:
        cuts = _without_legs(cuts, ahead)
    if cuts.size == 0:
        return [points_um]
    slant = np.minimum(np.abs(off), math.pi - np.abs(off))
    usual = float(np.percentile(slant, 75)) + math.radians(10.0)
    pieces = []
    bounds = [0, *cuts.tolist(), off.size]
    for a, b in itertools.pairwise(bounds):
        first, last = a, b
        while a > 0 and first < last and slant[first] > usual:
            first += 1
        while b < off.size and last > first and slant[last - 1] > usual:
            last -= 1
        if last > first:
            pieces.append(points_um[first : last + 1])
    return pieces


def legs_of(points_um: FloatArray, *, window: int = 3) -> int:
    """Return how many legs of a path lean back between two stretches that run on."""
    headings = _headings(points_um, window)
    if headings is None:
        return 0
    _, cuts, ahead = headings
    return (cuts.size - _without_legs(cuts, ahead).size) // 2


def _headings(
    points_um: FloatArray, window: int
) -> tuple[FloatArray, NDArray[np.int64], FloatArray] | None:
    """Return headings off the main direction, where they pass a right angle, and places along it.

    None for a path without length.
    """
    last = len(points_um) - 1
    at = np.arange(last)
    step = points_um[np.minimum(at + window, last)] - points_um[np.maximum(at - window + 1, 0)]
    length = np.linalg.norm(step, axis=1)
    if length.sum() == 0:
        return None
    heading = np.arctan2(step[:, 1], step[:, 0])
    # Mean of doubled angles: there and back are one direction.
    double = float(np.angle(np.sum(length * np.exp(2j * heading))))
    off = np.angle(np.exp(1j * (heading - 0.5 * double)))
    forward = np.cos(off) > 0
    cuts = np.flatnonzero(forward[1:] != forward[:-1]) + 1
    return off, cuts, points_um @ np.array([math.cos(0.5 * double), math.sin(0.5 * double)])


def _without_legs(cuts: NDArray[np.int64], ahead_um: FloatArray) -> NDArray[np.int64]:
    """Leave out both cuts of a run that leans back less than a third of how far its ends run on."""
    kept = [int(c) for c in cuts]
    k = 0
    while k + 1 < len(kept):
        before = kept[k - 1] if k > 0 else 0
        after = kept[k + 2] if k + 2 < len(kept) else len(ahead_um) - 1
        own = abs(float(ahead_um[kept[k + 1]] - ahead_um[kept[k]]))
        runs = (ahead_um[kept[k]] - ahead_um[before], ahead_um[after] - ahead_um[kept[k + 1]])
        if 3.0 * own < min(abs(float(r)) for r in runs):
            del kept[k : k + 2]
        else:
            k += 1
    return np.array(kept, dtype=np.int64)
