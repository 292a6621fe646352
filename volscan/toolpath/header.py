"""The head of a corrected file: cautions for people, and what was done for the next correction."""

from __future__ import annotations

import hashlib
import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from volscan.errors import InputError
from volscan.toolpath.words import Line, comment_line

CAUTIONS = (
    "CAUTION: this file drives a machine with high voltage and moving stages.",
    "Run it ONCE WITH THE HIGH VOLTAGE OFF AND THE JET STOPPED, and watch every move.",
    "Follow the machine maker's instructions and local electrical rules; trained people only.",
)
# Some controllers read lines of 80 characters: common practice, no published source.
_WIDTH = 76
_FIRST, _LAST = "volscan correction begins", "volscan correction ends"
_KEY = re.compile(r"^[\s;(]*volscan (?P<key>[a-z0-9-]+)[ :]+(?P<value>[^)]*)\)?\s*$")


@dataclass(frozen=True)
class Head:
    """What a corrected file says of itself: the shift per fibre (µm, X and Y) in each wall line.

    `shift_um` by family and wall number, as the file's lines are numbered; `apart_um` is the part
    of it by which walls were set apart from each other to tell the response; `original` and
    `parent` are sha256 of the first file and of the one it was made from.
    """

    original: str
    parent: str
    shift_um: Mapping[tuple[int, int], tuple[float, float]] = field(default_factory=dict)
    bend_um: Mapping[int, float] = field(default_factory=dict)
    apart_um: Mapping[tuple[int, int], tuple[float, float]] = field(default_factory=dict)
    corrections: int = 1
    rows: tuple[str, ...] = ()


def sha256_of(data: bytes) -> str:
    """Return the hash that names a file."""
    return hashlib.sha256(data).hexdigest()


def split_head(lines: Sequence[Line]) -> tuple[Head | None, tuple[Line, ...]]:
    """Return what an earlier correction says, and the file without that head.

    Raises
    ------
    InputError
        If the head is not whole.
    """
    texts = [line.comment for line in lines[:20000]]
    first = next((i for i, t in enumerate(texts) if _FIRST in t), None)
    if first is None:
        return None, tuple(lines)
    last = next((i for i, t in enumerate(texts) if _LAST in t), None)
    values: dict[str, str] = {}
    shift: dict[tuple[int, int], tuple[float, float]] = {}
    bend: dict[int, float] = {}
    apart: dict[tuple[int, int], tuple[float, float]] = {}
    try:
        for text in texts[first : (last or 0) + 1]:
            match = _KEY.match(text)
            if not match:
                continue
            key, value = match.group("key"), match.group("value").strip()
            if key in ("shift", "apart"):
                f, w, x, y = value.split()
                kept = shift if key == "shift" else apart
                kept[int(f), int(w)] = (float(x), float(y))
            elif key == "bend":
                f, b = value.split()
                bend[int(f)] = float(b)
            else:
                values[key] = value
        head = Head(
            values["original-sha256"], values["parent-sha256"], shift, bend, apart,
            int(values["corrections"]),
        )  # fmt: skip
    except (KeyError, ValueError) as error:
        raise InputError(
            "the toolpath's head says that volscan corrected it, but what it says is damaged; take "
            "the file as volscan wrote it"
        ) from error
    assert last is not None  # the keys lie before it
    return head, (*lines[:first], *lines[last + 1 :])


def with_head(lines: Sequence[Line], head: Head) -> tuple[Line, ...]:
    """Return the file with the head put before its first line, or behind a first `%`."""
    semicolon = any(t.kind == "comment" and t.text.startswith(";") for x in lines for t in x.tokens)
    style: Literal[";", "("] = ";" if semicolon else "("
    end = next((x.end for x in lines if x.end), "\n")
    rows = [
        _FIRST,
        *CAUTIONS,
        f"volscan corrections {head.corrections}",
        f"volscan original-sha256 {head.original}",
        f"volscan parent-sha256 {head.parent}",
        *(part for row in head.rows for part in textwrap.wrap(row, _WIDTH)),
        "family, wall, X and Y of the shift per fibre that is in this file, um:",
        *(f"volscan shift {f} {w} {_um(x)} {_um(y)}" for (f, w), (x, y) in
          sorted(head.shift_um.items())),
        *(f"volscan apart {f} {w} {_um(x)} {_um(y)}" for (f, w), (x, y) in
          sorted(head.apart_um.items()) if x or y),
        *(f"volscan bend {f} {b:.4f}" for f, b in sorted(head.bend_um.items()) if b),
        _LAST,
    ]  # fmt: skip
    comments = [comment_line(_plain(r), end, style) for r in rows]
    skip = 1 if lines and lines[0].text.strip() == "%" else 0
    return (*lines[:skip], *comments, *lines[skip:])


def _um(value: float) -> str:
    """Return a length to 0.1 nm, without a sign where it is 0."""
    return f"{round(value, 4) + 0.0:.4f}"


def _plain(text: str) -> str:
    """Return text in letters that every controller reads (ASCII)."""
    for sign, word in (("µ", "u"), ("°", " deg"), ("±", "+/-"), ("×", "x")):
        text = text.replace(sign, word)
    return text.encode("ascii", "replace").decode("ascii")
