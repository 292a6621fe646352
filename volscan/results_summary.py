"""A dozen lines that say what was found: for the terminal, notebooks and the command line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from volscan.quantity import format_with_u

_NOT_MEASURED = "not measured"


def summary(document: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return (name, text) lines of a results document."""
    d = document
    fibres, porosity, pores = d["fibres"], d["porosity"], d["pores"]
    spacing = " × ".join(f"{s:g}" for s in d["input"]["spacing_um"])
    size = " × ".join(str(n) for n in d["input"]["shape"])
    rows = [
        ("scan", f"{size} voxels of {spacing} µm (z, y, x)"),
        ("porosity", _percent(porosity["total"], porosity["total_from"])),
        ("accessible", _percent(porosity["accessible"])),
        ("pore diameter", _pore_text(pores["inscribed_diameter_um"])),
        ("throats x, y, h", _throat_text(pores["throat_um"])),
        ("fibres", _fibre_text(fibres)),
        ("layers", _layer_text(fibres)),
    ]
    rows += [(f"family {f['id']}", _family_text(f)) for f in fibres["families"]]
    rows.append(("walls", _wall_text(d["walls"])))
    rows += [_lean_row(s) for s in d["shift"]["systematic"]]
    rows.append(("layer shift", _shift_text(d["shift"]["advice"])))
    if d.get("design"):
        rows.append(("design", _design_text(d["design"])))
    rows.append(("warnings", str(len(d["warnings"]))))
    return rows


def quantity_text(q: Mapping[str, Any] | None, unit: str | None = None) -> str:
    """Write a quantity of the document with its uncertainty and unit."""
    if q is None:
        return _NOT_MEASURED
    shown = {"deg": "°", "1": ""}.get(q["unit"], " " + q["unit"]) if unit is None else unit
    return f"{format_with_u(q['value'], q['u'])}{shown}"


def _percent(q: Mapping[str, Any] | None, how: str | None = None) -> str:
    if q is None:
        return _NOT_MEASURED
    u = None if q["u"] is None else 100 * q["u"]
    tail = f" ({how.replace('_', ' ')})" if how else ""
    return f"{format_with_u(100 * q['value'], u)} %{tail}"


def _pore_text(sizes: Mapping[str, Any]) -> str:
    if sizes["mean"] is None:
        return _NOT_MEASURED
    deciles = [sizes[k] for k in ("d10", "d50", "d90")]
    told = ", ".join(_NOT_MEASURED if q is None else f"{q['value']:.3g}" for q in deciles)
    return f"mean {quantity_text(sizes['mean'])}; D10, D50, D90: {told} µm"


def _throat_text(throats: Mapping[str, Any]) -> str:
    if all(q is None for q in throats.values()):
        return _NOT_MEASURED
    return ", ".join(quantity_text(throats[k]) for k in ("x", "y", "h"))


def _fibre_text(fibres: Mapping[str, Any]) -> str:
    if not fibres["count"]:
        return _NOT_MEASURED
    return f"{fibres['count']}, diameter {quantity_text(fibres['diameter_um'])}"


def _layer_text(fibres: Mapping[str, Any]) -> str:
    if fibres["layer_count"] is None:
        return _NOT_MEASURED
    return f"{fibres['layer_count']}, height {quantity_text(fibres['layer_height_um'])}"


def _family_text(f: Mapping[str, Any]) -> str:
    return (
        f"direction {quantity_text(f['direction_deg'])}, spacing {quantity_text(f['spacing_um'])}, "
        f"{f['walls']} walls, {f['layers']} layers"
    )


def _wall_text(walls: list[Mapping[str, Any]]) -> str:
    if not walls:
        return _NOT_MEASURED
    words = ("in", "out", "upright", "undecided", None)
    counts = [(sum(w["lean"] == word for w in walls), word or "not told") for word in words]
    named = {"in": "lean in", "out": "lean out"}
    told = ", ".join(f"{n} {named.get(word, word)}" for n, word in counts if n)
    return f"{len(walls)}: {told}"


def _lean_row(lean: Mapping[str, Any]) -> tuple[str, str]:
    scatter = lean["scatter_deg"]
    tail = "" if scatter is None else f", scatter {scatter:.2g}°"
    return f"lean, family {lean['family']}", (
        f"{quantity_text(lean['tilt_deg'])} ({lean['cause']}){tail}"
    )


def _shift_text(advice: list[Mapping[str, Any]]) -> str:
    if not advice:
        return _NOT_MEASURED
    advised = [a for a in advice if a["advised"]]
    if not advised:
        return f"none advised; {len(advice)} values in tables/shift.csv with the reasons"
    levels = [
        level for level in ("print", "family", "wall") if any(a["level"] == level for a in advised)
    ]
    return f"advised by {', '.join(levels)} ({len(advised)} values in tables/shift.csv)"


def _design_text(design: Mapping[str, Any]) -> str:
    words = [line["verdict"] for line in design["compared"]]
    shown = {"in": "in tolerance", "out": "out of tolerance", "undecided": "undecided"}
    told = ", ".join(f"{words.count(w)} {text}" for w, text in shown.items() if w in words)
    return told or "nothing to compare"
