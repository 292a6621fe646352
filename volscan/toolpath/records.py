"""Earlier prints, kept in a folder: what was commanded, what was measured, what was expected."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from volscan.errors import InputError, UnreadableError
from volscan.shift.history import PastPrint, WallEvidence

FORMAT = "volscan-print"
_COLUMNS = ("print", "direction_deg", "shift_um", "offset_um", "u_um")
_SAME_DIRECTION_DEG = 2.0


@dataclass(frozen=True)
class Record:
    """One print: hashes of its scan, its file and the file corrected from it, and its families."""

    scan: str | None
    toolpath: str | None
    corrected: str | None
    families: tuple[Mapping[str, Any], ...]

    def past(self, direction_deg: float) -> PastPrint | None:
        """Return the family of that direction of the toolpath, along its left normal."""
        for f in self.families:
            apart = abs((float(f["direction_deg"]) - direction_deg + 90) % 180 - 90)
            if apart <= _SAME_DIRECTION_DEG:
                # A direction told beyond the fold has the opposite normal.
                flip = math.cos(math.radians(float(f["direction_deg"]) - direction_deg)) < 0
                sign = -1.0 if flip else 1.0
                return PastPrint(
                    sign * f["shift_um"], sign * f["offset_um"], float(f["u_um"]), _evidence(f)
                )
        return None


def _evidence(family: Mapping[str, Any]) -> WallEvidence | None:
    """Return what the walls told beside their mean; None in tables and in older records."""
    told = family.get("beside_mean")
    if told is None:
        return None
    response = told["response"]
    return WallEvidence(
        float(told["scatter_um"]), int(told["freedom"]), int(told["walls"]),
        float(told["u_shared_um"]), None if response is None else float(response),
        float(told["lever_um"]),
    )  # fmt: skip


def evidence_row(evidence: WallEvidence | None) -> dict[str, Any] | None:
    """Return the same as a record keeps it."""
    return None if evidence is None else asdict(evidence)


def load_history(folder: str | Path) -> tuple[Record, ...]:
    """Read the prints of a folder, oldest first: print-NNN.json, or history.csv.

    The table has the columns print (a number), direction_deg, shift_um, offset_um and u_um, one
    row a family and print, along the left normal of the direction in the machine's X and Y.

    Raises
    ------
    UnreadableError
        If a file is damaged; a folder that is missing or empty holds no prints.
    """
    path = Path(folder)
    out = []
    try:
        for file in sorted(path.glob("print-*.json")):
            values = json.loads(file.read_text("utf-8"))
            if values.get("format") != FORMAT:
                raise UnreadableError(f"{file} is not a record of a print")
            families = tuple(values["families"])
            for f in families:
                _ = [float(f[k]) for k in _COLUMNS[1:]]
                _evidence(f)
            out.append(Record(values["scan"], values["toolpath"], values["corrected"], families))
        table = path / "history.csv"
        if table.exists():
            return (*_table(table), *out)
    except (OSError, KeyError, TypeError, ValueError) as error:
        if isinstance(error, UnreadableError):
            raise
        raise UnreadableError(f"the history in {folder} is damaged: {error}") from error
    return tuple(out)


def _table(path: Path) -> list[Record]:
    rows: dict[int, list[dict[str, float]]] = {}
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            rows.setdefault(int(row["print"]), []).append({k: float(row[k]) for k in _COLUMNS[1:]})
    return [Record(None, None, None, tuple(rows[k])) for k in sorted(rows)]


def earlier(records: Sequence[Record], *, scan: str | None, toolpath: str) -> tuple[Record, ...]:
    """Return the prints before the one that was just measured.

    A record of the same scan, from an earlier run, and what came after it, are left out.

    Raises
    ------
    InputError
        If the newest print's corrected file is not the one that is given now.
    """
    kept: list[Record] = []
    for record in records:
        if scan is not None and record.scan == scan:
            break
        kept.append(record)
    last = kept[-1] if kept else None
    if last and last.corrected and toolpath not in (last.corrected, last.toolpath):
        raise InputError(
            f"the history's last corrected file has sha256 {last.corrected[:12]}..., this toolpath "
            f"has {toolpath[:12]}...: give the file that the scanned print was made from"
        )
    return tuple(kept)
