"""Every quantity of a hard phantom against its truth: errors, each with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tests.validation.compare import LIMITS as PLAIN_LIMITS
from tests.validation.hard.matching import (
    Json,
    Pair,
    match_families,
    match_walls,
    station_places_um,
)


@dataclass(frozen=True)
class Aim:
    """A quantity: how it is called, its unit, and what its root mean square error may be at most.

    A `worst` aim holds for every single value.
    """

    head: str
    unit: str
    limit: float | None
    worst: bool = False


# They stood before the method was tuned. Strain may be off by 5 % of itself or 0.001, whichever is
# more, and is told in that unit; a tube's lengths are its mean radius, lumen and wall thickness.
AIMS: dict[str, Aim] = {
    "fibre_count": Aim("fibres", "", 0.0, worst=True),
    "layer_count": Aim("layers", "", PLAIN_LIMITS["layer_count"], worst=True),
    "walls_amiss": Aim("walls missed or too many", "", 0.0, worst=True),
    "diameter": Aim("diameter, 4 voxels and over", "voxel", 0.1, worst=True),
    "diameter_thin": Aim("diameter, under 4 voxels", "voxel", 0.2, worst=True),
    "diameter_degenerate": Aim("diameter, point spread over d / 1.5", "voxel", None),
    "tilt_straight": Aim("tilt, straight wall", "°", 0.1),
    "tilt_wavy": Aim("tilt, wavy or bent wall", "°", 0.2),
    "tilt_along": Aim("tilt along a wall, a pitch apart", "°", 0.5),
    "winding_angle": Aim("winding angle", "°", 0.2, worst=True),
    "tube_length": Aim("tube's radius, lumen, wall", "voxel", None),
    "wave_amplitude": Aim("wave amplitude", "%", 1.0, worst=True),
    "wave_length": Aim("wavelength", "%", 1.0, worst=True),
    "phase_mismatch": Aim("phase mismatch of layers", "°", None),
    "sag": Aim("sag", "voxel", 0.5, worst=True),
    "recruitment_strain": Aim("recruitment strain", "of its limit", 1.0, worst=True),
    "porosity": Aim("porosity", "points", PLAIN_LIMITS["porosity_fibre_model_points"], worst=True),
}

# Counts have no uncertainty.
COUNTS = ("fibre_count", "layer_count", "walls_amiss")
# Fibres this thin or thinner, in voxels, may be off by more; rounding of the list's voxel edges.
_THIN_VOXELS = 4.0 - 1e-3
# Widest point spread, in diameters, at which a diameter can be told from its contrast; the list
# rounds it down.
_TELLABLE_BLUR = 1 / 1.5
_STRAIN_SHARE, _STRAIN_LEAST = 0.05, 0.001


@dataclass(frozen=True)
class Entry:
    """One comparison: error and u are None where nothing was measured, u where it was not told."""

    quantity: str
    error: float | None
    u: float | None = None


def entries(
    document: Json,
    truth: Json,
    paths_um: list[list[list[float]]],
    *,
    voxel_um: float,
    blur_um: float,
) -> list[Entry]:
    """Return all comparisons of one measured phantom.

    Parameters
    ----------
    document
        `Results.to_dict()`.
    truth
        The phantom's.
    paths_um
        Each measured wall's path in plan view, in the order of the walls.
    voxel_um, blur_um
        Coarsest voxel edge and the point spread's full width at half maximum.
    """
    pairs = match_walls(document, truth, paths_um)
    families = match_families(document, truth, pairs)
    walls = document["walls"] or []
    path_of = {id(w): p for w, p in zip(walls, paths_um, strict=True)}
    out = [
        Entry("fibre_count", _count_error(document["fibres"]["count"], truth)),
        Entry("layer_count", _less(document["fibres"]["layer_count"], truth["fibres"])),
        Entry("walls_amiss", float(len(truth["walls"]) + len(walls) - 2 * len(pairs))),
        _diameter(document, truth, voxel_um, blur_um),
    ]
    matched = {id(p.true): p for p in pairs}
    for true in truth["walls"]:
        pair = matched.get(id(true))
        out += _tilts(pair, true, truth, [] if pair is None else path_of[id(pair.measured)])
    if truth.get("tube"):
        out += _tube(document, truth["tube"], voxel_um)
    for number, family in enumerate(truth["fibres"]["families"]):
        if family.get("wave"):
            found = families.get(number)
            out += _wave(None if found is None else found["wave"], family["wave"])
    if truth["fibres"].get("recruitment_strain") is not None:
        out += _sag_and_strain(document["fibres"], truth["fibres"], voxel_um)
    if truth["porosity"] is not None:
        total = truth["porosity"]["total"]
        out.append(_entry("porosity", document["porosity"]["total"], total, per=0.01))
    return out


def fibre_voxels(truth: Json, voxel_um: float) -> float:
    """Mean diameter in voxels."""
    return float(truth["fibres"]["diameter_um"]) / voxel_um


def _count_error(count: int | None, truth: Json) -> float | None:
    """A stray fibre that bridges walls is none of the pattern's: it may be counted or not."""
    if count is None:
        return None
    over = float(count - truth["fibres"]["count"])
    return min(0.0, over) if over <= 0 else max(0.0, over - len(truth.get("bridges") or []))


def _less(count: int | None, true: Json) -> float | None:
    return None if count is None else float(count - true["layer_count"])


def _diameter(document: Json, truth: Json, voxel_um: float, blur_um: float) -> Entry:
    across = fibre_voxels(truth, voxel_um)
    name = "diameter_thin" if across < _THIN_VOXELS else "diameter"
    if blur_um > _TELLABLE_BLUR * truth["fibres"]["diameter_um"]:
        name = "diameter_degenerate"
    true = truth["fibres"]["diameter_um"]
    return _entry(name, document["fibres"]["diameter_um"], true, per=voxel_um)


def _tilts(pair: Pair | None, true: Json, truth: Json, path_um: list[list[float]]) -> list[Entry]:
    """Tilt of a wall and along it; a wall that was missed is not measured."""
    if true["tilt_deg"] is None:
        return []
    family = truth["fibres"]["families"][true["family"]]
    bent = any((truth.get("spec", {}).get("form") or {}).get("bend_radius_um") or [])
    # A family whose fibres are longer than their chord winds, where nothing sags.
    curved = bool(family.get("wave")) or (bent and family["recruitment_strain"] > 1e-6)
    name = "tilt_wavy" if curved else "tilt_straight"
    if pair is None:
        return [Entry(name, None)]
    out = [_entry(name, pair.measured["tilt_deg"], true["tilt_deg"], sign=pair.sense)]
    rows = pair.measured["tilt_along"]
    if not rows:
        return [*out, Entry("tilt_along", None)]
    for (_, tilt, u), place in _pitch_apart(rows, station_places_um(pair, path_um), truth, true):
        error = pair.sense * tilt - _true_tilt_at(true, place)
        out.append(Entry("tilt_along", error, u))
    return out


def _pitch_apart(
    rows: list[list[float]], places: list[float], truth: Json, true: Json
) -> list[tuple[list[float], float]]:
    """Keep stations that lie a pitch or more apart, so that each sees fibres of its own.

    The pitch along a wall is that of the walls that cross it; its own where none do.
    """
    families = truth["fibres"]["families"]
    others = [f["spacing_um"] for f in families if f["id"] != true["family"] and f["spacing_um"]]
    pitch = min(others, default=families[true["family"]]["spacing_um"] or 0.0)
    kept: list[tuple[list[float], float]] = []
    for row, place in sorted(zip(rows, places, strict=True), key=lambda pair: pair[1]):
        # Stations stand where they can: a hundredth short of a pitch is one.
        if not kept or place - kept[-1][1] >= 0.99 * pitch:
            kept.append((row, place))
    return kept


def _true_tilt_at(true: Json, place: float) -> float:
    """The tangent of the tilt changes in proportion along a wall, and is known at five places."""
    rows = true.get("tilt_along")
    if not rows:
        return float(true["tilt_deg"])
    s, tilt = np.array(rows).T
    # Straight to a wall's ends and on.
    line = np.polyfit(s - s.mean(), np.tan(np.radians(tilt)), 1)
    return math.degrees(math.atan(float(np.polyval(line, place - s.mean()))))


def _tube(document: Json, true: Json, voxel_um: float) -> list[Entry]:
    tube = document["tube"]
    lengths = ("mean_radius_um", "lumen_diameter_um", "wall_thickness_um")
    if tube is None:
        missed = [Entry("winding_angle", None) for _ in true["winding_angle_deg"]]
        return missed + [Entry("tube_length", None) for _ in lengths]
    out = []
    for angle in true["winding_angle_deg"]:
        # Sorted by direction on both sides, but a direction may be missed: take the nearest.
        found = [q for q in tube["winding_angle_deg"] if q is not None]
        near = min(found, key=lambda q: abs(q["value"] - angle), default=None)
        out.append(_entry("winding_angle", near, angle))
    return out + [_entry("tube_length", tube[k], true[k], per=voxel_um) for k in lengths]


def _wave(found: Json | None, true: Json) -> list[Entry]:
    wave = found or {}
    amplitude, length = true["amplitude_um"], true["wavelength_um"]
    return [
        _entry("wave_amplitude", wave.get("amplitude_um"), amplitude, per=amplitude / 100),
        _entry("wave_length", wave.get("wavelength_um"), length, per=length / 100),
        _entry("phase_mismatch", wave.get("phase_mismatch_deg"), true["phase_mismatch_deg"]),
    ]


def _sag_and_strain(found: Json, true: Json, voxel_um: float) -> list[Entry]:
    strain = true["recruitment_strain"]
    limit = max(_STRAIN_SHARE * strain, _STRAIN_LEAST)
    return [
        _entry("sag", found["sag_um"], true["sag_um"], per=voxel_um),
        _entry("recruitment_strain", found["recruitment_strain"], strain, per=limit),
    ]


def _entry(
    name: str, quantity: Json | None, true: float, *, per: float = 1.0, sign: float = 1.0
) -> Entry:
    if quantity is None:
        return Entry(name, None)
    u = quantity["u"]
    return Entry(name, (sign * quantity["value"] - true) / per, None if u is None else u / per)
