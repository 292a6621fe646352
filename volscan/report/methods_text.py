"""The methods paragraphs of a paper, written from the provenance in the results.

Nothing is typed here that the results do not say: every sentence is made from a key that is there,
and what only the user can know (scanner settings) comes from the metadata file. Sources are cited
as [@key]; see `references`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from volscan.quantity import format_with_u
from volscan.report.metadata import SCANNER_KEYS, ScanMetadata
from volscan.report.methods_oct import oct_fibres, oct_preparation

Json = Mapping[str, Any]

_READERS = {
    "tif": "TIFF", "tiff": "TIFF", "mha": "MetaImage", "mhd": "MetaImage", "nrrd": "NRRD",
    "nhdr": "NRRD", "nii": "NIfTI", "gz": "NIfTI", "npy": "npy", "raw": "headerless", "dcm":
    "DICOM",
}  # fmt: skip
_ESTIMATORS = {
    "threshold": "a count of the voxels past the threshold, corrected for the blur",
    "partial_volume": "the integral of the polymer fraction, which needs no threshold",
    "fibre_model": "the volume of the fitted fibres, overlaps counted once",
}
_RULES = {
    "half-max": "half-way between the two (the half-maximum rule of dimensional CT)",
    "otsu": "by Otsu's method [@otsu1979]",
}


def methods_text(doc: Json, metadata: ScanMetadata | None = None) -> list[tuple[str, str]]:
    """Return the methods section as (heading, paragraph), with citations as [@key].

    Parameters
    ----------
    doc
        Contents of results.json.
    metadata
        What the user told of scanner and specimen; without it the paragraph says what is missing
        in square brackets, so that no gap goes unseen into print.

    Returns
    -------
    list of (str, str)
        In the order of a methods section.
    """
    told = metadata or ScanMetadata()
    parts = [
        ("Imaging", _imaging(doc, told)),
        ("Preparation", _preparation(doc)),
        ("Build frame and walls", _frame(doc)),
        ("Fibres and layers", _fibres(doc)),
        ("Porosity", _porosity(doc)),
        ("Pores", _pores(doc)),
        ("Statement of numbers", _numbers(doc)),
        ("Software", _software(doc)),
    ]
    return [(heading, text) for heading, text in parts if text]


# Ends of the codes of warnings that say what was changed or left out before measuring.
_CLEANED = (
    "_removed", "_reduced", "_corrected", "_filled", "_unwarped", "_undone", "_excluded", "_cut",
)  # fmt: skip


def _imaging(doc: Json, told: ScanMetadata) -> str:
    scan = doc["input"]
    kind = {"ct": "micro-CT", "oct": "optical coherence tomography"}[scan["modality"]]
    device = told.text("scanner")
    ct = scan["modality"] == "ct"
    keys = [
        k
        for k in SCANNER_KEYS
        if k not in ("scanner", "quality_control") and told.text(k) is not None
    ]
    settings = ", ".join(f"{SCANNER_KEYS[k][0]} {told.text(k)}" for k in keys)
    needed = ("voltage_kv", "current_ua", "exposure_ms", "filter") if ct else ("wavelength_nm",)
    missing = [SCANNER_KEYS[k][0] for k in needed if told.text(k) is None]
    gap = f" [not told: {', '.join(missing)}]" if missing else ""
    size = " × ".join(str(n) for n in scan["shape"])
    spacing = scan["spacing_um"]
    voxel = (
        f"{spacing[0]:g} µm"
        if len(set(spacing)) == 1
        else " × ".join(f"{s:g}" for s in spacing) + " µm (z, y, x)"
    )
    percent = doc["settings"].get("voxel_u_percent")
    u = f" (standard uncertainty {percent:g} %)" if percent else ""
    specimen = [
        f"of {told.text('polymer')}" if told.text("polymer") else "",
        f"in {told.text('medium')}" if told.text("medium") else "",
        f"at {told.text('temperature_c')}" if told.text("temperature_c") else "",
    ]
    where = " ".join(s for s in specimen if s)
    return (
        f"A melt-electrowritten scaffold{' ' + where if where else ''} was imaged by {kind}"
        + (f" ({device})" if device else " [scanner not told]")
        + (f" with {settings}" if settings else "")
        + gap
        + f". The stack of {size} voxels (z, y, x; {scan['dtype']}) has a voxel size of {voxel}{u}"
        f", taken from {scan['spacing_from']}. It was read as {_reader(scan['file'])}; "
        + (f"its SHA-256 is {scan['sha256'][:16]}…" if scan.get("sha256") else "no hash is known")
        + "."
    )


def _reader(file: str) -> str:
    return _READERS.get(file.rpartition(".")[2].lower(), "a folder of slices")


def _preparation(doc: Json) -> str:
    m, warnings = doc["material"], doc["warnings"]
    if doc.get("oct") is not None:
        return oct_preparation(doc)
    if m["threshold"] is None:
        return ""
    rule = _RULES.get(str(m["threshold_rule"]), f"by the rule “{m['threshold_rule']}”")
    text = (
        f"Grey values were turned into polymer fraction between the values of air "
        f"({m['air']:.4g}) and polymer ({_value(m['polymer'])}), taken from {m['anchors_from']}. "
        f"The threshold of {m['threshold']:.4g} was set {rule}."
    )
    if m["blur_um"]:
        q = m["blur_um"]
        text += (
            f" The point spread measured in the scan has a full width at half maximum of "
            f"{format_with_u(q['value'], q['u'])} µm"
            + (
                f", the contrast-to-noise ratio is {m['contrast_to_noise']:.3g}"
                if m["contrast_to_noise"] is not None
                else ""
            )
            + "."
        )
    slope = m["porosity_slope"]
    if slope is not None:
        text += (
            f" A threshold higher by 1 % of the span from air to polymer changes the porosity by "
            f"{100 * slope:+.2f} percentage points."
        )
    cleaned = [w["message"] for w in warnings if w["code"].endswith(_CLEANED)]
    if cleaned:
        text += " In preparation, " + "; ".join(cleaned) + "."
    return text.replace("-0", "−0")


def _value(value: float | None) -> str:
    return "not known" if value is None else f"{value:.4g}"


def _frame(doc: Json) -> str:
    f, s = doc["frame"], doc["settings"]
    if f["kind"] == "mandrel":
        text = (
            "The scaffold's axis was fitted, its bend and ovality included, and the tube unrolled "
            "at the mean radius of its shell."
        )
    else:
        tilt = f.get("mount_tilt_deg")
        text = (
            f"The build axis was taken from {f.get('h_from') or 'base and layer planes'}, never "
            "from walls"
            + (
                f"; it lies {tilt:.2f}° from the image axis"
                + (f" (u = {f['u_tilt_deg']:.2g}°)" if f["u_tilt_deg"] is not None else "")
                if tilt is not None
                else ""
            )
            + "."
        )
    if not f.get("up_confirmed", True) or not f.get("mirrored_confirmed", True):
        text += " Which way is up, or the handedness of the stack, was assumed."
    if doc["walls"]:
        text += (
            " The tilt of a wall is the angle between the build axis and a robust line through "
            "the centres of its layers, found to a fraction of a voxel in the wall straightened "
            "along its path; crossings were left out. Walls count as upright when |tilt| + 2u "
            f"stays within {s.get('upright_tolerance_deg', 1.0):g}°."
        )
    return text


def _fibres(doc: Json) -> str:
    fibres = doc["fibres"]
    if not fibres["count"]:
        return ""
    if doc.get("oct") is not None:
        return oct_fibres(doc)
    return (
        f"The centrelines and diameters of {fibres['count']} fibres came from blurred discs fitted "
        "to their cross-sections in the unclipped polymer fraction; the diameter is that of the "
        "circle of equal area. Fibres of one direction and spacing form a family; layers are "
        "distinct fibre heights."
    )


def _porosity(doc: Json) -> str:
    p, e = doc["porosity"], doc["envelope"]
    if p["total"] is None:
        return ""
    how = _ESTIMATORS.get(str(p["total_from"]), str(p["total_from"]))
    others = [
        (k, q)
        for k, q in p["estimators"].items()
        if q is not None and k != p["total_from"] and k != "threshold_raw"
    ]
    told = "; ".join(
        f"{_ESTIMATORS.get(k, k)}: {format_with_u(100 * q['value'], _times(q['u'], 100))} %"
        for k, q in others
    )
    text = (
        f"Porosity refers to an envelope of {e['volume_um3'] * 1e-9:.4g} mm³, defined as "
        f"{e['definition']}. It was taken from {how}"
        + (f" (for comparison, {told})" if told else "")
        + "."
    )
    if p["u_sampling"] is not None:
        text += (
            f" The scatter that another piece of the same print would show, by resampling blocks "
            f"of the scaffold [@kuensch1989], is {100 * p['u_sampling']:.2g} percentage points and "
            "is not part of the stated uncertainty."
        )
    return text


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else factor * value


def _pores(doc: Json) -> str:
    p = doc["pores"]
    if p["inscribed_diameter_um"]["mean"] is None:
        return ""
    text = (
        "The size of a pore point is the diameter of the largest sphere that contains it and fits "
        "between the solid [@hildebrand1997]; deciles are by pore volume."
    )
    if any(p["throat_um"].values()):
        text += (
            " The throat is the diameter of the largest sphere that crosses the scaffold along an "
            "axis; the accessible fraction is the share of pore volume that a sphere reaches from "
            "outside."
        )
    if any((p.get("permeability_um2") or {}).values()):
        text += " Permeability follows from Stokes flow between symmetry planes."
    if any((p.get("relative_diffusivity") or {}).values()):
        text += " Relative diffusivity follows from Laplace's equation in the pore space."
    return text


def _numbers(doc: Json) -> str:
    return (
        "Numbers are given with one standard uncertainty [@jcgm100] of this specimen in this "
        "envelope, rounded by it; n counts independent items (fibres, walls, cells) and never "
        "voxels; units follow [@iso80000]."
        + (
            ""
            if doc["settings"].get("voxel_u_percent")
            else " The uncertainty of the voxel size was not told and is in no uncertainty."
        )
    )


def _software(doc: Json) -> str:
    versions = dict(doc["software"])
    own = versions.pop("volscan", "?")
    cites = {
        "numpy": "[@numpy]",
        "scipy": "[@scipy]",
        "scikit-image": "[@scikitimage]",
        "numba": "[@numba]",
    }
    told = ", ".join(f"{k} {v}{' ' + cites[k] if k in cites else ''}" for k, v in versions.items())
    return (
        f"Measured with volscan {own} ({told}); figures with matplotlib [@matplotlib]. All "
        "settings and the hash of the scan are in results.json."
    )
