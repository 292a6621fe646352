"""volscan info: what a scan is, before it is measured."""

from __future__ import annotations

from volscan.cli import options, values
from volscan.cli.console import say


def info(
    scan: options.Scan,
    voxel_um: options.VoxelUm = None,
    raw_shape: options.RawShape = None,
    raw_type: options.RawType = None,
    raw_order: options.RawOrder = None,
    raw_offset: options.RawOffset = None,
) -> None:
    """Tell size, voxel size, grey values and noise of a scan."""
    from volscan.readers import open_scan
    from volscan.scaninfo import scan_info

    raw = values.raw_layout(raw_shape, raw_type, raw_order, raw_offset)
    say(str(scan_info(open_scan(scan, voxel_um=values.voxel_um(voxel_um), raw=raw))))
