"""volscan phantom: a synthetic scan with its design and its exact truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from volscan.cli import options
from volscan.cli.console import say, shown_progress


def phantom(
    spec: Annotated[
        Path, typer.Argument(help="Phantom file (TOML): scaffold and scanner (or oct).")
    ],
    out: Annotated[Path, typer.Option(help="Folder for the scan, its design and its truth.")],
    force: options.Force = False,
    quiet: options.Quiet = False,
) -> None:
    """Make a synthetic scan of a scaffold whose every number is known."""
    with shown_progress(quiet=quiet) as progress:
        progress("phantom", 0.0)
        from volscan.phantom.files import make_phantom

        paths = make_phantom(spec, out, force=force)
        progress("phantom", 1.0)
    for path in paths:
        say(str(path))
