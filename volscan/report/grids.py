"""The page's wide tables: families, walls, advice, design; from the results document alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from volscan.report.wording import Cell, number, plain_cell, quantity_cell, reason_for, unit_text

Json = Mapping[str, Any]

_VERDICT = {"in": "in tolerance", "out": "out of tolerance", "undecided": "undecided"}


@dataclass(frozen=True)
class Grid:
    """A plain table: headings, lines of cells, and which columns hold text or long text."""

    headings: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    text_columns: frozenset[int] = field(default_factory=frozenset)
    verdict_column: int = -1
    reason_column: int = -1


def families(doc: Json) -> Grid | None:
    """Return a line for each lay-down direction."""
    if not doc["fibres"]["families"]:
        return None
    rows = []
    for f in doc["fibres"]["families"]:
        placement = f["placement_error_um"] or {}
        told = None
        if placement.get("rms") is not None and placement.get("max") is not None:
            told = f"{placement['rms']:.2g} ({placement['max']:.2g}) µm"
        rows.append(
            (
                Cell(str(f["id"])),
                *(
                    quantity_cell(
                        f[key], reason=reason_for(f"fibres.families.{key}", doc["warnings"])
                    )
                    for key in ("direction_deg", "spacing_um", "diameter_um")
                ),
                plain_cell(f["count"]),
                plain_cell(f["layers"]),
                plain_cell(f["walls"]),
                quantity_cell(
                    f["rise_per_fibre_um"],
                    reason=reason_for("fibres.families.rise_per_fibre_um", doc["warnings"]),
                ),
                plain_cell(
                    told,
                    reason=reason_for("fibres.families.placement_error_um.rms", doc["warnings"]),
                ),
            )
        )
    return Grid(
        (
            "Family",
            "Direction",
            "Spacing",
            "Fibre diameter",
            "Fibres",
            "Layers",
            "Walls",
            "Rise per fibre",
            "Placement error, rms (max)",
        ),
        tuple(rows),
    )


def systematic(doc: Json) -> Grid | None:
    """Return what a known cause predicts for each family, and the scatter about it."""
    if not doc["shift"]["systematic"]:
        return None
    warnings = doc["warnings"]
    rows = []
    for s in doc["shift"]["systematic"]:
        vector = s.get("lean_vector")
        rows.append(
            (
                Cell(str(s["family"])),
                quantity_cell(
                    s["tilt_deg"], reason=reason_for("shift.systematic.tilt_deg", warnings)
                ),
                plain_cell(
                    None if vector is None else _vector(vector, 3),
                    reason=reason_for("shift.systematic.lean_vector", warnings),
                ),
                plain_cell(
                    s["scatter_deg"],
                    "{:.2g}°",
                    reason=reason_for("shift.systematic.scatter_deg", warnings),
                ),
                Cell(str(s["cause"])),
            )
        )
    return Grid(
        ("Family", "Tilt", "Lean vector (X, Y)", "Scatter of the walls about it", "Cause"),
        tuple(rows),
        frozenset({4}),
        reason_column=4,
    )


def walls(doc: Json) -> Grid | None:
    """Return a line for each wall."""
    if not doc["walls"]:
        return None
    warnings = doc["warnings"]
    rows = []
    for w in doc["walls"]:
        vector = w.get("lean_vector")
        rows.append(
            (
                Cell(str(w["id"])),
                Cell(str(w["family"])),
                plain_cell(w["position_um"], "{:.1f} µm"),
                plain_cell(
                    None
                    if w["length_um"] is None or w["height_um"] is None
                    else f"{w['length_um']:.0f} × {w['height_um']:.1f} µm"
                ),
                Cell(str(sum(o is not None for o in w["layer_offset_um"] or []))),
                quantity_cell(w["tilt_deg"], reason=reason_for("walls.tilt_deg", warnings)),
                quantity_cell(w["bow_um"], reason=reason_for("walls.bow_um", warnings)),
                quantity_cell(
                    w["offset_per_fibre_um"],
                    reason=reason_for("walls.offset_per_fibre_um", warnings),
                ),
                plain_cell(
                    None if vector is None else _vector(vector, 3),
                    reason=reason_for("walls.lean_vector", warnings),
                ),
                Cell(str(w["lean"]) if w["lean"] else "–"),
            )
        )
    return Grid(
        (
            "Wall",
            "Family",
            "Position",
            "Length × height",
            "Fibres",
            "Tilt",
            "Bow",
            "Offset per fibre",
            "Lean vector (X, Y)",
            "Lean",
        ),
        tuple(rows),
        frozenset({9}),
    )


def advice(doc: Json, level: str) -> Grid | None:
    """Return the layer shift at one level: "print", "family" or "wall"."""
    found = [a for a in doc["shift"]["advice"] if a["level"] == level]
    if not found:
        return None
    rows = []
    for a in found:
        rows.append(
            (
                Cell("whole print" if a["id"] is None else f"{a['level']} {a['id']}"),
                quantity_cell(a["per_fibre_um"], reason="families differ in their normal")
                if a["per_fibre_um"] or level != "print"
                else Cell("–"),
                plain_cell(
                    None if a["vector_um"] is None else f"{_vector(a['vector_um'], 3)} µm",
                    reason=reason_for("shift.advice.vector_um", doc["warnings"]),
                ),
                Cell("advised" if a["advised"] else "not advised"),
                Cell(str(a["reason"])),
            )
        )
    return Grid(
        ("For", "Shift per fibre", "The same in X, Y", "Advice", "Reason"),
        tuple(rows),
        frozenset({3, 4}),
        reason_column=4,
    )


def all_advice(doc: Json) -> list[tuple[str, Grid]]:
    """Return the tables of advice that have lines, from the print down to single walls."""
    tables = [
        ("For the whole print", advice(doc, "print")),
        ("For each family", advice(doc, "family")),
        ("For each wall", advice(doc, "wall")),
    ]
    return [(name, table) for name, table in tables if table is not None]


def advice_summary(doc: Json) -> str:
    """Say in a sentence what is advised."""
    found = doc["shift"]["advice"]
    advised = [a for a in found if a["advised"]]
    if not advised:
        return "None of the values below is advised; each line says why."
    levels = [n for n in ("print", "family", "wall") if any(a["level"] == n for a in advised)]
    return (
        f"{len(advised)} of {len(found)} values below are advised (level: {', '.join(levels)}). "
        "Choose one level; the levels do not add."
    )


def design_lines(design: Json | None) -> Grid | None:
    """Return the comparison with the design, line by line."""
    if not design or not design.get("compared"):
        return None
    rows = []
    for line in design["compared"]:
        q = {"value": line["measured"], "u": line["u"] or None, "unit": line["unit"]}
        percent, allowed = line["name"] == "porosity", line["tolerance"]
        factor, unit = (100, " %") if percent else (1, unit_text(line["unit"]))
        rows.append(
            (
                Cell(str(line["name"])),
                Cell(number(factor * line["designed"]) + unit),
                quantity_cell(q, percent=percent, reason=line["note"]),
                Cell(f"± {number(factor * allowed)}{unit}" if allowed else "exact"),
                Cell(_VERDICT.get(line["verdict"], str(line["verdict"]))),
                Cell("" if line["measured"] is None else str(line["note"])),
            )
        )
    return Grid(
        ("Quantity", "Designed", "Measured", "Tolerance", "Verdict", "Note"),
        tuple(rows),
        frozenset({4, 5}),
        verdict_column=4,
        reason_column=5,
    )


def design_notes(design: Json | None) -> list[str]:
    """Return what stands beside the comparison, in sentences."""
    if not design:
        return []
    notes = [
        f"Design: {design.get('name') or 'unnamed'}. In tolerance when the deviation and twice its "
        "standard uncertainty stay within the tolerance; out when the deviation less twice the "
        "uncertainty exceeds it."
    ]
    implied = design.get("implied_porosity")
    if implied:
        notes.append(
            f"The design implies a porosity of {100 * implied['mass_conserving']:.2f} % where "
            "crossing fibres displace each other (real prints; judged above) and of "
            f"{100 * implied['union']:.2f} % where they pass through each other (phantoms)."
        )
    turned = design.get("mounting_rotation_deg")
    if turned is not None:
        notes.append(
            f"The piece lies turned by {number(turned)}° in its plane; this rotation was taken "
            "out before directions were compared."
        )
    for key, words in (
        (
            "gravimetric_porosity",
            "From the weighed mass and the density, the porosity is",
        ),
        ("anchored_porosity", "With the fibre diameter told from another microscope it is"),
    ):
        if design.get(key):
            notes.append(f"{words} {quantity_cell(design[key], percent=True).text}.")
    return notes


def _vector(vector: Sequence[float], digits: int) -> str:
    # Adding zero takes the sign from a value that rounds to zero.
    shown = (f"{round(v, digits) + 0.0:+.{digits}f}" for v in vector)
    return f"({', '.join(shown)})".replace("-", "−")
