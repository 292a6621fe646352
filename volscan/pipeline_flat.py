"""What CT and OCT scans of flat prints have in common, once their fibres are known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.envelope import make_envelope
from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Envelope
from volscan.pipeline_input import middle_xy_um, transport_choice
from volscan.pores import PoreSpace, measure_pores, with_regions
from volscan.pores.regions import Region
from volscan.prepare.material import MaterialMap
from volscan.progress import Progress
from volscan.provenance import RunLog
from volscan.quantity import Notice
from volscan.settings import Settings
from volscan.shift import ShiftPlan, advise_shift
from volscan.walls import measure_walls
from volscan.walls.wallset import WallSet


def walls_to_shift(
    material: MaterialMap,
    frame: BuildFrame,
    field: FibreField,
    settings: Settings,
    mask: NDArray[np.bool_] | None,
    log: RunLog,
    progress: Progress,
) -> tuple[WallSet, Envelope, tuple[Notice, ...], ShiftPlan]:
    """Run the stages from walls to shift; the notices are of how the envelope was drawn."""
    s = settings
    with log.stage("walls"):
        walls = measure_walls(
            material, frame, field,
            upright_tolerance_deg=s.upright_tolerance_deg, progress=progress,
        )  # fmt: skip
    with log.stage("envelope"):
        choice = s.envelope if mask is None else mask
        envelope, drawn = make_envelope(material, frame, field, walls, choice=choice)
    with log.stage("shift"):
        shift = advise_shift(
            walls, field, frame, middle_xy_um=middle_xy_um(field, envelope),
            upright_tolerance_deg=s.upright_tolerance_deg,
        )  # fmt: skip
    return walls, envelope, drawn, shift


def pores_of(
    material: MaterialMap,
    frame: BuildFrame,
    envelope: Envelope,
    field: FibreField,
    settings: Settings,
    regions: Sequence[Region],
    *,
    surface_level: float,
    solid_model: NDArray[np.float32] | None,
    progress: Progress,
) -> PoreSpace:
    """Return the pores of the envelope and of its regions, along the first family."""
    options: dict[str, Any] = {
        "direction_deg": field.families[0].direction_deg.value if field.families else None,
        "surface_level": surface_level,
        "solid_model": solid_model,
        "transport": transport_choice(settings),
        "progress": progress,
    }
    pores = measure_pores(material, frame, envelope, **options)
    return with_regions(pores, regions, material, frame, envelope, **options)
