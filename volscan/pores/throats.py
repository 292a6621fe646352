"""Throats: the largest sphere that crosses the scaffold along X, Y and H."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.threads import on_each
from volscan.geometry import BuildFrame, Envelope
from volscan.kernels.arrival import arrival
from volscan.kernels.peaks import peak_spheres
from volscan.kernels.throat import distance_on_grid, widest_crossing
from volscan.pores.domain import AXES, Axis, PoreDomain
from volscan.pores.solid import Solid

FloatArray = NDArray[np.float64]

# The domain's grid keeps the scan's finest working spacing up to this many nodes.
MOST_NODES = 24_000_000
# Levels of the widest path: finer than a hundredth of a voxel for radii up to 600 voxels.
LEVELS = 60_000
# Lines on which the rectangle's sides are first sought, and rounds of narrowing.
LINES = 257
ROUNDS = 4


@dataclass(frozen=True)
class DomainGrid:
    """The domain and how it lies in the scan: rows of `axes` are h, y, x in scan order."""

    domain: PoreDomain
    corner_um: FloatArray
    axes: FloatArray

    def to_build(self, places: FloatArray, steps_um: tuple[float, float, float]) -> FloatArray:
        """Turn places (n, 3) in steps along (h, y, x) from the corner into [X, Y, H] (n, 3)."""
        h, y, x = (places * np.asarray(steps_um)).T
        x0, y0, h0 = self.domain.origin_um
        a = math.radians(self.domain.direction_deg)
        along, across = x0 + x, y0 + y
        return np.column_stack(
            [
                along * math.cos(a) - across * math.sin(a),
                along * math.sin(a) + across * math.cos(a),
                h0 + h,
            ]
        )


def largest_rectangle(corners: FloatArray) -> tuple[float, float, float, float] | None:
    """Return the largest axis-aligned rectangle (x0, x1, y0, y1) in a convex polygon.

    Between two heights of a convex outline the rectangle's width is exact; the two heights are
    sought on a net of lines through all corners, then narrowed.

    Examples
    --------
    >>> largest_rectangle(np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 3.0], [0.0, 3.0]]))
    (0.0, 4.0, 0.0, 3.0)
    """
    if corners.shape[0] < 3:
        return None
    low, high = float(corners[:, 1].min()), float(corners[:, 1].max())
    if not high > low:
        return None
    fixed = np.unique(corners[:, 1])
    lines = [np.unique(np.concatenate([np.linspace(low, high, LINES), fixed]))] * 2
    best = (0.0, 0.0, 0.0, 0.0)
    area = 0.0
    for _ in range(ROUNDS):
        left0, right0 = _span(corners, lines[0])
        left1, right1 = _span(corners, lines[1])
        left = np.maximum(left0[:, None], left1[None, :])
        right = np.minimum(right0[:, None], right1[None, :])
        areas = (right - left).clip(0) * (lines[1][None, :] - lines[0][:, None]).clip(0)
        i, j = np.unravel_index(int(np.argmax(areas)), areas.shape)
        if areas[i, j] > area * (1 + 1e-12):
            area = float(areas[i, j])
            best = (
                float(left[i, j]), float(right[i, j]), float(lines[0][i]), float(lines[1][j])
            )  # fmt: skip
        lines = [
            np.linspace(at[max(k - 1, 0)], at[min(k + 1, at.size - 1)], LINES)
            for at, k in ((lines[0], int(i)), (lines[1], int(j)))
        ]
    return best if area > 0 else None


def _span(corners: FloatArray, heights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where a convex outline starts and ends at each height."""
    left = np.full(heights.size, np.inf)
    right = np.full(heights.size, -np.inf)
    for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        on = (heights >= min(y0, y1)) & (heights <= max(y0, y1))
        if y0 == y1:
            at_low, at_high = np.full(heights.size, min(x0, x1)), np.full(heights.size, max(x0, x1))
        else:
            at_low = at_high = x0 + (heights - y0) * ((x1 - x0) / (y1 - y0))
        left = np.where(on, np.minimum(left, at_low), left)
        right = np.where(on, np.maximum(right, at_high), right)
    return left, right


def pore_domain(
    envelope: Envelope,
    frame: BuildFrame,
    *,
    direction_deg: float,
    shape: tuple[int, int, int],
    spacing_um: tuple[float, float, float],
) -> DomainGrid | None:
    """Return the box that throats refer to: None when the outline holds no rectangle."""
    if envelope.whole_array:
        return _array_domain(frame, shape, spacing_um)
    a = math.radians(direction_deg)
    turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    found = largest_rectangle(envelope.outline_um @ turn.T)
    height = float(envelope.top_um - envelope.base_um)
    if found is None or not height > 0:
        return None
    x0, x1, y0, y1 = found
    domain = PoreDomain(
        (x0, y0, float(envelope.base_um)), (x1 - x0, y1 - y0, height), direction_deg
    )
    ex, ey = turn @ np.stack([frame.x, frame.y])
    corner = frame.origin_um + x0 * ex + y0 * ey + envelope.base_um * frame.h
    return DomainGrid(domain, corner, np.stack([frame.h, ey, ex]))


def _array_domain(
    frame: BuildFrame, shape: tuple[int, int, int], spacing_um: tuple[float, float, float]
) -> DomainGrid:
    """Return the whole array as domain, along the image axes nearest to the frame's."""
    free = [0, 1, 2]
    rows = []
    for wish in (frame.h, frame.x, frame.y):
        axis = max(free, key=lambda k, w=wish: abs(w[k]))  # type: ignore[misc]
        free.remove(axis)
        unit = np.zeros(3)
        unit[axis] = 1.0 if wish[axis] >= 0 else -1.0
        rows.append(unit)
    h, ex, ey = rows
    axes = np.stack([h, ey, ex])
    size = np.abs(axes) @ (np.asarray(shape) * np.asarray(spacing_um))
    low = -0.5 * np.asarray(spacing_um)
    far = low + np.asarray(shape) * np.asarray(spacing_um)
    corner = np.where(axes.sum(axis=0) > 0, low, far)
    start = axes @ (corner - frame.origin_um)
    domain = PoreDomain(
        (float(start[2]), float(start[1]), float(start[0])),
        (float(size[2]), float(size[1]), float(size[0])),
        0.0,
    )
    return DomainGrid(domain, corner, axes)


@dataclass(frozen=True)
class Crossings:
    """Throats of the domain, the ways through them, and the spheres they were found among.

    Parameters
    ----------
    diameter_um
        Throat along x, y, h; 0 where no sphere crosses.
    paths_um
        For each axis that is crossed, (n, 4): [X, Y, H] of a shortest way of the largest sphere
        that crosses, in build coordinates, and the largest sphere centred there.
    radius_um
        Largest sphere in the box of each node (h, y, x) of the domain's grid.
    steps_um
        Distance of the nodes along h, y, x.
    """

    diameter_um: dict[str, float]
    paths_um: dict[str, FloatArray]
    radius_um: NDArray[np.float32]
    steps_um: tuple[float, float, float]


def whole_levels(radius: NDArray[np.float32], unit: float) -> NDArray[np.uint16]:
    """Return radii as whole multiples of a unit, at least 1 in the pores and 0 in solid."""
    return np.where(radius > 0, np.maximum(radius / np.float32(unit), 1), 0).astype(np.uint16)


def throats(solid: Solid, grid: DomainGrid, *, inside: NDArray[np.bool_] | None) -> Crossings:
    """Find the throat diameter along x, y and h in µm; 0 where no sphere crosses.

    The distance to the surface is measured at the nodes of a grid along the domain's own axes,
    so that its faces are not oblique, and each node stands for the largest sphere in its box.
    Along x and y the domain's base and top count as solid; side faces never do, and solid
    outside the domain limits spheres as any other.

    Parameters
    ----------
    solid
        The solid's surface in the scan.
    grid
        The domain.
    inside
        Voxels of the working grid that centres may lie in; None for no such limit.
    """
    size = np.array(grid.domain.size_um)[::-1]
    step = max(min(solid.spacing_um), float(np.prod(size) / MOST_NODES) ** (1 / 3))
    counts = np.maximum(1, np.rint(size / step)).astype(int)
    steps = size / counts
    shape = (int(counts[0]), int(counts[1]), int(counts[2]))
    steps_um = (float(steps[0]), float(steps[1]), float(steps[2]))
    origin = grid.corner_um + 0.5 * steps @ grid.axes - solid.origin_um
    dist, ids = distance_on_grid(
        solid.fraction,
        solid.ids,
        solid.surface,
        level=solid.level,
        origin_um=origin,
        axes=grid.axes,
        steps_um=steps_um,
        shape=shape,
    )
    if inside is not None:
        _block_outside(dist, inside, solid.spacing_um, origin, grid.axes, steps)
    centres = ((solid.surface.centres_um - origin) @ grid.axes.T).astype(np.float32)
    normals = (solid.surface.normals @ grid.axes.T).astype(np.float32)
    found: dict[str, float] = {}
    ways: list[tuple[Axis, NDArray[np.bool_], NDArray[np.float32]]] = []
    open_radius: NDArray[np.float32] | None = None
    crossed: tuple[tuple[tuple[float, float], tuple[Axis, ...]], ...] = (
        ((-math.inf, math.inf), ("h",)),
        ((-0.5, shape[0] - 0.5), ("x", "y")),
    )
    for planes, names in crossed:
        radius, _ = peak_spheres(
            dist,
            ids,
            centres,
            normals,
            spacing_um=steps_um,
            disc_radius_um=solid.surface.disc_radius_um,
            planes_um=(planes[0] * steps_um[0], planes[1] * steps_um[0]),
            without_planes_um=open_radius,
        )
        if open_radius is None:
            open_radius = radius
        widest = float(radius.max(initial=0.0))
        if widest <= 0:
            found |= dict.fromkeys(names, 0.0)
            continue
        unit = widest / LEVELS
        level = whole_levels(radius, unit)
        for name in names:
            width = widest_crossing(level, axis=AXES[name])
            found[name] = 2 * unit * width
            if width > 0:
                ways.append((name, level >= width, radius))
    assert open_radius is not None
    del dist, ids

    def path(way: tuple[Axis, NDArray[np.bool_], NDArray[np.float32]]) -> FloatArray:
        name, free, radius = way
        nodes = shortest_way(free, axis=AXES[name], steps_um=steps_um)
        spheres = 2 * radius[tuple(nodes.T)].astype(np.float64)
        build = grid.to_build(nodes.astype(np.float64) + 0.5, steps_um)
        return np.column_stack([build, spheres])

    paths: dict[str, FloatArray] = {
        way[0]: line for way, line in zip(ways, on_each(path, ways), strict=True)
    }
    return Crossings(found, paths, open_radius, steps_um)


def shortest_way(
    free: NDArray[np.bool_], *, axis: int, steps_um: tuple[float, float, float]
) -> NDArray[np.intp]:
    """Return the nodes (n, 3) of a shortest way between the two faces across an axis.

    Followed back from the exit by the earliest arrival among the 26 nodes around; the free nodes
    must connect the faces.
    """
    order = (axis, *(k for k in range(3) if k != axis))
    turned = np.ascontiguousarray(free.transpose(order))
    a, b, c = (steps_um[k] for k in order)
    time = arrival(turned, steps_um=(a, b, c), first=True)
    at = np.array(
        [turned.shape[0] - 1, *np.unravel_index(int(np.argmin(time[-1])), time.shape[1:])]
    )
    way = [at]
    around = np.stack(np.meshgrid(*[(-1, 0, 1)] * 3, indexing="ij"), -1).reshape(-1, 3)
    while at[0] > 0:
        near = at + around
        near = near[((near >= 0) & (near < turned.shape)).all(axis=1)]
        best = near[int(np.argmin(time[tuple(near.T)]))]
        if not time[tuple(best)] < time[tuple(at)]:
            break
        at = best
        way.append(at)
    nodes = np.empty((len(way), 3), np.intp)
    nodes[:, order] = np.array(way[::-1])
    return nodes


def _block_outside(
    dist: NDArray[np.float32],
    inside: NDArray[np.bool_],
    spacing_um: tuple[float, float, float],
    origin: FloatArray,
    axes: FloatArray,
    steps: FloatArray,
) -> None:
    """Set the distance to 0 where the nearest voxel lies outside a mask."""
    y, x = np.indices(dist.shape[1:]).reshape(2, 1, -1)
    for z in range(dist.shape[0]):
        at = origin[:, None] + axes.T @ np.concatenate(
            [np.full(y.shape, z * steps[0]), y * steps[1], x * steps[2]]
        )
        index = np.rint(at / np.asarray(spacing_um)[:, None]).astype(np.int64)
        limit = np.array(inside.shape)[:, None] - 1
        index = index.clip(0, limit)
        dist[z][~inside[tuple(index)].reshape(dist.shape[1:])] = 0.0
