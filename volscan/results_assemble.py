"""From what the stages found to `Results`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from volscan.design import Design
from volscan.design_check import compare_with_design
from volscan.provenance import software
from volscan.results import Results
from volscan.results_arrays import arrays_of
from volscan.results_document import Measured, contract, plain
from volscan.results_tables import tables_of


def assemble(
    measured: Measured,
    *,
    extra_settings: Mapping[str, Any] | None = None,
    design: Design | None = None,
    run: Mapping[str, Any] | None = None,
) -> Results:
    """Return the results: document, tables, arrays.

    Parameters
    ----------
    measured
        What the stages found.
    extra_settings
        Choices that came with the scan; see `contract`.
    design
        Compared with the finished document, under its own key.
    run
        Contents of run.json.
    """
    m = measured
    document = contract(m, software=software(), extra_settings=extra_settings or {})
    if design is not None:
        document["design"] = plain(compare_with_design(design, document))
    tables = tables_of(m.field, m.walls, m.shift, m.pores, m.porosity)
    middle, heights = _middle_and_heights(m)
    arrays = arrays_of(
        m.volume, m.material, m.frame, m.walls, m.pores, middle_um=middle, heights_um=heights
    )
    return Results(document, tables, arrays, dict(run or {}))


def _middle_and_heights(
    m: Measured,
) -> tuple[tuple[float, float, float], tuple[float, float]]:
    """Return the build position the slices go through, and the heights the plan view averages."""
    if m.envelope is not None:
        x, y = m.envelope.outline_um.mean(axis=0)
        heights = (m.envelope.base_um, m.envelope.top_um)
        return (float(x), float(y), sum(heights) / 2), heights
    ends = np.array([[0, 0, 0], m.volume.shape]) * m.volume.spacing_um
    x, y, h = m.frame.to_build(ends.mean(axis=0))
    half = float(np.linalg.norm(ends[1] - ends[0])) / 2
    return (float(x), float(y), float(h)), (float(h) - half, float(h) + half)
