"""Measure porosity: one pass of sums, the fitted fibres drawn once, three estimators."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from volscan.errors import NothingToMeasureError
from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Envelope
from volscan.porosity.estimates import (
    Estimate,
    corrected_count,
    fibre_model,
    is_segmented,
    partial_volume,
    raw_count,
    slope_of,
)
from volscan.porosity.level import level_of_volume
from volscan.porosity.model import draw_fibres
from volscan.porosity.reach import ReachableVoid, reachable_void
from volscan.porosity.result import Porosity
from volscan.porosity.sampling import spread_of_blocks
from volscan.porosity.sums import Sums, collect, reach_of, unseen_share
from volscan.prepare.material import MaterialMap
from volscan.progress import Progress, no_progress
from volscan.quantity import Notice, Quantity

FloatArray = NDArray[np.float64]

# Estimators further apart than this many of their joint standard uncertainties are told of.
_APART = 2.0
# Specks of void inside solid are told of when they hold more than this share of all void.
_SPECKS_TOLD = 1e-3


def measure_porosity(
    material: MaterialMap,
    frame: BuildFrame,
    fibres: FibreField,
    envelope: Envelope,
    *,
    only_fibres: bool = True,
    progress: Progress = no_progress,
) -> Porosity:
    """Return the porosity of the envelope by every estimator that applies.

    Parameters
    ----------
    material
        Polymer fraction of every voxel, not clipped.
    frame
        The build frame.
    fibres
        Fitted fibres; may be empty.
    envelope
        The volume that porosity refers to.
    only_fibres
        Whether the polymer is fibres alone: beside a film their model cannot stand for it.
    progress
        Called with the stage's name and the share done.

    Raises
    ------
    NothingToMeasureError
        If the envelope holds no voxel of the scan.

    Notes
    -----
    `threshold_raw`: share of the envelope at or above the surface level. `threshold`: the same
    freed from noise and, by the fitted fibres, from blur. `partial_volume`: integral of polymer
    fraction, with what blur carried beyond base and top. `fibre_model`: union of fitted tubes.
    `total_from` follows a fixed rule: a segmented scan is counted; otherwise `partial_volume`,
    unless its anchors leave it less certain than `threshold`. Estimators that disagree by more
    than their uncertainties widen the total's to half their distance; agreement narrows nothing.
    Memory: 5 bytes a voxel beside the map, for labels.

    References
    ----------
    docs/theory/porosity.md.
    """
    progress("porosity", 0.0)
    reach = reach_of(material, envelope)
    sums = collect(material, frame, fibres, envelope, reach)
    if sums.volume <= 0:
        raise NothingToMeasureError("the envelope holds no voxel of the scan: choose another")
    progress("porosity", 0.3)
    told = bool(fibres.fibres) and only_fibres
    model = draw_fibres(material, frame, fibres, envelope, reach) if told else None
    progress("porosity", 0.6)
    raw = raw_count(sums, material, envelope)
    counted = raw if is_segmented(sums) else corrected_count(sums, model, material, envelope)
    integral = partial_volume(sums, model, material, envelope, reach)
    drawn = fibre_model(sums, model, fibres, envelope) if model is not None else None
    unseen = unseen_share(material, frame, envelope, reach)
    if counted is not None:
        counted = _with_unseen(counted, unseen)
    integral = _with_unseen(integral, unseen)

    total, total_from = _chosen(counted, integral, segmented=is_segmented(sums))
    found = {"threshold": counted, "partial_volume": integral, "fibre_model": drawn}
    u_total, notices = _disagreement(total, {k: e for k, e in found.items() if e is not None})
    notices += _face_notices(sums, ends_um=reach.ends_um)
    if unseen > 0:
        notices += (
            Notice(
                "left_out_in_envelope",
                f"foreign bodies and their blur fill {100 * unseen:.2g} % of the envelope: what is "
                "there was not seen and counts as half polymer, with a standard uncertainty of "
                "0.29 of it",
            ),
        )
    count = max(1, len(fibres.fibres))
    value = 1.0 - total.solid
    if not 0.0 <= value <= 1.0:
        notices += (
            Notice("clipped", f"a total porosity of {value:.4f} was set to the nearest possible"),
        )
        value = min(max(value, 0.0), 1.0)
    surface_level = level_of_volume(sums.level_counts, value, near=material.level)
    void = reachable_void(material, frame, envelope, level=surface_level)
    progress("porosity", 1.0)
    whole = Quantity(value, u_total, "1", count)
    accessible, sealed = _shares(whole, void)
    if fibres.fibres and not only_fibres:
        notices += (
            Notice(
                "porosity.fibre_model",
                "a film is polymer that the fitted fibres do not hold: their model says nothing "
                "of the porosity, and the threshold is not freed from blur by it",
            ),
        )
    if counted is None:
        notices += (
            Notice(
                "porosity.threshold",
                "the fitted fibres are too thin for their blur to reach the surface level: a "
                "threshold cannot measure them",
            ),
        )
    if void.specks > _SPECKS_TOLD * (void.open + void.sealed):
        notices += (
            Notice(
                "void_specks",
                "closed pores too small to be told from noise were left out of the sealed share",
                void.speck_count,
            ),
        )
    return Porosity(
        total=whole,
        total_from=total_from,
        u_sampling=spread_of_blocks(sums.block_polymer, sums.block_volume),
        accessible=accessible,
        sealed=sealed,
        threshold=_quantity(counted, count),
        threshold_raw=Quantity(1.0 - raw.solid, raw.u, "1", count),
        partial_volume=_quantity(integral, count),
        fibre_model=_quantity(drawn, count),
        by_height=_by_height(sums),
        slope=slope_of(sums, material.level),
        notices=notices,
        surface_level=surface_level,
    )


def _quantity(estimate: Estimate | None, count: int) -> Quantity | None:
    return None if estimate is None else Quantity(1.0 - estimate.solid, estimate.u, "1", count)


def _with_unseen(estimate: Estimate, share: float) -> Estimate:
    """Return the estimate with unseen places half filled: anything between none and all is likely.

    A uniform distribution over an interval has a standard deviation of its length over √12
    (JCGM 100, 4.3.7).
    """
    if share <= 0.0:
        return estimate
    parts = {**estimate.parts, "unseen": share / math.sqrt(12.0)}
    return replace(estimate, solid=estimate.solid + 0.5 * share, parts=parts)


def _chosen(
    counted: Estimate | None, integral: Estimate, *, segmented: bool
) -> tuple[Estimate, str]:
    """Return the estimate that stands for the total, and its name."""
    if counted is not None and (segmented or counted.u < integral.u):
        return counted, "threshold"
    return integral, "partial_volume"


def _disagreement(total: Estimate, found: dict[str, Estimate]) -> tuple[float, tuple[Notice, ...]]:
    """Return the total's standard uncertainty and a notice for estimators that disagree."""
    u = total.u
    notices: list[Notice] = []
    for (one, a), (other, b) in combinations(found.items(), 2):
        apart = abs(a.solid - b.solid)
        if apart > _APART * math.hypot(a.u_own, b.u_own) and apart > 1e-9:
            notices.append(
                Notice(
                    "estimators_disagree",
                    f"{one} and {other} differ by {100 * apart:.2g} percentage points, more than "
                    "their uncertainties allow",
                )
            )
            if total in (a, b):
                u = max(u, 0.5 * apart)
    return u, tuple(notices)


def _face_notices(sums: Sums, *, ends_um: float) -> tuple[Notice, ...]:
    if ends_um == 0:
        return ()
    notices = []
    for word, air, room in zip(("base", "top"), sums.is_air, sums.has_room, strict=True):
        if not room:
            notices.append(
                Notice(
                    "no_room_beyond_face",
                    f"the scan ends too near to the {word} for blurred polymer to be summed there",
                )
            )
        elif not air:
            notices.append(
                Notice(
                    "no_air_beyond_face",
                    f"what lies beyond the {word} is not air (a collector?): blurred polymer was "
                    "not summed there",
                )
            )
    return tuple(notices)


def _shares(total: Quantity, void: ReachableVoid) -> tuple[Quantity, Quantity]:
    """Return accessible and sealed porosity: shares of the envelope that add up to the total."""
    whole = void.open + void.sealed
    share = void.sealed / whole if whole > 0 else 0.0
    u_total = total.u or 0.0
    # Specks may be pores after all: half of them, on one side.
    specks = 0.5 * void.specks / whole * total.value if whole > 0 else 0.0
    return (
        Quantity(
            (1.0 - share) * total.value, math.hypot((1.0 - share) * u_total, specks), "1", total.n
        ),
        Quantity(share * total.value, math.hypot(share * u_total, specks), "1", total.n),
    )


def _by_height(sums: Sums) -> tuple[tuple[float, float], ...]:
    rows = zip(sums.heights_um, sums.height_polymer, sums.height_volume, strict=True)
    return tuple((float(h), float(1.0 - p / v)) for h, p, v in rows if v > 0)
