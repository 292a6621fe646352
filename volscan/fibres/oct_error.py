"""What the model of an OCT section leaves out, as part of every u that rests on it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from volscan.fibres.field import FibreField
from volscan.fibres.lines import FittedWall
from volscan.geometry import FloatArray
from volscan.quantity import Quantity, combine_u

# What the model of straight rays leaves out moves fibres across by more the deeper they lie: this
# share of the lateral spread (standard deviation) from one fibre of a wall to the next. Fibres are
# lenses, and what lies under one is seen by rays that it has bent; shadows and speckle that does
# not average out along a wall make less, 0.045 where light runs straight. Calibrated:
# `python -m tests.validation.oct_calibrate --lens`, on seeds that docs/validation/oct.md does not
# report (84 walls, 0.09 to 0.20 by phantom).
LEAN_ERROR = 0.16
# The errors of the diameter and of heights above the collector, as shares of the diameter.
DIAMETER_ERROR, HEIGHT_ERROR = 0.01, 0.015
# Fewest degrees of freedom from which the scatter of fibres about their walls' lines counts.
_FEWEST = 4


def wall_scatter_um(walls: list[FittedWall]) -> float | None:
    """Return the standard deviation of fibres about their walls' straight lines.

    None where walls hold too few fibres to show it. It may be the print's own or the scan's.
    """
    squares, freedom = 0.0, 0
    for wall in walls:
        across, up = wall.across_um.mean(axis=0), wall.up_um.mean(axis=0)
        if across.size > 2:
            rest = across - np.polyval(np.polyfit(up, across, 1), up)
            squares += float(rest @ rest)
            freedom += across.size - 2
    return math.sqrt(squares / freedom) if freedom >= _FEWEST else None


def with_model_error(
    field: FibreField,
    walls: list[FittedWall],
    *,
    sigma_um: float,
    u_steps_um: FloatArray | None = None,
) -> FibreField:
    """Return the field with what the model leaves out in every u.

    The calibrated error, or the scatter of the fibres about their walls' lines where that is
    larger. `sigma_um` is the standard deviation of the amplitude's lateral spread, `u_steps_um`
    how well each of several scans of a growing print lies on the next newer one.
    """
    seen = wall_scatter_um(walls) or 0.0
    stations = tuple(
        replace(s, u_model_um=max(seen, _model_error_um(walls[s.wall], sigma_um, u_steps_um)))
        for s in field.stations
    )
    fibres = tuple(
        replace(f, diameter_um=_widened(f.diameter_um, DIAMETER_ERROR * f.diameter_um.value))
        for f in field.fibres
    )
    families = tuple(
        replace(f, diameter_um=_widened(f.diameter_um, DIAMETER_ERROR * f.diameter_um.value))
        for f in field.families
    )
    d, step, tall = field.diameter_um, field.layer_height_um, field.scaffold_height_um
    if d is None:
        return field
    height = HEIGHT_ERROR * d.value
    return replace(
        field,
        stations=stations,
        fibres=fibres,
        families=families,
        diameter_um=_widened(d, DIAMETER_ERROR * d.value),
        layer_height_um=None if step is None else _widened(step, height / max(step.n, 1)),
        scaffold_height_um=None if tall is None else _widened(tall, height),
    )


def _model_error_um(wall: FittedWall, sigma_um: float, u_steps_um: FloatArray | None) -> float:
    """Return the error of one fibre's place that makes the error of its wall's lean.

    A fibre is off by `LEAN_ERROR` spreads for each that lies above it, all to one side, and all
    fibres of older scans by how these lie on the next newer ones.
    """
    k = np.arange(wall.up_um.shape[1], dtype=np.float64)
    arm = k - k.mean()
    # Of errors e the slope on the number is off by Σ arm e / Σ arm², a place's by √Σ arm² times it.
    lever = math.sqrt(float(arm @ arm)) or 1.0
    parts = [LEAN_ERROR * sigma_um * lever]
    if wall.of_scan is not None and u_steps_um is not None:
        parts += [
            float(u) * float(arm[wall.of_scan <= i].sum()) / lever for i, u in enumerate(u_steps_um)
        ]
    return combine_u(parts)


def _widened(q: Quantity, u: float) -> Quantity:
    return replace(q, u=combine_u([q.u or 0.0, u]))
