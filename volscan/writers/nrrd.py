"""NRRD with `space units`, so that the voxel size is told and not assumed."""

from __future__ import annotations

import gzip
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from volscan.volume import checked_spacing_um
from volscan.writers.place import plain, put_samples, replacing, writable_samples

_TYPES = {"u": "uint", "i": "int"}


def write_nrrd(
    path: str | Path,
    samples: NDArray[Any],
    *,
    spacing_um: Sequence[float],
    compress: bool = False,
) -> None:
    """Write samples (z, y, x) as an attached NRRD file in micrometres.

    Parameters
    ----------
    path
        File to write; replaced if it is there.
    samples
        Array (z, y, x) of integers, floats or booleans.
    spacing_um
        Voxel spacing (z, y, x).
    compress
        Gzip the samples (they can then not be mapped when read).

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    samples = writable_samples(samples)
    z, y, x = (plain(s) for s in checked_spacing_um(spacing_um))
    bits = 8 * samples.dtype.itemsize
    kind = {32: "float", 64: "double"}[bits] if samples.dtype.kind == "f" else None
    lines = [
        "NRRD0004",
        f"type: {kind or _TYPES[samples.dtype.kind] + str(bits)}",
        "dimension: 3",
        "space dimension: 3",
        "sizes: " + " ".join(str(n) for n in samples.shape[::-1]),
        f"space directions: ({x},0,0) (0,{y},0) (0,0,{z})",
        "kinds: domain domain domain",
        "endian: little",
        f"encoding: {'gzip' if compress else 'raw'}",
        'space units: "um" "um" "um"',
    ]
    with replacing(Path(path)) as beside, beside.open("wb") as f:
        f.write(("\n".join(lines) + "\n\n").encode("ascii"))
        if compress:
            # No name and no time in the stream: the same samples give the same bytes.
            with gzip.GzipFile(filename="", mode="wb", fileobj=f, mtime=0) as packed:
                put_samples(packed, samples)
        else:
            put_samples(f, samples)
