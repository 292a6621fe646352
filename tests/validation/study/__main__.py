"""Twelve phantom scans in two groups: ``python -m tests.validation.study [--out DIR]``.

The groups differ in fibre diameter and wall lean by a known amount; each scan has a scatter of its
own, drawn beforehand. The study's intervals must hold the differences that were put in. The table
in docs/validation/study.md is made by this command; a run that is broken off goes on when --out
names the same folder.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from pathlib import Path

import numpy as np

from volscan.phantom.files import make_phantom
from volscan.study import read_manifest, run_study, write_study
from volscan.study.statistics import group_differences, welch
from volscan.study.values import study_values

TABLE = Path(__file__).parents[3] / "docs" / "validation" / "study.md"
PER_GROUP = 6
DIAMETER_UM = {"slow": 20.0, "fast": 18.5}
LEAN_DEG = {"slow": 4.0, "fast": 2.0}
# Between prints of one group: a little, so that the intervals are as narrow as a lab's.
DIAMETER_SD_UM, LEAN_SD_DEG = 0.25, 0.3

_SPEC = """
name = "{name}"

[scaffold]
directions_deg = [0, 90]
spacing_um = 100
diameter_um = {diameter:.4f}
layers = 6
layer_height_um = 15
walls = 4
morphology = "interleaved"
overhang_um = 28
lean = {{ kind = "systematic", mean = [{lean:.4f}, 0.0], scatter = 0.2 }}
seed = {seed}

[scanner]
voxel_um = 4.0
psf_fwhm_um = 6.0
contrast_to_noise = 10.0
mount_tilt_deg = 2.0
margin_um = 25
dtype = "uint8"
seed = {noise}
"""


def main() -> None:
    """Make the scans, run the study, write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="volscan-study-") as folder:
        run(told.out or Path(folder))


def run(out: Path) -> None:
    """Run the whole validation in a folder."""
    began, rng = time.monotonic(), np.random.default_rng(2024)
    truth: dict[str, dict[str, list[float]]] = {g: {"diameter": [], "lean": []} for g in LEAN_DEG}
    rows = ["file,name,group,up,mirrored"]
    for k in range(2 * PER_GROUP):
        group = "slow" if k < PER_GROUP else "fast"
        diameter = DIAMETER_UM[group] + rng.normal(0, DIAMETER_SD_UM)
        lean = LEAN_DEG[group] + rng.normal(0, LEAN_SD_DEG)
        truth[group]["diameter"].append(diameter)
        name = f"{group}_{k % PER_GROUP}"
        place = out / "phantoms" / name
        if not (place / "truth.json").is_file():
            place.mkdir(parents=True, exist_ok=True)
            spec = _SPEC.format(
                name=name, diameter=diameter, lean=lean, seed=100 + k, noise=500 + k
            )
            (place / "spec.toml").write_text(spec, encoding="utf-8")
            make_phantom(place / "spec.toml", place, throats_too=False, force=True)
        made = json.loads((place / "truth.json").read_text("utf-8"))
        # The scatter of single walls moves the mean of the four walls that were printed.
        leans = [w["tilt_deg"] for w in made["walls"] if w["family"] == 0]
        truth[group]["lean"].append(float(np.mean(leans)))
        rows.append(f"phantoms/{name}/scan.tif,{name},{group},+z,no")
    manifest = out / "study.csv"
    manifest.write_text("\n".join(rows) + "\n", encoding="utf-8")
    study = run_study(read_manifest(manifest), out)
    write_study(study, out, title="Twelve phantoms in two groups")
    table = group_differences(study_values(study))
    lines = [
        "# A study of twelve phantoms",
        "",
        "Made by `python -m tests.validation.study`, never by hand. Two groups of six phantoms "
        f"differ by {DIAMETER_UM['fast'] - DIAMETER_UM['slow']:+.1f} µm in fibre diameter and "
        f"{LEAN_DEG['fast'] - LEAN_DEG['slow']:+.1f}° in the lean of family 0; the prints of a "
        f"group scatter by {DIAMETER_SD_UM:g} µm and {LEAN_SD_DEG:g}°.",
        "",
        "| quantity | put into these twelve | put into the groups | found | 95 % interval | held |",
        "|---|---|---|---|---|---|",
    ]
    for key, name, part, wanted in (
        ("fibres.diameter_um", "fibre diameter (µm)", "diameter",
         DIAMETER_UM["fast"] - DIAMETER_UM["slow"]),
        ("shift.systematic.tilt_deg.0", "systematic wall tilt, family 0 (°)", "lean",
         LEAN_DEG["fast"] - LEAN_DEG["slow"]),
    ):  # fmt: skip
        row = table[table["key"] == key].iloc[0]
        real = float(np.mean(truth["fast"][part]) - np.mean(truth["slow"][part]))
        held = row["low"] <= wanted <= row["high"]
        sampled, _ = welch(truth["slow"][part], truth["fast"][part])
        lines.append(
            f"| {name} | {real:+.3f} | {wanted:+.2f} | {row['difference']:+.3f} | "
            f"{row['low']:+.3f} to {row['high']:+.3f} | {'yes' if held else '**no**'} |"
        )
        print(f"{name}: interval half width from the truth alone {sampled:.3f}")
    lines += [
        "",
        f"{len(study.results)} of {2 * PER_GROUP} scans measured. One interval in twenty is "
        "expected to miss what was put into the groups.",
        "",
    ]
    print("\n".join(lines))
    print(f"{time.monotonic() - began:.0f} s")
    TABLE.write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
