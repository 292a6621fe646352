"""Measure every phantom of the list and write the table: ``python -m tests.validation.run``.

The table in docs/validation is made by this command and never by hand. Options: names of phantoms
to run only those (nothing is written then).
"""

from __future__ import annotations

import math
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

from tests.validation.compare import LIMITS, errors, normalised
from volscan.phantom.make import phantom_from_dict
from volscan.pipeline import measure

LIST = Path(__file__).with_name("phantom_list.toml")
TABLE = Path(__file__).parents[2] / "docs" / "validation" / "accuracy.md"

_HEADS = {
    "porosity_threshold_points": "porosity, threshold (points)",
    "porosity_partial_volume_points": "porosity, partial volume (points)",
    "porosity_fibre_model_points": "porosity, fibre model (points)",
    "diameter_voxels": "diameter (voxel)",
    "spacing_percent": "spacing (%)",
    "direction_deg": "direction (°)",
    "layer_count": "layers",
    "layer_height_percent": "layer height (%)",
    "wall_tilt_deg": "worst wall tilt (°)",
    "family_tilt_deg": "worst family mean tilt (°)",
    "throat_voxels": "worst throat (voxel)",
}


def phantoms() -> list[dict[str, Any]]:
    """Return the list of phantoms as mappings."""
    return list(tomllib.loads(LIST.read_text(encoding="utf-8"))["phantom"])


def row_of(values: dict[str, Any]) -> tuple[dict[str, float], dict[str, list[float]], float]:
    """Measure one phantom; return its errors, its errors over u, and the seconds it took."""
    known = {"name", "scaffold", "scanner"}
    volume, truth, _ = phantom_from_dict({k: v for k, v in values.items() if k in known})
    start = time.perf_counter()
    results = measure(volume, up="+z", mirrored=False)
    seconds = time.perf_counter() - start
    voxel = max(volume.spacing_um)
    return errors(results, truth, voxel_um=voxel), normalised(results, truth), seconds


def misses(found: dict[str, float]) -> list[str]:
    """Return the names of the errors that exceed their limit or could not be told."""
    return [k for k, limit in LIMITS.items() if not abs(found[k]) <= limit + 1e-12]


def _format(key: str, value: float) -> str:
    if math.isnan(value):
        return "**–**"
    text = f"{value:+.0f}" if key == "layer_count" else f"{value:+.3f}"
    return f"**{text}**" if abs(value) > LIMITS[key] + 1e-12 else text


def main(names: list[str]) -> int:
    """Run the list, print every phantom, and write the table when all were run."""
    rows: list[tuple[str, dict[str, float], float]] = []
    ratios: dict[str, list[float]] = {}
    for values in phantoms():
        if names and values["name"] not in names:
            continue
        found, over_u, seconds = row_of(values)
        rows.append((values["name"], found, seconds))
        for k, v in over_u.items():
            ratios.setdefault(k, []).extend(v)
        bad = misses(found)
        print(
            f"{values['name']:<28} {seconds:6.1f} s  "
            + "  ".join(f"{k.split('_')[0]}:{_format(k, v)}" for k, v in found.items())
            + (f"   MISSES {', '.join(bad)}" if bad else ""),
            flush=True,
        )
    table = _table(rows, ratios)
    print(table.split("## Worst")[-1])
    if not names:
        TABLE.write_text(table, encoding="utf-8")
    return 1 if any(misses(found) for _, found, _ in rows) else 0


def _table(rows: list[tuple[str, dict[str, float], float]], ratios: dict[str, list[float]]) -> str:
    keys = list(LIMITS)
    lines = [
        "# Accuracy over the list of phantoms",
        "",
        "Made by `python -m tests.validation.run`, not by hand. The phantoms stand in",
        "`tests/validation/phantom_list.toml` with their seeds; every one is shown and the worst",
        "decides. Errors are measured minus true, a value past its limit in bold; voxels are of",
        "the coarsest spacing. Truth comes from the geometry and shares no code with the fits.",
        "",
        "| phantom | " + " | ".join(_HEADS[k] for k in keys) + " |",
        "|---" * (len(keys) + 1) + "|",
        "| *limit* | " + " | ".join(f"{LIMITS[k]:g}" for k in keys) + " |",
    ]
    for name, found, _ in rows:
        lines.append(f"| {name} | " + " | ".join(_format(k, found[k]) for k in keys) + " |")
    lines += [
        "",
        "## Worst",
        "",
        "| quantity | worst error | limit | phantom |",
        "|---|---|---|---|",
    ]
    for k in keys:
        name, found, _ = max(rows, key=lambda r: math.inf if math.isnan(r[1][k]) else abs(r[1][k]))
        lines.append(f"| {_HEADS[k]} | {_format(k, found[k])} | {LIMITS[k]:g} | {name} |")
    lines += [
        "",
        "## Uncertainty",
        "",
        "Share of errors within two standard uncertainties (about 95 % when calibrated):",
        "",
        "| quantity | n | within 2u | root mean square of error / u |",
        "|---|---|---|---|",
    ]
    for k, v in ratios.items():
        inside = sum(abs(x) <= 2.0 for x in v)
        rms = math.sqrt(sum(x * x for x in v) / max(len(v), 1))
        lines.append(f"| {k} | {len(v)} | {100 * inside / max(len(v), 1):.1f} % | {rms:.2f} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
