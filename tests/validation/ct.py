"""Measure one print under every CT artefact at three strengths: ``python -m tests.validation.ct``.

The table docs/validation/ct_artefacts.md is made by this command and never by hand. Options: names
of artefacts to run only those (nothing is written then); ``--jobs N`` runs cases side by side;
``--cache DIR`` keeps finished cases there and takes up where a run was stopped.
"""

from __future__ import annotations

import copy
import json
import math
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

from volscan.envelope import make_envelope
from volscan.errors import VolscanError
from volscan.fibres import find_fibres
from volscan.frame.plate import find_plate_frame
from volscan.phantom.make import phantom_from_dict
from volscan.porosity import measure_porosity
from volscan.prepare.ct import prepare_ct
from volscan.walls import measure_walls

TABLE = Path(__file__).parents[2] / "docs" / "validation" / "ct_artefacts.md"

# The print and the scanner without any artefact: fibres of five voxels, a blur of two, noise of a
# twelfth of the contrast; welded walls that lean by up to six degrees either way.
PRINT: dict[str, Any] = {
    "scaffold": {
        "directions_deg": [0, 90], "spacing_um": 80, "diameter_um": 20, "layers": 6,
        "layer_height_um": 16.0, "walls": 4, "morphology": "interleaved",
        "lean": {"kind": "mixed", "low": -6, "high": 6}, "seed": 100,
    },
    "scanner": {
        "voxel_um": 4.0, "psf_fwhm_um": 8.0, "contrast_to_noise": 12.0, "mount_tilt_deg": 3,
        "mount_azimuth_deg": 30, "in_plane_deg": 17, "seed": 500, "margin_um": [50, 60, 60],
    },
}  # fmt: skip

LIMITS = {
    "porosity_points": 0.7,
    "diameter_voxels": 0.2,
    "tilt_deg": 0.3,
    "blur_percent": 10.0,
    "noise_percent": 10.0,
}

Case = tuple[str, dict[str, Any], dict[str, Any]]


def _three(name: str, key: str, values: list[Any], **scanner: Any) -> list[Case]:
    return [(f"{name} {_shown(v)}", {key: v}, scanner) for v in values]


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{k} {_shown(v)}" for k, v in value.items())
    return " to ".join(f"{v:g}" for v in value) if isinstance(value, list) else f"{value:g}"


def cases() -> dict[str, list[Case]]:
    """Return every artefact with its cases: name, `artefacts` table, other scanner keys."""
    wide = {"margin_um": [50, 120, 120]}
    return {
        "none": [("none", {}, {})],
        "cupping": _three("cupping", "cupping", [0.05, 0.15, 0.3]),
        "drift": _three("drift", "drift", [0.05, 0.15, 0.3]),
        "rings": _three("rings", "rings", [0.02, 0.05, 0.1]),
        "rings-uneven": [
            (f"rings off the middle, each over 5 slices {s:g}",
             {"rings": s, "ring_height_voxels": 5, "ring_centre_voxels": [2.0, -7.0]}, {})
            for s in (0.02, 0.05, 0.1)
        ],
        "fringes": _three("fringes", "fringes", [0.05, 0.1, 0.2]),
        "specks": _three("specks in air", "specks", [{"diameter_um": d} for d in (12, 20, 40)]),
        "specks-in-print": _three(
            "specks in the print", "specks",
            [{"diameter_um": d, "in_print": True} for d in (12, 20, 30)],
        ),
        "holder": _three(
            "holder", "holder",
            [{"wall_um": w, "level": g} for w, g in ((12, 1.0), (20, 0.7), (30, 2.0))], **wide,
        ),
        "glue": _three("glue", "glue", [{"diameter_um": d} for d in (60, 100, 150)], **wide),
        "tape": _three("tape", "tape", [{"thickness_um": t} for t in (8, 20, 40)]),
        "clipping": _three("clipped", "clip", [[-0.15, 1.15], [-0.1, 1.0], [0.0, 0.8]]),
        "rescaled": _three(
            "8-bit, rescaled", "rescale", [[-0.5, 1.5], [-0.1, 1.1], [0.0, 1.0]], dtype="uint8"
        ),
        "twelve-bit": [
            (f"12 bits in 16, contrast {c:g}", {"bits": 12}, {"air": a, "polymer": a + c})
            for a, c in ((1000.0, 2000.0), (400.0, 400.0), (100.0, 60.0))
        ],
        "steps": [
            (f"8-bit, {c:g} steps of contrast", {}, {"dtype": "uint8", "air": 40.0,
             "polymer": 40.0 + c}) for c in (60, 24, 8)
        ],
        "noise": [(f"contrast-to-noise {c:g}", {}, {"contrast_to_noise": c}) for c in (20, 6, 4)],
        "blur": [(f"blur {b:g} µm", {}, {"psf_fwhm_um": b}) for b in (6.0, 10.0, 12.0)],
    }  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One case: errors with their u (None where none is stated), what was told, the verdict."""

    name: str
    errors: dict[str, float]
    u: dict[str, float | None]
    told: tuple[str, ...]
    verdict: str
    seconds: float


def run_case(case: Case) -> Row:
    """Measure one case."""
    name, artefacts, scanner = case
    values = copy.deepcopy(PRINT)
    values["scanner"].update(scanner)
    if artefacts:
        values["scanner"]["artefacts"] = artefacts
    volume, truth, _ = phantom_from_dict(values, throats_too=False)
    start = time.perf_counter()
    try:
        material = prepare_ct(volume)
        told = tuple(n.code for n in material.notices)
        frame = find_plate_frame(material, up="+z", mirrored=False)
        stage = find_fibres(material, frame)
        walls = measure_walls(stage.material, stage.frame, stage.field, upright_tolerance_deg=0.5)
        envelope, _ = make_envelope(stage.material, stage.frame, stage.field, walls, choice="auto")
        total = measure_porosity(stage.material, stage.frame, stage.field, envelope).total
    except VolscanError as error:
        return Row(name, {}, {}, (str(error),), "refused", time.perf_counter() - start)
    seconds = time.perf_counter() - start
    voxel = max(volume.spacing_um)
    diameter, blur = stage.field.diameter_um, stage.material.blur_um
    tilts = []
    if len(walls.walls) == len(truth["walls"]):
        tilts = [
            (w.tilt_deg.value - t["tilt_deg"], w.tilt_deg.u)
            for w, t in zip(walls.walls, truth["walls"], strict=True)
            if w.tilt_deg is not None
        ]
    tilt = max(tilts, key=lambda e: abs(e[0])) if tilts else (math.nan, None)
    true_blur, true_noise = truth["material"]["blur_axes_um"][0], truth["material"]["noise"]
    errors = {
        "porosity_points": 100 * (total.value - truth["porosity"]["total"]),
        "diameter_voxels": math.nan
        if diameter is None
        else (diameter.value - truth["fibres"]["diameter_um"]) / voxel,
        "tilt_deg": tilt[0],
        "blur_percent": math.nan if blur is None else 100 * (blur.value / true_blur - 1),
        "noise_percent": 100 * (material.noise_air / true_noise - 1),
    }
    u = {
        "porosity_points": None if total.u is None else 100 * total.u,
        "diameter_voxels": None if diameter is None or diameter.u is None else diameter.u / voxel,
        "tilt_deg": tilt[1],
        "blur_percent": None if blur is None or blur.u is None else 100 * blur.u / true_blur,
        "noise_percent": None,
    }
    return Row(name, errors, u, told, _verdict(errors, u, told), seconds)


def _kept(cache: Path | None, case: Case) -> Row:
    """Run a case, or return it from where an earlier run has kept it."""
    if cache is None:
        return run_case(case)
    place = cache / (case[0].replace(" ", "_").replace(",", "") + ".json")
    if not place.exists():
        place.write_text(json.dumps(asdict(run_case(case))), encoding="utf-8")
    row = Row(**json.loads(place.read_text(encoding="utf-8")))
    return Row(**{**asdict(row), "told": tuple(row.told)})


def _verdict(errors: dict[str, float], u: dict[str, float | None], told: tuple[str, ...]) -> str:
    """Return "ok", "told" (beyond a limit, but warned of and within 2 u) or "FAILED"."""
    beyond = [k for k, limit in LIMITS.items() if not abs(errors[k]) <= limit]
    if not beyond:
        return "ok"
    covered = all(u[k] is not None and abs(errors[k]) <= 2 * u[k] for k in beyond)  # type: ignore[operator]
    return "told" if told and covered else "FAILED"


def _cell(row: Row, key: str) -> str:
    if key not in row.errors:
        return "–"
    text = "–" if math.isnan(row.errors[key]) else f"{row.errors[key]:+.2f}"
    u = row.u[key]
    text += "" if u is None else f" ± {u:.2f}"
    return text if abs(row.errors[key]) <= LIMITS[key] else f"**{text}**"


def table(rows: list[Row]) -> str:
    """Return the page."""
    count = {v: sum(r.verdict == v for r in rows) for v in ("ok", "told", "refused", "FAILED")}
    lines = [
        "# CT artefacts",
        "",
        "Made by `python -m tests.validation.ct`, not by hand. One print (fibres of 20 µm, voxels",
        "of 4 µm, blur 8 µm, contrast-to-noise 12 unless the case says otherwise) is scanned with",
        "every artefact at three strengths: shares are of the contrast, sizes in µm. Errors are",
        "measured minus true, ± the standard uncertainty stated; beyond their limit in bold.",
        "Verdicts: *ok*, all within limits; *told*, beyond a limit with a warning and within twice",
        "the stated uncertainty; *refused*, an error message instead of a number; **FAILED**, none",
        "of these.",
        "",
        f"{count['ok']} ok, {count['told']} told, {count['refused']} refused, "
        f"{count['FAILED']} failed, of {len(rows)}.",
        "",
        "| case | porosity (points) | diameter (voxel) | worst tilt (°) | blur (%) | noise (%) "
        "| told | verdict |",
        "|---" * 8 + "|",
        "| *limit* | " + " | ".join(f"{v:g}" for v in LIMITS.values()) + " | | |",
    ]
    for row in rows:
        cells = " | ".join(_cell(row, k) for k in LIMITS)
        verdict = f"**{row.verdict}**" if row.verdict == "FAILED" else row.verdict
        lines.append(f"| {row.name} | {cells} | {', '.join(row.told)} | {verdict} |")
    return "\n".join(lines) + "\n"


def main(arguments: list[str]) -> int:
    """Run the cases, print each, and write the page when all were run."""
    jobs = int(arguments[arguments.index("--jobs") + 1]) if "--jobs" in arguments else 1
    known = cases()
    cache = Path(arguments[arguments.index("--cache") + 1]) if "--cache" in arguments else None
    if cache is not None:
        cache.mkdir(parents=True, exist_ok=True)
    names = [a for a in arguments if a in known]
    chosen = [c for name, group in known.items() if not names or name in names for c in group]
    rows = []
    with ProcessPoolExecutor(jobs) as pool:
        for row in pool.map(partial(_kept, cache), chosen):
            rows.append(row)
            cells = "  ".join(f"{k.split('_')[0]} {_cell(row, k)}" for k in LIMITS)
            print(f"{row.name:<40} {row.seconds:5.1f} s  {cells}  {row.told}  {row.verdict}")
            sys.stdout.flush()
    if not names:
        TABLE.write_text(table(rows), encoding="utf-8")
    return 1 if any(r.verdict == "FAILED" for r in rows) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
