"""The polymer's index and the fibres' flatness as an OCT scan's own sections show them."""

from __future__ import annotations

import math

import numpy as np

from volscan.fibres.oct_section import Section, SectionOptics, Stack, fit_section
from volscan.quantity import Notice, Quantity, combine_u

# What moves with the polymer's index in a fit that frees it.
_WITH_INDEX = ("underside", "loss_per_um")
# What the fit's start and the model leave in the index and in the flatness. Calibrated: `python -m
# tests.validation.oct_calibrate --index`, on seeds that docs/validation/oct.md does not report.
MET_ERROR, FLATNESS_ERROR = 0.0, 0.0
# Rounds of the fit: each begins where the last ended, so that what was told to begin with fades.
_ROUNDS = 2


def index_of(
    section: Section, stack: Stack, optics: SectionOptics, *, shared: tuple[str, ...]
) -> tuple[float, float, float]:
    """Return index and flatness that explain a section best, and the index's last step.

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
    collector's echo and all lower tops Δ.
    """
    before = optics.polymer
    for n in range(_ROUNDS):
        free = ("polymer", "flatness", *(_WITH_INDEX if n == 0 else shared))
        before = optics.polymer
        stack, optics = fit_section(
            section, stack, optics, free=free, one_width=True, evaluations=20 if n == 0 else 12
        )
    return optics.polymer, optics.flatness, abs(optics.polymer - before)


def met(told: list[tuple[float, float, float]]) -> tuple[Quantity | None, Quantity | None]:
    """Return index and flatness as the walls show them.

    The u of the index holds the walls' scatter and the last step of the fit.
    """
    if not told:
        return None, None
    values = np.array(told)
    out = []
    last = float(np.median(values[:, 2]))
    for column, rest in (
        (values[:, 0], combine_u([last, MET_ERROR])),
        (values[:, 1], FLATNESS_ERROR),
    ):
        sd = float(column.std(ddof=1)) if column.size > 1 else math.nan
        u = combine_u([sd / math.sqrt(column.size), rest])
        known = column.size > 1
        out.append(
            Quantity(
                float(np.median(column)), u if known else None, "1", column.size,
                sd if known else None,
            )
        )  # fmt: skip
    return out[0], out[1]


def index_notice(found: Quantity | None, used: float, u_used: float) -> tuple[Notice, ...]:
    """Return a warning where the scan shows another index than was used."""
    if found is None or found.u is None:
        return (
            Notice(
                "oct_index_not_met",
                "oct.index_polymer.met and oct.height_over_width could not be measured: the index "
                "used is the one told, and no section bears it out",
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
