"""volscan report: finished results become a page, a PDF, figures and tables."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, cast

import typer

from volscan.cli import options
from volscan.cli.console import say, shown_progress


def report(
    results: Annotated[Path, typer.Argument(help="Folder that `volscan measure` wrote.")],
    out: Annotated[
        Path | None, typer.Option(help="Folder for what is written; the results' own if not given.")
    ] = None,
    formats: Annotated[
        str,
        typer.Option(
            "--format",
            metavar="html,pdf,figures,tables,animation",
            help="What to write, with commas.",
        ),
    ] = "html",
    style: Annotated[
        str, typer.Option(metavar="single|double", help="Journal columns a figure is wide.")
    ] = "single",
    title: Annotated[
        str | None, typer.Option(help="Heading; the scan's name if not given.")
    ] = None,
    metadata: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Scanner settings and specimen (TOML), for the methods."),
    ] = None,
    before: Annotated[
        Path | None,
        typer.Option(metavar="RESULTS", help="Results of the print before its shift was changed."),
    ] = None,
    quiet: options.Quiet = False,
) -> None:
    """Write the report of finished results; the scan is not needed."""
    with shown_progress(quiet=quiet) as progress:
        progress("report", 0.0)
        from volscan.report import write_reports
        from volscan.report.paper import Style

        paths = write_reports(
            results,
            results if out is None else out,
            formats=[f.strip() for f in formats.split(",") if f.strip()],
            style=cast("Style", style),
            title=title,
            metadata=metadata,
            before=before,
        )
        progress("report", 1.0)
    for path in paths:
        say(str(path))
