"""Lines of the table of numbers that only some prints have: waves, bow, tubes, bent plates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from volscan.report.wording import Row, plain_cell, quantity_row

Json = Mapping[str, Any]


def wave_rows(doc: Json) -> list[Row]:
    """Return a line for each number of each family that waves."""
    rows = []
    for family in doc["fibres"]["families"]:
        wave = family.get("wave")
        if not wave:
            continue
        name = f"family {family['id']}"
        shape = wave.get("shape")
        for key, words, note in (
            ("amplitude_um", "Wave amplitude", "half the swing across the mean line"),
            ("wavelength_um", "Wavelength", "along the mean line"),
            ("phase_mismatch_deg", "Mismatch of the waves", "spread of a wall's layers in phase"),
        ):
            if wave.get(key) is not None:
                note = f"{shape}, {note}" if shape and key == "amplitude_um" else note
                rows.append(quantity_row(f"{words}, {name}", wave[key], note=note))
    return rows


def tube_rows(doc: Json) -> list[Row]:
    """Return the lines of a print on a mandrel; none for one on a plate."""
    frame, tube = doc["frame"], doc.get("tube") or {}
    rows = []
    for key, words, note in (
        ("mean_radius_um", "Mean radius of the shell", "where the tube is unrolled"),
        ("lumen_diameter_um", "Lumen diameter", "mean tangent inside the lowest layer"),
        ("wall_thickness_um", "Wall thickness", "lowest layer's inside to highest one's outside"),
    ):
        if tube.get(key) is not None:
            rows.append(quantity_row(words, tube[key], note=note, strong=key.startswith("lumen")))
    families = doc["fibres"]["families"]
    rows += _by_family(
        "Winding angle",
        tube.get("winding_angle_deg"),
        families,
        "from the axis; positive for a right-handed helix",
    )
    rows += _by_family("Pitch", tube.get("pitch_um"), families, "advance along the axis per turn")
    for k, count in enumerate(tube.get("pivot_points") or []):
        rows.append(
            Row(
                f"Separate helices, {_family(families, k)}",
                plain_cell(count),
                note="around the circumference",
            )
        )
    if frame.get("bend_um") is not None:
        bend = _quantity(frame["bend_um"], frame.get("u_bend_um"), "µm")
        rows.append(quantity_row("Bend of the axis", bend, note="sagitta over the tube's length"))
    if frame.get("ovality") is not None:
        oval = _quantity(frame["ovality"], frame.get("u_ovality"), "1")
        rows.append(
            quantity_row(
                "Ovality", oval, percent=True, note="largest less smallest radius, over the mean"
            )
        )
    return rows


def release_rows(doc: Json) -> list[Row]:
    """Return how deep the base surface of a print is that lies free of its plate."""
    release = doc["frame"].get("release_um")
    if release is None:
        return []
    return [
        quantity_row(
            "Depth of the base surface after release",
            release,
            note="peak to valley; laid flat before measuring where it is more than chance",
        )
    ]


def _by_family(
    name: str, values: Sequence[Json | None] | None, families: Sequence[Json], note: str
) -> list[Row]:
    return [
        quantity_row(f"{name}, {_family(families, k)}", q, note=note)
        for k, q in enumerate(values or [])
        if q is not None
    ]


def _family(families: Sequence[Json], k: int) -> str:
    return f"family {families[k]['id'] if k < len(families) else k}"


def _quantity(value: float, u: float | None, unit: str) -> Json:
    return {"value": value, "u": u, "unit": unit, "n": None}
