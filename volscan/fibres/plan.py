"""Walls as lines in plan view: a network thinned from the view from above, and paths through it.

From above a wall is a narrow ridge, whatever its fibres do on top of each other, so that thinning
works here where it fails in the volume. Where walls cross, the two that go on most smoothly belong
together.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.filters import threshold_otsu
from skimage.morphology import skeletonize

from volscan.fibres.chains import Chain, ends_at_nodes, lead_of, left_of, runs_along
from volscan.fibres.junctions import joined
from volscan.geometry import FloatArray

# A ridge is where the view holds this share of what it holds along the usual wall.
_RIDGE_SHARE = 0.45
# In widths: longest side branch that is a ragged edge, longest link within one crossing, shortest
# path kept.
_SPUR, _LINK, _SHORTEST = 1.2, 1.5, 3.0
# Two walls that cross at a slant share a stretch up to this many widths long, in which the view
# holds at least this many times what it holds along one wall.
_SHARED, _TWO_WALLS = 10.0, 1.4
# Walls side by side are this many times as broad half-way along the stretch as one wall; walls that
# cross lie on each other there.
_SIDE_BY_SIDE = 1.45
# What one wall holds, and how broad it is: this quantile of the network's length. In closed cells
# up to two thirds of it are two walls.
_ONE_WALL = 0.3
_EIGHT = np.ones((3, 3), dtype=int)


def trace_paths(
    view: NDArray[np.float64], *, width: float, lines: FloatArray | None = None
) -> list[FloatArray]:
    """Return the paths of walls seen from above.

    Parameters
    ----------
    view
        Polymer seen from above (rows, columns), not negative but for noise.
    width
        Usual width of a wall in pixels.
    lines
        Straight walls that are known, (walls, 2, 2): both ends [row, column]. Where they cross
        others the paths run on along them.

    Returns
    -------
    list
        Polylines (n, 2) [row, column], about a pixel between points, longest first.
    """
    smooth = ndimage.gaussian_filter(view, max(0.7, 0.2 * width))
    if not np.any(smooth > 0) or np.ptp(smooth) == 0:
        return []
    level = float(threshold_otsu(smooth))
    for _ in range(2):
        ridge = skeletonize(smooth > level)
        if not ridge.any():
            return []
        level = _RIDGE_SHARE * float(np.median(smooth[ridge]))
    solid = smooth > level
    labels, count = ndimage.label(solid, _EIGHT)
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    keep = sizes >= _SHORTEST * width * width
    keep[0] = False
    solid = ndimage.binary_fill_holes(keep[labels]) ^ _large_holes(keep[labels], width)
    chains = _chains(skeletonize(solid))
    # Walls side by side are wider, not higher: a broad kernel holds both.
    broad = ndimage.gaussian_filter(view, 0.6 * width)
    known = np.empty((0, 2, 2)) if lines is None else lines
    half_breadth = ndimage.distance_transform_edt(solid)
    chains, shared = _pruned(chains, width, broad, half_breadth, known)
    paths = joined(chains, shared, width, known)
    paths = [p for p in paths if _length(p) >= _SHORTEST * width]
    return sorted(paths, key=_length, reverse=True)


def _large_holes(solid: NDArray[np.bool_], width: float) -> NDArray[np.bool_]:
    """Return the holes that are pores, not pinholes of noise in a wall."""
    holes = ndimage.binary_fill_holes(solid) & ~solid
    labels, count = ndimage.label(holes)
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    pores = sizes >= 0.2 * width * width
    pores[0] = False
    return np.asarray(pores[labels])


def _length(path: FloatArray) -> float:
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())


def _chains(ridge: NDArray[np.bool_]) -> list[Chain]:
    """Cut a thinned network at its junctions into chains of pixels."""
    around = ndimage.convolve(ridge.astype(int), _EIGHT, mode="constant") - 1
    junction = ridge & (around >= 3)
    nodes, _ = ndimage.label(junction, _EIGHT)
    rest = ridge & ~junction
    labels, _ = ndimage.label(rest, _EIGHT)
    chains = []
    padded = np.pad(nodes, 1)
    for number, box in enumerate(ndimage.find_objects(labels), start=1):
        own = np.argwhere(labels[box] == number) + [s.start for s in box]
        ordered = _walk(own)
        ends = []
        for k, pixel in enumerate((ordered[0], ordered[-1])):
            window = padded[pixel[0] : pixel[0] + 3, pixel[1] : pixel[1] + 3]
            touched = [int(v) for v in np.unique(window) if v > 0]
            if len(ordered) == 1 and k == 1 and len(touched) > 1:
                touched = touched[::-1]
            ends.append(touched[0] if touched else -1)
        if len(ordered) == 1 and ends[0] == ends[1]:
            ends[1] = -1
        chains.append(Chain(ordered.astype(float), ends, list(ends)))
    return chains


def _walk(pixels: NDArray[np.int64]) -> NDArray[np.int64]:
    """Order the pixels of a chain from one end to the other."""
    there = {(int(r), int(c)) for r, c in pixels}

    def neighbours(p: tuple[int, int]) -> list[tuple[int, int]]:
        steps = sorted(
            ((dr, dc) for dr in (-1, 0, 1) for dc in (-1, 0, 1) if dr or dc),
            key=lambda s: abs(s[0]) + abs(s[1]),
        )
        return [(p[0] + dr, p[1] + dc) for dr, dc in steps if (p[0] + dr, p[1] + dc) in there]

    ends = [p for p in sorted(there) if len(neighbours(p)) <= 1]
    at = ends[0] if ends else min(there)
    ordered = [at]
    there.discard(at)
    while True:
        following = neighbours(at)
        if not following:
            break
        at = following[0]
        ordered.append(at)
        there.discard(at)
    return np.array(ordered)


def _pruned(
    chains: list[Chain],
    width: float,
    view: NDArray[np.float64],
    half_breadth: NDArray[np.float64],
    lines: FloatArray,
) -> tuple[list[Chain], list[Chain]]:
    """Leave out ragged edges' side branches, and merge the junctions of one crossing.

    Returns the chains and, apart, the stretches that walls share.
    """
    kept = [
        c for c in chains if not (sum(n < 0 for n in c.nodes) == 1 and c.length < _SPUR * width)
    ]
    kept = [c for c in kept if not (c.nodes == [-1, -1] and c.length < _SHORTEST * width)]
    leader: dict[int, int] = {}

    def lead(n: int) -> int:
        while leader.get(n, n) != n:
            n = leader[n]
        return n

    held = [_held(c, view) for c in kept]
    lengths = [c.length for c in kept]
    usual = _weighted_quantile(held, lengths, _ONE_WALL)
    breadths = [_middle_of(c, half_breadth) for c in kept]
    usual_breadth = _weighted_quantile(breadths, lengths, _ONE_WALL)
    slanting = _slanting(kept, lengths, lines, width)
    rest, shared = [], []
    for length, c, content, breadth, slants in sorted(
        zip(lengths, kept, held, breadths, slanting, strict=True), key=lambda t: t[0]
    ):
        a, b = c.nodes
        double = length < _SHARED * width and content > _TWO_WALLS * usual
        broad = double and length > _LINK * width and breadth > _SIDE_BY_SIDE * usual_breadth
        apart = breadth - usual_breadth if broad else 0.0
        if broad and (a > 0) != (b > 0):
            rest += [_moved(c, apart), _moved(c, -apart)]
        elif a > 0 and b > 0 and (length < _LINK * width or double or slants):
            c.apart = apart
            shared.append(c)
            leader[max(lead(a), lead(b))] = min(lead(a), lead(b))
        else:
            rest.append(c)
    for c in rest:
        c.nodes = [lead(n) if n > 0 else -1 for n in c.nodes]
    return rest, shared


def _slanting(
    chains: list[Chain], lengths: list[float], lines: FloatArray, width: float
) -> list[bool]:
    """Tell of each chain whether it is the stretch on which a wall slants across a known line.

    A wall comes to the line from one side at the chain's one end, and leaves it to the other side
    at its other end.
    """
    if len(lines) == 0:
        return [False] * len(chains)
    at = ends_at_nodes(chains)
    found = []
    for i, (c, length) in enumerate(zip(chains, lengths, strict=True)):
        sides = [
            _lone_side(line, [(chains[j], e) for j, e in at.get(node, []) if j != i], width)
            for line in lines
            if length < _SHARED * width and len(c.pixels) > 2 and runs_along(line, c.pixels, width)
            for node in c.nodes
        ]
        pairs = zip(sides[::2], sides[1::2], strict=True)
        found.append(any(a * b < 0 for a, b in pairs))
    return found


def _lone_side(line: FloatArray, ends: list[tuple[Chain, int]], width: float) -> float:
    """Return on which side of a line the one end stands that does not run along it; 0 if none.

    The line's own wall may end here.
    """
    leads = [lead_of(c, e, width) for c, e in ends]
    lone = [lead for lead in leads if not runs_along(line, lead, width)]
    if len(leads) > 2 or len(lone) != 1:
        return 0.0
    return float((lone[0][-1] - line[0]) @ left_of(line))


def _held(chain: Chain, view: NDArray[np.float64]) -> float:
    """Return what the view holds along a chain, in the median."""
    rows, columns = chain.pixels.astype(int).T
    return float(np.median(view[rows, columns]))


def _moved(chain: Chain, apart: float) -> Chain:
    """Return a chain of its own beside another."""
    return Chain(
        chain.pixels + apart * left_of(chain.pixels),
        list(chain.nodes),
        list(chain.junctions),
        apart,
    )


def _middle_of(chain: Chain, image: NDArray[np.float64]) -> float:
    """Return what an image holds along the middle third of a chain, in the median."""
    third = len(chain.pixels) // 3
    rows, columns = chain.pixels[third : len(chain.pixels) - third].astype(int).T
    return float(np.median(image[rows, columns]))


def _weighted_quantile(values: list[float], weights: list[float], share: float) -> float:
    order = np.argsort(values)
    total = np.cumsum(np.asarray(weights)[order])
    return (
        float(np.asarray(values)[order][np.searchsorted(total, share * total[-1])])
        if len(values)
        else 0.0
    )
