"""Bring the measured walls and the lines of the toolpath together: rotation and offset are found.

The scale is known. Every turn that lays the measured directions on the toolpath's is tried, with
and without a mirror; under each, the walls' positions are laid on the lines', family by family.
What fits equally well and would shift the print differently is told, never guessed.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError
from volscan.toolpath.lines import PathWall

FloatArray = NDArray[np.float64]

# Directions agree within this, walls lie within this share of the gap between lines: common
# practice, no published source (placement errors are a few percent of the spacing).
_SAME_DIRECTION_DEG = 2.0
_SAME_PLACE = 0.3
# Of two placements that both fit, one is better only when the other's scatter is this many times
# larger and larger by this share of the gap; lengths tell by this share of their median.
_WORSE, _WORSE_GAP, _WORSE_LENGTH = 1.5, 0.03, 0.05
_GIVEN_ROTATION_DEG = 20.0
_GIVEN_ORIGIN_GAPS = 0.5


@dataclass(frozen=True)
class MeasuredFamily:
    """Walls of one direction as measured: position along the left normal, and length."""

    id: int
    direction_deg: float
    position_um: FloatArray
    length_um: FloatArray


@dataclass(frozen=True)
class Placement:
    """One way to lay the scan on the machine: first mirrored (x to -x), then turned, then moved.

    For each measured family `line_family` is the toolpath's, `sign` how its normal lies on the
    line family's, and `line` the index of the wall line of each wall (-1: none).
    """

    rotation_deg: float
    mirrored: bool
    origin_um: FloatArray
    line_family: tuple[int, ...]
    sign: tuple[float, ...]
    line: tuple[tuple[int, ...], ...]
    rms_um: float
    length_error: float

    def vector(self, v: FloatArray) -> FloatArray:
        """Turn a vector of the scan's build frame into the machine's."""
        x, y = (-v[0] if self.mirrored else v[0]), v[1]
        a = math.radians(self.rotation_deg)
        return np.array([math.cos(a) * x - math.sin(a) * y, math.sin(a) * x + math.cos(a) * y])


@dataclass(frozen=True)
class _Fit:
    """Offset of one family along the line family's normal, and which line each wall lies on."""

    shift_um: float
    line: tuple[int, ...]
    residual: FloatArray
    length_error: float


def placements(
    measured: Sequence[MeasuredFamily],
    lines: Sequence[PathWall],
    *,
    turn_um: float | None = None,
) -> list[Placement]:
    """Return every placement that fits as well as the best, mirrored ones included.

    Parameters
    ----------
    measured
        Families of measured walls, build frame of the scan.
    lines
        Wall lines of one piece.
    turn_um
        Length of one turn of a mandrel; None on a plate.

    Raises
    ------
    InputError
        If nothing fits.
    """
    families = sorted({w.family for w in lines})
    angle = {f: next(w.direction_deg for w in lines if w.family == f) for f in families}
    found: list[Placement] = []
    for mirrored, f, half in itertools.product((False, True), families, (0.0, 180.0)):
        first = -measured[0].direction_deg if mirrored else measured[0].direction_deg
        turn = (angle[f] - first + half) % 360.0
        if turn_um is not None and min(turn % 180.0, 180.0 - turn % 180.0) > _SAME_DIRECTION_DEG:
            continue  # A tube's axis lies along the mandrel's, one way or the other.
        found += _under(turn, mirrored, measured, lines, angle, turn_um)
    if not found:
        raise InputError(_no_match(measured, lines, angle))
    best = min(p.rms_um for p in found)
    gap = min(_gap([w.position_um for w in lines if w.family == f]) for f in families)
    close = [p for p in found if p.rms_um <= _WORSE * best + _WORSE_GAP * gap]
    length = min(p.length_error for p in close)
    close = [p for p in close if p.length_error <= length + _WORSE_LENGTH]
    unique: list[Placement] = []
    for p in sorted(close, key=lambda p: (p.mirrored, p.rms_um)):
        if not any(_same(p, q) for q in unique):
            unique.append(p)
    return unique


def resolved(
    found: Sequence[Placement],
    *,
    rotation_deg: float | None,
    origin_um: tuple[float, float] | None,
    gap_um: float,
) -> list[Placement]:
    """Keep the placements that agree with what the user told.

    Raises
    ------
    InputError
        If only mirrored ones fit though the scan is known not to be, or none agrees.
    """
    # Results without a known handedness are refused before.
    kept = [p for p in found if not p.mirrored]
    if not kept:
        raise InputError(
            "the walls fit the toolpath only when mirrored: the scan is mirrored after all "
            "(measure with --mirrored yes), or an axis of the machine runs the other way"
        )
    if rotation_deg is not None:
        kept = [
            p for p in kept
            if abs((p.rotation_deg - rotation_deg + 180) % 360 - 180) <= _GIVEN_ROTATION_DEG
        ]  # fmt: skip
        if not kept:
            fits = ", ".join(f"{p.rotation_deg:.0f}°" for p in found)
            raise InputError(
                f"no placement with a rotation near {rotation_deg:g}° fits; those that fit: {fits}"
            )
    if origin_um is not None:
        limit = _GIVEN_ORIGIN_GAPS * gap_um
        kept = [p for p in kept if float(np.hypot(*(p.origin_um - origin_um))) <= limit]
        if not kept:
            raise InputError("no placement with that --origin fits the walls within half a spacing")
    return kept


def _gap(position: Sequence[float] | FloatArray) -> float:
    wide = np.diff(np.unique(np.round(np.asarray(position, dtype=np.float64), 3)))
    return float(np.median(wide)) if wide.size else math.inf


def _under(
    turn: float,
    mirrored: bool,
    measured: Sequence[MeasuredFamily],
    lines: Sequence[PathWall],
    angle: dict[int, float],
    turn_um: float | None,
) -> list[Placement]:
    pairs: list[tuple[int, float]] = []
    offs = []
    for m in measured:
        here = (-m.direction_deg if mirrored else m.direction_deg) + turn
        off, f = min((abs((here - a + 90) % 180 - 90), f) for f, a in angle.items())
        if off > _SAME_DIRECTION_DEG:
            return []
        offs.append((here - angle[f] + 90) % 180 - 90)
        # The measured left normal, mirrored and turned, against the line family's.
        n = math.radians(m.direction_deg + 90.0)
        x, y = (-math.cos(n) if mirrored else math.cos(n)), math.sin(n)
        t, g = math.radians(turn), math.radians(angle[f] + 90.0)
        nx, ny = math.cos(t) * x - math.sin(t) * y, math.sin(t) * x + math.cos(t) * y
        pairs.append((f, 1.0 if nx * math.cos(g) + ny * math.sin(g) > 0 else -1.0))
    if turn_um is None:
        turn -= float(np.mean(offs))
    else:
        # Both lie along the axis; directions differ by the radius they are told at.
        turn = 180.0 * round(turn / 180.0)
    fits = []
    for m, (f, sign) in zip(measured, pairs, strict=True):
        own = [(i, w) for i, w in enumerate(lines) if w.family == f]
        period = None
        if turn_um is not None:
            period = abs(turn_um * math.cos(math.radians(angle[f])))
        one = _fits(m, sign, own, period)
        if not one:
            return []
        fits.append(one[:40])
    out = []
    for combination in itertools.islice(itertools.product(*fits), 4000):
        rows = np.array([[-math.sin(math.radians(angle[f])), math.cos(math.radians(angle[f]))]
                         for f, _ in pairs])  # fmt: skip
        wanted = np.array([c.shift_um for c in combination])
        origin, *_ = np.linalg.lstsq(rows, wanted, rcond=None)
        off = rows @ origin - wanted
        gap = min(_gap([w.position_um for w in lines if w.family == f]) for f, _ in pairs)
        if turn_um is None and np.abs(off).max() > _SAME_PLACE * gap:
            continue
        rows_off = off if turn_um is None else np.zeros_like(off)
        residual = np.concatenate(
            [c.residual + o for c, o in zip(combination, rows_off, strict=True)]
        )
        out.append(
            Placement(
                turn % 360.0, mirrored, origin, tuple(f for f, _ in pairs),
                tuple(s for _, s in pairs), tuple(c.line for c in combination),
                float(np.sqrt(np.mean(residual**2))),
                float(np.mean([c.length_error for c in combination])),
            )
        )  # fmt: skip
    return out


def _fits(
    m: MeasuredFamily, sign: float, own: Sequence[tuple[int, PathWall]], period: float | None
) -> list[_Fit]:
    """Return the ways in which a family's walls lie on lines, best first."""
    places = np.array([w.position_um for _, w in own])
    lengths = np.array([w.length_um for _, w in own])
    at = sign * m.position_um
    gap = _gap(places if period is None else places % period)
    limit = _SAME_PLACE * (gap if math.isfinite(gap) else 1e12)
    if len(at) > len(places):
        return []
    out: dict[tuple[int, ...], _Fit] = {}
    for start in places:
        shift = start - at[0]
        for _ in range(2):
            off = places[None, :] - (at[:, None] + shift)
            if period is not None:
                off = (off + period / 2) % period - period / 2
            nearest = np.argmin(np.abs(off), axis=1)
            residual = off[np.arange(at.size), nearest]
            shift += float(residual.mean())
        residual = residual - float(residual.mean())
        if np.abs(residual).max() > limit or len(set(nearest.tolist())) < at.size:
            continue
        line = tuple(own[int(i)][0] for i in nearest)
        error = 0.0
        if period is None:
            a, b = m.length_um / np.median(m.length_um), lengths[nearest] / np.median(lengths)
            error = float(np.sqrt(np.mean((a - b) ** 2)))
        out[line] = _Fit(float(shift), line, residual, error)
    return sorted(out.values(), key=lambda f: float((f.residual**2).sum()))


def _same(p: Placement, q: Placement) -> bool:
    turned = abs((p.rotation_deg - q.rotation_deg + 180) % 360 - 180)
    return p.mirrored == q.mirrored and turned < 0.5 and p.line == q.line


def _no_match(
    measured: Sequence[MeasuredFamily], lines: Sequence[PathWall], angle: dict[int, float]
) -> str:
    def told(rows: Sequence[tuple[float, int, float]]) -> str:
        return "; ".join(f"{n} at {a:.1f}°, {g:.0f} µm apart" if math.isfinite(g)
                         else f"{n} at {a:.1f}°" for a, n, g in rows)  # fmt: skip

    scan = [(m.direction_deg, m.position_um.size, _gap(m.position_um)) for m in measured]
    path = []
    for f, a in angle.items():
        own = [w.position_um for w in lines if w.family == f]
        path.append((a, len(own), _gap(own)))
    return (
        f"the measured walls ({told(scan)}) do not fit the toolpath's lines ({told(path)}): is it "
        "the file that this print was made from, and is the voxel size right?"
    )
