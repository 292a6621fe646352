"""What a machine allows: the bed that paths stay on, and the feed that they do not exceed."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from volscan.errors import InputError, SettingsError, UnreadableError
from volscan.toolpath.lines import arc_points
from volscan.toolpath.state import Moves

_KEYS = ("x_mm", "y_mm", "z_mm", "start_mm", "feed_mm_per_min")


@dataclass(frozen=True)
class Bed:
    """Where the nozzle may go and how fast, in machine coordinates.

    `start_mm` is where the file starts, for files that only tell how far to go (incremental).
    """

    x_mm: tuple[float, float]
    y_mm: tuple[float, float]
    z_mm: tuple[float, float] | None = None
    start_mm: tuple[float, float, float] | None = None
    feed_mm_per_min: float | None = None

    @classmethod
    def load(cls, path: str | Path) -> Bed:
        """Read a bed file (TOML): x_mm, y_mm, and if wanted z_mm, start_mm, feed_mm_per_min.

        Raises
        ------
        UnreadableError, SettingsError
            If it cannot be read, or a key is unknown, missing, or not a pair of numbers.
        """
        try:
            values = tomllib.loads(Path(path).read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "not a UTF-8 text file"
            raise UnreadableError(f"cannot read the bed file {path}: {reason}") from error
        except tomllib.TOMLDecodeError as error:
            raise UnreadableError(f"bed file {path} is not TOML: {error}") from error
        unknown = sorted(set(values) - set(_KEYS))
        if unknown or not {"x_mm", "y_mm"} <= set(values):
            wrong = f"unknown key {unknown[0]}" if unknown else "x_mm and y_mm are needed"
            raise SettingsError(f"bed file: {wrong}; known keys: {', '.join(_KEYS)}")
        counts = {"x_mm": 2, "y_mm": 2, "z_mm": 2, "start_mm": 3}
        kept: dict[str, Any] = {k: _numbers(k, values[k], n) for k, n in counts.items()
                                if k in values}  # fmt: skip
        if "feed_mm_per_min" in values:
            (kept["feed_mm_per_min"],) = _numbers("feed_mm_per_min", [values["feed_mm_per_min"]], 1)
        return cls(**kept)


def _numbers(key: str, value: Any, count: int) -> tuple[float, ...]:
    good = isinstance(value, list) and len(value) == count
    good = good and all(
        isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) for v in value
    )
    if not good:
        raise SettingsError(f"bed file: {key} needs {count} finite number(s), got {value!r}")
    return tuple(float(v) for v in value)


def check_bed(moves: Moves, bed: Bed) -> None:
    """Refuse moves that leave the bed or exceed the feed.

    Raises
    ------
    InputError
        With the first line that does, or if an incremental file's start is not told.
    """
    start = np.zeros(3)
    if not moves.starts_absolute:
        if bed.start_mm is None:
            raise InputError(
                "the toolpath starts with incremental moves: tell the bed file where it starts "
                "(start_mm = [x, y, z]), so that it can be held against the bed"
            )
        start = np.array(bed.start_mm) * 1000.0
    if bed.feed_mm_per_min is not None:
        limit = bed.feed_mm_per_min * 1000.0
        written = moves.motion > 0
        over = np.flatnonzero(written & ~(moves.feed_um_per_min <= limit * (1 + 1e-9)))
        if over.size:
            feed = moves.feed_um_per_min[over[0]] / 1000.0
            told = f"at {feed:g} mm/min" if math.isfinite(feed) else "without a feed"
            raise InputError(
                f"toolpath line {int(moves.line[over[0]]) + 1} moves {told}; the bed file allows "
                f"{bed.feed_mm_per_min:g} mm/min"
            )
    for axis, limits in enumerate((bed.x_mm, bed.y_mm, bed.z_mm)):
        if limits is None:
            continue
        low, high = (1000.0 * v for v in limits)
        at = moves.end[:, axis] + start[axis]
        reach_low, reach_high = at.copy(), at.copy()
        if axis < 2:
            for i in np.flatnonzero(moves.motion > 1):
                points = arc_points(
                    moves.start[i, :2], moves.end[i, :2], moves.centre_um[i], int(moves.motion[i])
                )[:, axis] + start[axis]  # fmt: skip
                reach_low[i], reach_high[i] = points.min(), points.max()
        out = np.flatnonzero((reach_low < low - 1e-6) | (reach_high > high + 1e-6))
        if out.size:
            at_fault = int(out[0])
            least, most = reach_low[at_fault], reach_high[at_fault]
            worst = least if least < low else most
            raise InputError(
                f"toolpath line {int(moves.line[at_fault]) + 1} would go to {'XYZ'[axis]} = "
                f"{worst / 1000:.4g} mm, off the bed ({limits[0]:g} to {limits[1]:g} mm)"
            )
