"""How it was measured, and what the words mean: the page's closing sections."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from volscan.report.wording import Cell, number, plain_cell, quantity_cell, reason_for

Json = Mapping[str, Any]
Lines = list[tuple[str, Cell]]

GLOSSARY: tuple[tuple[str, str], ...] = (
    (
        "Standard uncertainty, u",
        "One standard deviation of what the value could be, for this specimen in this envelope "
        "(JCGM 100). Twice u covers about 95 %.",
    ),
    (
        "Build frame",
        "H points away from the collector and is taken from base and layer planes, never from "
        "walls. X is the scan's x axis laid into the base plane (its y axis where up is ±x); "
        "Y = H × X. The origin is the foot of the first voxel on the base plane.",
    ),
    (
        "Lay-down direction",
        "The direction of a fibre in plan view, from X toward Y, in [0°, 180°). Fibres of one "
        "direction, spacing and height range are a family.",
    ),
    (
        "Wall, tilt, lean vector",
        "A wall is the fibres of one family that stand on each other. Its tilt is the angle "
        "between its rise and H, positive toward its left normal. The lean vector is where the "
        "wall's top goes for each unit of rise, in X and Y.",
    ),
    (
        "In, out, upright, undecided",
        "Upright: tilt and twice its uncertainty stay within the tolerance. Undecided: the "
        "uncertainty leaves it open. In and out: toward and away from the scaffold's middle.",
    ),
    (
        "Systematic and chance",
        "Systematic is what a known cause predicts, such as a lean that the whole family shares; "
        "scatter is the standard deviation of the walls about it. One print cannot tell a single "
        "wall's repeatable lean from chance.",
    ),
    (
        "Layer shift",
        "The sideways offset added to each fibre relative to the fibre of the same wall below it. "
        "The advice is a change to the file that the scanned print was made from.",
    ),
    (
        "Envelope",
        "The volume that porosity refers to. Another envelope gives another porosity: moving it "
        "by half a pore changes the answer by several percentage points.",
    ),
    (
        "Porosity estimators",
        "Three ways that fail differently: counting voxels past the threshold, adding up polymer "
        "fractions without a threshold, and the volume of the fitted fibres. They share anchors, "
        "blur and envelope, so their agreement does not shrink the uncertainty; their "
        "disagreement is a warning.",
    ),
    (
        "Inscribed-sphere diameter",
        "For each point of the pores, the diameter of the largest sphere that contains it and "
        "fits between the solid. D10, D50 and D90 are deciles by pore volume.",
    ),
    (
        "Throat",
        "The largest sphere that can cross the scaffold along x, y or h. x is the lay-down "
        "direction of the first family. Along x and y, base and top count as solid.",
    ),
    (
        "Layers",
        "Distinct heights at which fibres lie, in the whole print or in one family. The rise per "
        "fibre is the step between successive fibres of one wall.",
    ),
)

_SETTING_NAMES = {"only_walls": "only walls asked for"}


def facts(doc: Json) -> list[tuple[str, str]]:
    """Return the lines of the title block."""
    scan = doc["input"]
    size = " × ".join(str(n) for n in scan["shape"])
    out = [
        ("Scan", str(scan["file"])),
        ("Kind", {"ct": "micro-CT", "oct": "OCT"}.get(scan["modality"], str(scan["modality"]))),
        ("Size", f"{size} voxels (z, y, x), {scan['dtype']}"),
        ("Voxel", f"{_spacing(scan['spacing_um'])}, from {_from(scan['spacing_from'])}"),
        ("Software", f"volscan {doc['software'].get('volscan', '?')}"),
    ]
    if scan.get("sha256"):
        out.append(("SHA-256", f"{scan['sha256'][:16]}…"))
    return out


def method_tables(doc: Json) -> list[tuple[str, Lines]]:
    """Return the tables of settings, anchors, frame, envelope and provenance."""
    return [
        ("Material", _material(doc)),
        ("Build frame and envelope", _frame(doc)),
        (
            "Settings",
            [
                (_SETTING_NAMES.get(k, k.replace("_", " ")), Cell(_plain(v)))
                for k, v in doc["settings"].items()
            ],
        ),
        ("Input and software", _provenance(doc)),
    ]


def _material(doc: Json) -> Lines:
    material, warnings = doc["material"], doc["warnings"]

    def line(name: str, key: str, template: str = "{:.5g}") -> tuple[str, Cell]:
        return name, plain_cell(
            material[key], template, reason=reason_for(f"material.{key}", warnings)
        )

    axes = material.get("blur_axes_um")
    blur = quantity_cell(material["blur_um"], reason=reason_for("material.blur_um", warnings))
    if axes and not blur.missing:
        blur = Cell(f"{blur.text} (z, y, x: {', '.join(f'{a:.3g}' for a in axes)} µm)")
    return [
        line("Grey value of air", "air"),
        line("Grey value of polymer", "polymer"),
        line("Both taken from", "anchors_from", "{}"),
        line("Threshold, grey value", "threshold"),
        line("Threshold rule", "threshold_rule", "{}"),
        line("Noise in air, one standard deviation", "noise_air"),
        line("Noise in polymer", "noise_polymer"),
        line("Contrast to noise", "contrast_to_noise", "{:.2f}"),
        ("Point spread, full width at half maximum", blur),
    ]


def _frame(doc: Json) -> Lines:
    frame, envelope, warnings = doc["frame"], doc["envelope"], doc["warnings"]
    tilt = plain_cell(
        frame["mount_tilt_deg"],
        "{:.2f}°" if frame["u_tilt_deg"] is None else f"{{:.2f}} ± {frame['u_tilt_deg']:.2g}°",
        reason=reason_for("frame.mount_tilt_deg", warnings),
    )
    if frame["u_tilt_deg"] is None and not tilt.missing:
        tilt = Cell(f"{tilt.text}, uncertainty unknown: {reason_for('frame.u_tilt_deg', warnings)}")
    lines: Lines = [
        ("Collector", Cell(str(frame["kind"]))),
        ("Angle between H and the image axis", tilt),
    ]
    if frame.get("h_from"):
        lines.append(("H taken from", Cell(str(frame["h_from"]))))
    if frame.get("up"):
        lines.append(
            ("Up in the image", Cell(f"{frame['up']}, {_confirmed(frame.get('up_confirmed'))}"))
        )
    if "mirrored_confirmed" in frame:
        lines.append(("Handedness", Cell(_confirmed(frame["mirrored_confirmed"]))))
    if frame["axes"]:
        for name, axis in frame["axes"].items():
            if axis is not None:
                told = ", ".join(f"{v:+.4f}" for v in axis).replace("-", "−")
                lines.append((f"Axis {name.upper()} in the scan [z, y, x]", Cell(f"[{told}]")))

    def of_envelope(key: str, template: str, factor: float = 1.0) -> Cell:
        value = envelope[key]
        if isinstance(value, int | float):
            value = value * factor
        return plain_cell(value, template, reason=reason_for(f"envelope.{key}", warnings))

    lines += [
        ("Envelope", of_envelope("definition", "{}")),
        (
            "Envelope, base and top above the base plane",
            Cell(
                f"{of_envelope('base_um', '{:.2f} µm').text} to "
                f"{of_envelope('top_um', '{:.2f} µm').text}"
            )
            if envelope["base_um"] is not None
            else of_envelope("base_um", "{}"),
        ),
        ("Envelope, area in plan", of_envelope("area_um2", "{:.5g} mm²", 1e-6)),
        ("Envelope, volume", of_envelope("volume_um3", "{:.5g} mm³", 1e-9)),
    ]
    if envelope["outline_um"]:
        corners = "; ".join(f"({number(x)}, {number(y)})" for x, y in envelope["outline_um"][:24])
        more = len(envelope["outline_um"]) - 24
        tail = f"; and {more} more in results.json" if more > 0 else ""
        lines.append(("Envelope, corners (X, Y) in µm", Cell(corners + tail)))
    return lines


def _provenance(doc: Json) -> Lines:
    scan = doc["input"]
    lines: Lines = [
        ("File", Cell(str(scan["file"]))),
        ("SHA-256", plain_cell(scan["sha256"], reason=reason_for("input.sha256", doc["warnings"]))),
    ]
    return lines + [(str(name), Cell(str(version))) for name, version in doc["software"].items()]


def _confirmed(told: bool | None) -> str:
    return "told by the user" if told else "assumed"


def _from(words: str) -> str:
    return words or "an unknown source"


def _spacing(spacing_um: list[float]) -> str:
    if len(set(spacing_um)) == 1:
        return f"{spacing_um[0]:g} µm"
    return " × ".join(f"{s:g}" for s in spacing_um) + " µm (z, y, x)"


def _plain(value: Any) -> str:
    if value is None:
        return "not set"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(_plain(v) for v in value)
    return f"{value:g}" if isinstance(value, float) else str(value)
