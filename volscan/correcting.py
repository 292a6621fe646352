"""Correct a print's toolpath from its results: files in, files out."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from volscan.errors import InputError, OutputError, UnreadableError
from volscan.outputs import write_folder
from volscan.results import Results
from volscan.results_document import plain
from volscan.results_json import dumps
from volscan.toolpath import Asked, Correction
from volscan.toolpath import correct as corrected
from volscan.toolpath.checks import Bed
from volscan.toolpath.records import load_history

Level = Literal["wall", "family", "print"]


@dataclass(frozen=True)
class Written:
    """What was done (`correction`, its `summary()`) and which files hold it; none on a dry run."""

    correction: Correction
    files: tuple[Path, ...]


def correct(
    results: Results | str | Path,
    toolpath: str | Path,
    out: str | Path | None = None,
    *,
    history: str | Path | None = None,
    target_tilt: float | str = 0.0,
    damping: float | None = None,
    from_layer: int = 0,
    bed: str | Path | None = None,
    by: Level | None = None,
    bend: bool | None = None,
    origin_mm: tuple[float, float] | None = None,
    rotation_deg: float | None = None,
    allow: Sequence[str] = (),
    witnesses: bool = True,
    dry_run: bool = False,
    force: bool = False,
) -> Written:
    """Write the toolpath of the next print, its walls shifted so that they stand as wanted.

    Nothing is sent to a machine. The file begins with comments for the operator: run it once with
    the high voltage off and the jet stopped, and follow the maker's and local electrical rules.

    Parameters
    ----------
    results
        Results of the scanned print, or their folder.
    toolpath
        The numeric-control file (ISO 6983) that this print was made from.
    out
        The corrected file. Beside it are written NAME.shift.csv and NAME.shift.json for planners
        that take no numeric control, and NAME.path.png. Needed unless `dry_run`.
    history
        Folder of earlier prints; this one is added to it.
    target_tilt
        Wanted tilt in degrees toward each wall's left normal, or "in:5", "out:5".
    damping
        c in s_next = s_used - (c / r) (m - m_target); by default r / (r + u_r).
    from_layer
        Only layers from this one on (from 0) are shifted: for a print that goes on.
    bed
        Bed file (TOML) with x_mm, y_mm and if wanted z_mm, start_mm, feed_mm_per_min.
    by
        One shift a wall, a family or for the print; by default the data choose.
    bend
        Whether bowed walls get a profile over their layers; by default the bow decides.
    origin_mm, rotation_deg
        Where the scan's origin lies on the machine, and how its X is turned there; what resolves
        a symmetric pattern.
    allow
        Limits to lift: "support", "largest", "reversal", "chance".
    witnesses
        Whether, in the first corrected print, some walls may be held back so that it tells the
        printer's response from a drift; no: all walls of a family get the same shift.
    dry_run
        Write nothing.
    force
        Replace files that are already there.

    Raises
    ------
    InputError
        If the file cannot be followed, does not fit the walls, or must not be shifted so.
    OutputError
        If a file is already there, or cannot be written.

    Examples
    --------
    >>> done = volscan.correct("results", "patch.nc", "next.nc", rotation_deg=0)  # doctest: +SKIP
    >>> print("\\n".join(done.correction.summary()))  # doctest: +SKIP
    """
    if out is None and not dry_run:
        raise InputError("tell where to write the corrected file (--out), or take --dry-run")
    found = results if isinstance(results, Results) else Results.load(results)
    try:
        data = Path(toolpath).read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise UnreadableError(f"cannot read the toolpath {toolpath}: {reason}") from error
    records = () if history is None else load_history(history)
    asked = Asked(
        target_tilt=_target(target_tilt), damping=damping, from_layer=from_layer, by=by, bend=bend,
        origin_um=None if origin_mm is None else (1000 * origin_mm[0], 1000 * origin_mm[1]),
        rotation_deg=rotation_deg, allow=tuple(allow), witnesses=witnesses,
    )  # fmt: skip
    limits = None if bed is None else Bed.load(bed)
    done = corrected(found.document, data, asked=asked, history=records, bed=limits)
    if dry_run or out is None:
        return Written(done, ())
    target = Path(out)
    if target.resolve() == Path(toolpath).resolve():
        raise OutputError("--out must not be the toolpath itself: the old file is needed again")
    from volscan.report.toolpath_picture import path_picture

    files = {
        target.name: done.data,
        f"{target.name}.shift.csv": _table(done).encode(),
        f"{target.name}.shift.json": dumps(_shift_json(done)).encode(),
        f"{target.name}.path.png": path_picture(done),
    }
    folder = write_folder(target.parent, files, force=force)
    written = [folder / name for name in files]
    if history is not None:
        scans = [r.scan for r in records if r.scan is not None]
        own = done.record["scan"]
        number = scans.index(own) if own in scans else len(scans)
        name = f"print-{number:03d}.json"
        write_folder(history, {name: dumps(plain(dict(done.record))).encode()}, force=True)
        written.append(Path(history) / name)
    return Written(done, tuple(written))


def _target(value: float | str) -> float | str:
    if isinstance(value, str):
        way, _, size = value.rpartition(":")
        try:
            number = float(size)
        except ValueError:
            number = float("nan")
        if way not in ("", "in", "out") or not abs(number) < 60:
            raise InputError(f"--target-tilt is DEG, in:DEG or out:DEG within ±60, got {value!r}")
        return f"{way}:{number}" if way else number
    if not abs(value) < 60:
        raise InputError(f"--target-tilt must lie within ±60 degrees, got {value:g}")
    return float(value)


def _table(done: Correction) -> str:
    buffer = io.StringIO()
    columns = list(done.walls[0])
    writer = csv.DictWriter(buffer, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows({k: "" if v is None else v for k, v in row.items()} for row in done.walls)
    return buffer.getvalue()


def _shift_json(done: Correction) -> dict[str, Any]:
    rows = [dict(row) for row in done.walls]
    return dict(
        plain(
            {
                "format": "volscan-shift",
                "version": 1,
                "shifts": done.shifts,
                "walls": rows,
                "bend_um": {str(c.family.id): c.bend_um for c in done.changes},
                "summary": list(done.summary()),
                "record": dict(done.record),
            }
        )
    )
