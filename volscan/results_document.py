"""The contract of results.json, built from what the stages found."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import Any

import numpy as np

from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Envelope, Family, TubeFrame, Wall, Wave
from volscan.pores.domain import AXES
from volscan.pores.space import PoreSpace
from volscan.porosity import Porosity
from volscan.prepare.material import MaterialMap
from volscan.quantity import Notice, Quantity, combine_u
from volscan.results_nulls import explain_nulls
from volscan.results_tables import rounded
from volscan.settings import Settings
from volscan.shift.plan import Advice, ShiftPlan, SystematicLean
from volscan.tube import TubeMeasures
from volscan.volume import Volume
from volscan.walls.wallset import WallSet

FORMAT = "volscan-results"
FORMAT_VERSION = 1

Json = dict[str, Any]

# How a quantity scales with the voxel size: u of the voxel size enters that many times.
_LENGTH_POWER = {"µm": 1, "µm²": 2, "µm³": 3, "1/µm": 1}


@dataclass(frozen=True)
class Measured:
    """All that one measurement found; `porosity` and `pores` are None where they were not asked.

    On a tube `frame` is its `TubeFrame` and `tube` holds its own numbers; of an OCT scan
    `oct` holds what was met in preparing it.
    """

    volume: Volume
    settings: Settings
    material: MaterialMap
    frame: BuildFrame | TubeFrame
    field: FibreField
    walls: WallSet
    shift: ShiftPlan
    envelope: Envelope | None
    porosity: Porosity | None
    pores: PoreSpace | None
    notices: tuple[Notice, ...] = ()
    tube: TubeMeasures | None = None
    oct: Mapping[str, Any] | None = None


def contract(
    measured: Measured,
    *,
    software: Mapping[str, str],
    extra_settings: Mapping[str, Any],
) -> Json:
    """Return the results document, with every key of the contract.

    Parameters
    ----------
    measured
        What the stages found.
    software
        Name and version of what computed it.
    extra_settings
        Choices that came with the scan rather than with `Settings`: voxel size told by hand, raw
        layout, hash of a mask.

    Returns
    -------
    dict
        Plain JSON values. `design` is null: a comparison is put there afterwards, and touches no
        other key.
    """
    m, percent = measured, measured.settings.voxel_u_percent
    volume = m.volume
    slope = None if m.porosity is None else m.porosity.slope
    document: Json = {
        "format": FORMAT,
        "version": FORMAT_VERSION,
        "input": {
            "file": PurePath(volume.source.path).name or volume.source.path,
            "sha256": volume.source.sha256 or None,
            "shape": list(volume.shape),
            "dtype": str(volume.samples.dtype),
            "spacing_um": list(volume.spacing_um),
            "spacing_from": volume.spacing_from,
            "modality": volume.modality,
        },
        "software": dict(software),
        "settings": {**m.settings.to_dict(), **extra_settings},
        "material": _material(m.material, slope),
        "frame": {**_frame(m.frame), "release_um": m.material.release_um},
        "envelope": _envelope(m.envelope),
        "porosity": _porosity(m.porosity),
        "pores": {**_pores(m.pores), "regions": _regions(m.pores)},
        "fibres": _fibres(m.field),
        "walls": [_wall(w) for w in m.walls.walls],
        "shift": {
            "systematic": [_systematic(s) for s in m.shift.systematic],
            "advice": [_advice(a, m) for a in m.shift.advice],
        },
        "tube": _tube(m.tube),
        **({} if m.oct is None else {"oct": dict(m.oct)}),
        "design": None,
    }
    document = plain(_with_voxel_u(document, percent))
    notices = [
        *volume.notices,
        *m.notices,
        *m.material.notices,
        *m.field.notices,
        *m.walls.notices,
        *m.shift.notices,
        *(() if m.porosity is None else m.porosity.notices),
        *(() if m.pores is None else m.pores.notices),
        *_voxel_notices(m),
    ]
    told = merged(notices)
    told += explain_nulls(document, told, only_walls=m.settings.only_walls)
    document["warnings"] = [n.to_dict() for n in told]
    return document


def merged(notices: Iterable[Notice]) -> list[Notice]:
    """Return each different notice once, in the order of first appearance."""
    return list(dict.fromkeys(notices))


# Mean fibre diameters that melt electrowriting can have, with a margin: about 1 to 50 µm are
# printed, and 0.5 to 200 µm leaves room for coarse melt plotting of the same labs.
PLAUSIBLE_DIAMETER_UM = (0.5, 200.0)


def _voxel_notices(m: Measured) -> list[Notice]:
    found = []
    diameter = m.field.diameter_um
    low, high = PLAUSIBLE_DIAMETER_UM
    if diameter is not None and not low <= diameter.value <= high:
        found.append(
            Notice(
                "implausible_voxel_size",
                f"the voxel size ({m.volume.spacing_from}) implies fibres of "
                f"{diameter.value:.3g} µm, outside {low:g} to {high:g} µm; check its unit",
            )
        )
    if m.settings.voxel_u_percent is None:
        found.append(
            Notice(
                "voxel_u_unknown",
                "the uncertainty of the voxel size was not told (--voxel-u-percent) and is in no u",
            )
        )
    return found


def _with_voxel_u(node: Any, percent: float | None) -> Any:
    """Let the voxel size's uncertainty enter every length, area and volume."""
    if isinstance(node, Quantity):
        power = _LENGTH_POWER.get(node.unit, 0)
        if not percent or not power or node.u is None:
            return node
        return replace(node, u=combine_u((node.u, power * percent / 100 * abs(node.value))))
    if isinstance(node, dict):
        return {k: _with_voxel_u(v, percent) for k, v in node.items()}
    if isinstance(node, list):
        return [_with_voxel_u(v, percent) for v in node]
    return node


def plain(node: Any) -> Any:
    """Turn everything into plain JSON values: floats rounded by one rule, what is not finite null.

    A quantity without a finite value is null as a whole.
    """
    if isinstance(node, Quantity):
        return None if not math.isfinite(node.value) else plain(node.to_dict())
    if isinstance(node, dict):
        return {str(k): plain(v) for k, v in node.items()}
    if isinstance(node, np.ndarray | list | tuple):
        return [plain(v) for v in node]
    if isinstance(node, bool | np.bool_):
        return bool(node)
    if isinstance(node, int | np.integer):
        return int(node)
    if isinstance(node, float | np.floating):
        return rounded(float(node))
    return node


def _material(material: MaterialMap, slope: float | None) -> Json:
    return {
        "air": material.air,
        "polymer": material.polymer,
        "u_air": material.u_air,
        "u_polymer": material.u_polymer,
        "anchors_from": material.anchors_from,
        "threshold": material.threshold,
        "threshold_rule": material.threshold_rule,
        "noise_air": material.noise_air,
        "noise_polymer": material.noise_polymer,
        "blur_um": material.blur_um,
        "blur_axes_um": material.blur_axes_um,
        "contrast_to_noise": material.contrast_to_noise,
        "porosity_slope": slope,
    }


def _frame(frame: BuildFrame | TubeFrame) -> Json:
    if isinstance(frame, TubeFrame):
        return _mandrel(frame)
    return {
        "kind": frame.kind,
        "origin_um": frame.origin_um,
        "axes": {"x": frame.x, "y": frame.y, "h": frame.h},
        "mount_tilt_deg": frame.mount_tilt_deg,
        "u_tilt_deg": frame.u_tilt_deg,
        "up": frame.up,
        "up_confirmed": frame.up_confirmed,
        "mirrored_confirmed": frame.mirrored_confirmed,
        "h_from": frame.h_from,
        "axis": None,
        "radius_um": None,
        "bend_um": None,
        "ovality": None,
    }


def _mandrel(frame: TubeFrame) -> Json:
    return {
        "kind": frame.kind,
        "origin_um": frame.origin_um,
        "axes": None,
        "mount_tilt_deg": None,
        "u_tilt_deg": frame.u_tilt_deg,
        "up": None,
        "up_confirmed": True,
        "mirrored_confirmed": frame.mirrored_confirmed,
        "h_from": frame.h_from,
        "axis": frame.axis,
        "radius_um": frame.radius_um,
        "bend_um": frame.bend_um,
        "ovality": frame.ovality,
        "u_radius_um": frame.u_radius_um,
        "u_bend_um": frame.u_bend_um,
        "u_ovality": frame.u_ovality,
        # What turns (X, Y, H) into scan positions: see docs/theory/tubes.md.
        "point_um": frame.point_um,
        "across": frame.across,
        "axis_bend_per_um": list(frame.bend_per_um),
        "start_um": frame.start_um,
        "length_um": frame.length_um,
        "oval": list(frame.oval),
        "base_um": frame.base_um,
    }


def _tube(tube: TubeMeasures | None) -> Json | None:
    if tube is None:
        return None
    return {
        "mean_radius_um": tube.mean_radius_um,
        "lumen_diameter_um": tube.lumen_diameter_um,
        "wall_thickness_um": tube.wall_thickness_um,
        "winding_angle_deg": list(tube.winding_angle_deg),
        "pitch_um": list(tube.pitch_um),
        "pivot_points": list(tube.pivot_points),
    }


def _envelope(envelope: Envelope | None) -> Json:
    e = envelope
    return {
        "definition": None if e is None else e.definition,
        "volume_um3": None if e is None else e.volume_um3,
        "u_volume_frac": None if e is None else e.u_volume_frac,
        "base_um": None if e is None else e.base_um,
        "top_um": None if e is None else e.top_um,
        "outline_um": None if e is None else e.outline_um,
        "area_um2": None if e is None else e.area_um2,
    }


def _porosity(porosity: Porosity | None) -> Json:
    p = porosity
    return {
        "total": None if p is None else p.total,
        "total_from": None if p is None else p.total_from,
        "u_sampling": None if p is None else p.u_sampling,
        "accessible": None if p is None else p.accessible,
        "sealed": None if p is None else p.sealed,
        "estimators": {
            "threshold": None if p is None else p.threshold,
            "threshold_raw": None if p is None else p.threshold_raw,
            "partial_volume": None if p is None else p.partial_volume,
            "fibre_model": None if p is None else p.fibre_model,
        },
        "by_height": None if p is None else p.by_height,
    }


def _pores(pores: PoreSpace | None) -> Json:
    p = pores
    s = None if p is None else p.structure
    o = None if p is None else p.openings
    network = None if p is None else p.network
    domain = None if p is None else p.domain
    return {
        "domain_um": {
            "origin": None if domain is None else domain.origin_um,
            "size": None if domain is None else domain.size_um,
            "direction_deg": None if domain is None else domain.direction_deg,
        },
        "inscribed_diameter_um": {
            "mean": None if p is None else p.inscribed_mean_um,
            "d10": None if p is None else p.inscribed_d10_um,
            "d50": None if p is None else p.inscribed_d50_um,
            "d90": None if p is None else p.inscribed_d90_um,
        },
        "opening_um": {
            "mean": None if o is None else o.mean_um,
            "d10": None if o is None else o.d10_um,
            "d90": None if o is None else o.d90_um,
        },
        "throat_um": {
            "x": None if p is None else p.throat_x_um,
            "y": None if p is None else p.throat_y_um,
            "h": None if p is None else p.throat_h_um,
        },
        "accessible_by_probe": None if p is None else p.accessible_by_probe,
        # From one face of the domain alone: base, top, x-, x+, y-, y+.
        "accessible_from": {} if p is None else p.accessible_from,
        **_transport(p),
        "specific_surface_per_um": None if s is None else s.specific_surface_per_um,
        "euler_number": None if s is None else s.euler_number,
        "connectivity_per_um3": None if s is None else s.connectivity_per_um3,
        "largest_pore_share": None if s is None else s.largest_share,
        "sealed_pores": None if s is None else len(s.sealed),
        "bodies": None if network is None else len(network.bodies),
        "body_throats": None if network is None else len(network.throats),
    }


def _regions(pores: PoreSpace | None) -> Json:
    """Return the pores of each region under its name, with every key of `pores`."""
    return {name: _pores(p) for name, p in ({} if pores is None else pores.regions).items()}


def _transport(pores: PoreSpace | None) -> Json:
    t = None if pores is None else pores.transport
    if t is None:
        empty = {"x": None, "y": None, "h": None}
        names = ("geodesic_tortuosity", "relative_diffusivity", "permeability_um2")
        return {**{name: dict(empty) for name in names}, "transport": {}}
    return {
        "geodesic_tortuosity": {k: t.tortuosity.get(k) for k in AXES},
        "relative_diffusivity": {k: t.diffusivity.get(k) for k in AXES},
        "permeability_um2": {k: t.permeability_um2.get(k) for k in AXES},
        # d10, d50, d90 over the exit face; share of the flux by which in- and outflow differ.
        "transport": {
            "cells": t.cells,
            "cell_um": t.cell_um,
            "tortuosity_d10_d50_d90": t.tortuosity_deciles,
            "diffusion_imbalance": t.imbalance,
            "flow_imbalance": t.flow_imbalance,
        },
    }


def _fibres(field: FibreField) -> Json:
    return {
        "count": len(field.fibres) if field.fibres else None,
        "diameter_um": field.diameter_um,
        "sag_um": field.sag_um,
        "recruitment_strain": field.recruitment_strain,
        "families": [_family(f) for f in field.families],
        "layer_count": field.layer_count,
        "layer_height_um": field.layer_height_um,
        "layer_heights_um": field.layer_heights_um,
        "scaffold_height_um": field.scaffold_height_um,
    }


def _family(family: Family) -> Json:
    return {
        "id": family.id,
        "direction_deg": family.direction_deg,
        "spacing_um": family.spacing_um,
        "diameter_um": family.diameter_um,
        "count": family.count,
        "layers": family.layers,
        "walls": family.walls,
        "rise_per_fibre_um": family.rise_per_fibre_um,
        "wave": None if family.wave is None else _wave(family.wave),
        "placement_error_um": {"rms": family.placement_rms_um, "max": family.placement_max_um},
    }


def _wave(wave: Wave) -> Json:
    return {
        "shape": wave.shape,
        "amplitude_um": wave.amplitude_um,
        "wavelength_um": wave.wavelength_um,
        "phase_mismatch_deg": wave.phase_mismatch_deg,
    }


def _wall(wall: Wall) -> Json:
    return {
        "id": wall.id,
        "family": wall.family,
        "direction_deg": wall.direction_deg,
        "position_um": wall.position_um,
        "length_um": wall.length_um,
        "height_um": wall.height_um,
        "tilt_deg": wall.tilt_deg,
        "lean_vector": wall.lean_vector,
        "lean": wall.lean,
        "tilt_along": wall.tilt_along or None,
        "layer_heights_um": wall.layer_heights_um,
        "layer_offset_um": wall.layer_offset_um,
        "u_layer_offset_um": wall.u_layer_offset_um,
        "offset_per_fibre_um": wall.offset_per_fibre_um,
        "bow_um": wall.bow_um,
    }


def _systematic(lean: SystematicLean) -> Json:
    return {
        "family": lean.family,
        "cause": lean.cause,
        "tilt_deg": lean.tilt_deg,
        "lean_vector": lean.lean_vector,
        "scatter_deg": lean.scatter_deg,
    }


def _advice(advice: Advice, measured: Measured) -> Json:
    return {
        "level": advice.level,
        "id": advice.id,
        "per_fibre_um": advice.per_fibre_um,
        "vector_um": advice.vector_um,
        "advised": advice.advised,
        "reason": advice.reason,
        **_rotation(advice, measured),
    }


def _rotation(advice: Advice, measured: Measured) -> Json:
    """Return the shift's Y part in degrees about the axis at each layer's radius, on tubes only.

    From the lowest layer of the print to its highest; positive toward Y.
    """
    frame = measured.frame
    if not isinstance(frame, TubeFrame):
        return {}
    inner = frame.radius_um + frame.base_um
    radii = [inner + h for h in measured.field.layer_heights_um]
    return {"rotation_deg": [math.degrees(advice.vector_um[1] / r) for r in radii]}
