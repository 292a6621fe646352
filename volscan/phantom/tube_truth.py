"""What a perfect measurement of a tube would say, from its geometry alone.

Words and signs are those of the results file. The sheet's x runs along the axis, which is told as
pointing along the scan axis nearest to it; h outward; y = h × x, so that y runs clockwise seen
with the axis pointing at the eye. x is 0 where the fibres start, y where the scan axis most across
the tube points. Turning a tube end for end keeps directions but turns left normals around: leans
change their sign with the way the axis is told.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.phantom.mounting import Mounting
from volscan.phantom.tube import TubeSpec, laydown_deg
from volscan.phantom.tube_shell import shell_solid_fraction, shell_volume_um3
from volscan.phantom.tube_wind import Tube, offset_um

FloatArray = NDArray[np.float64]

# By default the ends are cut so that this share of the length is left, its middle.
MIDDLE_SHARE = 0.8


def middle_um(spec: TubeSpec, share: float = MIDDLE_SHARE) -> tuple[float, float]:
    """Return the middle share of a tube's length, as places along the axis.

    Examples
    --------
    >>> spec = TubeSpec(400.0, 20.0, (45.0,), 4, 2, 18.0, 600.0, ((0.0,) * 4,))
    >>> [round(end, 6) for end in middle_um(spec)]
    [60.0, 540.0]
    """
    cut = spec.length_um * (1 - share) / 2
    return cut, spec.length_um - cut


def tube_truth(
    tube: Tube,
    mounting: Mounting | None = None,
    *,
    along_um: tuple[float, float] | None = None,
) -> dict[str, Any]:
    """Tell the truth about a tube in the frame in which it would be measured.

    Parameters
    ----------
    tube
        What was wound.
    mounting
        Where it lies in the scan; by default along z through the origin.
    along_um
        The part of the axis over which porosity is told, from the end where the fibres start
        (in own coordinates, s); by default the middle 80 % of the length.

    Returns
    -------
    dict
        JSON-able; `frame`, `envelope`, `porosity`, `tube`, `fibres`, `walls` as in the results
        file, each number plain, `*_error` beside what is found numerically.

    Notes
    -----
    `radius_um` and `mean_radius_um` are half-way between the inner and outer fibre surfaces.
    `bend_um` is the sagitta of the axis over the whole length: its largest distance from the
    straight line through its ends. `ovality` is (largest - smallest) over mean radius of the
    surface of mean radius. A family's `direction_deg` and winding angle are means over its fibres
    of the angle at each fibre's own radius, tan a = 2π r / P; `by_layer` holds every radius.
    `spacing_um` is the distance of neighbouring fibres of one layer along the sheet's normal,
    2π r cos a / starts, likewise at own radius and averaged over the layers. A wall's
    `position_um` is where its fibres cross x = 0, on the sheet at mean radius, along its family's
    left normal there, modulo a full turn.
    """
    place = Mounting.none() if mounting is None else mounting
    spec = tube.spec
    part = middle_um(spec) if along_um is None else along_um
    turned = _turned(place)
    fraction, error = shell_solid_fraction(tube, part)
    volume = shell_volume_um3(tube, part)
    laid = _laid_length_um(tube, part) * math.pi * spec.diameter_um**2 / 4
    order = _order(spec)
    return {
        "format": "volscan-phantom-truth",
        "version": 1,
        "frame": _frame(tube, place),
        "envelope": _envelope(spec, part, volume, turned=turned),
        "porosity": {
            "total": 1 - fraction,
            "total_error": error,
            "union": 1 - fraction,
            "mass_conserving": 1 - laid / volume,
        },
        "tube": {
            "mean_radius_um": spec.mean_radius_um,
            "lumen_diameter_um": 2 * spec.inner_radius_um,
            "wall_thickness_um": spec.wall_thickness_um,
            "winding_angle_deg": [_winding(spec, d) for d in order],
            "pitch_um": [_finite(spec.pitch_um(d)) for d in order],
            "pivot_points": spec.starts,
            "revolutions_per_cycle": spec.revolutions_per_cycle,
        },
        "fibres": _fibres(spec, order, turned=turned),
        "walls": _walls(tube, place, order, turned=turned),
        # Lists for tuples: the truth reads back from JSON as it was.
        "spec": json.loads(json.dumps(asdict(spec))),
    }


def _axis(place: Mounting) -> FloatArray:
    """Return the tube's axis (x, y, z) pointing along the scan axis nearest to it."""
    return -place.h if _turned(place) else place.h


def _turned(place: Mounting) -> bool:
    """Whether the axis is told the other way round than it was wound."""
    return bool(place.h[::-1][int(np.argmax(np.abs(place.h[::-1])))] < 0)


def _across(axis: FloatArray) -> FloatArray:
    """Return the scan axis most across the tube, laid into its cross-section, (x, y, z)."""
    lead = np.zeros(3)
    lead[int(np.argmin(np.abs(axis).round(3)))] = 1.0
    lead -= (lead @ axis) * axis
    return np.asarray(lead / np.linalg.norm(lead))


def _frame(tube: Tube, place: Mounting) -> dict[str, Any]:
    spec = tube.spec
    axis = _axis(place)
    start = spec.length_um if _turned(place) else 0.0
    # On the axis itself: a radius that ovality brings to nothing.
    wave = spec.oval * spec.mean_radius_um * math.cos(2 * math.radians(spec.oval_toward_deg))
    on_axis = tube.positions_um(np.array([[start, 0.0, -wave], [spec.length_um / 2, 0.0, -wave]]))
    origin, middle = place.to_scan_xyz(on_axis)
    return {
        "kind": "mandrel",
        "origin_um": origin[::-1].tolist(),
        "axes": None,
        "mount_tilt_deg": math.degrees(math.acos(min(1.0, float(np.abs(axis).max())))),
        "axis": axis[::-1].tolist(),
        "axis_point_um": middle[::-1].tolist(),
        "across": _across(axis)[::-1].tolist(),
        "length_um": spec.length_um,
        "radius_um": spec.mean_radius_um,
        "bend_um": spec.bend_um,
        "bend_toward": _vector(place, spec.bend_toward_deg) if spec.bend_um else None,
        "ovality": spec.ovality,
        "wide_toward": _vector(place, spec.oval_toward_deg + (90 if spec.oval < 0 else 0))
        if spec.oval
        else None,
    }


def _vector(place: Mounting, phi_deg: float) -> list[float]:
    """Return the scan vector [z, y, x] at an angle about the axis."""
    phi = math.radians(phi_deg)
    own = np.array([math.cos(phi), math.sin(phi), 0.0])
    return list((place.rotation @ own)[::-1].tolist())


def _envelope(
    spec: TubeSpec, part: tuple[float, float], volume: float, *, turned: bool
) -> dict[str, Any]:
    low, high = (spec.length_um - part[1], spec.length_um - part[0]) if turned else part
    around = 2 * math.pi * spec.mean_radius_um
    return {
        "definition": "tube shell between inner and outer fibre surfaces",
        "base_um": 0.0,
        "top_um": spec.wall_thickness_um,
        "outline_um": [[low, 0.0], [high, 0.0], [high, around], [low, around]],
        "area_um2": (high - low) * around,
        "volume_um3": volume,
    }


def _laid_length_um(tube: Tube, part: tuple[float, float]) -> float:
    """Length of centreline between two cross-sections."""
    ends = tube.segments_um()
    lengths = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    s = np.sort(tube.segments_places[..., 0], axis=1)
    inside = np.minimum(s[:, 1], part[1]) - np.maximum(s[:, 0], part[0])
    span = np.maximum(s[:, 1] - s[:, 0], 1e-12)
    return float((lengths * np.clip(inside / span, 0.0, 1.0)).sum())


def _order(spec: TubeSpec) -> list[int]:
    """Directions sorted by their mean lay-down direction: the families' order."""
    n = len(spec.winding_angles_deg)
    return sorted(range(n), key=lambda d: laydown_deg(_winding(spec, d)))


def _winding(spec: TubeSpec, direction: int) -> float:
    """Mean over a direction's fibres of the winding angle at own radius."""
    own = [spec.winding_deg(direction, spec.radius_um(k)) for k in spec.layers_of(direction)]
    return float(np.mean(own))


def _spacing(spec: TubeSpec, direction: int, layer: int) -> float:
    radius = spec.radius_um(layer)
    angle = math.radians(spec.winding_deg(direction, radius))
    return 2 * math.pi * radius * math.cos(angle) / spec.starts


def _fibres(spec: TubeSpec, order: list[int], *, turned: bool) -> dict[str, Any]:
    families = []
    for number, d in enumerate(order):
        layers = spec.layers_of(d)
        alpha = laydown_deg(_winding(spec, d))
        slope = _slopes(spec, d, turned=turned).mean()
        known = len(layers) > 1
        families.append(
            {
                "id": number,
                "direction_deg": alpha,
                "spacing_um": float(np.mean([_spacing(spec, d, k) for k in layers])),
                "diameter_um": spec.diameter_um,
                "count": len(layers) * spec.starts,
                "layers": len(layers),
                "walls": spec.starts,
                "rise_per_fibre_um": spec.rise_per_fibre_um if known else None,
                "mean_tilt_deg": math.degrees(math.atan(slope)) if known else None,
                "mean_lean_vector": _lean(slope, alpha) if known else None,
                "winding_angle_deg": _winding(spec, d),
                "pitch_um": _finite(spec.pitch_um(d)),
                "by_layer": [
                    {
                        "layer": k,
                        "radius_um": spec.radius_um(k),
                        "winding_angle_deg": spec.winding_deg(d, spec.radius_um(k)),
                        "direction_deg": laydown_deg(spec.winding_deg(d, spec.radius_um(k))),
                        "spacing_um": _spacing(spec, d, k),
                    }
                    for k in layers
                ],
            }
        )
    heights = [spec.radius_um(k) - spec.inner_radius_um for k in range(spec.layers)]
    return {
        "count": sum(f["count"] for f in families),
        "diameter_um": spec.diameter_um,
        "families": families,
        "layer_count": spec.layers,
        "layer_heights_um": heights,
        "layer_height_um": spec.layer_height_um if spec.layers > 1 else None,
        "scaffold_height_um": spec.wall_thickness_um,
    }


def _slopes(spec: TubeSpec, direction: int, *, turned: bool) -> FloatArray:
    """tan(tilt) of each stack of a direction, as told in the measured frame."""
    sign = -1.0 if turned else 1.0
    return sign * np.tan(np.radians(spec.tilt_deg[direction]))


def _lean(slope: float, alpha_deg: float) -> list[float]:
    a = math.radians(alpha_deg)
    return [-slope * math.sin(a), slope * math.cos(a)]


def _walls(tube: Tube, place: Mounting, order: list[int], *, turned: bool) -> list[dict[str, Any]]:
    spec = tube.spec
    sign = -1.0 if turned else 1.0
    walls = []
    for number, d in enumerate(order):
        layers = spec.layers_of(d)
        alpha = laydown_deg(_winding(spec, d))
        heights = [spec.radius_um(k) - spec.inner_radius_um for k in layers]
        own: list[dict[str, Any]] = []
        for start in range(spec.starts):
            slope = float(_slopes(spec, d, turned=turned)[start])
            known = len(layers) > 1
            fibres = [
                s.places
                for s in tube.strands
                if (s.direction, s.start, s.to_start) == (d, start, None)
            ]
            offsets = [sign * offset_um(spec, d, start, k) for k in layers]
            own.append(
                {
                    "family": number,
                    "start": start,
                    "direction_deg": alpha,
                    "position_um": _position(tube, place, d, fibres),
                    "length_um": float(np.mean([_arc(tube, f) for f in fibres])),
                    "height_um": heights[-1] - heights[0] + spec.diameter_um,
                    "tilt_deg": math.degrees(math.atan(slope)) if known else None,
                    "lean_vector": _lean(slope, alpha) if known else None,
                    "layer_heights_um": heights,
                    "layer_offset_um": [v + 0.0 for v in offsets],
                    "offset_per_fibre_um": slope * spec.rise_per_fibre_um if known else None,
                }
            )
        walls += sorted(own, key=lambda w: float(w["position_um"]))
    return [{"id": i, **w} for i, w in enumerate(walls)]


def _position(tube: Tube, place: Mounting, direction: int, fibres: list[FloatArray]) -> float:
    """Where a stack crosses x = 0, along its left normal at mean radius, within one turn."""
    spec = tube.spec
    turned = _turned(place)
    # Mean of the stack's angles where x is 0, told clockwise from `across`.
    phi = float(np.mean([f[-1 if turned else 0, 1] for f in fibres]))
    across = place.rotation.T @ _across(_axis(place))
    from_across = phi - math.atan2(across[1], across[0])
    # y runs clockwise about the told axis: with φ when that is the own one turned end for end.
    y = (from_across if turned else -from_across) * spec.mean_radius_um
    alpha = math.radians(laydown_deg(spec.winding_deg(direction, spec.mean_radius_um)))
    return y * math.cos(alpha) % (2 * math.pi * spec.mean_radius_um * abs(math.cos(alpha)))


def _arc(tube: Tube, places: FloatArray) -> float:
    return float(np.linalg.norm(np.diff(tube.positions_um(places), axis=0), axis=1).sum())


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
