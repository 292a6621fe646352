"""What the OCT model of a section leaves out: ``python -m tests.validation.oct_calibrate``.

The phantoms of the list with other seeds, which the validation page does not report, are measured
without the calibrated errors of `volscan.fibres.oct_error`. Printed are the errors that make the
mean square of measured minus true what the uncertainties say. Options: names of phantoms.
"""

from __future__ import annotations

import json
import math
import sys
from typing import Any
from unittest.mock import patch

import numpy as np

from tests.validation.oct import phantoms, run, wall_errors

FWHM_PER_SIGMA = math.sqrt(8.0 * math.log(2.0))
# The list's seeds less this.
OTHER_SEEDS = 1000


def other(values: dict[str, Any], *, lens: bool = False) -> dict[str, Any]:
    """Return a phantom of the list with another seed, its fibres lenses or as listed."""
    scan = {**values["oct"], "lens": True} if lens else values["oct"]
    return {
        **values,
        "scaffold": {**values["scaffold"], "seed": values["scaffold"]["seed"] - OTHER_SEEDS},
        "oct": {**scan, "seed": scan["seed"] - OTHER_SEEDS},
    }


def index(names: list[str]) -> None:
    """Measure with the index told wrong by 0.05 both ways, and print what is met."""
    off = []
    for values in phantoms():
        if values["name"] == "welded" or (names and values["name"] not in names):
            continue
        for wrong in (-0.05, 0.05):
            true = values["oct"].get("index_polymer", 1.47)
            with patch("volscan.fibres.oct_index.MET_ERROR", 0.0):
                got, _, _ = run(other(values), index_polymer=true + wrong, only_walls=True)
            met, flat = got["oct"]["index_polymer"]["met"], got["oct"]["height_over_width"]
            if met is None:
                print(values["name"], wrong, "not met", flush=True)
                continue
            off.append((met["value"] - true, met["u"], flat["value"] - 1.0, flat["u"]))
            print(values["name"], wrong, np.round(off[-1], 4), flush=True)
        e, u, f, v = np.array(off).T
        print(f"  so far: index {math.sqrt(max(0.0, float(np.mean(e**2 - u**2)))):.4f}, "
              f"flatness {math.sqrt(max(0.0, float(np.mean(f**2 - v**2)))):.3f}")  # fmt: skip


def main(names: list[str]) -> None:
    """Measure and print.

    `--lens` bends light in all phantoms' fibres, `--index` tells a wrong index.
    """
    if "--index" in names:
        return index([n for n in names if n != "--index"])
    lens = "--lens" in names
    names = [n for n in names if n != "--lens"]
    tilts, diameters, heights = [], [], []
    for values in phantoms():
        # Welded walls tell no tilt.
        if values["name"] == "welded" or (names and values["name"] not in names):
            continue
        with (
            patch("volscan.fibres.oct_error.LEAN_ERROR", 0.0),
            patch("volscan.fibres.oct_error.DIAMETER_ERROR", 0.0),
            patch("volscan.fibres.oct_error.HEIGHT_ERROR", 0.0),
            patch("volscan.fibres.oct_error.wall_scatter_um", return_value=None),
        ):
            got, truth, seconds = run(other(values, lens=lens))
        true, fibres = truth["fibres"], got["fibres"]
        d, step = true["diameter_um"], true["layer_height_um"]
        # A lean of one spread from fibre to fibre of a wall; interleaved walls hold a fibre in
        # every so many layers.
        spread = truth["oct"]["resolution_fwhm_um"][1] / FWHM_PER_SIGMA
        per = math.degrees(spread / (step * len(true["families"])))
        own = [(e, u, per) for e, u in wall_errors(got, truth) if math.isfinite(e)]
        tilts += own
        if fibres["diameter_um"] and fibres["layer_height_um"]:
            q, h = fibres["diameter_um"], fibres["layer_height_um"]
            diameters.append((q["value"] / d - 1.0, (q["u"] or 0.0) / d))
            heights.append((n_steps(h) * (h["value"] - step) / d, n_steps(h) * (h["u"] or 0.0) / d))
        print(values["name"], f"{seconds:.0f} s", json.dumps(np.round(own, 3).tolist()), flush=True)
        e, u, k = np.array(tilts).T
        share = math.sqrt(max(0.0, float(np.mean((e**2 - u**2) / k**2))))
        print(f"  so far: lean {share:.3f} spreads a fibre;", *(
            f"{name} {math.sqrt(max(0.0, float(np.mean(a[:, 0] ** 2 - a[:, 1] ** 2)))):.4f}"
            for name, a in (("diameter", np.array(diameters)), ("height", np.array(heights)))
            if a.size
        ), flush=True)  # fmt: skip


def n_steps(height: dict[str, Any]) -> int:
    """Return how many steps a layer height is the mean of."""
    return max(int(height["n"]), 1)


if __name__ == "__main__":
    main(sys.argv[1:])
