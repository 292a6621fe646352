"""Fibres that broke, and fibres laid twice: told from the material map along what was fitted.

A wall's discs are fitted to means over its length, in which a gap of some diameters is lost. So
every fibre is walked once more: where its core is empty for longer than a diameter and a quarter
it is broken, and told in pieces; where another strand runs beside it at its height over most of
its length it is doubled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label, map_coordinates, uniform_filter1d
from scipy.spatial import cKDTree

from volscan.fibres.field import FibreField
from volscan.fibres.shape import breaks
from volscan.geometry import BuildFrame, Fibre, FloatArray
from volscan.polyline import arc_lengths, at_lengths
from volscan.prepare.material import MaterialMap
from volscan.quantity import Notice

# A core with less than this share of the fibre's usual level is empty.
_EMPTY = 0.5
# Somewhere in a gap it is down to this share.
_DEEPLY = 0.3
# ... and below what noise makes of the level, in standard deviations told along the fibre.
_BEYOND = 6.0
# Places across a core and beside it, in radii.
_ACROSS = np.array([-1.4, -1.0, -0.5, 0.0, 0.5, 1.0, 1.4])
# Shortest break and shortest piece, in diameters: noise and blur make shorter ones.
_SHORTEST_BREAK, _SHORTEST_PIECE = 1.25, 2.0
# Within so many diameters of another family's fibre the core says nothing.
_CROSSED = 1.2
# Beside the corners that crossings hide a winding fibre's path strays from it: no break is told.
_WINDING = 1.01
# Another strand runs this many diameters beside a doubled fibre, and over this share of it.
_NEAREST, _FARTHEST, _OVER = 0.8, 2.2, 0.6
# Its core holds this share of the fibre's own, and the valley between them this much less.
_AS_FULL, _VALLEY = 0.7, 0.85
# Fibres nearer than this many diameters to the strand are that strand.
_KNOWN = 0.7
# The strand's place is read off profiles this fine.
_STEPS_A_DIAMETER = 12


@dataclass(frozen=True)
class _Walk:
    """Places along a fibre: arc length (m,), points (m, 3) and left normals (m, 2), build frame."""

    arc_um: FloatArray
    points_um: FloatArray
    normals: FloatArray

    def beside(self, off_um: float) -> FloatArray:
        """Return the points moved sideways."""
        moved = self.points_um.copy()
        moved[:, :2] += off_um * self.normals
        return moved


def with_defects(field: FibreField, material: MaterialMap, frame: BuildFrame) -> FibreField:
    """Return the field with broken fibres in pieces and doubled ones told, both with a notice.

    Parameters
    ----------
    field
        All fibres, in the build frame.
    material
        The material map.
    frame
        The build frame.

    Notes
    -----
    A break under a crossing fibre is seen where it reaches out on both sides. None is told that is
    shorter than 1.25 diameters, nor any of a winding fibre. A strand beside a fibre is outside its
    wall: `wall` is None.
    """
    if not field.fibres:
        return field
    pieces: list[Fibre] = []
    broken: list[str] = []
    doubles: list[Fibre] = []
    centres = np.concatenate([_middle(f)[None] for f in field.fibres])
    walks = [_walk(fibre, 0.5 * min(material.spacing_um)) for fibre in field.fibres]
    others = _trees_of_others(field, walks)
    for fibre, walk in zip(field.fibres, walks, strict=True):
        level = _core_level(material, frame, fibre, walk)
        usual = float(np.median(level))
        own, gaps = _pieces(fibre, walk, level / max(usual, 1e-6), others[fibre.family])
        pieces += own
        broken += [
            f"wall {fibre.wall}, layer {fibre.layer}: {b - a:.3g} µm at {0.5 * (a + b):.3g} µm"
            for a, b in gaps
        ]
        doubles += _double(fibre, walk, usual, material, frame, centres)
    notices = list(field.notices)
    if broken:
        notices.append(
            Notice(
                "fibres_broken",
                "fibres with a gap are told in pieces (" + "; ".join(broken[:20]) + ")",
                len(broken),
            )
        )
    doubles = _once(doubles)
    if doubles:
        where = "; ".join(f"family {f.family}, layer {f.layer}" for f in doubles[:20])
        notices.append(
            Notice(
                "fibres_doubled",
                f"strands run beside a fibre at its height, as if laid twice ({where}): they are "
                "fibres outside walls",
                len(doubles),
            )
        )
    if not broken and not doubles:
        return field
    numbered = [replace(f, id=i) for i, f in enumerate(pieces + doubles)]
    return replace(field, fibres=tuple(numbered), notices=tuple(notices))


def _middle(fibre: Fibre) -> FloatArray:
    return np.asarray(0.5 * (fibre.points_um[0] + fibre.points_um[-1]))


def _walk(fibre: Fibre, step_um: float) -> _Walk:
    """Walk a fibre in even steps."""
    arc = arc_lengths(fibre.points_um)
    even = np.linspace(0.0, arc[-1], max(3, math.ceil(arc[-1] / step_um)))
    points = at_lengths(fibre.points_um, arc, even)
    ahead = np.gradient(points[:, :2], axis=0)
    ahead /= np.maximum(np.linalg.norm(ahead, axis=1, keepdims=True), 1e-12)
    return _Walk(even, points, np.stack([-ahead[:, 1], ahead[:, 0]], axis=1))


def _sampled(material: MaterialMap, frame: BuildFrame, points_um: FloatArray) -> FloatArray:
    """Return the polymer fraction at places (m, 3) in the build frame; 0 beyond the scan."""
    voxels = frame.to_scan(points_um) / np.asarray(material.spacing_um)
    return np.asarray(
        map_coordinates(material.fraction, voxels.T, order=1, mode="constant"), dtype=np.float64
    )


def _core_level(material: MaterialMap, frame: BuildFrame, fibre: Fibre, walk: _Walk) -> FloatArray:
    """Return the fraction in the fibre's core, or beside it (m,), over a diameter along it."""
    radius = 0.5 * fibre.diameter_um.value
    step = float(walk.arc_um[1] - walk.arc_um[0])
    levels = np.array([_sampled(material, frame, walk.beside(off * radius)) for off in _ACROSS])
    core = levels[np.abs(_ACROSS) <= 0.5].mean(axis=0)
    # Where a path strays from its fibre the core is empty and the fibre beside it.
    beside = np.maximum(levels[:2].mean(axis=0), levels[-2:].mean(axis=0))
    width = max(1, round(2.0 * radius / step))
    means = [uniform_filter1d(v, width, mode="nearest") for v in (core, beside)]
    return np.asarray(np.maximum(*means))


def _trees_of_others(field: FibreField, walks: list[_Walk]) -> dict[int, cKDTree | None]:
    """Return, for each family, the places of all fibres of the others."""
    trees: dict[int, cKDTree | None] = {}
    for family in {f.family for f in field.fibres}:
        far = [w.points_um for f, w in zip(field.fibres, walks, strict=True) if f.family != family]
        trees[family] = cKDTree(np.concatenate(far)) if far else None
    return trees


def _crossed(fibre: Fibre, walk: _Walk, others: cKDTree | None) -> NDArray[np.bool_]:
    """Tell of places (m,) whether another family's fibre crosses there."""
    if others is None:
        return np.zeros(walk.arc_um.size, np.bool_)
    reach = _CROSSED * fibre.diameter_um.value
    gap, _ = others.query(walk.points_um, distance_upper_bound=reach)
    return np.asarray(gap < reach)


def _without_crossings(there: NDArray[np.bool_], crossed: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where the fibre is there: not where only a crossing fills a gap's middle."""
    runs, count = label(there)
    out = there.copy()
    for k in range(1, count + 1):
        first, last = np.flatnonzero(runs == k)[[0, -1]]
        if first > 0 and last < there.size - 1 and crossed[first : last + 1].all():
            out[first : last + 1] = False
    return out


def _pieces(
    fibre: Fibre, walk: _Walk, level: FloatArray, others: cKDTree | None
) -> tuple[list[Fibre], list[tuple[float, float]]]:
    """Return the fibre cut at its breaks, and the breaks (start, end along it).

    `level` is what its core holds at each place over what it usually holds, `others` the places of
    other families' fibres.
    """
    if fibre.sinuosity > _WINDING:
        return [fibre], []
    diameter = fibre.diameter_um.value
    there = level > _EMPTY
    if not there.all():
        there = _without_crossings(there, _crossed(fibre, walk, others))
    usual = float(np.median(np.abs(level - np.median(level))))
    end = float(walk.arc_um[-1])
    gaps = [
        (a, b)
        for a, b in breaks(walk.arc_um, there, longer_than_um=_SHORTEST_BREAK * diameter)
        # A gap at an end is an end: fibres reach as far as their wall, some a little less.
        if a > _SHORTEST_PIECE * diameter
        and b < end - _SHORTEST_PIECE * diameter
        and level[(walk.arc_um >= a) & (walk.arc_um <= b)].min()
        < min(_DEEPLY, 1.0 - _BEYOND * 1.48 * usual)
    ]
    if not gaps:
        return [fibre], []
    bounds = [0.0, *(v for gap in gaps for v in gap), end]
    spans = [(a, b) for a, b in zip(bounds[::2], bounds[1::2], strict=True)]
    arc = arc_lengths(fibre.points_um)
    found = []
    for a, b in spans:
        if b - a < _SHORTEST_PIECE * diameter:
            continue
        inside = (arc > a) & (arc < b)
        at = np.concatenate([[a], arc[inside], [b]])
        points = at_lengths(fibre.points_um, arc, at)
        drawn = np.interp(at, arc, fibre.diameters_um)
        found.append(replace(fibre, points_um=points, diameters_um=drawn))
    return found, gaps


def _double(
    fibre: Fibre,
    walk: _Walk,
    usual: float,
    material: MaterialMap,
    frame: BuildFrame,
    centres: FloatArray,
) -> list[Fibre]:
    """Return the strands that run beside a fibre at its own height."""
    diameter = fibre.diameter_um.value
    offs = np.arange(-_FARTHEST - 0.5, _FARTHEST + 0.5, 1.0 / _STEPS_A_DIAMETER) * diameter
    every = max(1, round(0.25 * diameter / float(walk.arc_um[1] - walk.arc_um[0])))
    thin = _Walk(walk.arc_um[::every], walk.points_um[::every], walk.normals[::every])
    shown = np.array([_sampled(material, frame, thin.beside(off)) for off in offs])
    # Crossing fibres fill the profile from side to side: the lower part of the places is free of
    # them, and a strand over most of the length fills it too.
    profile = np.quantile(shown, 1.0 - _OVER, axis=1)
    found = []
    for side in (-1.0, 1.0):
        near = np.flatnonzero(
            (side * offs >= _NEAREST * diameter) & (side * offs <= _FARTHEST * diameter)
        )
        peak = near[np.argmax(profile[near])]
        between = (side * offs > 0) & (side * offs < side * offs[peak])
        beyond = (side * offs > side * offs[peak]) & (
            side * offs < side * offs[peak] + 0.5 * diameter
        )
        top = float(profile[peak])
        if (
            top < _AS_FULL * usual
            or profile[between].min(initial=top) > _VALLEY * top
            or profile[beyond].min(initial=top) > _VALLEY * top
        ):
            continue
        moved = walk.beside(float(offs[peak]))
        gap = np.linalg.norm(centres - 0.5 * (moved[0] + moved[-1]), axis=1)
        if gap.min() < _KNOWN * diameter:
            continue
        found.append(
            replace(
                fibre,
                wall=None,
                points_um=moved[[0, -1]],
                diameters_um=np.full(2, diameter),
                sag_um=None,
                recruitment_strain=None,
                diameter_change=None,
            )
        )
    return found


def _once(strands: list[Fibre]) -> list[Fibre]:
    """Leave out strands found from both sides, or twice."""
    kept: list[Fibre] = []
    for strand in strands:
        apart = [np.linalg.norm(_middle(strand) - _middle(k)) for k in kept]
        if not apart or min(apart) > _KNOWN * strand.diameter_um.value:
            kept.append(strand)
    return kept
