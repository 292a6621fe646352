"""Measure every OCT phantom of the list and write the page: ``python -m tests.validation.oct``.

The page docs/validation/oct.md is made by this command and never by hand. Options: names of
phantoms to run only those (nothing is written then).
"""

from __future__ import annotations

import math
import sys
import time
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from scipy.special import polygamma

from volscan.errors import NothingToMeasureError
from volscan.phantom.make import phantom_from_dict
from volscan.phantom.oct_keys import oct_from_dict
from volscan.pipeline import measure
from volscan.volume import Volume

LIST = Path(__file__).with_name("oct_list.toml")
PAGE = Path(__file__).parents[2] / "docs" / "validation" / "oct.md"

# What each error may be at most; the worst phantom decides.
LIMITS = {
    "wall_tilt_deg": 0.7,
    "mean_wall_tilt_deg": 0.3,
    "diameter_voxels": 0.4,
    "layer_height_percent": 4.0,
    "spacing_percent": 1.0,
    "porosity_points": 2.0,
    "layer_count": 0.0,
    "blur_beam_percent": 10.0,
    "blur_across_percent": 10.0,
    "noise_percent": 10.0,
}
# Phantoms that are also measured as if the polymer delayed nothing.
WITHOUT_INDEX = ("plain", "systematic-lean", "thick")
_HEADS = {
    "wall_tilt_deg": "worst wall tilt (°)",
    "mean_wall_tilt_deg": "mean size of wall tilt errors (°)",
    "diameter_voxels": "lateral diameter (voxel)",
    "layer_height_percent": "layer height (%)",
    "spacing_percent": "spacing (%)",
    "porosity_points": "porosity (points)",
    "layer_count": "layers",
    "blur_beam_percent": "blur along the beam (%)",
    "blur_across_percent": "blur across (%)",
    "noise_percent": "noise (%)",
}


def phantoms() -> list[dict[str, Any]]:
    """Return the list of phantoms as mappings, the common tables filled in."""
    listed = tomllib.loads(LIST.read_text(encoding="utf-8"))
    common = listed["common"]
    out = []
    for own in listed["phantom"]:
        scan = {**common["oct"], **own.get("oct", {})}
        scan = {k: -math.inf if v == "-inf" else v for k, v in scan.items()}
        scaffold = {**common["scaffold"], **own.get("scaffold", {})}
        out.append({**own, "scaffold": scaffold, "oct": scan})
    return out


def built(values: dict[str, Any]) -> tuple[Volume, dict[str, Any]]:
    """Return a phantom's scan and truth."""
    volume, truth, _ = phantom_from_dict(
        {k: v for k, v in values.items() if k in ("name", "scaffold", "oct")}, throats_too=False
    )
    return volume, truth


def _value(quantity: Any) -> float:
    return math.nan if quantity is None else float(quantity["value"])


def wall_errors(got: dict[str, Any], truth: dict[str, Any]) -> list[tuple[float, float]]:
    """Return (error, u) of each wall's tilt in degrees; NaN where a wall was not measured."""
    out = []
    directions = [t["direction_deg"] for t in truth["fibres"]["families"]]
    for wall in truth["walls"]:
        direction = directions[wall["family"]]
        mine = [
            w
            for w in got["walls"] or []
            if abs((w["direction_deg"] - direction + 90.0) % 180.0 - 90.0) < 3.0
            and abs(w["position_um"] - wall["position_um"]) < 30.0
        ]
        if len(mine) == 1 and mine[0]["tilt_deg"] is not None:
            tilt = mine[0]["tilt_deg"]
            out.append((tilt["value"] - wall["tilt_deg"], tilt["u"] or math.nan))
        else:
            out.append((math.nan, math.nan))
    return out


def errors(got: dict[str, Any], truth: dict[str, Any]) -> dict[str, float]:
    """Return each error of `LIMITS`."""
    settings = truth["oct"]
    voxel = max(settings["voxel_um"][1:])
    fibres, true = got["fibres"], truth["fibres"]
    tilts = np.array([e for e, _ in wall_errors(got, truth)])
    out = {
        "wall_tilt_deg": float(tilts[np.argmax(np.abs(tilts))]),
        "mean_wall_tilt_deg": float(np.mean(np.abs(tilts))),
        "diameter_voxels": (_value(fibres["diameter_um"]) - true["diameter_um"]) / voxel,
        "layer_height_percent": 100.0
        * (_value(fibres["layer_height_um"]) / true["layer_height_um"] - 1.0),
    }
    spacings = []
    for family in true["families"]:
        mine = [
            f
            for f in fibres["families"] or []
            if abs((f["direction_deg"]["value"] - family["direction_deg"] + 90) % 180 - 90) < 3
        ]
        spacings.append(
            100.0 * (_value(mine[0]["spacing_um"]) / family["spacing_um"] - 1.0)
            if len(mine) == 1
            else math.nan
        )
    out["spacing_percent"] = float(spacings[int(np.argmax(np.abs(spacings)))])
    out["porosity_points"] = 100.0 * (_value(got["porosity"]["total"]) - truth["porosity"]["total"])
    out["layer_count"] = float((fibres["layer_count"] or 0) - true["layer_count"])
    blur = got["oct"]["blur_fwhm_um"] or {"beam_optical": math.nan, "across": math.nan}
    put = settings["resolution_fwhm_um"]
    out["blur_beam_percent"] = 100.0 * (blur["beam_optical"] / put[0] - 1.0)
    out["blur_across_percent"] = 100.0 * (blur["across"] / (0.5 * (put[1] + put[2])) - 1.0)
    out["noise_percent"] = 100.0 * (got["material"]["noise_air"] / noise_put_in(truth) - 1.0)
    return out


def noise_put_in(truth: dict[str, Any]) -> float:
    """Return the standard deviation of the stored noise, in closed form.

    The mean of N looks at unit mean is gamma distributed (Goodman, Speckle Phenomena in Optics,
    chapter 3): sd of 10 log10 is 4.343 √ψ'(N); of the amplitude √(1 - (Γ(N + ½)/Γ(N))² / N).
    """
    n, gain = truth["oct"]["averages"], truth["material"]["gain"]
    if truth["oct"]["scale"] == "db":
        return gain * 10.0 / math.log(10.0) * math.sqrt(float(polygamma(1, n)))
    if truth["oct"]["scale"] == "amplitude":
        mean = math.gamma(n + 0.5) / math.gamma(n) / math.sqrt(n)
        return gain * math.sqrt(1.0 - mean**2)
    return gain / math.sqrt(n)


def run(values: dict[str, Any], **options: Any) -> tuple[dict[str, Any], dict[str, Any], float]:
    """Return the results' document, the truth and the seconds it took."""
    volume, truth = built(values)
    start = time.perf_counter()
    told = {"modality": "oct", "up": "-z", "mirrored": False, **values.get("measure", {})}
    # Pores take longest, come from the fitted fibres as with micro-CT, and are not compared here.
    with patch("volscan.pipeline_oct.pores_of", return_value=None):
        results = measure(volume, **{**told, **options})
    return results.to_dict(), truth, time.perf_counter() - start


# The print that is also scanned after every two layers, and the plate's shift (y, x) each time.
GROWING = "lens-tall"
_MOVED_UM = ((0.0, 0.0), (2.6, -3.3), (-2.6, 0.0), (1.3, -3.3), (0.0, 2.0))


def growing() -> list[str]:
    """Return the lines about a growing print: its newest scan alone, and joined with the others."""
    (values,) = [v for v in phantoms() if v["name"] == GROWING]
    layers = int(values["scaffold"]["layers"])
    seed = int(values["oct"]["seed"])
    counts = range(layers - 2 * len(_MOVED_UM) + 2, layers + 1, 2)
    # The last scan is where the mount puts it; the others are moved against it.
    places = [*_MOVED_UM[1:], _MOVED_UM[0]]
    rows = [
        {"layers_laid": n, "shift_um": [0.0, *p], "seed": seed + n}
        for n, p in zip(counts, places, strict=True)
    ]
    volumes, truth, _ = oct_from_dict(
        {k: values[k] for k in ("name", "scaffold", "oct")} | {"volume": rows}, throats_too=False
    )
    lines = [
        "", "## A growing print", "",
        f"{GROWING}, scanned after {', '.join(str(n) for n in counts)} layers, the plate moved in "
        "between; shifts are in µm along X and Y of the build frame.",
        "", "| scans | fibres (of "
        f"{truth['fibres']['count']}) | layers | worst wall tilt (°) | mean size (°) | error / u |",
        "|---|---|---|---|---|---|",
    ]  # fmt: skip
    for name, others in (("newest alone", []), ("all joined", volumes[:-1])):
        got = measure(
            volumes[-1], modality="oct", up="-z", mirrored=False, only_walls=True, earlier=others
        ).to_dict()
        walls = np.array(wall_errors(got, truth))
        e = walls[:, 0]
        lines.append(
            f"| {name} | {got['fibres']['count']} | {got['fibres']['layer_count'] or '–'} | "
            f"{e[np.nanargmax(np.abs(e))]:+.2f} | {np.nanmean(np.abs(e)):.2f} | "
            f"{math.sqrt(float(np.nanmean((e / walls[:, 1]) ** 2))):.2f} |"
        )
    lines += ["", "| layers | shift put in | found | u | fibres shared | taken |"]
    lines += ["|---|---|---|---|---|---|"]
    for n, (y, x), m in zip(counts, places, got["oct"]["joined"], strict=True):
        if m is None:
            lines.append(f"| {n} | {-x:+.1f}, {y:+.1f} | left out | | | |")
            continue
        found = ", ".join(f"{v:+.2f}" for v in m["shift_um"])
        lines.append(
            f"| {n} | {-x:+.1f}, {y:+.1f} | {found} | {m['u_um']:.2f} | {m['shared_fibres']} | "
            f"{m['fibres_taken']} |"
        )
    return lines


def _cell(key: str, value: float) -> str:
    digits = ".0f" if key == "layer_count" else ".2f"
    text = "–" if math.isnan(value) else f"{value:+{digits}}"
    return text if abs(value) <= LIMITS[key] + 1e-12 else f"**{text}**"


def main(names: list[str]) -> int:
    """Run the list, print every phantom, and write the page when all were run."""
    page = Page()
    failed = 0
    for values in phantoms():
        if names and values["name"] not in names:
            continue
        try:
            got, truth, seconds = run(values)
        except NothingToMeasureError as e:
            print(f"{values['name']}: {e}", flush=True)
            page.refused.append(f"{values['name']}: {e}")
            failed += 1
            continue
        found, walls = errors(got, truth), wall_errors(got, truth)
        over_u = [e / u for e, u in walls if u > 0]
        if values.get("untold"):
            warned = any(w["code"] == "oct_welded_walls" for w in got["warnings"])
            told = sum(math.isfinite(e) for e, _ in walls)
            page.untold.append(
                f"{values['name']}: {told} of {len(walls)} walls with a tilt (must be 0), "
                f"{'a' if warned else 'NO'} warning that says why"
            )
            failed += told + (not warned)
            print(page.untold[-1], flush=True)
            continue
        failed += sum(abs(v) > LIMITS[k] or math.isnan(v) for k, v in found.items())
        page.ratios += over_u
        page.rows.append((values["name"], found))
        met = got["oct"]["index_polymer"]["met"]
        page.indices.append((values["name"], truth["oct"]["index_polymer"], met))
        if values["name"] in WITHOUT_INDEX:
            medium = values.get("measure", {}).get("index_medium", 1.0)
            off, _, _ = run(values, index_polymer=medium)
            page.pairs.append((values["name"], found, errors(off, truth)))
        if not names:
            # Written anew after each phantom: the list takes long.
            page.write()
        print(
            f"{values['name']:<18} {seconds:6.1f} s  "
            + "  ".join(f"{k.removesuffix('_percent')}:{_cell(k, v)}" for k, v in found.items())
            + f"  index met {_value(met):.3f}  z {np.round(over_u, 1)}",
            flush=True,
        )
    if not names:
        page.grown = growing()
        page.write()
    return failed


@dataclass
class Page:
    """What the validation page shows."""

    rows: list[tuple[str, dict[str, float]]] = field(default_factory=list)
    pairs: list[tuple[str, dict[str, float], dict[str, float]]] = field(default_factory=list)
    ratios: list[float] = field(default_factory=list)
    indices: list[tuple[str, float, Any]] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    untold: list[str] = field(default_factory=list)
    grown: list[str] = field(default_factory=list)

    def write(self) -> None:
        """Write the page."""
        z = np.array(self.ratios)
        lines = [
            "# OCT: accuracy on phantoms",
            "",
            "Made by `python -m tests.validation.oct`, never by hand. Errors are measured minus "
            "true; bold ones exceed the limit in the last row. The phantoms stand in "
            "`tests/validation/oct_list.toml`; their seeds were used for nothing else.",
            "",
            "| phantom | " + " | ".join(_HEADS.values()) + " |",
            "|" + "---|" * (len(_HEADS) + 1),
        ]
        for name, found in self.rows:
            lines.append(f"| {name} | " + " | ".join(_cell(k, found[k]) for k in _HEADS) + " |")
        lines += ["| limit | " + " | ".join(f"{LIMITS[k]:g}" for k in _HEADS) + " |", ""]
        beyond = sum(
            abs(v) > LIMITS[k] or math.isnan(v) for _, f in self.rows for k, v in f.items()
        )
        lines += [
            f"{beyond} of {len(self.rows) * len(LIMITS)} errors exceed their limit.",
            "",
            f"Wall tilts over their u: root mean square {np.sqrt(np.mean(z**2)):.2f}, "
            f"{100 * np.mean(np.abs(z) > 2):.0f} % beyond 2, over {z.size} walls.",
            "",
            f"{len(self.rows) + len(self.refused) + len(self.untold)} of {len(phantoms())} "
            "phantoms were run.",
            "",
        ]
        lines += [f"Refused: {text}.\n" for text in self.refused]
        lines += [f"Not to be told: {text}.\n" for text in self.untold]
        lines += [
            "## The polymer's index, as the sections show it",
            "",
            "| phantom | true | met | u | error / u |",
            "|---|---|---|---|---|",
        ]
        for name, true, met in self.indices:
            if met is None or not met["u"]:
                lines.append(f"| {name} | {true:.3f} | – | – | – |")
            else:
                v, u = met["value"], met["u"]
                lines.append(f"| {name} | {true:.3f} | {v:.3f} | {u:.3f} | {(v - true) / u:+.1f} |")
        keys = ("wall_tilt_deg", "layer_height_percent", "porosity_points", "layer_count")
        lines += [
            "",
            "## With the index correction off",
            "",
            "The same scans with the polymer's index told (on) and set to the medium's (off): the "
            "difference is what the correction removes.",
            "",
            "| phantom | correction | " + " | ".join(_HEADS[k] for k in keys) + " |",
            "|---|---|" + "---|" * len(keys),
        ]
        for name, on, off in self.pairs:
            for word, found in (("on", on), ("off", off)):
                cells = " | ".join(_cell(k, found[k]) for k in keys)
                lines.append(f"| {name} | {word} | {cells} |")
        lines += self.grown
        PAGE.parent.mkdir(exist_ok=True)
        PAGE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(min(main(sys.argv[1:]), 1))
