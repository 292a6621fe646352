"""Pieces of a thinned network between its junctions, and how they lie to straight lines."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from volscan.geometry import FloatArray

# A lead runs along a known wall when it stays within so many widths of its middle, and turns from
# it by less than this.
_ON_LINE, _ALONG_DEG = 0.7, 20.0


@dataclass
class Chain:
    """Pixels between two junctions (or ends).

    `nodes` names the crossing at either end, `junctions` the junction within it; -1 at an end. On a
    shared stretch walls side by side run `apart` pixels either side of it; where both end on it,
    each has a chain of its own, moved to its left by `apart` (to its right where negative).
    """

    pixels: FloatArray
    nodes: list[int]
    junctions: list[int]
    apart: float = 0.0

    @property
    def length(self) -> float:
        """Length in pixels."""
        return float(np.linalg.norm(np.diff(self.pixels, axis=0), axis=1).sum())


def ends_at_nodes(chains: list[Chain]) -> dict[int, list[tuple[int, int]]]:
    """Return, for each crossing, the chain ends there: (number of the chain, 0 or 1)."""
    at: dict[int, list[tuple[int, int]]] = {}
    for i, c in enumerate(chains):
        for end in (0, 1):
            if c.nodes[end] > 0:
                at.setdefault(c.nodes[end], []).append((i, end))
    return at


def left_of(pixels: FloatArray) -> FloatArray:
    """Return the unit vector to the left of a chord, from the first point to the last."""
    ahead = pixels[-1] - pixels[0]
    return np.array([-ahead[1], ahead[0]]) / max(float(np.linalg.norm(ahead)), 1e-9)


def lead_of(chain: Chain, end: int, width: float, *, reach: float = 2.0) -> FloatArray:
    """Return the pixels that lead away from a junction, clear of the junction itself, in widths."""
    pixels = chain.pixels if end == 0 else chain.pixels[::-1]
    first = min(int(0.5 * width), max(0, len(pixels) - 3))
    return pixels[first : first + max(4, int(reach * width))]


def runs_along(line: FloatArray, lead: FloatArray, width: float) -> bool:
    """Whether a lead runs along a straight wall and lies on it."""
    ahead = line[1] - line[0]
    size = float(np.linalg.norm(ahead))
    ahead = ahead / size
    rest = lead - line[0]
    along, across = rest @ ahead, rest @ left_of(line)
    if (
        along.max() < -width
        or along.min() > size + width
        or np.abs(across).max() > _ON_LINE * width
    ):
        return False
    run = lead[-1] - lead[0]
    turn = abs(float(run @ ahead)) / max(float(np.linalg.norm(run)), 1e-9)
    return turn > math.cos(math.radians(_ALONG_DEG))
