"""The pore space of parts of the envelope, each measured as the whole is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from volscan.geometry import BuildFrame, Envelope
from volscan.pores.measure import measure_pores
from volscan.pores.regions import Region, part_of
from volscan.pores.space import PoreSpace
from volscan.pores.transport import TransportChoice
from volscan.prepare.material import MaterialMap
from volscan.progress import Progress, no_progress
from volscan.quantity import Notice


def with_regions(
    whole: PoreSpace,
    regions: Sequence[Region],
    material: MaterialMap,
    frame: BuildFrame,
    envelope: Envelope,
    *,
    direction_deg: float | None = None,
    surface_level: float | None = None,
    solid_model: NDArray[np.float32] | None = None,
    transport: TransportChoice | None = None,
    progress: Progress = no_progress,
) -> PoreSpace:
    """Return the pore space with that of each region beside it.

    Solid outside a region limits spheres as it does outside the envelope; a region's own faces
    are no walls, and what lies open beyond them counts as open.

    Parameters
    ----------
    whole
        The envelope's pore space.
    regions
        The parts to measure.
    material, frame, envelope, direction_deg, surface_level, solid_model, transport, progress
        As for `measure_pores`, and the same as for the whole.
    """
    nz, ny, nx = material.fraction.shape
    found: dict[str, PoreSpace] = {}
    notices: list[Notice] = []
    for chosen in regions:
        part = part_of(envelope, chosen, frame, shape=(nz, ny, nx), spacing_um=material.spacing_um)
        if part is None:
            notices.append(
                Notice("region_empty", f"region {chosen.name} and the envelope share nothing")
            )
            continue
        found[chosen.name] = measure_pores(
            material,
            frame,
            part,
            direction_deg=direction_deg,
            surface_level=surface_level,
            solid_model=solid_model,
            transport=transport,
            progress=progress,
        )
    return replace(whole, regions=found, notices=(*whole.notices, *notices))
