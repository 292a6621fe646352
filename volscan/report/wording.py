"""How numbers and missing numbers are written on the page."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from volscan.quantity import format_with_u

Json = Mapping[str, Any]

NOT_MEASURED = "not measured"
_UNITS = {"deg": "°", "1": "", "um": "µm", "µm^2": "µm²", "1/um": "µm⁻¹", "1/µm": "µm⁻¹"}


@dataclass(frozen=True)
class Cell:
    """One value of a table: its text, and for a missing one the reason."""

    text: str
    missing: bool = False
    reason: str = ""


@dataclass(frozen=True)
class Row:
    """One line of the table of numbers."""

    name: str
    value: Cell
    spread: str = ""
    n: str = ""
    note: str = ""
    strong: bool = False


def number(value: float, u: float | None = None) -> str:
    """Write a number rounded by its uncertainty, with a true minus sign.

    >>> number(-3.14159, 0.02)
    '−3.14 ± 0.02'
    >>> number(-0.0001, 0.02)
    '0.00 ± 0.02'
    """
    if not math.isfinite(value):
        return "not finite"
    text = format_with_u(value, u)
    # A value that rounds to zero has no sign.
    if text.startswith("-") and not text.split(" ")[0].strip("-0."):
        text = text[1:]
    return text.replace("-", "−")


def unit_text(unit: str) -> str:
    """Return the unit as it is printed after a number, with the space it needs.

    >>> unit_text("deg"), unit_text("µm"), unit_text("1")
    ('°', ' µm', '')
    """
    shown = _UNITS.get(unit, unit)
    return shown if shown in ("", "°") else f" {shown}"


def quantity_cell(q: Json | None, *, percent: bool = False, reason: str = "") -> Cell:
    """Write a contract quantity; a missing one says so, never 0."""
    if q is None or q.get("value") is None:
        return Cell(NOT_MEASURED, True, reason)
    value, u, unit = q["value"], q.get("u"), str(q.get("unit", ""))
    factor = 100.0 if percent else 1.0
    text = number(factor * value, None if u is None else factor * u)
    suffix = " %" if percent else unit_text(unit)
    text = f"{text}{suffix}"
    return Cell(text, False, "" if u is not None else "uncertainty unknown")


def spread_text(q: Json | None, *, percent: bool = False) -> str:
    """Write the spread between items, where the quantity has one."""
    if not q or q.get("sd") is None:
        return ""
    factor = 100.0 if percent else 1.0
    suffix = " %" if percent else unit_text(str(q.get("unit", "")))
    return f"{factor * q['sd']:.3g}{suffix}"


def count_text(q: Json | None) -> str:
    """Write the number of independent items behind a quantity."""
    return str(q["n"]) if q and q.get("n") is not None else ""


def quantity_row(
    name: str,
    q: Json | None,
    *,
    reason: str = "",
    percent: bool = False,
    note: str = "",
    strong: bool = False,
) -> Row:
    """Build a table line from a contract quantity."""
    cell = quantity_cell(q, percent=percent, reason=reason)
    if cell.reason and not cell.missing:
        note = f"{note}; {cell.reason}" if note else cell.reason
        cell = Cell(cell.text)
    return Row(name, cell, spread_text(q, percent=percent), count_text(q), note, strong and bool(q))


def plain_cell(value: Any, template: str = "{}", *, reason: str = "") -> Cell:
    """Write a plain value, or say that it was not measured."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return Cell(NOT_MEASURED, True, reason)
    text = template.format(value)
    return Cell(text if isinstance(value, str) else text.replace("-", "−"))


def reason_for(key: str, warnings: Sequence[Json]) -> str:
    """Find the warning that says why `key` (dotted, list positions left out) is null.

    A message that names the whole key wins over one that names only its last two parts.

    >>> reason_for("tube", [{"code": "x", "message": "tube could not be measured: a plate"}])
    'a plate'
    """
    short = ".".join(key.split(".")[-2:])
    for needle in (key, short):
        for warning in warnings:
            message = str(warning.get("message", ""))
            if needle in message:
                if warning.get("code") == "not_in_this_version":
                    return "not in this version"
                return message.rpartition(" could not be measured: ")[2]
    return "see the warnings"


def sentence(message: str) -> str:
    """Begin a message with a capital, unless it begins with a key of the results.

    >>> sentence("the scaffold is cut"), sentence("pores.throat_um.x is null")
    ('The scaffold is cut', 'pores.throat_um.x is null')
    """
    first = message.split(" ", 1)[0]
    return message if "." in first or "_" in first else message[:1].upper() + message[1:]
