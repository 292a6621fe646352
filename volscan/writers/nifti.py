"""NIfTI-1 single file, unit micrometre (nifti1.h, nifti.nimh.nih.gov)."""

from __future__ import annotations

import gzip
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from volscan.errors import InputError
from volscan.volume import checked_spacing_um
from volscan.writers.place import put_samples, replacing, writable_samples

_CODES = {
    "u1": 2,
    "i2": 4,
    "i4": 8,
    "f4": 16,
    "f8": 64,
    "i1": 256,
    "u2": 512,
    "u4": 768,
    "i8": 1024,
    "u8": 1280,
}
_MICROMETRE = 3
_ALIGNED = 2
_DATA_AT = 352
# `dim` holds 16-bit integers.
_LONGEST = 32767


def write_nifti(path: str | Path, samples: NDArray[Any], *, spacing_um: Sequence[float]) -> None:
    """Write samples (z, y, x) as a NIfTI-1 file, gzipped when its name ends in .gz.

    Parameters
    ----------
    path
        File to write, by custom .nii or .nii.gz; replaced if it is there.
    samples
        Array (z, y, x) of integers, floats or booleans.
    spacing_um
        Voxel spacing (z, y, x); the format stores it in single precision.

    Raises
    ------
    InputError
        If an axis is longer than the format allows.
    OutputError
        If it cannot be written.
    """
    samples = writable_samples(samples)
    if max(samples.shape) > _LONGEST:
        raise InputError(f"NIfTI-1 holds at most {_LONGEST} voxels along an axis; write a TIFF")
    target = Path(path)
    header = _header(samples, checked_spacing_um(spacing_um))
    with replacing(target) as beside, beside.open("wb") as f:
        if target.name.lower().endswith(".gz"):
            # No name and no time in the stream: the same samples give the same bytes.
            with gzip.GzipFile(filename="", mode="wb", fileobj=f, mtime=0) as packed:
                packed.write(header)
                put_samples(packed, samples)
        else:
            f.write(header)
            put_samples(f, samples)


def _header(samples: NDArray[Any], spacing_um: tuple[float, float, float]) -> bytes:
    head = bytearray(_DATA_AT)
    nz, ny, nx = samples.shape
    dz, dy, dx = spacing_um
    code = _CODES[samples.dtype.kind + str(samples.dtype.itemsize)]
    struct.pack_into("<i", head, 0, 348)
    struct.pack_into("<8h", head, 40, 3, nx, ny, nz, 1, 1, 1, 1)
    struct.pack_into("<2h", head, 70, code, 8 * samples.dtype.itemsize)
    struct.pack_into("<8f", head, 76, 1, dx, dy, dz, 0, 0, 0, 0)
    struct.pack_into("<3f", head, 108, _DATA_AT, 1, 0)
    struct.pack_into("<B", head, 123, _MICROMETRE)
    # Both transforms are the grid itself: a rotation of none, and spacing on the diagonal.
    struct.pack_into("<2h", head, 252, _ALIGNED, _ALIGNED)
    struct.pack_into("<12f", head, 280, dx, 0, 0, 0, 0, dy, 0, 0, 0, 0, dz, 0)
    struct.pack_into("<4s", head, 344, b"n+1\0")
    return bytes(head)
