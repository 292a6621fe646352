"""volscan correct: the results of a print become the shifted toolpath of the next one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from volscan.cli import options
from volscan.cli.console import say, shown_progress
from volscan.errors import SettingsError

CAUTION = (
    "Caution: the file drives a machine with high voltage and moving stages. Run it once with the "
    "high voltage off and the jet stopped; follow the maker's and local electrical rules."
)


def correct(
    results: Annotated[Path, typer.Argument(help="Folder that `volscan measure` wrote.")],
    toolpath: Annotated[
        Path, typer.Option(help="Numeric-control file that the scanned print was made from.")
    ],
    out: Annotated[Path | None, typer.Option(help="The corrected file to write.")] = None,
    history: Annotated[
        Path | None, typer.Option(help="Folder of earlier prints; this one is added to it.")
    ] = None,
    target_tilt: Annotated[
        str, typer.Option(metavar="DEG|in:DEG|out:DEG", help="Tilt that the walls shall have.")
    ] = "0",
    damping: Annotated[
        float | None, typer.Option(metavar="C", help="Share of the correction to make, (0, 1].")
    ] = None,
    from_layer: Annotated[
        int, typer.Option(metavar="K", help="Shift only layers from K on, counted from 0.")
    ] = 0,
    bed: Annotated[
        Path | None, typer.Option(help="Bed file (TOML): x_mm, y_mm, z_mm, feed_mm_per_min.")
    ] = None,
    by: Annotated[
        str | None,
        typer.Option(
            metavar="wall|family|print",
            help="One shift for each of these; default: what the walls call for.",
        ),
    ] = None,
    bend: Annotated[
        str, typer.Option(metavar="auto|yes|no", help="A profile over layers for bowed walls.")
    ] = "auto",
    origin: Annotated[
        str | None, typer.Option(metavar="X,Y", help="Where the scan's origin lies, machine mm.")
    ] = None,
    rotation: Annotated[
        float | None,
        typer.Option(metavar="DEG", help="Turn of the scan's X on the machine, within 20°."),
    ] = None,
    allow: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Lift a limit: support, largest, reversal or chance."),
    ] = None,
    witnesses: Annotated[
        str,
        typer.Option(
            metavar="auto|no",
            help="Hold some walls back in the first corrected print, so that it tells more.",
        ),
    ] = "auto",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Tell, write nothing.")] = False,
    force: options.Force = False,
    quiet: options.Quiet = False,
) -> None:
    """Write the toolpath of the next print; nothing is sent to a machine."""
    if by not in (None, "wall", "family", "print"):
        raise SettingsError(f"--by is wall, family or print, got {by!r}")
    if bend not in ("auto", "yes", "no"):
        raise SettingsError(f"--bend is auto, yes or no, got {bend!r}")
    if witnesses not in ("auto", "no"):
        raise SettingsError(f"--witnesses is auto or no, got {witnesses!r}")
    place = None if origin is None else _pair(origin)
    with shown_progress(quiet=quiet) as progress:
        progress("toolpath", 0.0)
        from volscan.correcting import correct as written

        done = written(
            results, toolpath, out, history=history, target_tilt=target_tilt, damping=damping,
            from_layer=from_layer, bed=bed, by=by,  # type: ignore[arg-type]
            bend={"auto": None, "yes": True, "no": False}[bend], origin_mm=place,
            rotation_deg=rotation, allow=tuple(allow or ()), witnesses=witnesses == "auto",
            dry_run=dry_run, force=force,
        )  # fmt: skip
        progress("toolpath", 1.0)
    for line in done.correction.summary():
        say(line)
    for file in done.files:
        say(str(file))
    if done.correction.shifts:
        say(CAUTION)


def _pair(text: str) -> tuple[float, float]:
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError as error:
        raise SettingsError(f"--origin needs two numbers X,Y in mm, got {text!r}") from error
    return x, y
