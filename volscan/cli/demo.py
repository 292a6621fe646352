"""volscan demo: the whole job on a sample scan that comes with the package."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from volscan.cli import options
from volscan.cli.console import say, shown_progress
from volscan.cli.measure import measured_into
from volscan.cli.shown import show_results
from volscan.errors import UnreadableError

SAMPLE = "eardrum_patch"
DEFAULT_OUT = Path("volscan_demo")


def demo(
    out: Annotated[
        Path | None, typer.Option(help="Folder for the scan, results and report.")
    ] = None,
    force: options.Force = False,
    quiet: options.Quiet = False,
) -> None:
    """Measure a synthetic sample scan and write its HTML report."""
    # The demo's own folder is the demo's to replace; a named one is only with --force.
    force = force or out is None
    folder = DEFAULT_OUT if out is None else out
    sample = sample_folder(SAMPLE)
    scan, design = _parts(sample)

    from volscan.outputs import check_folder, write_folder
    from volscan.results import OUTPUT_NAMES
    from volscan.settings import Settings

    copies = {path.name: path.read_bytes() for path in (scan, design)}
    check_folder(folder, [*copies, *OUTPUT_NAMES, "report.html"], force=force)
    write_folder(folder, copies, force=force)
    results = measured_into(
        folder,
        folder / scan.name,
        settings=Settings(up="+z", mirrored=False),
        design=folder / design.name,
        force=force,
        quiet=quiet,
    )
    show_results(results)
    with shown_progress(quiet=quiet) as progress:
        progress("report", 0.0)
        from volscan.report import write_report

        page = write_report(results, folder)
        progress("report", 1.0)
    say("A synthetic scan of an invented patch was measured. Open the report in a browser:")
    say(str(page.resolve()))


def sample_folder(name: str) -> Path:
    """Return the folder of a sample scan: in the installed package, or beside it in a checkout.

    Raises
    ------
    UnreadableError
        If it is in neither place.
    """
    package = Path(__file__).resolve().parents[1]
    for place in (package / "_samples", package.parent / "sample_volumes"):
        if (place / name).is_dir():
            return place / name
    raise UnreadableError(f"the sample scan {name} is not in this installation; install it again")


def _parts(sample: Path) -> tuple[Path, Path]:
    scans = sorted(p for p in sample.glob("scan.*"))
    design = sample / "design.toml"
    if len(scans) != 1 or not design.exists():
        raise UnreadableError(f"the sample in {sample} is not complete; install volscan again")
    return scans[0], design
