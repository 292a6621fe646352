"""What the porosity stage hands on."""

from __future__ import annotations

from dataclasses import dataclass

from volscan.quantity import Notice, Quantity


@dataclass(frozen=True)
class Porosity:
    """Porosity as a fraction, 0..1; an estimator that does not apply is None.

    `accessible` and `sealed` are shares of the envelope's volume and add up to `total`.
    `by_height` holds (height above the base plane in µm, porosity) pairs; `u_sampling` is what
    another piece of the same print would give, kept apart from `total.u`; `slope` is the change
    of porosity for a threshold 1 % of the air-polymer span higher; `surface_level` is the polymer
    fraction at which the thresholded solid has the volume that `total` says.
    """

    total: Quantity
    total_from: str
    u_sampling: float | None
    accessible: Quantity | None
    sealed: Quantity | None
    threshold: Quantity | None
    threshold_raw: Quantity | None
    partial_volume: Quantity | None
    fibre_model: Quantity | None
    by_height: tuple[tuple[float, float], ...]
    slope: float
    notices: tuple[Notice, ...] = ()
    surface_level: float = 0.5
