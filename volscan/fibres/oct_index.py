"""The polymer's index and the fibres' flatness as an OCT scan's own sections show them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from volscan.fibres.oct_section import Section, SectionOptics, Stack, fit_section
from volscan.geometry import FloatArray
from volscan.quantity import Notice, Quantity, combine_u

# What moves with the polymer's index in a fit that frees it.
_WITH_INDEX = ("underside", "loss_per_um")
# Each fit begins this far below and above the index told, so that what it finds is seen to come
# from the scan: a section that tells nothing leaves both where they began.
_APART = 0.04
# Where the two fits end further apart than this share of where they began the index is not told.
_PULLED = 0.5
# Undersides whose echo (amplitude) is less than this share of the tops' are not seen: of light that
# is reflected alike at both surfaces an underside keeps a quarter and more (0.4 at -8 dB).
_LEAST_UNDERSIDE = 0.1
# Most steps of the fit's two rounds; the second frees all that is common to the print.
_STEPS = (16, 10)
# What the model leaves in the index and in the flatness, besides. Calibrated: `python -m
# tests.validation.oct_calibrate --index`, on seeds that docs/validation/oct.md does not report.
MET_ERROR, FLATNESS_ERROR = 0.01, 0.03


@dataclass(frozen=True)
class Told:
    """What a wall tells: index and flatness, and how far apart fits from two starts end.

    `underside` is the amplitude of the undersides' echo over the tops'.
    """

    index: float
    flatness: float
    underside: float
    index_apart: float
    flatness_apart: float


def index_of(
    section: Section, stack: Stack, optics: SectionOptics, *, shared: tuple[str, ...]
) -> Told:
    """Return index and flatness that explain a section best.

    Parameters
    ----------
    section, stack, optics
        A wall's section and its fit with the index that was told.
    shared
        Names of the shared parameters that the second round frees too.

    Notes
    -----
    A fibre of optical thickness T pushes what lies under it down by Δ, and
    n_polymer / n_medium = T / (T - Δ) whatever its flatness: the section's undersides show T, the
    collector's echo and all lower tops Δ. Where no underside is seen T is not, and index and
    flatness cannot be told apart.
    """
    ends = []
    for away in (-_APART, _APART):
        at, begun = stack, replace(optics, polymer=optics.polymer + away)
        for free, steps in zip((_WITH_INDEX, shared), _STEPS, strict=True):
            at, begun = fit_section(
                section, at, begun, free=("polymer", "flatness", *free), one_width=True,
                evaluations=steps,
            )  # fmt: skip
        ends.append((begun.polymer, begun.flatness, begun.underside))
    (low, flat_low, under_low), (high, flat_high, under_high) = ends
    under = 0.5 * (under_low + under_high)
    flatness = 0.5 * (flat_low + flat_high)
    return Told(0.5 * (low + high), flatness, under, high - low, flat_high - flat_low)


def met(walls: list[Told]) -> tuple[Quantity | None, Quantity | None]:
    """Return index and flatness as the walls show them; None where they do not.

    That is where the fit's start decides them, or no undersides are seen.

    The u holds the walls' scatter, half of what the fit's start leaves and the model's error.
    """
    apart = float(np.median([abs(w.index_apart) for w in walls])) if walls else math.inf
    under = float(np.median([w.underside for w in walls])) if walls else 0.0
    if apart > _PULLED * 2.0 * _APART or under < _LEAST_UNDERSIDE:
        return None, None
    flat_apart = float(np.median([abs(w.flatness_apart) for w in walls]))
    index = _mean(np.array([w.index for w in walls]), combine_u([0.5 * apart, MET_ERROR]))
    rest = combine_u([0.5 * flat_apart, FLATNESS_ERROR])
    return index, _mean(np.array([w.flatness for w in walls]), rest)


def _mean(values: FloatArray, rest: float) -> Quantity:
    n = values.size
    middle = float(np.median(values))
    if n < 2:
        return Quantity(middle, None, "1", n)
    sd = float(values.std(ddof=1))
    return Quantity(middle, combine_u([sd / math.sqrt(n), rest]), "1", n, sd)


def index_notice(found: Quantity | None, used: float, u_used: float) -> tuple[Notice, ...]:
    """Return a warning where the scan shows another index than was used, or none."""
    if found is None or found.u is None:
        return (
            Notice(
                "oct_index_not_met",
                "oct.index_polymer.met and oct.height_over_width could not be measured: no "
                "undersides are seen that would tell them apart; the index used is the one told",
            ),
        )
    if abs(found.value - used) <= 2.0 * combine_u([found.u, u_used]):
        return ()
    return (
        Notice(
            "oct_index_differs",
            f"the sections show a polymer index of {found.value:.3f} ± {found.u:.3f}, and "
            f"{used:.3f} was used: heights, diameters, tilts and porosity rest on it; measure "
            f"again with --index-polymer {found.value:.3f} if nothing better is known",
        ),
    )
