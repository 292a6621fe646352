"""OME-TIFF: a multi-page TIFF whose OME-XML tells all three spacings and their unit."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError
from volscan.volume import checked_spacing_um
from volscan.writers.place import replacing, writable_samples


def write_tiff(
    path: str | Path,
    samples: NDArray[Any],
    *,
    spacing_um: Sequence[float],
    compress: bool = False,
) -> None:
    """Write samples (z, y, x) as an OME-TIFF, one page a slice.

    Parameters
    ----------
    path
        File to write, by custom .ome.tif or .tif; replaced if it is there.
    samples
        Array (z, y, x) of 8-, 16- or 32-bit integers, floats or booleans.
    spacing_um
        Voxel spacing (z, y, x).
    compress
        Deflate the pages (they can then not be mapped when read).

    Raises
    ------
    InputError
        If the samples are 64-bit integers, which OME-TIFF does not hold.
    OutputError
        If it cannot be written.
    """
    import tifffile

    samples = writable_samples(samples)
    if samples.dtype.kind in "ui" and samples.dtype.itemsize == 8:
        raise InputError("OME-TIFF holds no 64-bit integers; convert the samples to 32 bits")
    spacing = checked_spacing_um(spacing_um)
    about: dict[str, Any] = {"axes": "ZYX", "UUID": _identity(samples, spacing)}
    for axis, step in zip("ZYX", spacing, strict=True):
        about[f"PhysicalSize{axis}"] = step
        about[f"PhysicalSize{axis}Unit"] = "µm"
    with replacing(Path(path)) as beside:
        tifffile.imwrite(
            beside,
            _pages(samples),
            shape=samples.shape,
            dtype=samples.dtype.newbyteorder("<"),
            byteorder="<",
            # Offsets of 32 bits end at 4 GiB; room is left for the directories.
            bigtiff=samples.nbytes > 4_000_000_000,
            ome=True,
            photometric="minisblack",
            compression="zlib" if compress else None,
            software="volscan",
            metadata=about,
        )


def _pages(samples: NDArray[Any]) -> Iterator[NDArray[Any]]:
    for one in samples:
        yield np.ascontiguousarray(one)


def _identity(samples: NDArray[Any], spacing: tuple[float, float, float]) -> str:
    """Return a UUID that follows from the content, so that the same scan gives the same file."""
    digest = hashlib.sha256(repr((samples.shape, str(samples.dtype), spacing)).encode())
    for one in samples:
        digest.update(np.ascontiguousarray(one).data)
    return str(uuid.UUID(bytes=digest.digest()[:16], version=4))
