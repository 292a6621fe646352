"""Every measured number of a results document as one plain list: what the paper's tables hold."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from volscan.report.numbers import ESTIMATORS
from volscan.report.wording import reason_for

Json = Mapping[str, Any]


@dataclass(frozen=True)
class QuantityLine:
    """One number: its group, name and key, and the contract's value, u, unit, n and spread.

    Fractions are told in percent. `value` is None where nothing was measured; `reason` says why.
    """

    group: str
    name: str
    key: str
    value: float | None
    u: float | None
    unit: str
    n: int | None = None
    sd: float | None = None
    reason: str = ""

    @property
    def measured(self) -> bool:
        """Whether there is a value."""
        return self.value is not None


def quantity_lines(doc: Json) -> list[QuantityLine]:
    """Return every number of the document, in the order of a results section.

    Parameters
    ----------
    doc
        Contents of results.json.

    Returns
    -------
    list of QuantityLine
        Missing ones included, with their reason.
    """
    return [*_porosity(doc), *_pores(doc), *_fibres(doc), *_families(doc), *_tube(doc)]


def _line(
    group: str, name: str, key: str, q: Json | None, warnings: Sequence[Json], percent: bool = False
) -> QuantityLine:
    if q is None or q.get("value") is None:
        return QuantityLine(
            group, name, key, None, None, "%" if percent else "", reason=reason_for(key, warnings)
        )
    f = 100.0 if percent else 1.0
    u, sd = q.get("u"), q.get("sd")
    return QuantityLine(
        group,
        name,
        key,
        f * q["value"],
        None if u is None else f * u,
        "%" if percent else str(q["unit"]),
        q.get("n"),
        None if sd is None else f * sd,
        "" if u is not None else "uncertainty unknown",
    )


def _count(
    group: str, name: str, key: str, value: float | None, warnings: Sequence[Json]
) -> QuantityLine:
    """Return a counted number, which is exact."""
    reason = "" if value is not None else reason_for(key, warnings)
    return QuantityLine(group, name, key, value, None, "1", reason=reason)


def _porosity(doc: Json) -> Iterator[QuantityLine]:
    p, w, group = doc["porosity"], doc["warnings"], "Porosity"
    yield _line(group, "total", "porosity.total", p["total"], w, True)
    for key, name in ESTIMATORS.items():
        label = name[0].lower() + name[1:]
        full = f"porosity.estimators.{key}"
        yield _line(group, label, full, p["estimators"].get(key), w, True)
    yield _line(group, "connected to the outside", "porosity.accessible", p["accessible"], w, True)
    yield _line(group, "sealed", "porosity.sealed", p["sealed"], w, True)


def _pores(doc: Json) -> Iterator[QuantityLine]:
    p, w, group = doc["pores"], doc["warnings"], "Pores"
    for key, name in (("mean", "mean"), ("d10", "D10"), ("d50", "D50"), ("d90", "D90")):
        full = f"pores.inscribed_diameter_um.{key}"
        q = p["inscribed_diameter_um"].get(key)
        yield _line(group, f"inscribed-sphere diameter, {name}", full, q, w)
    for part, name, keys in (
        ("opening_um", "opening in plan view, {}", ("mean", "d10", "d90")),
        ("throat_um", "throat along {}", "xyh"),
        ("geodesic_tortuosity", "geodesic tortuosity along {}", "xyh"),
        ("relative_diffusivity", "relative diffusivity along {}", "xyh"),
        ("permeability_um2", "permeability along {}", "xyh"),
    ):
        for k in keys:
            q = (p.get(part) or {}).get(k)
            yield _line(group, name.format(k), f"pores.{part}.{k}", q, w)
    yield _line(
        group, "solid surface per volume", "pores.specific_surface_per_um",
        p["specific_surface_per_um"], w,
    )  # fmt: skip
    yield _count(group, "Euler number of the solid", "pores.euler_number", p["euler_number"], w)


def _fibres(doc: Json) -> Iterator[QuantityLine]:
    f, w, group = doc["fibres"], doc["warnings"], "Fibres and layers"
    yield _count(group, "fibres", "fibres.count", f["count"], w)
    yield _line(group, "fibre diameter", "fibres.diameter_um", f["diameter_um"], w)
    yield _count(group, "layers", "fibres.layer_count", f["layer_count"], w)
    yield _line(group, "layer height", "fibres.layer_height_um", f["layer_height_um"], w)
    yield _line(group, "scaffold height", "fibres.scaffold_height_um", f["scaffold_height_um"], w)
    yield _line(group, "sag between supports", "fibres.sag_um", f["sag_um"], w)
    strain = f["recruitment_strain"]
    yield _line(group, "recruitment strain", "fibres.recruitment_strain", strain, w, True)


_FAMILY = (
    ("direction_deg", "direction"),
    ("spacing_um", "spacing"),
    ("diameter_um", "fibre diameter"),
    ("rise_per_fibre_um", "rise per fibre"),
)
_WAVE = (
    ("amplitude_um", "wave amplitude"),
    ("wavelength_um", "wavelength"),
    ("phase_mismatch_deg", "mismatch of the waves"),
)


def _families(doc: Json) -> Iterator[QuantityLine]:
    w = doc["warnings"]
    leans = {s["family"]: s for s in doc["shift"]["systematic"]}
    for f in doc["fibres"]["families"]:
        group = f"Family {f['id']}"
        for key, name in _FAMILY:
            yield _line(group, name, f"fibres.families.{key}", f.get(key), w)
        for key, name in _WAVE if f.get("wave") else ():
            yield _line(group, name, f"fibres.families.wave.{key}", f["wave"].get(key), w)
        if f["id"] in leans:
            lean = leans[f["id"]].get("tilt_deg")
            yield _line(group, "systematic wall tilt", "shift.systematic.tilt_deg", lean, w)


def _tube(doc: Json) -> Iterator[QuantityLine]:
    tube, w, group = doc.get("tube"), doc["warnings"], "Tube"
    if not tube:
        return
    for key, name in (
        ("mean_radius_um", "mean radius of the shell"),
        ("lumen_diameter_um", "lumen diameter"),
        ("wall_thickness_um", "wall thickness"),
    ):
        yield _line(group, name, f"tube.{key}", tube.get(key), w)
    for key, name in (("winding_angle_deg", "winding angle"), ("pitch_um", "pitch")):
        for k, q in enumerate(tube.get(key) or []):
            yield _line(group, f"{name}, family {k}", f"tube.{key}", q, w)
