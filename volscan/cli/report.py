"""volscan report: finished results become one HTML page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from volscan.cli import options
from volscan.cli.console import say, shown_progress


def report(
    results: Annotated[Path, typer.Argument(help="Folder that `volscan measure` wrote.")],
    out: Annotated[
        Path | None, typer.Option(help="Folder for report.html; the results' own if not given.")
    ] = None,
    animation: Annotated[
        bool, typer.Option("--animation", help="Also animate a probe's reach (GIF and MP4).")
    ] = False,
    quiet: options.Quiet = False,
) -> None:
    """Write the HTML report of finished results; the scan is not needed."""
    with shown_progress(quiet=quiet) as progress:
        progress("report", 0.0)
        from volscan.report import write_report

        path = write_report(results, results if out is None else out, animation=animation)
        progress("report", 1.0)
    say(str(path))
    if animation:
        made = [n for n in ("probe.gif", "probe.mp4") if path.with_name(n).exists()]
        say(f"animation: {', '.join(made) if made else 'no map of the pores to draw it from'}")
        if made == ["probe.gif"]:
            say('for MP4, too: pip install "volscan[movie]"')
