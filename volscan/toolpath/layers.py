"""Layers of a print: by marked comments, by Z, or by how often a line is passed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from volscan.toolpath.state import Moves
from volscan.toolpath.words import Line

IntArray = NDArray[np.int64]

_MARK = re.compile(
    r"^[\s;(\-=*#<>]*(?:start(?:ing)?\s+(?:of\s+)?|begin\s+)?layer\s*[:#=]?\s*(?P<number>\d+)\b",
    re.IGNORECASE,
)
_CHANGE = re.compile(r"^[\s;(]*layer[ _-]?change\b", re.IGNORECASE)
# Heights closer than this are one layer, µm: finer than any fibre that is written.
_SAME_HEIGHT_UM = 0.05


@dataclass(frozen=True)
class Layers:
    """The layer of each move (n,), from 0, and its piece: the same pattern printed again.

    -1 for moves before the first layer and after the last. `rule` tells how layers were found;
    under "passes" all moves are of layer 0 and fibres are counted by passes alone.
    """

    rule: Literal["comments", "height", "passes"]
    layer: IntArray
    piece: IntArray

    @property
    def count(self) -> int:
        """Number of layers of a piece."""
        return int(self.layer.max()) + 1 if self.layer.size else 0


def layers_of(lines: Sequence[Line], moves: Moves) -> Layers:
    """Return the layer of each move.

    A comment that starts with "layer N" or "START layer N" opens a layer; numbers that fall back
    open a new piece. Without such comments each height at which something is written is a
    layer; without different heights all is one, and fibres are counted by passes.
    """
    marks = _marks(lines)
    if marks:
        return _by_marks(moves, marks)
    drawn = moves.motion > 0
    height = np.rint(moves.end[:, 2] / _SAME_HEIGHT_UM).astype(np.int64)
    flat = drawn & (np.abs(moves.end[:, :2] - moves.start[:, :2]).max(axis=1) > 0)
    flat |= drawn & (np.abs(moves.end[:, 3:] - moves.start[:, 3:]).max(axis=1) > 0)
    known = np.unique(height[flat])
    none = np.zeros(len(height), dtype=np.int64)
    if known.size < 2:
        return Layers("passes", none, none)
    layer = np.searchsorted(known, height)
    layer = np.clip(layer, 0, known.size - 1)
    # Moves at other heights belong to what was written before them.
    on = flat & np.isin(height, known)
    index = np.maximum.accumulate(np.where(on, np.arange(len(on)), -1))
    layer = np.where(index >= 0, layer[np.maximum(index, 0)], -1)
    fell = np.diff(layer, prepend=layer[:1]) < 0
    piece = np.cumsum(fell & (layer == 0))
    return Layers("height", layer.astype(np.int64), piece.astype(np.int64))


def _marks(lines: Sequence[Line]) -> list[tuple[int, int]]:
    """Return the line and number of each mark."""
    found: list[tuple[int, int]] = []
    changes: list[int] = []
    for number, line in enumerate(lines):
        if not line.comment:
            continue
        match = _MARK.match(line.comment)
        if match:
            found.append((number, int(match.group("number"))))
        elif _CHANGE.match(line.comment):
            changes.append(number)
    return found or [(line, k) for k, line in enumerate(changes)]


def _by_marks(moves: Moves, marks: Sequence[tuple[int, int]]) -> Layers:
    least = min(number for _, number in marks)
    at = np.array([line for line, _ in marks])
    number = np.array([n - least for _, n in marks])
    piece = np.concatenate([[0], np.cumsum(np.diff(number) < 0)])
    which = np.searchsorted(at, moves.line, side="right") - 1
    layer = np.where(which >= 0, number[np.maximum(which, 0)], -1)
    pieces = np.where(which >= 0, piece[np.maximum(which, 0)], -1)
    return Layers("comments", layer.astype(np.int64), pieces.astype(np.int64))
