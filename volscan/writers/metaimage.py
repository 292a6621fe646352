"""MetaImage (.mha), spacing in millimetres as the format's documentation has it."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Any

from numpy.typing import NDArray

from volscan.volume import checked_spacing_um
from volscan.writers.place import plain, put_samples, replacing, writable_samples

_TYPES = {
    "u1": "MET_UCHAR",
    "i1": "MET_CHAR",
    "u2": "MET_USHORT",
    "i2": "MET_SHORT",
    "u4": "MET_UINT",
    "i4": "MET_INT",
    "u8": "MET_ULONG_LONG",
    "i8": "MET_LONG_LONG",
    "f4": "MET_FLOAT",
    "f8": "MET_DOUBLE",
}


def write_metaimage(
    path: str | Path,
    samples: NDArray[Any],
    *,
    spacing_um: Sequence[float],
    compress: bool = False,
) -> None:
    """Write samples (z, y, x) as one MetaImage file, header and samples together.

    Parameters
    ----------
    path
        File to write, by custom .mha; replaced if it is there.
    samples
        Array (z, y, x) of integers, floats or booleans.
    spacing_um
        Voxel spacing (z, y, x); stored in millimetres.
    compress
        Compress the samples (they can then not be mapped when read).

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    samples = writable_samples(samples)
    z, y, x = (plain(float(f"{s / 1000:.12g}")) for s in checked_spacing_um(spacing_um))
    lines = [
        "ObjectType = Image",
        "NDims = 3",
        "BinaryData = True",
        "BinaryDataByteOrderMSB = False",
        f"CompressedData = {compress}",
        "TransformMatrix = 1 0 0 0 1 0 0 0 1",
        "Offset = 0 0 0",
        "DistanceUnits = mm",
        f"ElementSpacing = {x} {y} {z}",
        "DimSize = " + " ".join(str(n) for n in samples.shape[::-1]),
        f"ElementType = {_TYPES[samples.dtype.kind + str(samples.dtype.itemsize)]}",
        "ElementDataFile = LOCAL",
    ]
    with replacing(Path(path)) as beside, beside.open("wb") as f:
        if not compress:
            f.write(("\n".join(lines) + "\n").encode("ascii"))
            put_samples(f, samples)
            return
        # The header gives the compressed size, known only afterwards: its field keeps a place.
        lines.insert(5, "CompressedDataSize = {:>20d}")
        head = "\n".join(lines) + "\n"
        f.write(head.format(0).encode("ascii"))
        start = f.tell()
        packed = _Packed(f)
        put_samples(packed, samples)
        packed.finish()
        size = f.tell() - start
        f.seek(0)
        f.write(head.format(size).encode("ascii"))


class _Packed:
    """A file that compresses what is written to it."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self._codec = zlib.compressobj()

    def write(self, data: Any) -> None:
        self._file.write(self._codec.compress(data))

    def finish(self) -> None:
        self._file.write(self._codec.flush())
