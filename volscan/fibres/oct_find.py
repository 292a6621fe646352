"""From a prepared OCT scan to fibres, alone or with scans of the same print as it grew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from threadpoolctl import threadpool_limits

from volscan.fibres.field import FibreField
from volscan.fibres.lines import field_from_walls
from volscan.fibres.oct_error import with_model_error
from volscan.fibres.oct_index import met
from volscan.fibres.oct_join import Moved, joined_walls
from volscan.fibres.oct_section import SectionOptics
from volscan.fibres.oct_seen import reach_of, shadow_notice, told, top_only
from volscan.fibres.oct_walls import walls_of
from volscan.geometry import BuildFrame
from volscan.prepare.oct import OctMap
from volscan.progress import Progress, no_progress
from volscan.quantity import Notice, Quantity


@dataclass(frozen=True)
class OctFibres:
    """What OCT fibres tell: the field, and what was met of optics.

    `index_met`, `flatness` are the polymer's group index and the fibres' height over width as the
    sections themselves show them; `unseen` counts fibres that shadow hides, `top_echo` is the
    intensity of a level top, `reaches_collector` whether the lowest fibres found rest on it.
    `moved` tells how earlier scans of the print lie on this one, the oldest first.
    """

    field: FibreField
    optics: SectionOptics | None
    index_met: Quantity | None = None
    flatness: Quantity | None = None
    unseen: int = 0
    top_echo: float = 1.0
    reaches_collector: bool = True
    moved: tuple[Moved | None, ...] = ()


def find_oct_fibres(
    scan: OctMap,
    frame: BuildFrame,
    *,
    index_medium: float,
    index_polymer: float,
    earlier: Sequence[tuple[OctMap, BuildFrame]] = (),
    progress: Progress = no_progress,
) -> OctFibres:
    """Find the fibres of a print on its collector in an OCT scan.

    Parameters
    ----------
    scan
        The prepared scan.
    frame
        The build frame, from the collector's surface.
    index_medium, index_polymer
        Group indices.
    earlier
        Scans of the same print while it grew, the oldest first, each with its own frame. Every
        fibre is then taken from the scan in which the fewest lie above it.

    Notes
    -----
    Walls are straight. Each wall's section is the mean over the columns between its crossings
    with other families, where nothing but its own fibres lies above them. The fibres of a section
    are fitted together: what each column shows is computed from the top down, the polymer's index
    counted in polymer only, so that a fibre seen through those above it is put where it lies.
    """
    start = SectionOptics(medium=index_medium, polymer=index_polymer)
    with threadpool_limits(1, user_api="blas"):
        newest = walls_of(scan, frame, start, progress=progress)
        if newest is None:
            return _nothing()
        grown = [(walls_of(s, f, start, progress=no_progress), f) for s, f in earlier]
        known = [(w, f) for w, f in grown if w is not None]
        joined = joined_walls([*known, (newest, frame)])
        walls, optics = joined.walls, newest.optics
        reach = reach_of(walls, frame)
        if reach.welded:
            walls = [top_only(w) for w in walls]
        field, ordered = field_from_walls(walls, frame, families=newest.axes, waves={})
        field = with_model_error(
            field, ordered, sigma_um=optics.sigma_um[0], u_steps_um=joined.u_steps_um
        )
        field = told(field, reach)
        shadows = shadow_notice(newest.unseen) if not known else ()
        left_out = len(earlier) - sum(m is not None for m in joined.moved[:-1])
        field = replace(field, notices=(*field.notices, *shadows, *_left_out(left_out)))
    # Welded walls show no underside of their own.
    index, flat = (None, None) if reach.welded else met(newest.told)
    progress("fibres", 1.0)
    return OctFibres(
        field, optics, index, flat, newest.unseen, float(np.median(newest.echoes)),
        not reach.floats, joined.moved if earlier else (),
    )  # fmt: skip


def _left_out(count: int) -> tuple[Notice, ...]:
    if not count:
        return ()
    text = (
        "earlier scans left out: they show no fibres, or share too few with the next newer scan to "
        "be laid on it"
    )
    return (Notice("oct_earlier_left_out", text, count),)


def _nothing() -> OctFibres:
    notice = Notice(
        "no_fibres",
        "no straight parallel fibres were found above the collector: fibres, walls and shift are "
        "null",
    )
    return OctFibres(FibreField(notices=(notice,)), None)
