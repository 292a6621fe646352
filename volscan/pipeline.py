"""The whole measurement, stage by stage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.design import Design
from volscan.fibres import find_fibres
from volscan.frame.collector import collector_notices
from volscan.frame.film import find_film, with_film, without_film
from volscan.frame.plate import find_plate_frame
from volscan.frame.release import flatten
from volscan.pipeline_flat import pores_of, walls_to_shift
from volscan.pipeline_input import (
    assumed,
    chosen_settings,
    middle_xy_um,
    opened_earlier,
    opened_mask,
    opened_regions,
    opened_scan,
    scan_settings,
    up_as_measured,
    wanted_design,
)
from volscan.pipeline_oct import oct_stages
from volscan.pipeline_tube import TubeStages, tube_envelope, tube_of, tube_pores, tube_porosity
from volscan.pores.regions import Region
from volscan.porosity import PORES_FROM_FIBRES, fibre_solid, measure_porosity
from volscan.prepare.ct import prepare_ct
from volscan.progress import Progress, no_progress
from volscan.provenance import RunLog
from volscan.quantity import Notice
from volscan.readers import RawLayout
from volscan.results import Results
from volscan.results_assemble import assemble
from volscan.results_document import Measured
from volscan.settings import Settings
from volscan.shift import advise_shift
from volscan.volume import Volume


def measure(
    scan: Volume | str | Path | NDArray[Any],
    *,
    settings: Settings | None = None,
    design: Design | str | Path | None = None,
    voxel_um: float | Sequence[float] | None = None,
    raw: RawLayout | None = None,
    earlier: Sequence[Volume | str | Path | NDArray[Any]] = (),
    progress: Progress = no_progress,
    **options: Any,
) -> Results:
    """Measure a scan: porosity, pores, fibres, walls and the layer shift for the next print.

    Parameters
    ----------
    scan
        A `Volume`, the path of a scan (file or folder), or an array (z, y, x) with `voxel_um`.
    settings
        All choices in one object; or give single ones as keywords: ``up="+z", mirrored=False``.
    design
        A `Design` or the path of a design file. It is compared with what was measured and changes
        no measured number.
    voxel_um
        Voxel size in µm, one number or (z, y, x), where the file does not tell it.
    raw
        Layout of a headerless file.
    earlier
        OCT scans of the same print while it grew, the oldest first, stored and told like `scan`.
        Each fibre is then measured in the scan in which the fewest lie above it.
    progress
        Called with a stage's name and the share done, 0 to 1.

    Returns
    -------
    Results
        Every number with its uncertainty; what could not be measured is None with a warning.

    Raises
    ------
    InputError
        If the scan cannot be used or holds nothing that can be measured.
    SettingsError
        If a choice cannot be.

    Examples
    --------
    >>> results = measure("patch.tif", voxel_um=4.0, up="+z", mirrored=False)  # doctest: +SKIP
    >>> results.porosity.total  # doctest: +SKIP
    0.912 ± 0.003 (n = 36)
    """
    chosen = chosen_settings(settings, options)
    wanted = wanted_design(design)
    log = RunLog()
    with log.stage("read"):
        progress("read", 0.0)
        volume = opened_scan(scan, settings=chosen, voxel_um=voxel_um, raw=raw)
        mask, mask_facts = opened_mask(chosen, volume)
        regions = opened_regions(chosen, volume)
        grown, grown_facts = opened_earlier(earlier, settings=chosen, voxel_um=voxel_um, raw=raw)
    if chosen.modality == "oct":
        measured = oct_stages(volume, chosen, mask, regions, log, progress, earlier=grown)
    else:
        measured = _stages(volume, chosen, mask, regions, log, progress)
    extra = {**scan_settings(voxel_um, raw), **mask_facts, **grown_facts}
    with log.stage("results"):
        progress("results", 0.0)
        results = assemble(measured, extra_settings=extra, design=wanted)
        progress("results", 1.0)
    return replace(results, run={**log.to_dict(), "scan": volume.source.path})


def _stages(
    volume: Volume,
    settings: Settings,
    mask: NDArray[np.bool_] | None,
    regions: Sequence[Region],
    log: RunLog,
    progress: Progress,
) -> Measured:
    """Run the stages in their order; each takes what the one before found."""
    s = settings
    with log.stage("prepare"):
        material = prepare_ct(volume, threshold=s.threshold, progress=progress)
    with log.stage("tube"):
        tube, seems = tube_of(material, s, progress=progress)
    if tube is not None:
        if regions:
            left_out = Notice(
                "regions_not_on_tubes", "regions are not measured on a tube", len(regions)
            )
            tube = replace(tube, notices=(*tube.notices, left_out))
        return _tube_stages(volume, tube, s, mask, log, progress)
    with log.stage("frame"):
        up = up_as_measured(s)
        frame = find_plate_frame(material, up=up, mirrored=s.mirrored, progress=progress)
        material, release = flatten(material, frame, progress=progress)
        frame, told = release.frame, collector_notices(material, up)
    with log.stage("fibres"):
        film = find_film(material, frame)
        if film is None:
            fibres = find_fibres(material, frame, progress=progress)
            material = fibres.material
        else:
            told = (*told, film.notice)
            bare, held = without_film(material, film)
            fibres = find_fibres(bare, frame, progress=progress)
            material = with_film(fibres.material, film, held, material)
    frame, field = fibres.frame, fibres.field
    walls, envelope, drawn, shift = walls_to_shift(material, frame, field, s, mask, log, progress)
    notices = (*seems, *told, *assumed(frame), *drawn)
    porosity = pores = None
    if not s.only_walls:
        with log.stage("porosity"):
            porosity = measure_porosity(
                material, frame, field, envelope, only_fibres=film is None, progress=progress
            )
        with log.stage("pores"):
            # Drawn fibres leave a film out: then the scan's own surface is taken.
            drawn_solid = None if film else fibre_solid(material, frame, field, envelope)
            if drawn_solid is not None:
                notices = (*notices, PORES_FROM_FIBRES)
            pores = pores_of(
                material, frame, envelope, field, s, regions,
                surface_level=porosity.surface_level if drawn_solid is None else 0.5,
                solid_model=drawn_solid, progress=progress,
            )  # fmt: skip
    return Measured(
        volume, s, material, frame, field, walls, shift, envelope, porosity, pores, notices
    )


def _tube_stages(
    volume: Volume,
    found: TubeStages,
    settings: Settings,
    mask: NDArray[np.bool_] | None,
    log: RunLog,
    progress: Progress,
) -> Measured:
    """Run the stages that follow once a tube's fibres and walls are known."""
    s = settings
    with log.stage("envelope"):
        envelope, drawn = tube_envelope(found, s.envelope if mask is None else mask)
    with log.stage("shift"):
        shift = advise_shift(
            found.walls, found.field, found.sheet_frame,
            middle_xy_um=middle_xy_um(found.field, envelope),
            upright_tolerance_deg=s.upright_tolerance_deg,
        )  # fmt: skip
    notices = (*assumed(found.frame), *found.notices, *drawn)
    porosity = pores = None
    if not s.only_walls:
        with log.stage("porosity"):
            porosity = tube_porosity(found, envelope, progress=progress)
        with log.stage("pores"):
            pores, told = tube_pores(
                found, envelope, surface_level=porosity.surface_level, progress=progress
            )
            notices = (*notices, *told)
    return Measured(
        volume, s, found.material, found.frame, found.field, found.walls, shift, envelope,
        porosity, pores, notices, found.tube,
    )  # fmt: skip
