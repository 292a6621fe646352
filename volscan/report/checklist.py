"""What guides for reporting CT and OCT of scaffolds ask for: each item given, or marked missing.

Sources: ASTM F3259-17 and F2603-06 (scope of scaffold imaging guides), Bouxsein et al. 2010 (the
list of items); the items on current, exposure, reconstruction, uncertainty and data are common
practice without a published source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from volscan.report.metadata import ScanMetadata
from volscan.report.quantity_lines import quantity_lines

Json = Mapping[str, Any]


@dataclass(frozen=True)
class ChecklistItem:
    """One item: what is asked, what is given ("" where missing), and who must add it."""

    asked: str
    given: str
    source: str

    @property
    def missing(self) -> bool:
        """Whether nothing is given."""
        return not self.given


_GUIDE, _PRACTICE = "Bouxsein 2010", "common practice"


def checklist(doc: Json, metadata: ScanMetadata | None = None) -> list[ChecklistItem]:
    """Return every item that a reviewer may ask for.

    Parameters
    ----------
    doc
        Contents of results.json.
    metadata
        What the user told; items of it that are missing are marked so.
    """
    told = metadata or ScanMetadata()
    ct = doc["input"]["modality"] == "ct"

    def user(asked: str, key: str, source: str = _PRACTICE) -> ChecklistItem:
        return ChecklistItem(asked, told.text(key) or "", source)

    scan = doc["input"]
    spacing = " × ".join(f"{s:g}" for s in scan["spacing_um"])
    device = [user("Scanner", "scanner", _GUIDE)]
    if ct:
        device += [
            user("Tube voltage", "voltage_kv", _GUIDE),
            user("Tube current", "current_ua"),
            user("Target", "target"),
            user("Filter", "filter"),
            user("Exposure", "exposure_ms"),
            user("Frames averaged", "frames"),
            user("Number of projections", "projections"),
            user("Rotation step", "rotation_step_deg"),
            user("Rotation range", "rotation_range_deg"),
            user("Detector binning", "binning"),
            user("Reconstruction and its kernel", "reconstruction"),
            user("Ring correction", "ring_correction"),
            user("Beam-hardening correction", "beam_hardening_correction", _GUIDE),
        ]
    else:
        device += [
            user("Centre wavelength", "wavelength_nm"),
            user("Bandwidth", "bandwidth_nm"),
            user("Optical power", "power_mw"),
            user("Line rate", "scan_rate_khz"),
            ChecklistItem("Refractive indices", _indices(doc), _PRACTICE),
        ]
    return [
        *device,
        user("Medium, dry or wet", "medium", _GUIDE),
        user("Polymer", "polymer"),
        ChecklistItem("Voxel size", f"{spacing} µm (z, y, x), {scan['spacing_from']}", _GUIDE),
        ChecklistItem("Uncertainty of the voxel size", _voxel_u(doc), _PRACTICE),
        ChecklistItem("Resolution measured in the scan", _resolution(doc), "ASTM F2603"),
        user("Place of the scanned region", "region", _GUIDE),
        ChecklistItem("Size of the volume of interest", _volume(doc), _GUIDE),
        ChecklistItem("Definition of that volume", doc["envelope"]["definition"] or "", _GUIDE),
        ChecklistItem("Segmentation: rule and value", _threshold(doc), _GUIDE),
        ChecklistItem("Sensitivity to the threshold", _slope(doc), _PRACTICE),
        ChecklistItem("Every filter", _filters(doc), _GUIDE),
        ChecklistItem("Measures with units and uncertainty", _measures(doc), _GUIDE),
        ChecklistItem(
            "Model-free 3-D measures", "inscribed spheres and throats" if _pores(doc) else "",
            _GUIDE,
        ),
        user("Number of specimens", "specimens"),
        user("Quality-control scans", "quality_control", _GUIDE),
        user("Visual check of all pictures", "visual_check", _GUIDE),
        user("How the pictures shown were chosen", "image_choice", _GUIDE),
        ChecklistItem("Software and versions", f"volscan {doc['software'].get('volscan', '?')} "
                      "and libraries in results.json", _PRACTICE),
        ChecklistItem("Parameter file", "results.json holds every setting", _PRACTICE),
        user("Data availability", "data_availability"),
    ]  # fmt: skip


def checklist_summary(items: list[ChecklistItem]) -> str:
    """Say how many items are given."""
    missing = sum(i.missing for i in items)
    return (
        f"{len(items) - missing} of {len(items)} items are given; {missing} are missing and can be "
        "told in a metadata file (report --metadata)."
        if missing
        else f"All {len(items)} items are given."
    )


def _indices(doc: Json) -> str:
    s = doc["settings"]
    found = [(k, s[k]) for k in ("index_polymer", "index_medium", "axial_index") if s.get(k)]
    return ", ".join(f"{k.replace('_', ' ')} {v:g}" for k, v in found)


def _voxel_u(doc: Json) -> str:
    percent = doc["settings"].get("voxel_u_percent")
    return f"{percent:g} %" if percent else ""


def _resolution(doc: Json) -> str:
    blur = doc["material"]["blur_um"]
    return f"point spread {blur['value']:.3g} µm (full width at half maximum)" if blur else ""


def _volume(doc: Json) -> str:
    v = doc["envelope"]["volume_um3"]
    return f"{v * 1e-9:.4g} mm³" if v is not None else ""


def _threshold(doc: Json) -> str:
    m = doc["material"]
    return f"{m['threshold_rule']}, {m['threshold']:.5g}" if m["threshold"] is not None else ""


def _slope(doc: Json) -> str:
    slope = doc["material"]["porosity_slope"]
    return "" if slope is None else f"{100 * slope:+.2f} points per 1 % of the span"


def _filters(doc: Json) -> str:
    done = [
        w["message"]
        for w in doc["warnings"]
        if w["code"].endswith(("_removed", "_reduced", "_corrected", "_filled", "_unwarped"))
    ]
    return "; ".join(done) or "none; the polymer fraction is not clipped"


def _measures(doc: Json) -> str:
    lines = quantity_lines(doc)
    told = sum(line.measured for line in lines)
    return f"{told} of {len(lines)} quantities (table of quantities)" if told else ""


def _pores(doc: Json) -> bool:
    return doc["pores"]["inscribed_diameter_um"]["mean"] is not None
