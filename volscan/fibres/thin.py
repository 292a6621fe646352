"""Fibres too thin for their blur: diameter and contrast cannot be told apart, and u says so."""

from __future__ import annotations

from dataclasses import replace

from volscan.fibres.field import FibreField
from volscan.quantity import Notice, Quantity, combine_u

# Below this many widths of the point spread a section tells radius² times contrast and no more.
_PARTED = 1.5
# What is left of the diameter's relative uncertainty then, from phantoms at and below it.
_DOUBT = 0.25


def with_thin_doubt(field: FibreField, *, fwhm_um: float) -> FibreField:
    """Return the field, its diameters' u widened where fibres are too thin for their blur.

    Parameters
    ----------
    field
        The fibres.
    fwhm_um
        Full width at half maximum of the fitted point spread.
    """
    mean = field.diameter_um
    if mean is None or mean.value >= _PARTED * fwhm_um:
        return field
    notice = Notice(
        "diameter_degenerate",
        f"fibres of {mean.value:.3g} µm are thinner than 1.5 times the blur ({fwhm_um:.3g} µm): "
        "diameter and contrast cannot be told apart, fibres.diameter_um has a wide u; a polymer "
        "anchor or a diameter from another microscope would settle it",
    )
    return replace(
        field,
        fibres=tuple(replace(f, diameter_um=_wide(f.diameter_um)) for f in field.fibres),
        families=tuple(replace(f, diameter_um=_wide(f.diameter_um)) for f in field.families),
        diameter_um=_wide(mean),
        notices=(*field.notices, notice),
    )


def _wide(q: Quantity) -> Quantity:
    return replace(q, u=combine_u([q.u or 0.0, _DOUBT * abs(q.value)]))
