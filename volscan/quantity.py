"""A measured number with its standard uncertainty, and a notice about what was assumed."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Quantity:
    """A measured number.

    Parameters
    ----------
    value
        The number, in `unit`.
    u
        One standard uncertainty (JCGM 100) of this specimen in this envelope; None when unknown,
        which a notice then explains.
    unit
        Unit symbol: "µm", "deg", "1" for a fraction, "µm²", ...
    n
        Independent items behind the number (fibres, walls, cells), never voxels.
    sd
        Spread between those items, where there is one.

    Examples
    --------
    >>> Quantity(12.34, 0.2, "µm", 8)
    12.3 ± 0.2 µm (n = 8)
    """

    value: float
    u: float | None
    unit: str
    n: int
    sd: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the contract's JSON object: value, u, unit, n and, where it exists, sd."""
        out: dict[str, Any] = {"value": self.value, "u": self.u, "unit": self.unit, "n": self.n}
        if self.sd is not None:
            out["sd"] = self.sd
        return out

    def scaled(self, factor: float, unit: str | None = None) -> Quantity:
        """Return the same quantity multiplied by an exact factor."""
        k = abs(factor)
        return Quantity(
            self.value * factor,
            None if self.u is None else self.u * k,
            self.unit if unit is None else unit,
            self.n,
            None if self.sd is None else self.sd * k,
        )

    def __repr__(self) -> str:
        unit = "" if self.unit == "1" else f" {self.unit}"
        return f"{format_with_u(self.value, self.u)}{unit} (n = {self.n})"


def format_with_u(value: float, u: float | None) -> str:
    """Write a number rounded by its standard uncertainty to one or two digits (JCGM 100, 7.2.6).

    >>> format_with_u(0.91234, 0.0031)
    '0.912 ± 0.003'
    """
    if u is None or not math.isfinite(u) or u <= 0:
        return f"{value:.4g}"
    digits = -math.floor(math.log10(u))
    if u * 10**digits < 1.95:
        digits += 1
    shown = max(digits, 0)
    # Adding zero turns a rounded -0.0 into 0.0.
    return f"{round(value, digits) + 0.0:.{shown}f} ± {round(u, digits):.{shown}f}"


def combine_u(parts: Iterable[float]) -> float:
    """Combine independent standard uncertainties: the root of the sum of squares."""
    return float(np.sqrt(sum(float(p) ** 2 for p in parts)))


@dataclass(frozen=True)
class Notice:
    """A line of the results' `warnings`: nothing that was assumed or left out is silent.

    Parameters
    ----------
    code
        A stable word for programs, such as "not_in_this_version" or "up_assumed".
    message
        One sentence for people.
    count
        How many items it concerns.
    """

    code: str
    message: str
    count: int = 1

    def to_dict(self) -> dict[str, Any]:
        """Return the contract's JSON object."""
        return {"code": self.code, "message": self.message, "count": self.count}
