"""The page's numbers, built from the results document alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from volscan.report.form_numbers import release_rows, tube_rows, wave_rows
from volscan.report.wording import (
    NOT_MEASURED,
    Cell,
    Row,
    number,
    plain_cell,
    quantity_cell,
    quantity_row,
    reason_for,
)

Json = Mapping[str, Any]

ESTIMATORS = {
    "threshold": "Threshold count, corrected for blur",
    "threshold_raw": "Threshold count, as counted",
    "partial_volume": "Integral of the polymer fraction",
    "fibre_model": "Fitted fibres, overlaps counted once",
}


@dataclass(frozen=True)
class Section:
    """A group of lines in the table of numbers."""

    title: str
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class KeyNumber:
    """A number that stands at the head of the page."""

    label: str
    value: Cell
    note: str = ""


def key_numbers(doc: Json) -> list[KeyNumber]:
    """Return what a reader looks for first."""
    warnings = doc["warnings"]
    fibres, pores, porosity = doc["fibres"], doc["pores"], doc["porosity"]

    def key(label: str, q: Json | None, name: str, note: str = "", percent: bool = False) -> None:
        cell = quantity_cell(q, percent=percent, reason=reason_for(name, warnings))
        out.append(KeyNumber(label, cell, cell.reason if cell.missing else note))

    out: list[KeyNumber] = []
    key(
        "Porosity",
        porosity["total"],
        "porosity.total",
        f"by {_estimator(porosity['total_from'])}",
        percent=True,
    )
    key(
        "Median pore",
        pores["inscribed_diameter_um"]["d50"],
        "pores.inscribed_diameter_um.d50",
        "inscribed sphere, by volume",
    )
    key(
        "Fibre diameter",
        fibres["diameter_um"],
        "fibres.diameter_um",
        f"{fibres['count']} fibres in {len(fibres['families'])} "
        f"{'family' if len(fibres['families']) == 1 else 'families'}",
    )
    layers = plain_cell(fibres["layer_count"], reason=reason_for("fibres.layer_count", warnings))
    height = fibres["layer_height_um"]
    each = f"{number(height['value'], height['u'])} µm each" if height else layers.reason
    out.append(KeyNumber("Layers", layers, each))
    leans = [s for s in doc["shift"]["systematic"] if s.get("tilt_deg")]
    if leans:
        most = max(leans, key=lambda s: abs(s["tilt_deg"]["value"]))
        out.append(
            KeyNumber(
                "Largest family lean",
                quantity_cell(most["tilt_deg"]),
                f"family {most['family']}, {most['cause']}",
            )
        )
    tilts = [w for w in doc["walls"] if w.get("tilt_deg")]
    if tilts:
        worst = max(tilts, key=lambda w: abs(w["tilt_deg"]["value"]))
        out.append(
            KeyNumber(
                "Steepest wall",
                quantity_cell(worst["tilt_deg"]),
                f"wall {worst['id']} of {len(doc['walls'])}",
            )
        )
    else:
        out.append(KeyNumber("Wall tilt", Cell(NOT_MEASURED, True), no_walls(doc)))
    return out


def summary(doc: Json) -> list[Section]:
    """Return the table of numbers: every quantity of the contract, missing ones with a reason."""
    sections = [_porosity(doc), _pores(doc), _fibres(doc)]
    tube = tube_rows(doc)
    return [*sections, Section("Tube", tuple(tube))] if tube else sections


def _porosity(doc: Json) -> Section:
    warnings, porosity = doc["warnings"], doc["porosity"]

    def row(name: str, key: str, q: Json | None, note: str = "", strong: bool = False) -> Row:
        reason = reason_for(f"porosity.{key}", warnings)
        return quantity_row(name, q, percent=True, reason=reason, note=note, strong=strong)

    rows = [
        row(
            "Porosity, total",
            "total",
            porosity["total"],
            f"taken from: {_estimator(porosity['total_from'])}",
            True,
        )
    ]
    for key, name in ESTIMATORS.items():
        used = porosity["total_from"] == key
        rows.append(
            row(
                f"– {name}",
                f"estimators.{key}",
                porosity["estimators"].get(key),
                "this is the total" if used else "",
            )
        )
    rows.append(row("Connected to the outside", "accessible", porosity["accessible"]))
    rows.append(row("Sealed", "sealed", porosity["sealed"]))
    sampling = porosity["u_sampling"]
    rows.append(
        Row(
            "Sampling uncertainty",
            plain_cell(
                None if sampling is None else 100 * sampling,
                "{:.2g} %",
                reason=reason_for("porosity.u_sampling", warnings),
            ),
            note="what another piece of the same print would scatter by; not part of u above",
        )
    )
    slope = doc["material"]["porosity_slope"]
    rows.append(
        Row(
            "Change with the threshold",
            plain_cell(
                None if slope is None else 100 * slope,
                "{:+.3f} pp",
                reason=reason_for("material.porosity_slope", warnings),
            ),
            note="percentage points, for a threshold 1 % of the air-to-polymer span higher",
        )
    )
    return Section("Porosity in the envelope", tuple(rows))


def _pores(doc: Json) -> Section:
    warnings, pores = doc["warnings"], doc["pores"]

    def row(name: str, key: str, q: Json | None, note: str = "", strong: bool = False) -> Row:
        reason = reason_for(f"pores.{key}", warnings)
        return quantity_row(name, q, reason=reason, note=note, strong=strong)

    rows = []
    for key, name in (("mean", "mean"), ("d10", "D10"), ("d50", "D50, median"), ("d90", "D90")):
        rows.append(
            row(
                f"Inscribed-sphere diameter, {name}",
                f"inscribed_diameter_um.{key}",
                pores["inscribed_diameter_um"].get(key),
                strong=key == "d50",
            )
        )
    throats = pores["throat_um"]
    rows += _group("Throat along {}", "throat_um", throats, "xyh", warnings)
    rows += _group(
        "Opening in plan view, {}",
        "opening_um",
        pores["opening_um"],
        ("mean", "d10", "d90"),
        warnings,
    )
    for key, name in (
        ("geodesic_tortuosity", "Geodesic tortuosity along {}"),
        ("relative_diffusivity", "Relative diffusivity along {}"),
        ("permeability_um2", "Permeability along {}"),
    ):
        rows += _group(name, key, pores.get(key) or {}, "xyh", warnings)
    rows.append(
        row("Solid surface per volume", "specific_surface_per_um", pores["specific_surface_per_um"])
    )
    euler = plain_cell(pores["euler_number"], reason=reason_for("pores.euler_number", warnings))
    rows.append(Row("Euler number of the solid", euler))
    return Section("Pores", tuple(rows))


def _group(
    name: str, key: str, values: Json, parts: Sequence[str], warnings: Sequence[Json]
) -> list[Row]:
    """Return a line for each part; one line for all when none was measured, for one reason."""
    why = {p: reason_for(f"pores.{key}.{p}", warnings) for p in parts}
    if all(values.get(p) is None for p in parts) and len(set(why.values())) == 1:
        reason = why[parts[0]]
        return [quantity_row(name.format(", ".join(parts)), None, reason=reason)]
    return [quantity_row(name.format(p), values.get(p), reason=why[p]) for p in parts]


def _fibres(doc: Json) -> Section:
    warnings, fibres = doc["warnings"], doc["fibres"]

    def row(name: str, key: str, note: str = "", strong: bool = False) -> Row:
        reason = reason_for(f"fibres.{key}", warnings)
        return quantity_row(name, fibres[key], reason=reason, note=note, strong=strong)

    def count(name: str, key: str) -> Row:
        return Row(name, plain_cell(fibres[key], reason=reason_for(f"fibres.{key}", warnings)))

    return Section(
        "Fibres and layers",
        (
            row("Fibre diameter, mean", "diameter_um", strong=True),
            count("Fibres", "count"),
            count("Layers (distinct fibre heights)", "layer_count"),
            row("Layer height", "layer_height_um", "mean step between neighbouring heights"),
            row("Scaffold height", "scaffold_height_um", "lowest underside to highest top"),
            row("Sag between supports", "sag_um", "mean drop at mid-span"),
            _strain(fibres, warnings),
            *wave_rows(doc),
            *release_rows(doc),
        ),
    )


def _strain(fibres: Json, warnings: Sequence[Json]) -> Row:
    return quantity_row(
        "Recruitment strain",
        fibres["recruitment_strain"],
        percent=True,
        reason=reason_for("fibres.recruitment_strain", warnings),
        note="arc over chord, minus one",
    )


def porosity_rule(doc: Json) -> str:
    """Say which estimator is the total, why, and how far the estimators stand apart."""
    porosity = doc["porosity"]
    if porosity["total"] is None:
        return ""
    values = [
        q["value"]
        for key, q in porosity["estimators"].items()
        if q is not None and key != "threshold_raw"
    ]
    text = (
        f"The total is the {_estimator(porosity['total_from'])}. The choice follows a fixed rule "
        "and never the nearness to a design."
    )
    if len(values) > 1:
        apart = 100 * (max(values) - min(values))
        text += (
            f" The estimators stand {apart:.2f} percentage points apart; they share anchors, blur "
            "and envelope, so agreement does not shrink the uncertainty."
        )
    return text


def _estimator(name: str | None) -> str:
    return ESTIMATORS.get(str(name), str(name)).lower() if name else "no estimator"


def no_walls(doc: Json) -> str:
    """Say why there is no wall."""
    if not doc["fibres"]["count"]:
        return "no fibres were found"
    return reason_for("walls.tilt_deg", doc["warnings"]) if doc["walls"] else "no walls were found"
