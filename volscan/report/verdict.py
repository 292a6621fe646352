"""The verdict against the design, in one word and one sentence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

Json = Mapping[str, Any]


@dataclass(frozen=True)
class Verdict:
    """`word` is "in", "out", "undecided" or "none" (no design); `sentence` says what it rests on.

    `failed` and `open` name the quantities out of tolerance and left undecided.
    """

    word: str
    sentence: str
    failed: tuple[str, ...] = ()
    open: tuple[str, ...] = ()


def verdict(doc: Json) -> Verdict:
    """Judge a results document against its design.

    Out when any quantity is out of tolerance; in when every quantity is in; else undecided. A
    quantity that was not measured leaves the verdict undecided.
    """
    lines = (doc.get("design") or {}).get("compared", [])
    if not lines:
        return Verdict("none", "No design was given, so nothing is judged.")
    failed = tuple(str(line["name"]) for line in lines if line["verdict"] == "out")
    undecided = tuple(str(line["name"]) for line in lines if line["verdict"] == "undecided")
    inside = len(lines) - len(failed) - len(undecided)
    counts = f"{inside} of {len(lines)} quantities are in tolerance"
    if failed:
        return Verdict("out", f"{counts}; out: {', '.join(failed)}.", failed, undecided)
    if undecided:
        return Verdict("undecided", f"{counts}; undecided: {', '.join(undecided)}.", (), undecided)
    return Verdict("in", f"All {len(lines)} quantities are in tolerance.")


WORDS = {
    "in": "In tolerance",
    "out": "Out of tolerance",
    "undecided": "Undecided",
    "none": "Not judged",
}

CAUTIONS = (
    "The printer holds kilovolts at its nozzle. Dry-run every changed file with the high voltage "
    "off, and follow the maker’s and the local electrical rules.",
    "Stages move on their own: keep hands and loose parts out of their travel, and check that "
    "every move stays on the bed.",
    "X-ray and laser sources are operated by trained people under local rules.",
    "These numbers are research data. They are not a release test for an implant.",
)
