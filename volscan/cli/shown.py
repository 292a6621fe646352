"""Results as lines on stdout."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from volscan.cli.console import say
from volscan.quantity import format_with_u
from volscan.results_summary import summary

if TYPE_CHECKING:
    from volscan.results import Results

WIDTH = 100

CAUTION = (
    "Caution: try a shifted toolpath first with the high voltage off; the printer holds kilovolts "
    "and moving stages, X-ray and laser sources are for trained people under local rules. These "
    "numbers are research data, not a release test for an implant."
)


def show_results(results: Results) -> None:
    """Print the summary, the comparison with a design, the warnings and, with advice, a caution."""
    document = results.document
    _rows([row for row in summary(document) if row[0] != "warnings"])
    if document.get("design"):
        _design(document["design"])
    later = [w for w in document["warnings"] if w["code"] == "not_in_this_version"]
    told = [w for w in document["warnings"] if w not in later]
    if told:
        say(f"\n{len(told)} warnings:")
        for w in told:
            count = f" ({w['count']})" if w["count"] != 1 else ""
            _wrapped(f"{w['code']}{count}: {w['message']}")
    if document["shift"]["advice"]:
        say()
        say(textwrap.fill(CAUTION, WIDTH))
    say()


def _rows(rows: list[tuple[str, str]]) -> None:
    width = max(len(name) for name, _ in rows)
    for name, text in rows:
        say(f"{name:<{width}}  {text}")


def _design(design: Mapping[str, Any]) -> None:
    say(f"\ndesigned against measured{': ' + design['name'] if design['name'] else ''}")
    lines = [("", "designed", "measured", "tolerance", "")]
    for line in design["compared"]:
        unit = {"1": "", "deg": "°"}.get(line["unit"], " " + line["unit"])
        measured = (
            "not measured"
            if line["measured"] is None
            else format_with_u(line["measured"], line["u"]) + unit
        )
        tolerance = f"± {line['tolerance']:.3g}{unit}" if line["tolerance"] else "exact"
        lines.append(
            (line["name"], f"{line['designed']:.4g}{unit}", measured, tolerance, line["verdict"])
        )
    widths = [max(len(cells[i]) for cells in lines) for i in range(5)]
    for cells in lines:
        say("  ".join(f"{c:<{w}}" for c, w in zip(cells, widths, strict=True)).rstrip())
    implied = design["implied_porosity"]
    say(
        f"implied porosity: {implied['mass_conserving']:.4f} mass-conserving, "
        f"{implied['union']:.4f} union"
    )
    for key in ("gravimetric_porosity", "anchored_porosity"):
        if design[key] is not None:
            q = design[key]
            say(f"{key.replace('_', ' ')}: {format_with_u(q['value'], q['u'])}")
    for note in design["notes"]:
        _wrapped(note)


def _wrapped(text: str) -> None:
    say(textwrap.fill(text, WIDTH, initial_indent="  ", subsequent_indent="    "))
