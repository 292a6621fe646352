"""Options that several commands share: their words are written once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Scan = Annotated[Path, typer.Argument(help="Scan: a file, or a folder of slices.")]
VoxelUm = Annotated[
    str | None,
    typer.Option(metavar="V|Z,Y,X", help="Voxel size in µm, where the file does not tell it."),
]
RawShape = Annotated[str | None, typer.Option(metavar="Z,Y,X", help="Shape of a headerless file.")]
RawType = Annotated[
    str | None, typer.Option(metavar="TYPE", help="Its sample type, such as uint16.")
]
RawOrder = Annotated[str | None, typer.Option(metavar="little|big", help="Its byte order.")]
RawOffset = Annotated[int | None, typer.Option(metavar="BYTES", help="Bytes to skip at its start.")]
Force = Annotated[bool, typer.Option("--force", help="Replace results that are already there.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress on stderr.")]
