"""volscan study: many scans become groups, pairs and repeats."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, cast

import typer

from volscan.cli import options
from volscan.cli.console import complain, say, shown_progress


def study(
    manifest: Annotated[
        Path, typer.Argument(help="Table (CSV) with one line a scan: file, group, ...")
    ],
    out: Annotated[Path, typer.Option(help="Folder for the scans' results and the study's page.")],
    style: Annotated[
        str, typer.Option(metavar="single|double", help="Journal columns a figure is wide.")
    ] = "double",
    title: Annotated[str, typer.Option(help="Heading of the page.")] = "Study",
    quiet: options.Quiet = False,
) -> None:
    """Measure the scans of a manifest and compare them; what was measured before is kept."""
    from volscan.errors import NothingToMeasureError, SettingsError

    if style not in ("single", "double"):
        raise SettingsError(f"--style must be single or double, got {style!r}")
    with shown_progress(quiet=quiet) as progress:
        progress("study", 0.0)
        from volscan.report.paper import Style
        from volscan.study import read_manifest, run_study, write_study

        entries = read_manifest(manifest)
        found = run_study(entries, out, progress=progress)
        if not found.results:
            first = next(iter(found.failures.items()))
            raise NothingToMeasureError(
                f"none of the {len(entries)} scans could be measured; {first[0]}: {first[1]}"
            )
        page = write_study(found, out, title=title, style=cast("Style", style))
    for name, why in found.failures.items():
        complain(f"{name} was not measured: {why}")
    kept = f", {len(found.reused)} of them kept from before" if found.reused else ""
    say(f"{len(found.results)} of {len(entries)} scans measured{kept}")
    say(str(page))
