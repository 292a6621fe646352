"""The tidy table of a study: one line a scan and quantity."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from volscan.report.quantity_lines import QuantityLine, quantity_lines
from volscan.report.sheets import unit_symbol
from volscan.results_tables import DIGITS
from volscan.study.run import Study

COLUMNS = [
    "scan", "group", "specimen", "pair", "state", "key", "name", "value", "u", "unit",
]  # fmt: skip


def study_values(study: Study) -> pd.DataFrame:
    """Return every measured quantity of every scan.

    A quantity of a family is told apart by the family's number, so that scans compare only where
    their families do; the mean size of the walls' tilts is added, which does not depend on signs.
    """
    rows = []
    for entry in study.entries:
        if entry.name not in study.results:
            continue
        doc = study.results[entry.name].to_dict()
        lines = [*quantity_lines(doc), *_tilt_size(doc["walls"])]
        for line in lines:
            if line.value is None:
                continue
            family = line.group if line.group.startswith("Family") else ""
            name = f"{line.name}, {family.lower()}" if family else line.name
            name = f"porosity, {line.name}" if line.group == "Porosity" else name
            rows.append(
                (
                    entry.name, entry.group, entry.specimen, entry.pair, entry.state,
                    f"{line.key}.{family[7:]}" if family else line.key, name,
                    float(f"{line.value:.{DIGITS}g}"),
                    math.nan if line.u is None else line.u, unit_symbol(line.unit),
                )
            )  # fmt: skip
    return pd.DataFrame(rows, columns=COLUMNS)


def print_settings(study: Study) -> pd.DataFrame:
    """Return the print settings that the manifest tells, one line a measured scan."""
    names = list(dict.fromkeys(s for e in study.entries for s in e.print_settings))
    rows = [
        (e.name, *(e.print_settings.get(s, math.nan) for s in names))
        for e in study.entries
        if e.name in study.results
    ]
    return pd.DataFrame(rows, columns=["scan", *names])


def _tilt_size(walls: list[dict[str, dict[str, float] | None]]) -> list[QuantityLine]:
    tilts = [w["tilt_deg"]["value"] for w in walls if w["tilt_deg"] is not None]
    if not tilts:
        return []
    return [
        QuantityLine(
            "Walls", "mean size of the wall tilts", "walls.mean_size_of_tilt_deg",
            float(np.mean(np.abs(tilts))), None, "deg", len(tilts), None,
            "its part from noise is positive where walls stand upright",
        )
    ]  # fmt: skip
