"""Measure hard phantoms, one run a file in a cache folder, so that what was broken off goes on."""

from __future__ import annotations

import hashlib
import json
import os
import time
import traceback
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import volscan
from tests.validation.hard.phantoms import Case
from volscan.phantom.make import phantom_from_dict
from volscan.pipeline import measure

Json = dict[str, Any]

# Parts of the package that change no measured number.
_BESIDE = ("report", "cli", "writers", "__pycache__")


@cache
def code_stamp() -> str:
    """Return a hash over the sources that phantoms and measurements come from."""
    root = Path(volscan.__file__).parent
    whole = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        inside = path.relative_to(root)
        if inside.parts[0] not in _BESIDE:
            whole.update(str(inside).encode() + b"\0" + path.read_bytes())
    return whole.hexdigest()[:16]


def case_stamp(case: Case) -> str:
    """Return a hash of what makes a phantom."""
    return hashlib.sha256(json.dumps(case.values, sort_keys=True).encode()).hexdigest()[:16]


def cached(case: Case, folder: Path, *, any_code: bool = False) -> Json | None:
    """Return a run that was done before, if its phantom and (unless `any_code`) the code stand.

    A run that failed is done again: what was short then, memory say, may be there now.
    """
    try:
        run: Json = json.loads(_file(case, folder).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    same_code = any_code or run["code"] == code_stamp()
    stands = same_code and run["error"] is None and run["case"] == case_stamp(case)
    return run if stands else None


def measured(case: Case) -> Json:
    """Make a phantom, measure it, and return all that is needed to compare the two.

    What goes wrong is kept as `error`, the traceback: a failure is a row of the table too.
    """
    run: Json = {"name": case.name, "noise": case.noise, "case": case_stamp(case)}
    run |= {"code": code_stamp(), "document": None, "truth": None, "paths": [], "error": None}
    start = time.perf_counter()
    try:
        volume, truth, _ = phantom_from_dict(case.values, throats_too=False)
        run["truth"] = truth
        start = time.perf_counter()
        results = measure(volume, up=None if "tube" in case.values else "+z", mirrored=False)
        run["document"] = results.to_dict()
        paths = results.arrays["wall_paths"]
        run["paths"] = [
            paths[f"path_um_{wall['id']}"].tolist() for wall in run["document"]["walls"] or []
        ]
    except Exception:  # whatever it is: told in the table, and the other runs go on
        run["error"] = traceback.format_exc()
    run["seconds"] = time.perf_counter() - start
    return run


def run_all(
    cases: Sequence[Case],
    folder: Path,
    *,
    jobs: int = 1,
    any_code: bool = False,
    tell: Callable[[Case, Json], None] = lambda case, run: None,
) -> dict[str, Json]:
    """Return the run of every case by its key; measure those that the folder does not hold.

    `tell` is called with each run as soon as it is there. With several jobs each has a process of
    its own.
    """
    folder.mkdir(parents=True, exist_ok=True)
    runs: dict[str, Json] = {}
    missing = []
    for case in cases:
        run = cached(case, folder, any_code=any_code)
        if run is None:
            missing.append(case)
        else:
            runs[case.key] = run
            tell(case, run)
    if jobs <= 1:
        for case in missing:
            runs[case.key] = _kept(measured(case), case, folder)
            tell(case, runs[case.key])
        return runs
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        waiting = {pool.submit(measured, case): case for case in missing}
        for done in as_completed(waiting):
            case = waiting[done]
            try:
                run = done.result()
            except BrokenProcessPool as error:
                raise SystemExit(
                    f"a process died near {case.key}; start again with --jobs 1 to go on"
                ) from error
            runs[case.key] = _kept(run, case, folder)
            tell(case, runs[case.key])
    return runs


def _kept(run: Json, case: Case, folder: Path) -> Json:
    """Write a run whole or not at all."""
    path = _file(case, folder)
    draft = path.with_suffix(".part")
    draft.write_text(json.dumps(run), encoding="utf-8")
    os.replace(draft, path)
    return run


def _file(case: Case, folder: Path) -> Path:
    return folder / f"{case.key}.json"
