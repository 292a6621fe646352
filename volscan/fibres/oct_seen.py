"""Which fibres of an OCT scan are seen: missing, hidden in shadow, or welded to one another."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.field import FibreField
from volscan.fibres.lines import FittedWall
from volscan.fibres.oct_section import SectionOptics, Stack
from volscan.geometry import BuildFrame, FloatArray
from volscan.kernels.oct_section import light_at
from volscan.quantity import Notice, combine_u

# A fibre whose echo is weaker than this share (amplitude) of its layer's usual one is missing.
_MISSING = 0.2
# A level top whose echo would lie under this many noise floors is not seen. A section is the mean
# over some 100 columns and more, whose noise scatters by 0.1 floors.
_UNSEEN = 0.5
# Fibres of a wall that lie closer than this share of their height are welded.
_WELDED = 0.9
# The lowest fibre rests on the collector where the gap under it is less than this share of its
# height: it may be pressed or lie on a rim.
_RESTS = 0.5
# What a welded wall's top fibre may differ in width from what its cap shows, as a share: the flanks
# of the fibres under it show beside it.
_CAP_ALONE = 0.2


def light_on(stack: Stack, optics: SectionOptics) -> FloatArray:
    """Return the share of light (k,) that reaches each fibre's top at best and comes back."""
    return np.asarray(light_at(stack.packed(optics.flatness), optics.packed(1.0)))


def present_fibres(
    stacks: list[Stack], optics: SectionOptics
) -> tuple[list[NDArray[np.bool_]], int]:
    """Return for each wall which of the family's fibres are there, and how many cannot be told.

    A fibre is there when its echo is as its layer's are; it is missing when it is far weaker and
    would be seen, and cannot be told where its layer's usual echo, in the shadow of the fibres
    above it, would lie in the noise.
    """
    if len({s.level.size for s in stacks}) > 1:
        # Walls of other counts have no common layers.
        usual = [np.full(s.level.size, float(np.median(s.level))) for s in stacks]
    else:
        usual = [np.median([s.level for s in stacks], axis=0)] * len(stacks)
    there, unseen = [], 0
    for stack, level in zip(stacks, usual, strict=True):
        kept = np.ones(level.size, dtype=bool)
        for k in range(level.size):
            # Fibres that are not there cast no shadow.
            above = np.flatnonzero(kept[:k]).tolist()
            light = light_on(_part(stack, [*above, k]), optics)[-1]
            visible = math.exp(2.0 * level[k]) * light >= _UNSEEN
            kept[k] = visible and stack.level[k] > level[k] + math.log(_MISSING)
            unseen += not visible
        there.append(kept)
    return there, unseen


def _part(stack: Stack, kept: list[int]) -> Stack:
    return Stack(
        stack.across_um[kept], stack.height_um[kept], stack.half_width_um[kept], stack.level[kept]
    )


def welded(walls: list[FittedWall]) -> bool:
    """Return whether a family's walls are welded: most neighbours in a wall overlap."""
    close, pairs = 0, 0
    for wall in walls:
        rises = np.diff(wall.up_um.mean(axis=0))
        high = 2.0 * float(wall.radius_um.mean()) * math.sqrt(wall.height_over_width)
        close += int(np.sum(rises < _WELDED * high))
        pairs += rises.size
    return close > 0.5 * pairs


def gap_below_um(walls: list[FittedWall], frame: BuildFrame) -> tuple[float, float]:
    """Return the gap between the collector and the family that lies lowest, and a fibre's height.

    A family's gap is the median of its walls'.
    """
    gaps, high = [], []
    for family in sorted({w.family for w in walls}):
        own = [w for w in walls if w.family == family]
        tall = [2.0 * float(w.radius_um.mean()) * math.sqrt(w.height_over_width) for w in own]
        lowest = [float(frame.to_build(w.centres())[:, 0, 2].mean()) for w in own]
        gaps.append(float(np.median(np.array(lowest) - 0.5 * np.array(tall))))
        high.append(float(np.median(tall)))
    return min(gaps), float(np.mean(high))


@dataclass(frozen=True)
class Reach:
    """How far down the fibres of a print are seen.

    `floats` says that none rests on the collector, `gap_um` above it; `welded` that nothing but
    the walls' top fibres is of use.
    """

    floats: bool
    welded: bool
    gap_um: float


def reach_of(walls: list[FittedWall], frame: BuildFrame) -> Reach:
    """Return how far down the fibres are seen.

    Where nothing that was found rests on the collector, what lies below is welded to it or lies
    in its shadow. Where, besides, the walls show a single fibre each, or where fibres of a wall
    overlap, they are welded: a lean read from caps and flanks alone is worth nothing.
    """
    gap, high = gap_below_um(walls, frame)
    floats = gap > _RESTS * high
    single = all(w.up_um.shape[1] == 1 for w in walls)
    families = [[w for w in walls if w.family == f] for f in {w.family for w in walls}]
    overlap = any(welded(f) for f in families)
    return Reach(floats or overlap, overlap or (floats and single), gap)


def top_only(wall: FittedWall) -> FittedWall:
    """Return a wall with nothing but its top fibre."""
    return replace(
        wall,
        present=wall.present[-1:] | True,
        across_um=wall.across_um[:, -1:],
        up_um=wall.up_um[:, -1:],
        radius_um=wall.radius_um[-1:],
        u_radius_um=np.hypot(wall.u_radius_um[-1:], _CAP_ALONE * wall.radius_um[-1:]),
        places_um=None if wall.places_um is None else wall.places_um[:, -1:],
        u_places_um=None if wall.u_places_um is None else wall.u_places_um[:, -1:],
        of_scan=None if wall.of_scan is None else wall.of_scan[-1:],
    )


def told(field: FibreField, reach: Reach) -> FibreField:
    """Return the field without what shadows and welding make worthless, and saying so."""
    if reach.welded:
        notice = Notice(
            "oct_welded_walls",
            "walls.tilt_deg, shift, fibres.layer_count, porosity and pores are null: walls are "
            "welded, or hide what lies under their top fibres; a lean read from caps and flanks "
            "alone is worth nothing. Fibres are the walls' top ones, their diameters as wide as a "
            "weld lets them look",
        )
        d = field.diameter_um
        if d is not None:
            d = replace(d, u=combine_u([d.u or 0.0, _CAP_ALONE * d.value]))
        # Of one layer a height is told by no other.
        field = replace(field, layer_height_um=None, diameter_um=d)
    elif reach.floats:
        notice = Notice(
            "oct_layers_unseen",
            "fibres.layer_count, porosity and pores are null: no fibre that was found rests on "
            f"the collector ({reach.gap_um:.0f} µm lie between), so that layers below are unseen",
        )
    else:
        return field
    return replace(field, layer_count=None, notices=(*field.notices, notice))


def shadow_notice(unseen: int) -> tuple[Notice, ...]:
    """Return the notice of fibres that cannot be told from missing ones."""
    if not unseen:
        return ()
    return (
        Notice(
            "oct_unseen_fibres",
            "fibres in so deep a shadow of others that they cannot be told from missing ones "
            "(walls.tilt_deg is of the others); missing_fibres, where it is said, counts them too",
            unseen,
        ),
    )
