"""A measurement held against a phantom's truth: the errors that the validation table prints."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from volscan.results import Results

# What each error may be at most. The list of phantoms and these limits stood before the method
# was tuned; the worst phantom decides.
LIMITS = {
    "porosity_threshold_points": 0.5,
    "porosity_partial_volume_points": 0.5,
    "porosity_fibre_model_points": 0.5,
    "diameter_voxels": 0.15,
    "spacing_percent": 0.5,
    "direction_deg": 0.2,
    "layer_count": 0.0,
    "layer_height_percent": 2.0,
    "wall_tilt_deg": 0.3,
    "family_tilt_deg": 0.1,
    "throat_voxels": 1.5,
}


def errors(results: Results, truth: dict[str, Any], *, voxel_um: float) -> dict[str, float]:
    """Return each error of `LIMITS`, signed where one number stands behind it, else the largest.

    `voxel_um` is the coarsest spacing. A quantity that could not be measured is NaN.
    """
    got = results.to_dict()
    out: dict[str, float] = {}
    total = truth["porosity"]["total"]
    for name in ("threshold", "partial_volume", "fibre_model"):
        value = _value(got["porosity"]["estimators"][name])
        out[f"porosity_{name}_points"] = 100.0 * (value - total)
    fibres, true_fibres = got["fibres"], truth["fibres"]
    out["diameter_voxels"] = (_value(fibres["diameter_um"]) - true_fibres["diameter_um"]) / voxel_um
    families, true_families = fibres["families"] or [], true_fibres["families"]
    pairs = list(zip(families, true_families, strict=False))
    whole = len(families) == len(true_families)
    out["spacing_percent"] = _worst(
        [100.0 * (_value(f["spacing_um"]) / t["spacing_um"] - 1.0) for f, t in pairs], whole
    )
    out["direction_deg"] = _worst(
        [(_value(f["direction_deg"]) - t["direction_deg"] + 90.0) % 180.0 - 90.0 for f, t in pairs],
        whole,
    )
    out["layer_count"] = float((fibres["layer_count"] or 0) - true_fibres["layer_count"])
    out["layer_height_percent"] = 100.0 * (
        _value(fibres["layer_height_um"]) / true_fibres["layer_height_um"] - 1.0
    )
    walls, true_walls = got["walls"] or [], truth["walls"]
    same = whole and len(walls) == len(true_walls)
    tilts = [_value(w["tilt_deg"]) - t["tilt_deg"] for w, t in zip(walls, true_walls, strict=False)]
    out["wall_tilt_deg"] = _worst(tilts, same)
    out["family_tilt_deg"] = _worst(
        [
            float(np.mean([e for e, w in zip(tilts, walls, strict=False) if w["family"] == k]))
            for k in range(len(true_families))
        ]
        if same
        else [],
        same,
    )
    throats = truth["pores"]["throat_um"]
    # Where nothing crosses, the largest sphere that does has diameter 0 on both sides.
    out["throat_voxels"] = _worst(
        [
            ((_value(q) if q is not None else 0.0) - (throats[a] or 0.0)) / voxel_um
            for a, q in (got["pores"]["throat_um"] or {}).items()
        ],
        True,
    )
    return out


def normalised(results: Results, truth: dict[str, Any]) -> dict[str, list[float]]:
    """Return error / u of single quantities, for the calibration of uncertainties."""
    got = results.to_dict()
    out: dict[str, list[float]] = {"tilt": [], "porosity": [], "diameter": []}
    for w, t in zip(got["walls"] or [], truth["walls"], strict=False):
        if w["tilt_deg"] and w["tilt_deg"]["u"]:
            out["tilt"].append((w["tilt_deg"]["value"] - t["tilt_deg"]) / w["tilt_deg"]["u"])
    p = got["porosity"]["total"]
    out["porosity"].append((p["value"] - truth["porosity"]["total"]) / p["u"])
    d = got["fibres"]["diameter_um"]
    if d:
        out["diameter"].append((d["value"] - truth["fibres"]["diameter_um"]) / d["u"])
    return out


def _value(quantity: dict[str, Any] | None) -> float:
    return math.nan if quantity is None else float(quantity["value"])


def _worst(values: list[float], complete: bool) -> float:
    """Return the value of largest size; NaN when some could not be compared."""
    if not complete or not values or not all(math.isfinite(v) for v in values):
        return math.nan
    return max(values, key=abs)
