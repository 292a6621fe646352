"""Porosity inside the envelope by three estimators that fail differently."""

from __future__ import annotations

from dataclasses import dataclass

from volscan.quantity import Notice, Quantity


@dataclass(frozen=True)
class Porosity:
    """Porosity as a fraction, 0..1; an estimator that does not apply is None.

    `by_height` holds (height above the base plane in µm, porosity) pairs; `u_sampling` is what
    another piece of the same print would give, kept apart from `total.u`; `slope` is the change
    of porosity for a threshold 1 % of the air-polymer span higher.
    """

    total: Quantity
    total_from: str
    u_sampling: float | None
    accessible: Quantity | None
    sealed: Quantity | None
    threshold: Quantity | None
    threshold_raw: Quantity
    partial_volume: Quantity | None
    fibre_model: Quantity | None
    by_height: tuple[tuple[float, float], ...]
    slope: float
    notices: tuple[Notice, ...] = ()
