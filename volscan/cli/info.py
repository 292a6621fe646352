"""volscan info: what a scan is and how healthy, before it is measured."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from volscan.cli import options, values
from volscan.cli.console import say


def info(
    scan: options.Scan,
    voxel_um: options.VoxelUm = None,
    modality: Annotated[str, typer.Option(metavar="ct|oct", help="How the scan was taken.")] = "ct",
    picture: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write a PNG: histogram with anchors, middle slices."),
    ] = None,
    quick: Annotated[
        bool, typer.Option("--quick", help="Size and grey values only; leaves the scan on disk.")
    ] = False,
    force: options.Force = False,
    raw_shape: options.RawShape = None,
    raw_type: options.RawType = None,
    raw_order: options.RawOrder = None,
    raw_offset: options.RawOffset = None,
) -> None:
    """Tell size, grey values and health of a scan: noise, blur, artefacts, what can be measured."""
    from volscan.errors import SettingsError
    from volscan.readers import open_scan
    from volscan.scaninfo import scan_info

    if picture is not None and (quick or (picture.exists() and not force)):
        reason = "--quick draws no picture" if quick else f"{picture} exists: --force replaces it"
        raise SettingsError(reason)
    raw = values.raw_layout(raw_shape, raw_type, raw_order, raw_offset)
    volume = open_scan(
        scan,
        voxel_um=values.voxel_um(voxel_um),
        modality=modality,  # type: ignore[arg-type]
        raw=raw,
    )
    say(str(scan_info(volume)))
    if quick:
        return
    from volscan.health import scan_health

    health = scan_health(volume)
    say(str(health))
    if picture is not None:
        from volscan.report.health_picture import health_picture

        picture.write_bytes(health_picture(volume, health))
        say(f"{'picture:':15}{picture}")
