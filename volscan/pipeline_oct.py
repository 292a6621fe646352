"""An OCT scan measured: fibres from their echoes above the collector, the rest from the fibres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.oct_find import OctFibres, find_oct_fibres
from volscan.fibres.oct_index import index_notice
from volscan.frame.plate import plate_frame
from volscan.geometry import BuildFrame, Envelope
from volscan.kernels.tubes import render_tubes
from volscan.pipeline_flat import pores_of, walls_to_shift
from volscan.pipeline_input import assumed, up_as_measured
from volscan.pores.regions import Region
from volscan.porosity import PORES_FROM_FIBRES, Porosity, measure_porosity
from volscan.prepare.edges import FWHM_PER_SIGMA
from volscan.prepare.material import MaterialMap
from volscan.prepare.oct import OctMap, prepare_oct
from volscan.progress import Progress, no_progress
from volscan.provenance import RunLog
from volscan.quantity import Notice, Quantity, combine_u
from volscan.results_document import Measured
from volscan.settings import Settings
from volscan.volume import Volume

# Up where the user told none: rows along the first axis, row 0 nearest to the scanner.
_USUAL_UP = "-z"
# Group index of the polymer: ± 0.02 (no dispersion of polycaprolactone is published; the results
# contract takes it so).
U_INDEX_POLYMER = 0.02


def oct_stages(
    volume: Volume,
    settings: Settings,
    mask: NDArray[np.bool_] | None,
    regions: Sequence[Region],
    log: RunLog,
    progress: Progress,
    *,
    earlier: Sequence[Volume] = (),
) -> Measured:
    """Run the stages of an OCT scan in their order; `earlier` are scans of the print as it grew.

    Notes
    -----
    An OCT scan shows surfaces and not how much polymer a voxel holds: the map that the later
    stages take is drawn from the fitted fibres, and what cannot come from it honestly is null.
    """
    s = settings
    told = up_as_measured(s)

    def prepared(v: Volume, say: Progress) -> OctMap:
        return prepare_oct(
            v, up=told or _USUAL_UP, axial_index=s.axial_index,
            scale=None if s.oct_scale == "auto" else s.oct_scale, progress=say,
        )  # fmt: skip

    with log.stage("prepare"):
        scan = prepared(volume, progress)
        grown = [prepared(v, no_progress) for v in earlier]
    with log.stage("frame"):
        frame, *frames = (_frame(m, s, confirmed=told is not None) for m in (scan, *grown))
    with log.stage("fibres"):
        found = find_oct_fibres(
            scan, frame, index_medium=s.index_medium, index_polymer=s.index_polymer,
            earlier=list(zip(grown, frames, strict=True)), progress=progress,
        )  # fmt: skip
        material = _drawn_map(volume, scan, frame, found, s)
    field = found.field
    walls, envelope, drawn, shift = walls_to_shift(material, frame, field, s, mask, log, progress)
    notices = (*assumed(frame), *drawn, *_cannot(field_found=bool(field.fibres)))
    porosity = pores = None
    notices = (*notices, *_index_notice(found, s))
    if not s.only_walls and field.fibres and found.reaches_collector:
        with log.stage("porosity"):
            porosity = _porosity(material, frame, found, envelope, s, progress)
        with log.stage("pores"):
            pores = pores_of(
                material, frame, envelope, field, s, regions,
                surface_level=0.5, solid_model=material.fraction, progress=progress,
            )  # fmt: skip
            notices = (*notices, PORES_FROM_FIBRES)
    return Measured(
        volume, s, material, frame, field, walls, shift, envelope, porosity, pores, notices,
        oct=_facts(scan, found, s),
    )  # fmt: skip


def _index_notice(found: OctFibres, settings: Settings) -> tuple[Notice, ...]:
    if not found.field.fibres:
        return ()
    return index_notice(found.index_met, settings.index_polymer, U_INDEX_POLYMER)


def _frame(scan: OctMap, settings: Settings, *, confirmed: bool) -> BuildFrame:
    """Return the build frame whose base plane is the collector's surface."""
    constant, sy, sx = scan.sheet.plane_um / settings.index_medium
    normal = np.array([-1.0, sy / scan.spacing_um[0], sx / scan.spacing_um[1]])
    normal = normal / np.linalg.norm(normal)
    step = scan.step_um / settings.index_medium
    h = scan.axes.direction_to_scan(normal)
    point = scan.axes.to_scan(np.array([constant, 0.0, 0.0]), step)
    up = ("+" if scan.axes.flip else "-") + "zyx"[scan.axes.order[0]]
    slope = scan.sheet.u_slope / settings.index_medium
    frame = plate_frame(
        h,
        base_um=float(point @ h),
        up=up,  # type: ignore[arg-type]
        mirrored=settings.mirrored,
        u_tilt_deg=math.degrees(slope) if math.isfinite(slope) else None,
        h_from="the collector's surface between the fibres",
    )
    return replace(frame, up_confirmed=confirmed)


def _drawn_map(
    volume: Volume, scan: OctMap, frame: BuildFrame, found: OctFibres, settings: Settings
) -> MaterialMap:
    """Return the map of the fitted fibres, with what the scan shows of noise and blur."""
    step = scan.step_um / settings.index_medium
    spacing = list(volume.spacing_um)
    spacing[scan.axes.order[0]] = step
    fibres = found.field.fibres
    fraction = render_tubes(
        [frame.to_scan(f.points_um) for f in fibres],
        [0.5 * f.diameters_um for f in fibres],
        shape=volume.shape,
        spacing_um=(spacing[0], spacing[1], spacing[2]),
    )
    compression = scan.compression
    polymer = _polymer_grey(scan, found)
    blur, axes = _blur(scan, found, settings)
    return MaterialMap(
        fraction=fraction,
        spacing_um=(spacing[0], spacing[1], spacing[2]),
        air=compression.floor,
        polymer=polymer,
        u_air=compression.noise_sd / 100.0,
        u_polymer=0.5 * compression.noise_sd,
        anchors_from=(
            "OCT: grey value of the mean noise, and of the fibres' echo from their level tops; the "
            "map is drawn from the fitted fibres"
        ),
        level=0.5,
        threshold=0.5 * (compression.floor + polymer),
        threshold_rule="half-max",
        noise_air=compression.noise_sd,
        noise_polymer=None,
        blur_um=blur,
        blur_axes_um=axes,
        solid=fraction >= np.float32(0.5),
    )


def _polymer_grey(scan: OctMap, found: OctFibres) -> float:
    """Return the grey value of a level fibre's echo, by how the scan is stored."""
    intensity = max(found.top_echo, 1.0)
    c = scan.compression
    if c.scale == "db":
        assert c.per_db is not None
        return c.floor + c.per_db * 10.0 * math.log10(intensity)
    return c.floor * (math.sqrt(intensity) if c.scale == "amplitude" else intensity)


def _blur(
    scan: OctMap, found: OctFibres, settings: Settings
) -> tuple[Quantity | None, tuple[float, float, float] | None]:
    """Return the point spread's full width (amplitude), mean over axes and along z, y, x."""
    if found.optics is None:
        return None, None
    across, beam = (FWHM_PER_SIGMA * v for v in found.optics.sigma_um)
    axes = [across] * 3
    axes[scan.axes.order[0]] = beam / settings.index_medium
    mean = float(np.mean(axes))
    return Quantity(mean, 0.05 * mean, "µm", 1), (axes[0], axes[1], axes[2])


def _porosity(
    material: MaterialMap,
    frame: BuildFrame,
    found: OctFibres,
    envelope: Envelope,
    settings: Settings,
    progress: Progress,
) -> Porosity:
    """Return the porosity that the fitted fibres make: the only estimator that OCT has."""
    sharp = replace(material, blur_um=None, blur_axes_um=None, noise_air=0.0, air=0.0, polymer=1.0)
    p = measure_porosity(sharp, frame, found.field, envelope, progress=progress)
    model = p.fibre_model
    assert model is not None
    solid = 1.0 - model.value
    # A wrong index stretches or squeezes all fibres alike in depth, and nothing sideways.
    u_index = solid * U_INDEX_POLYMER / settings.index_polymer
    u = combine_u([model.u or 0.0, u_index])
    total = replace(model, u=u)
    shares = [
        None if q is None else replace(q, u=combine_u([q.u or 0.0, u]))
        for q in (p.accessible, p.sealed)
    ]
    kept = tuple(n for n in p.notices if n.code not in ("estimators_disagree", "void_specks"))
    return replace(
        p, total=total, total_from="fibre_model", accessible=shares[0], sealed=shares[1],
        threshold=None, threshold_raw=None, partial_volume=None, fibre_model=total,
        slope=math.nan, notices=kept,
    )  # fmt: skip


def _cannot(*, field_found: bool) -> tuple[Notice, ...]:
    """Return why what an OCT scan cannot honestly give is null."""
    found = [
        Notice(
            "oct_no_fraction",
            "porosity.estimators.threshold, porosity.estimators.threshold_raw, "
            "porosity.estimators.partial_volume, material.porosity_slope and "
            "material.noise_polymer are null: an OCT scan shows surfaces, not how much polymer a "
            "voxel holds",
        )
    ]
    if field_found:
        found.append(
            Notice(
                "oct_no_sag",
                "fibres.sag_um and fibres.recruitment_strain are null: fibres are seen only "
                "between crossings, where nothing else lies above them",
            )
        )
    return tuple(found)


def _facts(scan: OctMap, found: OctFibres, settings: Settings) -> dict[str, Any]:
    optics = found.optics
    return {
        "steps": list(scan.steps),
        "stored": scan.compression.scale,
        "grey_per_db": scan.compression.per_db,
        "looks": scan.compression.looks,
        "step_optical_um": scan.step_um,
        "collector": {
            "rms_um": scan.sheet.rms_um,
            "curvature_um": scan.sheet.bulge_um,
            "seen_share": scan.sheet.share,
        },
        "index_polymer": {
            "used": settings.index_polymer,
            "u": U_INDEX_POLYMER,
            "met": found.index_met,
        },
        "height_over_width": found.flatness,
        **({"joined": _joined(found)} if found.moved else {}),
        "blur_fwhm_um": None
        if optics is None
        else {
            "beam_optical": FWHM_PER_SIGMA * optics.sigma_um[1],
            "across": FWHM_PER_SIGMA * optics.sigma_um[0],
        },
    }


def _joined(found: OctFibres) -> list[dict[str, Any] | None]:
    """Return how each scan of a growing print lies on the newest, the oldest first."""
    return [
        None
        if m is None
        else {
            "turn_deg": m.turn_deg,
            "shift_um": list(m.shift_um),
            "u_um": m.u_um,
            "shared_fibres": m.shared,
            "fibres_taken": m.taken,
        }
        for m in found.moved
    ]
