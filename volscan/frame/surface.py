"""The surface that a print was laid on, as it lies in the scan: flat, or bent after release.

Seen over a small tile of the plan, the solid has a profile of heights: base, layers, top. Where
the print is flat all tiles show the same profile; where it is bent each is shifted by the height
of the surface there. The shifts are read off by laying the slope of a tile's profile over that of
all others; a smooth surface through them is taken off all heights, and the rest is read anew.
Tiles are a pitch and a half wide, so that each holds at least a whole crossing, and only crossings
are looked at where they can be told: between them fibres sag without the print being bent.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator
from scipy.ndimage import convolve1d, distance_transform_edt, gaussian_filter, map_coordinates
from scipy.ndimage import label as label_regions

FloatArray = NDArray[np.float64]

# Width of a tile in pitches. Tiles of one pitch cut crossings, which told a wave of two fibre
# diameters by a sixth too deep; of two they smooth it.
TILE_PITCHES = 1.5
# Nodes along each side of the grid that holds the surface: a wave of two tiles has eight of them
# on a print of twelve pitches.
_NODES = 64
# A column of the plan is a crossing when it holds this share of the fullest columns' solid.
_CROSSING = 0.7
# Tiles need this share of the median tile's solid.
_LEAST_MASS = 0.25
# Surfaces longer than this many tiles pass whole; half of a wave this long passes a single round.
_HALF_WAVE_TILES = 2.0
_ROUNDS = 5


@dataclass(frozen=True)
class HeightField:
    """Heights of a smooth surface over the plan, on an even grid.

    Parameters
    ----------
    low_um, step_um
        Plan position [X, Y] of the first node, and distance of nodes along X and Y.
    heights_um
        (n, n) along X, Y.
    """

    low_um: FloatArray
    step_um: FloatArray
    heights_um: FloatArray

    def at(self, plan_um: FloatArray) -> FloatArray:
        """Return heights (...,) over plan positions (..., 2) [X, Y]; beyond the grid its rim's."""
        place = np.moveaxis((np.asarray(plan_um) - self.low_um) / self.step_um, -1, 0)
        return np.asarray(map_coordinates(self.heights_um, place, order=3, mode="nearest"))

    def plus(self, more: FloatArray) -> HeightField:
        """Return the surface raised by `more` (n, n)."""
        return HeightField(self.low_um, self.step_um, self.heights_um + more)

    def nodes(self) -> FloatArray:
        """Return plan positions (n, n, 2) of the nodes."""
        axes = [
            a + s * np.arange(n)
            for a, s, n in zip(self.low_um, self.step_um, self.heights_um.shape, strict=True)
        ]
        return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)


def flat_field(plan_um: FloatArray) -> HeightField:
    """Return a surface of height 0 over the range of plan positions (n, 2)."""
    low, high = plan_um.min(axis=0), plan_um.max(axis=0)
    return HeightField(low, (high - low) / (_NODES - 1), np.zeros((_NODES, _NODES)))


def tile_um(plan_um: FloatArray, *, bin_um: float, thickness_um: float) -> float:
    """Return how wide tiles should be: `TILE_PITCHES` pitches, from the holes seen from above.

    The mean distance to the rim inside a square hole is a sixth of its side.
    """
    image = _plan_image(plan_um, bin_um=bin_um)
    solid = gaussian_filter(image, 1.0) > 0.1 * np.percentile(image[image > 0], 50)
    holes, _ = label_regions(~solid)
    rim = np.unique(np.concatenate([holes[0], holes[-1], holes[:, 0], holes[:, -1]]))
    inner = (holes > 0) & ~np.isin(holes, rim)
    extent = float(np.ptp(plan_um, axis=0).min())
    if np.count_nonzero(inner) < 50:
        return extent / 6.0
    depth = distance_transform_edt(~solid)
    side = 6.0 * float(depth[inner].mean()) * bin_um
    return float(np.clip(TILE_PITCHES * (side + thickness_um), extent / 12.0, extent / 3.0))


def at_crossings(
    plan_um: FloatArray, weights: FloatArray, *, bin_um: float, thickness_um: float
) -> NDArray[np.bool_]:
    """Tell points (n, 2) that lie in columns as full as crossings of walls are."""
    image = _plan_image(plan_um, bin_um=bin_um, weights=weights)
    image = gaussian_filter(image, 0.35 * thickness_um / bin_um)
    cells = _cells(plan_um, bin_um)
    held = image[cells[:, 0], cells[:, 1]]
    return np.asarray(held > _CROSSING * np.percentile(held, 98))


def _cells(plan_um: FloatArray, bin_um: float) -> NDArray[np.int64]:
    return np.asarray(np.floor((plan_um - plan_um.min(axis=0)) / bin_um), dtype=np.int64) + 2


def _plan_image(
    plan_um: FloatArray, *, bin_um: float, weights: FloatArray | None = None
) -> FloatArray:
    cells = _cells(plan_um, bin_um)
    shape = tuple(int(n) + 3 for n in cells.max(axis=0))
    flat = np.bincount(cells[:, 0] * shape[1] + cells[:, 1], weights, shape[0] * shape[1])
    return np.asarray(flat.reshape(shape), dtype=np.float64)


class Tiles:
    """Square tiles, half their width apart, over the plan of a set of points."""

    def __init__(self, plan_um: FloatArray, weights: FloatArray, *, tile_um: float) -> None:
        half = 0.5 * tile_um
        cell = np.asarray(np.floor((plan_um - plan_um.min(axis=0)) / half), dtype=np.int64)
        self.shape = tuple(int(n) + 1 for n in cell.max(axis=0))
        self.cell = cell[:, 0] * self.shape[1] + cell[:, 1]
        self.weights = weights
        count = self.shape[0] * self.shape[1]

        def summed(values: FloatArray) -> FloatArray:
            cells = np.asarray(np.bincount(self.cell, values, count), dtype=np.float64)
            return self._tiled(cells[:, None])[:, 0]

        mass = summed(weights)
        x, y = summed(weights * plan_um[:, 0]), summed(weights * plan_um[:, 1])
        middle = float(np.median(mass[mass > 0.05 * mass.max()]))
        self.kept = np.flatnonzero(mass > _LEAST_MASS * middle)
        self.mass = mass[self.kept]
        self.centre_um = np.stack([x, y], axis=1)[self.kept] / self.mass[:, None]

    def weighted(self, weights: FloatArray) -> Tiles:
        """Return the same tiles with other weights of their points."""
        other = copy(self)
        other.weights = weights
        return other

    def _tiled(self, cells: FloatArray) -> FloatArray:
        """Sum cells (n, k) over tiles of two by two."""
        grid = cells.reshape(*self.shape, -1)
        grid = np.pad(grid, ((1, 1), (1, 1), (0, 0)))
        out = grid[1:, 1:] + grid[:-1, 1:] + grid[1:, :-1] + grid[:-1, :-1]
        return np.asarray(out.reshape(-1, out.shape[-1]))

    def slopes(self, heights_um: FloatArray, *, bin_um: float, smooth_um: float) -> FloatArray:
        """Return the slope of each kept tile's height profile, (tiles, bins)."""
        place = (heights_um - heights_um.min()) / bin_um + 4.0
        index = place.astype(np.int64)
        share = place - index
        bins = int(index.max()) + 6
        count = self.shape[0] * self.shape[1]
        cells: FloatArray = np.zeros(count * bins)
        cells += np.bincount(self.cell * bins + index, self.weights * (1.0 - share), count * bins)
        cells += np.bincount(self.cell * bins + index + 1, self.weights * share, count * bins)
        profile = self._tiled(cells.reshape(count, bins))[self.kept]
        width = smooth_um / bin_um
        reach = int(4 * width) + 1
        at = np.arange(-reach, reach + 1)
        kernel = -at * np.exp(-0.5 * (at / width) ** 2)
        return np.asarray(convolve1d(profile, kernel, axis=1, mode="constant"))


def tile_shifts_um(slopes: FloatArray, *, bin_um: float, reach_um: float) -> FloatArray:
    """Return how far each tile's profile stands above that of all others, (tiles,).

    The best shift within reach of none, between bins by a parabola; NaN where the best lies at the
    end of the reach.
    """
    reach = max(2, round(reach_um / bin_um))
    whole = slopes.sum(axis=0)
    padded = np.pad(slopes, ((0, 0), (reach, reach)))
    n = slopes.shape[1]
    match = np.stack(
        [np.einsum("tb,tb->t", padded[:, k : k + n], whole - slopes) for k in range(2 * reach + 1)],
        axis=1,
    )
    top = match[:, 1:-1].argmax(axis=1) + 1
    one = np.arange(len(match))
    left, middle, right = match[one, top - 1], match[one, top], match[one, top + 1]
    bend = left - 2.0 * middle + right
    peak = (middle >= left) & (middle >= right) & (bend < 0) & (middle > 0)
    part = np.where(peak, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    return np.where(peak, (top - reach + part) * bin_um, np.nan)


def tiles_alike(slopes: FloatArray) -> float:
    """Return the correlation with all others that four tiles in five reach, of their slopes."""
    others = slopes.sum(axis=0) - slopes
    power = np.sum(slopes**2, axis=1) * np.sum(others**2, axis=1)
    match = np.sum(slopes * others, axis=1) / np.sqrt(np.maximum(power, 1e-300))
    return float(np.percentile(match, 20))


def smoothed_shifts(
    field: HeightField, tiles: Tiles, shifts_um: FloatArray, *, tile_um: float
) -> FloatArray:
    """Return a smooth surface through the tiles' shifts, on the field's nodes (n, n).

    Thin-plate smoothing. Over tiles of density ρ a wave of number k passes by
    1 / (1 + λ k⁴ / (8 π ρ)), from the bending equation ∇⁴(r² log r) = 8 π δ; λ lets half of a wave
    of two tiles pass.
    """
    known = np.isfinite(shifts_um)
    density = 4.0 / tile_um**2
    smoothing = 8.0 * np.pi * density * (_HALF_WAVE_TILES * tile_um / (2.0 * np.pi)) ** 4
    surface = RBFInterpolator(
        tiles.centre_um[known],
        shifts_um[known],
        kernel="thin_plate_spline",
        smoothing=smoothing,
        degree=1,
    )
    return np.asarray(surface(field.nodes().reshape(-1, 2)).reshape(field.heights_um.shape))


def settled_field(
    field: HeightField,
    tiles: Tiles,
    plan_um: FloatArray,
    heights_um: FloatArray,
    *,
    tile_um: float,
    bin_um: float,
    smooth_um: float,
    reach_um: float,
    rounds: int = _ROUNDS,
) -> HeightField:
    """Read shifts, take their smooth surface off, and read the rest, round by round."""
    for _ in range(rounds):
        left = heights_um - field.at(plan_um)
        shifts = tile_shifts_um(
            tiles.slopes(left, bin_um=bin_um, smooth_um=smooth_um), bin_um=bin_um, reach_um=reach_um
        )
        if np.count_nonzero(np.isfinite(shifts)) < max(6, 0.5 * shifts.size):
            break
        field = field.plus(smoothed_shifts(field, tiles, shifts, tile_um=tile_um))
    return field
