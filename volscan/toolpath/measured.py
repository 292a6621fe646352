"""What the correction needs of stored results, as plain numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError
from volscan.shift.leans import FamilyLeans
from volscan.toolpath.match import MeasuredFamily

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class MeasuredPrint:
    """Families with their walls; on a mandrel the radius of the sheet, and of each layer."""

    leans: tuple[FamilyLeans, ...]
    families: tuple[MeasuredFamily, ...]
    layer_heights_um: tuple[FloatArray, ...]
    radius_um: float | None
    inner_um: float | None
    scan: str | None
    tolerance_deg: float


def measured_print(document: Mapping[str, Any]) -> MeasuredPrint:
    """Read the walls of a results document.

    Raises
    ------
    InputError
        If no wall's lean was measured, or up or handedness were not confirmed.
    """
    frame = document["frame"]
    missing = [
        flag
        for flag, known in (
            ("--up", frame.get("up_confirmed", False)),
            ("--mirrored yes|no", frame.get("mirrored_confirmed", False)),
        )
        if not known
    ]
    if missing:
        raise InputError(
            "no shift without knowing up and handedness: measure again with "
            f"{' and '.join(missing)}"
        )
    if frame["u_tilt_deg"] is None:
        raise InputError("the uncertainty of up is not known in these results: no shift from them")
    leans, families, heights = [], [], []
    for family in document["fibres"]["families"]:
        own = [
            w for w in document["walls"]
            if w["family"] == family["id"] and w["offset_per_fibre_um"] and w["tilt_deg"]
        ]  # fmt: skip
        if not own:
            continue
        rise = _rise(family, own)
        direction = float(family["direction_deg"]["value"])
        facing = np.array([
            1.0 if math.cos(math.radians(w["direction_deg"] - direction)) > 0 else -1.0 for w in own
        ])  # fmt: skip
        leans.append(
            FamilyLeans(
                id=int(family["id"]),
                direction_deg=direction,
                rise_um=rise,
                diameter_um=float(family["diameter_um"]["value"]),
                fibres=int(family["layers"]),
                wall_ids=tuple(int(w["id"]) for w in own),
                position_um=np.array([w["position_um"] for w in own]) * facing,
                offset_um=np.array([w["offset_per_fibre_um"]["value"] for w in own]) * facing,
                u_offset_um=np.array([_u(w["offset_per_fibre_um"]) for w in own]),
                u_shared_um=rise * math.radians(frame["u_tilt_deg"]),
                bow_um=np.array([_value(w.get("bow_um")) for w in own]) * facing,
                u_bow_um=np.array([_u(w.get("bow_um")) for w in own]),
            )
        )
        families.append(
            MeasuredFamily(
                int(family["id"]), direction,
                np.array([w["position_um"] for w in own]) * facing,
                np.array([w["length_um"] for w in own]),
            )
        )  # fmt: skip
        most = max(own, key=lambda w: len(w["layer_heights_um"]))
        heights.append(np.array([math.nan if h is None else h for h in most["layer_heights_um"]]))
    if not leans:
        raise InputError("no wall's lean was measured in these results: nothing to correct")
    mandrel = frame["kind"] == "mandrel"
    radius = float(frame["radius_um"]) if mandrel else None
    return MeasuredPrint(
        tuple(leans),
        tuple(families),
        tuple(heights),
        radius,
        radius + float(frame["base_um"]) if radius is not None else None,
        document["input"]["sha256"],
        float(document["settings"].get("upright_tolerance_deg", 1.0)),
    )


def _value(quantity: Mapping[str, Any] | None) -> float:
    return math.nan if quantity is None else float(quantity["value"])


def _u(quantity: Mapping[str, Any] | None) -> float:
    if quantity is None or quantity["u"] is None:
        return math.nan
    return float(quantity["u"])


def _rise(family: Mapping[str, Any], own: Sequence[Mapping[str, Any]]) -> float:
    if family["rise_per_fibre_um"] is not None:
        return float(family["rise_per_fibre_um"]["value"])
    steps = [
        b - a
        for w in own
        for a, b in zip(w["layer_heights_um"], w["layer_heights_um"][1:], strict=False)
        if a is not None and b is not None
    ]
    if not steps:
        raise InputError("the height between fibres of a wall was not measured: nothing to correct")
    return float(np.median(steps))
