"""Measure the hard phantoms and write their page: ``python -m tests.validation.hard``.

The page in docs/validation is made by this command and never by hand. A run that was broken off
goes on where it stood: every phantom that was measured stays in the cache folder, and is measured
anew only when its phantom or the code changed.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.validation.hard.phantoms import Case, cases, noise_levels
from tests.validation.hard.run import run_all
from tests.validation.hard.table import errors_csv, line_of, page, row_of

TABLE = Path(__file__).parents[3] / "docs" / "validation" / "hard_geometry.md"


def main(arguments: list[str]) -> int:
    """Measure what is asked for; write the page when that is the whole list, or to `--out`."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.validation.hard", description=__doc__.split("\n\n")[0]
    )
    parser.add_argument("names", nargs="*", help="phantoms to run; by default all")
    parser.add_argument("--noise", action="append", choices=noise_levels(), default=[])
    parser.add_argument("--jobs", type=int, default=1, help="processes; default 1")
    parser.add_argument(
        "--cache",
        type=Path,
        default=Path(tempfile.gettempdir()) / "volscan-hard",
        help="folder, outside the repository, for one file a run; default %(default)s",
    )
    parser.add_argument(
        "--any-code", action="store_true", help="take runs that an older code made as well"
    )
    parser.add_argument("--out", type=Path, help="write the page there, of whatever was asked for")
    chosen = parser.parse_args(arguments)
    try:
        wanted = cases(chosen.names, chosen.noise)
    except ValueError as error:
        parser.error(str(error))

    def tell(case: Case, run: dict[str, Any]) -> None:
        print(line_of(row_of(case, run)), flush=True)
        if run["error"] is not None:
            print(run["error"], flush=True)

    runs = run_all(wanted, chosen.cache, jobs=chosen.jobs, any_code=chosen.any_code, tell=tell)
    rows = [row_of(case, runs[case.key]) for case in wanted]
    noises = [level for level in noise_levels() if any(c.noise == level for c in wanted)]
    whole = not (chosen.names or chosen.noise)
    target = chosen.out or (TABLE if whole else None)
    (chosen.cache / "errors.csv").write_text(errors_csv(rows), encoding="utf-8")
    if target is not None:
        target.write_text(page(rows, noises), encoding="utf-8")
        print(f"written: {target}")
    stamps = {runs[c.key]["code"] for c in wanted}
    if len(stamps) > 1:
        print(f"note: these runs were made by {len(stamps)} states of the code")
    return 1 if any(r.error is not None for r in rows) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
