"""The page of the hard phantoms: every one, and whether uncertainties hold."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.validation.hard.calibration import (
    LEAST_SHARE,
    MOST_SHARE,
    MOST_U_OVER_ERROR,
    Calibration,
    calibrate,
)
from tests.validation.hard.compare import AIMS, COUNTS, Entry, entries, fibre_voxels
from tests.validation.hard.phantoms import Case, noise_in_words

# Prints with fibres this wide, in voxels, count for the share whose fibre count is exact.
_WIDE_VOXELS = 5.0 - 1e-3
_LEAST_EXACT = 0.95

COMMAND = "python -m tests.validation.hard --cache FOLDER"


@dataclass(frozen=True)
class Row:
    """A phantom at a noise level, compared; `error` is the last line of a traceback."""

    case: Case
    entries: tuple[Entry, ...]
    across_voxels: float
    counted: int | None
    seconds: float
    error: str | None

    def of(self, quantity: str) -> list[Entry]:
        """Return the comparisons of one quantity."""
        return [e for e in self.entries if e.quantity == quantity]


def row_of(case: Case, run: dict[str, Any]) -> Row:
    """Compare one run with its truth."""
    truth, document = run["truth"], run["document"]
    across = fibre_voxels(truth, case.voxel_um) if truth else math.nan
    if run["error"] is not None:
        last = run["error"].strip().splitlines()[-1]
        return Row(case, (), across, None, run["seconds"], last)
    found = entries(document, truth, run["paths"], voxel_um=case.voxel_um, blur_um=case.blur_um)
    return Row(case, tuple(found), across, document["fibres"]["count"], run["seconds"], None)


def page(rows: Sequence[Row], noises: Sequence[str]) -> str:
    """Return the page in Markdown."""
    names = list(dict.fromkeys(r.case.name for r in rows))
    lines = [
        "# Hard geometry",
        "",
        f"Made by `{COMMAND}`, not by hand.",
        f"{len(names)} phantoms, which stand with their seeds in",
        f"`tests/validation/hard/phantoms.toml`; contrast-to-noise {noise_in_words()}.",
        "All errors are measured minus true. Truth comes from the geometry and shares no code",
        "with the fits. Walls are paired by direction and place. **Bold** is past its limit; –",
        "could not be measured.",
        "",
        *_counts(rows, noises),
        "",
        *_failures(rows),
        "## Errors and their uncertainties",
        "",
        "By quantity and noise level. The limit holds for the root mean square error or, where",
        "marked *each*, for every value. Within 2u: share of errors up to two standard",
        "uncertainties, with its 95 % interval (Clopper and Pearson). It should lie between",
        f"{100 * LEAST_SHARE:.0f} and {100 * MOST_SHARE:.0f} %, and the median u be at most"
        f" {MOST_U_OVER_ERROR:g} times the root mean square error. Too small, too",
        "large: these errors exclude the aim (intervals at 95 %, as if all were independent);",
        "holds: they meet it; open: they do neither.",
        "",
        "| quantity | noise | n | not measured | RMS | mean | largest | limit | within 2u |"
        " median u / RMS | RMS of error / u | u |",
        "|---" * 12 + "|",
    ]
    for quantity in AIMS:
        if quantity in COUNTS:
            continue
        for noise in noises:
            found = [e for r in rows if r.case.noise == noise for e in r.of(quantity)]
            if found:
                lines.append(_calibration_line(quantity, noise, calibrate(found)))
    for noise in noises:
        lines += ["", f"## Every phantom, {noise}", "", *_phantom_table(rows, noise)]
    return "\n".join(lines) + "\n"


def errors_csv(rows: Iterable[Row]) -> str:
    """Return every comparison as a table: phantom, noise, quantity, unit, error, u."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["phantom", "noise", "quantity", "unit", "error", "u"])
    for r in rows:
        for e in r.entries:
            writer.writerow([r.case.name, r.case.noise, e.quantity, AIMS[e.quantity].unit,
                             _plain(e.error), _plain(e.u)])  # fmt: skip
    return out.getvalue()


def line_of(row: Row) -> str:
    """Return one line for the terminal."""
    head = f"{row.case.key:<38} {row.seconds:6.1f} s  "
    if row.error is not None:
        return f"{head}FAILED {row.error}"
    told = [f"{k} {_cell(row, k)}" for k in AIMS if row.of(k)]
    return head + "  ".join(told)


def _counts(rows: Sequence[Row], noises: Sequence[str]) -> list[str]:
    lines = [
        "## Fibres counted",
        "",
        f"Prints with fibres of 5 voxels or more whose count is exact (aim:"
        f" {100 * _LEAST_EXACT:.0f} %):",
        "",
        "| noise | prints | exact | share | not exact |",
        "|---|---|---|---|---|",
    ]
    for noise in noises:
        wide = [r for r in rows if r.case.noise == noise and not r.across_voxels < _WIDE_VOXELS]
        wrong = [r for r in wide if any(e.error != 0 for e in r.of("fibre_count")) or r.error]
        share = 1 - len(wrong) / len(wide) if wide else math.nan
        text = f"{100 * share:.1f} %"
        lines.append(
            f"| {noise} | {len(wide)} | {len(wide) - len(wrong)} |"
            f" {text if share >= _LEAST_EXACT else f'**{text}**'} |"
            f" {', '.join(r.case.name for r in wrong) or 'none'} |"
        )
    return lines


def _failures(rows: Sequence[Row]) -> list[str]:
    failed = [r for r in rows if r.error is not None]
    if not failed:
        return []
    told = [f"- {r.case.name}, {r.case.noise}: `{r.error}`" for r in failed]
    return ["## Runs that failed", "", *told, ""]


def _calibration_line(quantity: str, noise: str, c: Calibration) -> str:
    aim = AIMS[quantity]
    limit = "–" if aim.limit is None else f"{aim.limit:g}{' *each*' if aim.worst else ''}"
    over = aim.limit is not None and (c.largest if aim.worst else c.rms_error) > aim.limit
    cells = [_number(c.rms_error), _number(c.bias, sign=True), _number(c.largest)]
    if over:
        cells[2 if aim.worst else 0] = f"**{cells[2 if aim.worst else 0]}**"
    share = "–"
    if not math.isnan(c.share):
        low, high = 100 * c.share_low, 100 * c.share_high
        share = f"{100 * c.share:.1f} % ({low:.1f} to {high:.1f})"
        if c.without_u:
            share += f", {c.without_u} without u"
    ratio = _number(c.u_over_error)
    if c.u_over_error > MOST_U_OVER_ERROR:
        ratio = f"**{ratio}**"
    verdict = f"**{c.verdict}**" if c.verdict.startswith("too") else c.verdict
    unit = f" ({aim.unit})" if aim.unit else ""
    first = [f"{aim.head}{unit}", noise, str(c.n), str(c.not_measured)]
    return (
        "| "
        + " | ".join([*first, *cells, limit, share, ratio, _number(c.rms_over_u), verdict])
        + " |"
    )


def _phantom_table(rows: Sequence[Row], noise: str) -> list[str]:
    kept = [r for r in rows if r.case.noise == noise]
    heads = [f"{a.head} ({a.unit})" if a.unit else a.head for a in AIMS.values()]
    lines = [
        "Of several walls, stations or angles: their root mean square, or the largest where the",
        "limit holds for each; n of m where not all could be measured.",
        "",
        "| phantom | pattern | voxels a fibre | " + " | ".join(heads) + " | seconds |",
        "|---" * (len(heads) + 4) + "|",
    ]
    for r in kept:
        cells = [_cell(r, k) for k in AIMS] if r.error is None else ["**failed**"] * len(AIMS)
        across = "–" if math.isnan(r.across_voxels) else f"{r.across_voxels:.1f}"
        head = f"| {r.case.name} | {r.case.pattern} | {across} | "
        lines.append(head + " | ".join(cells) + f" | {r.seconds:.0f} |")
    return lines


def _cell(row: Row, quantity: str) -> str:
    """Return one quantity of one phantom: a value, or the root mean square of several."""
    found = row.of(quantity)
    if not found:
        return ""
    told = [e.error for e in found if e.error is not None]
    if not told:
        return "–"
    aim = AIMS[quantity]
    if quantity in COUNTS:
        text, size = f"{told[0]:+.0f}", abs(told[0])
    elif len(found) == 1:
        text, size = _number(told[0], sign=True), abs(told[0])
    else:
        size = float(np.abs(told).max()) if aim.worst else math.sqrt(np.mean(np.square(told)))
        text = _number(size)
        if len(told) < len(found):
            text += f" ({len(told)} of {len(found)})"
    return text if aim.limit is None or size <= aim.limit else f"**{text}**"


def _number(value: float, *, sign: bool = False) -> str:
    if math.isnan(value):
        return "–"
    return f"{value:+.3f}" if sign else f"{value:.3f}"


def _plain(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"
