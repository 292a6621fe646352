"""volscan measure: a scan becomes numbers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from volscan.cli import options, values
from volscan.cli.console import command_line, say, shown_progress
from volscan.cli.shown import show_results

if TYPE_CHECKING:
    from volscan.results import Results
    from volscan.settings import Settings


def measure(
    scan: options.Scan,
    out: Annotated[Path, typer.Option(help="Folder for results.json, tables/ and arrays/.")],
    modality: Annotated[str, typer.Option(metavar="ct|oct", help="How the scan was taken.")] = "ct",
    collector: Annotated[
        str, typer.Option(metavar="auto|plate|mandrel", help="What was printed onto.")
    ] = "auto",
    voxel_um: options.VoxelUm = None,
    voxel_u_percent: Annotated[
        float | None,
        typer.Option(metavar="P", help="Standard uncertainty of the voxel size, in percent."),
    ] = None,
    up: Annotated[
        str | None,
        typer.Option(
            metavar="+z|-z|+y|-y|+x|-x", help="Image axis that points away from the collector."
        ),
    ] = None,
    mirrored: Annotated[
        str | None,
        typer.Option(
            metavar="yes|no", help="yes undoes a mirrored export, no confirms there is none."
        ),
    ] = None,
    envelope: Annotated[
        str,
        typer.Option(
            metavar="auto|block|hull|MASKFILE", help="The volume that porosity refers to."
        ),
    ] = "auto",
    threshold: Annotated[
        str,
        typer.Option(metavar="half-max|otsu|NUMBER", help="How solid is told from air."),
    ] = "half-max",
    design: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The print's design, to compare with.")
    ] = None,
    permeability: Annotated[
        bool, typer.Option("--permeability", help="Solve creeping flow through the pores, too.")
    ] = False,
    transport_sides: Annotated[
        str,
        typer.Option(
            metavar="closed|periodic", help="Sides of the box that diffusion and flow pass."
        ),
    ] = "closed",
    solid_diffusivity: Annotated[
        float,
        typer.Option(metavar="R", help="Diffusivity in the solid over that in the pores."),
    ] = 0.0,
    region: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=KIND:NUMBERS",
            help="Measure the pores of a part, too: band:H0,H1, box:X0,X1,Y0,Y1[,H0,H1], "
            "cylinder:X,Y,R[,H0,H1], half:X,Y,DIRECTION or mask:FILE. Can be given again.",
        ),
    ] = None,
    only: Annotated[
        str | None, typer.Option(metavar="walls", help="Stop after the walls and the shift.")
    ] = None,
    index_polymer: Annotated[
        float, typer.Option(metavar="N", help="OCT: group index of the fibres.")
    ] = 1.47,
    index_medium: Annotated[
        float, typer.Option(metavar="N", help="OCT: group index of what surrounds them.")
    ] = 1.0,
    axial_index: Annotated[
        float,
        typer.Option(metavar="N", help="OCT: index the scanner divided its depth scale by."),
    ] = 1.0,
    oct_scale: Annotated[
        str,
        typer.Option(metavar="auto|db|amplitude|intensity", help="OCT: what the scan stores."),
    ] = "auto",
    earlier: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="SCAN",
            help="OCT: a scan of the same print with fewer layers, to see each layer uncovered. "
            "Can be given again, the oldest first.",
        ),
    ] = None,
    raw_shape: options.RawShape = None,
    raw_type: options.RawType = None,
    raw_order: options.RawOrder = None,
    raw_offset: options.RawOffset = None,
    force: options.Force = False,
    quiet: options.Quiet = False,
) -> None:
    """Measure a scan: porosity, pores, fibres, wall tilt and the layer shift."""
    from volscan.settings import Settings

    settings = Settings.from_dict(
        {
            "modality": modality,
            "collector": collector,
            "voxel_u_percent": voxel_u_percent,
            "up": up,
            "mirrored": values.mirrored(mirrored),
            "envelope": envelope,
            "threshold": values.threshold(threshold),
            "only_walls": values.only_walls(only),
            "index_polymer": index_polymer,
            "index_medium": index_medium,
            "axial_index": axial_index,
            "oct_scale": oct_scale,
            "permeability": permeability,
            "transport_sides": transport_sides,
            "solid_diffusivity": solid_diffusivity,
            "regions": tuple(region or ()),
        }
    )
    results = measured_into(
        out,
        scan,
        settings=settings,
        voxel_um=values.voxel_um(voxel_um),
        raw=values.raw_layout(raw_shape, raw_type, raw_order, raw_offset),
        design=design,
        earlier=tuple(earlier or ()),
        force=force,
        quiet=quiet,
    )
    show_results(results)
    say(f"written to {out}")


def measured_into(
    out: Path,
    scan: Path,
    *,
    settings: Settings,
    voxel_um: float | tuple[float, float, float] | None = None,
    raw: object = None,
    design: Path | None = None,
    earlier: tuple[Path, ...] = (),
    force: bool,
    quiet: bool,
) -> Results:
    """Measure a scan and write the results, having looked first whether they can be written."""
    from volscan.outputs import check_folder
    from volscan.provenance import plain_command
    from volscan.readers import RawLayout
    from volscan.results import OUTPUT_NAMES

    check_folder(out, OUTPUT_NAMES, force=force)
    with shown_progress(quiet=quiet) as progress:
        progress("start", 0.0)
        from volscan.pipeline import measure as measure_scan

        results = measure_scan(
            scan,
            settings=settings,
            design=design,
            voxel_um=voxel_um,
            raw=raw if isinstance(raw, RawLayout) else None,
            earlier=earlier,
            progress=progress,
        )
        results = results.with_run(command=plain_command(command_line.get()))
        results.save(out, force=force)
    return results
