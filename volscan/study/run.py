"""Measure every scan of a manifest; a broken-off study goes on, and one bad scan stops no other."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import volscan
from volscan.errors import SettingsError, VolscanError
from volscan.outputs import check_folder
from volscan.pipeline import measure
from volscan.progress import Progress, no_progress
from volscan.results import Results
from volscan.settings import Settings
from volscan.study.manifest import StudyEntry

SCANS_FOLDER = "scans"
# What a finished scan was measured from; written last, so that a broken-off one is done again.
_DONE = "study_entry.json"

Measure = Callable[..., Results]


@dataclass(frozen=True)
class Study:
    """The measured scans of a study, and those that could not be measured with the reason."""

    entries: tuple[StudyEntry, ...]
    results: Mapping[str, Results]
    failures: Mapping[str, str] = field(default_factory=dict)
    reused: tuple[str, ...] = ()


def run_study(
    entries: Sequence[StudyEntry],
    out_dir: str | Path,
    *,
    progress: Progress = no_progress,
    measure_scan: Measure = measure,
) -> Study:
    """Measure every scan into ``out_dir/scans/NAME``.

    Parameters
    ----------
    entries
        The scans.
    out_dir
        The study's folder; made where it is missing.
    progress
        Called with the scan's name and the share done.
    measure_scan
        What measures a scan; takes a path, `settings`, `design` and `voxel_um`.

    Returns
    -------
    Study
        A scan whose results are there already, measured from the same file with the same options
        by the same version, is not measured again.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    out = Path(out_dir)
    check_folder(out, [], force=True)
    results: dict[str, Results] = {}
    failures: dict[str, str] = {}
    reused = []
    for k, entry in enumerate(entries):
        progress(entry.name, k / len(entries))
        folder = out / SCANS_FOLDER / entry.name
        try:
            done = _finished(entry, folder)
            if done is not None:
                reused.append(entry.name)
            else:
                done = _measured(entry, folder, measure_scan)
            results[entry.name] = done
        except VolscanError as error:
            failures[entry.name] = str(error)
        except MemoryError:
            failures[entry.name] = "the scan does not fit into this machine's memory"
        except Exception as error:  # a bug met on one scan must not cost the others
            failures[entry.name] = f"a bug of volscan: {type(error).__name__}: {error}"
    progress("study", 1.0)
    return Study(tuple(entries), results, failures, tuple(reused))


def _measured(entry: StudyEntry, folder: Path, measure_scan: Measure) -> Results:
    if (entry.file / "results.json").is_file():
        return Results.load(entry.file)
    key = _key(entry)
    found = measure_scan(
        entry.file,
        settings=Settings.from_dict(_settings(entry)),
        design=entry.design,
        voxel_um=_voxel(entry),
    )
    found.save(folder, force=True)
    (folder / _DONE).write_text(json.dumps(key, indent=1), encoding="utf-8")
    return Results.load(folder)


def _finished(entry: StudyEntry, folder: Path) -> Results | None:
    """Return results that are there and still fit the entry; damaged ones are measured again."""
    try:
        kept = json.loads((folder / _DONE).read_text(encoding="utf-8"))
        return Results.load(folder) if kept == _key(entry) else None
    except (OSError, ValueError):
        return None


def _key(entry: StudyEntry) -> dict[str, Any]:
    """Return what results depend on; a file that was touched is another file."""
    facts: dict[str, Any] = {"version": volscan.__version__, "options": dict(entry.options)}
    for name, path in (("scan", entry.file), ("design", entry.design)):
        if path is not None and path.is_file():
            stat = path.stat()
            facts[name] = [str(path.resolve()), stat.st_size, stat.st_mtime_ns]
        elif path is not None and path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.is_file())
            facts[name] = [
                str(path.resolve()),
                [[p.name, p.stat().st_size, p.stat().st_mtime_ns] for p in inside],
            ]
    return facts


def _settings(entry: StudyEntry) -> dict[str, Any]:
    told = {k: v for k, v in entry.options.items() if k != "voxel_um"}
    out: dict[str, Any] = dict(told)
    if "mirrored" in told:
        if told["mirrored"] not in ("yes", "no"):
            raise SettingsError(f"mirrored must be yes or no, got {told['mirrored']!r}")
        out["mirrored"] = told["mirrored"] == "yes"
    if "voxel_u_percent" in told:
        out["voxel_u_percent"] = _number("voxel_u_percent", told["voxel_u_percent"])
    if "threshold" in told and told["threshold"] not in ("half-max", "otsu"):
        out["threshold"] = _number("threshold", told["threshold"])
    return out


def _voxel(entry: StudyEntry) -> float | tuple[float, ...] | None:
    told = entry.options.get("voxel_um")
    if told is None:
        return None
    # Three numbers stand with spaces or semicolons between: commas part the columns.
    parts = told.replace(";", " ").replace(",", " ").split()
    values = tuple(_number("voxel_um", p) for p in parts)
    if len(values) not in (1, 3):
        raise SettingsError(f"voxel_um must be one number or three (z y x) in µm, got {told!r}")
    return values[0] if len(values) == 1 else values


def _number(name: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise SettingsError(f"{name} must be a number, got {text!r}") from None
