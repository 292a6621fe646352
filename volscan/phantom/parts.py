"""Several scaffolds in one scan: side by side or on each other, each with its own pattern."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import SettingsError
from volscan.phantom.mounting import Mounting
from volscan.phantom.scaffold import Scaffold, build_scaffold
from volscan.phantom.spec import scaffold_from_dict
from volscan.phantom.truth import scaffold_truth

FloatArray = NDArray[np.float64]

# Directions closer than this are one direction when families of several parts are sorted.
_SAME_DEG = 1e-6


def parts_from_tables(tables: Any) -> tuple[list[Scaffold], list[FloatArray]]:
    """Build the further parts; offsets (X, Y, H) of all, the first part's being none."""
    if not isinstance(tables, list | tuple):
        raise SettingsError("further parts are written as [[part]] tables")
    built, offsets = [], [np.zeros(3)]
    for table in tables:
        rest = dict(table)
        offset = rest.pop("offset_um", None)
        if not isinstance(offset, list | tuple) or len(offset) != 3:
            raise SettingsError("each [[part]] needs offset_um with three numbers (X, Y, H)")
        built.append(build_scaffold(scaffold_from_dict(rest, "part")))
        offsets.append(np.array(offset, dtype=np.float64))
    return built, offsets


def joined(scaffolds: Sequence[Scaffold], offsets_um: Sequence[FloatArray]) -> Scaffold:
    """Return all parts as one scaffold for the scan, each moved by its offset (X, Y, H).

    Its settings are those of the first part: its truth is not to be told from this.

    Raises
    ------
    SettingsError
        If sections are not alike in shape, or a part but the first has a membrane.
    """
    first = scaffolds[0]
    strands, walls = [], []
    for part, offset in zip(scaffolds, offsets_um, strict=True):
        if not math.isclose(part.stretch, first.stretch, rel_tol=1e-9):
            raise SettingsError("all parts need the same width_over_height")
        if part is not first and (part.spec.form.membrane or part.spec.form.release):
            raise SettingsError("membrane and release belong to the [scaffold], not to a part")
        for s in part.strands:
            widths = s.widths_um
            if widths is None and part.width_um != first.width_um:
                widths = np.full(len(s.points_um), part.width_um)
            strands.append(replace(s, points_um=s.points_um + offset, widths_um=widths))
        for w in part.walls:
            walls.append(
                replace(
                    w,
                    heights_um=w.heights_um + offset[2],
                    positions_um=w.positions_um + float(offset[:2] @ w.normal),
                    ends_um=w.ends_um + offset,
                )
            )
    return replace(first, strands=tuple(strands), walls=tuple(walls))


def parts_truth(
    scaffolds: Sequence[Scaffold],
    offsets_um: Sequence[FloatArray],
    mounting: Mounting,
    *,
    throats_too: bool = True,
) -> dict[str, Any]:
    """Tell the truth about a scan of several parts.

    Returns
    -------
    dict
        The first part's truth where the whole has none of its own (`frame`), `fibres` and
        `walls` of all parts together, numbered by direction and then position, each family and
        wall with its `part`; heights above the first part's base. `envelope`, `porosity` and
        `pores` are None: each of the `parts` has its own, heights above its own base `base_um`.
    """
    told = []
    for part, offset in zip(scaffolds, offsets_um, strict=True):
        # The part's own coordinates, seen from the common ones, start at the offset.
        place = Mounting(
            mounting.rotation, mounting.centre_build_um - offset, mounting.centre_scan_um
        )
        truth = scaffold_truth(part, place, throats_too=throats_too)
        truth["base_um"], truth["offset_um"] = float(offset[2]), offset.tolist()
        told.append(truth)
    order = sorted(
        ((f["direction_deg"], p, f["id"]) for p, t in enumerate(told) for f in _families(t)),
        key=lambda row: (round(row[0] / _SAME_DEG), row[1], row[2]),
    )
    rank = {(p, f): i for i, (_, p, f) in enumerate(order)}
    families = [
        {**family, "id": rank[p, family["id"]], "part": p}
        for p, t in enumerate(told)
        for family in _families(t)
    ]
    walls = [_moved(w, p, t, rank) for p, t in enumerate(told) for w in t["walls"]]
    walls.sort(key=lambda w: (w["family"], w["position_um"]))
    number = {(w["part"], w["id"]): i for i, w in enumerate(walls)}
    each = [
        {**r, "part": p, "family": rank[p, r["family"]], "wall": number[p, r["wall"]]}
        for p, t in enumerate(told)
        for r in t["fibres"]["each"]
    ]
    heights = sorted({h for w in walls for h in w["layer_heights_um"]})
    distinct = [h for h, low in zip(heights, [-math.inf, *heights], strict=False) if h - low > 1e-6]
    top = max(t["base_um"] + t["fibres"]["scaffold_height_um"] for t in told)
    return {
        **told[0],
        "envelope": None,
        "porosity": None,
        "pores": None,
        "fibres": {
            **told[0]["fibres"],
            "count": len(each),
            "families": sorted(families, key=lambda f: int(f["id"])),
            "layer_count": len(distinct),
            "layer_heights_um": distinct,
            "layer_height_um": float(np.diff(distinct).mean()) if len(distinct) > 1 else None,
            "scaffold_height_um": top,
            "each": each,
            **{k: _over(each, k) for k in ("diameter_um", "sinuosity", "recruitment_strain")},
        },
        "walls": [{**w, "id": i} for i, w in enumerate(walls)],
        "parts": told,
    }


def _families(truth: dict[str, Any]) -> list[dict[str, Any]]:
    return list(truth["fibres"]["families"])


def _moved(
    wall: dict[str, Any], part: int, truth: dict[str, Any], rank: dict[tuple[int, int], int]
) -> dict[str, Any]:
    heights = [h + truth["base_um"] for h in wall["layer_heights_um"]]
    return {
        **wall,
        "part": part,
        "family": rank[part, wall["family"]],
        "layer_heights_um": heights,
    }


def _over(rows: list[dict[str, Any]], key: str) -> float:
    return math.fsum(float(r[key]) for r in rows) / len(rows)
