"""The manifest: a CSV table with one line a scan."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from volscan.errors import SettingsError, UnreadableError

# Columns with a meaning of their own; any other column is a print setting and holds numbers.
_WORDS = ("file", "name", "group", "specimen", "pair", "state", "design")
_OPTIONS = ("voxel_um", "voxel_u_percent", "modality", "up", "mirrored", "collector", "threshold")
STATES = ("before", "after")


@dataclass(frozen=True)
class StudyEntry:
    """One scan of a study.

    Parameters
    ----------
    name
        Name of its folder of results; unique.
    file
        Scan, or a folder of results that was measured already.
    group
        What is compared; "" where there is one group only.
    specimen
        The piece: scans of one specimen are repeats, and count once in a group.
    pair, state
        Two prints that belong together, and which of the two this is ("before" or "after").
    design
        Design file, or None.
    options
        How to measure it, as the manifest tells: voxel_um, up, mirrored, ...
    print_settings
        Numbers of the print: voltage_kv, pressure_bar, speed_mm_s, ...
    """

    name: str
    file: Path
    group: str = ""
    specimen: str = ""
    pair: str = ""
    state: str = ""
    design: Path | None = None
    options: Mapping[str, str] = field(default_factory=dict)
    print_settings: Mapping[str, float] = field(default_factory=dict)


def read_manifest(path: str | Path) -> list[StudyEntry]:
    """Read a manifest; files are looked for beside it.

    Parameters
    ----------
    path
        CSV file, UTF-8, with a line of column names. `file` is needed; `name`, `group`,
        `specimen`, `pair`, `state`, `design` and the options of `volscan measure` (voxel_um,
        voxel_u_percent, modality, up, mirrored, collector, threshold) are known; every other
        column is a print setting and must hold numbers.

    Raises
    ------
    UnreadableError
        If the file cannot be read.
    SettingsError
        If a line is not usable; the message names it.
    """
    path = Path(path)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            rows = [r for r in reader if any(v and str(v).strip() for v in r.values() if v)]
            columns = [c for c in reader.fieldnames or [] if c]
    except OSError as error:
        raise UnreadableError(f"cannot read the manifest {path}: {error.strerror}") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise UnreadableError(f"the manifest {path} is not a CSV table: {error}") from error
    if "file" not in columns:
        raise SettingsError(
            f"{path} needs a column called file; it has {', '.join(columns) or 'none'}"
        )
    if not rows:
        raise SettingsError(f"{path} lists no scan")
    entries = [_entry(row, columns, path, number) for number, row in enumerate(rows, start=2)]
    _check_unique(entries, path)
    _check_pairs(entries, path)
    return entries


def _entry(
    row: Mapping[str, str | None], columns: list[str], path: Path, number: int
) -> StudyEntry:
    if None in row:
        raise SettingsError(f"{path}, line {number}: more values than columns")
    told = {c: (row.get(c) or "").strip() for c in columns}
    if not told["file"]:
        raise SettingsError(f"{path}, line {number}: no file")
    file = path.parent / told["file"]
    state = told.get("state", "")
    if state and state not in STATES:
        raise SettingsError(f"{path}, line {number}: state must be before or after, got {state!r}")
    name = told.get("name") or _name_of(told["file"])
    settings = {}
    for column in columns:
        if column in _WORDS or column in _OPTIONS or not told[column]:
            continue
        try:
            value = float(told[column])
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise SettingsError(
                f"{path}, line {number}: {column} is taken as a print setting and must be a "
                f"number, got {told[column]!r}"
            )
        settings[column] = value
    return StudyEntry(
        name,
        file,
        told.get("group", ""),
        told.get("specimen") or name,
        told.get("pair", ""),
        state,
        path.parent / told["design"] if told.get("design") else None,
        {o: told[o] for o in _OPTIONS if told.get(o)},
        settings,
    )


def _name_of(file: str) -> str:
    """Return a folder name for a scan: its path without ending, separators turned into dashes.

    >>> _name_of("first/scan.tif")
    'first-scan'
    """
    parts = [p for p in Path(file).with_suffix("").parts if p not in ("..", ".", "/")]
    return "-".join(p.replace(" ", "_") for p in parts)


def _check_unique(entries: list[StudyEntry], path: Path) -> None:
    seen: set[str] = set()
    for entry in entries:
        if entry.name in seen:
            raise SettingsError(
                f"{path}: two scans are called {entry.name}; give each a name of its own in a "
                "column called name"
            )
        if not entry.name or "/" in entry.name or "\\" in entry.name or entry.name[0] == ".":
            raise SettingsError(f"{path}: {entry.name!r} cannot be the name of a folder")
        seen.add(entry.name)


def _check_pairs(entries: list[StudyEntry], path: Path) -> None:
    for entry in entries:
        if bool(entry.pair) != bool(entry.state):
            raise SettingsError(f"{path}: {entry.name} needs both pair and state, or neither")
