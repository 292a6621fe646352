"""MetaImage (.mha, and .mhd with its data file).

The format's documentation gives positions in millimetres and `ElementSpacing` in the same unit
("to specify a 1x1x3mm voxel spacing, use ElementSpacing = 1 1 3"; MetaIO documentation, ITK,
Documentation/docs/learn/metaio.md). A `DistanceUnits` field (um, mm, cm in MetaIO's
metaTypes.h) says otherwise where it stands. A header without spacing is *assumed* by that
documentation to have 1 mm; here it is not told.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from volscan.errors import InputError, UnreadableError
from volscan.readers.contract import Grid, ToldSpacing
from volscan.readers.files import first_bytes, inflated, mapped, nbytes
from volscan.readers.spacing import axes_notices
from volscan.readers.units import micrometres_in, tidy

# Sizes of MET_LONG differ between platforms in old files; MetaIO fixed it at 4 bytes.
_TYPES = {
    "MET_CHAR": "i1",
    "MET_UCHAR": "u1",
    "MET_SHORT": "i2",
    "MET_USHORT": "u2",
    "MET_INT": "i4",
    "MET_UINT": "u4",
    "MET_LONG": "i4",
    "MET_ULONG": "u4",
    "MET_LONG_LONG": "i8",
    "MET_ULONG_LONG": "u8",
    "MET_FLOAT": "f4",
    "MET_DOUBLE": "f8",
}
# A header is a few hundred bytes; one that has not ended by then is none.
_HEADER_BYTES = 1 << 16


class _MetaImage:
    name = "MetaImage"

    def sniff(self, path: Path, head: bytes) -> bool:
        first = re.match(rb"\s*[A-Za-z]+[ \t]*=", head)
        return first is not None and re.search(rb"(^|\n)[ \t]*DimSize[ \t]*=", head) is not None

    def read(self, path: Path) -> Grid:
        fields, end = _header(path)
        shape = _shape(path, fields)
        dtype = _dtype(path, fields)
        data, offset = _data_file(path, fields, end)
        files = (path,) if data == path else (path, data)
        if _true(fields.get("CompressedData", "False")):
            samples = inflated(data, shape, dtype, offset=offset, codec="zlib")
        else:
            header = int(fields.get("HeaderSize", "0"))
            if header == -1:
                offset = data.stat().st_size - nbytes(shape, dtype)
            else:
                offset += header
            if offset < 0:
                raise UnreadableError(
                    f"{data}: truncated: {nbytes(shape, dtype)} bytes of samples are needed, the "
                    f"file has {data.stat().st_size}; copy or export it again"
                )
            samples = mapped(data, shape, dtype, offset=offset)
        matrix = _numbers(fields.get("TransformMatrix", ""))
        # The matrix is stored column-major: each run of three is the direction of one index axis.
        notices = axes_notices(np.reshape(matrix, (3, 3)).T) if len(matrix) == 9 else ()
        return Grid(samples, _spacing(fields), self.name, files, notices)


def _header(path: Path) -> tuple[dict[str, str], int]:
    head = first_bytes(path, _HEADER_BYTES)
    fields: dict[str, str] = {}
    start = 0
    while (end := head.find(b"\n", start)) >= 0:
        key, sign, value = head[start:end].decode("latin-1").partition("=")
        start = end + 1
        if not sign:
            continue
        fields[key.strip()] = value.strip()
        if key.strip() == "ElementDataFile":
            return fields, start
    key, sign, value = head[start:].decode("latin-1").partition("=")
    if sign and key.strip() == "ElementDataFile":
        fields[key.strip()] = value.strip()
        return fields, len(head)
    raise UnreadableError(
        f"{path}: its MetaImage header stops before ElementDataFile; copy or export it again"
    )


def _shape(path: Path, fields: dict[str, str]) -> tuple[int, int, int]:
    sizes = [int(n) for n in _numbers(fields.get("DimSize", ""))]
    sizes = sizes[:3] + [n for n in sizes[3:] if n != 1]
    channels = fields.get("ElementNumberOfChannels", "1")
    if channels != "1":
        raise InputError(f"{path}: holds {channels} channels; export one grey-value channel")
    if len(sizes) != 3 or min(sizes) < 1:
        raise InputError(
            f"{path}: DimSize is {fields.get('DimSize')}; a scan is one 3-D stack, so export one "
            "volume"
        )
    x, y, z = sizes
    return z, y, x


def _dtype(path: Path, fields: dict[str, str]) -> np.dtype[np.generic]:
    kind = fields.get("ElementType", "")
    if kind not in _TYPES:
        raise InputError(
            f"{path}: ElementType is {kind or 'missing'}; export integers or floats, such as "
            "MET_USHORT"
        )
    if not _true(fields.get("BinaryData", "True")):
        raise InputError(f"{path}: holds its samples as text; export them as binary data")
    big = fields.get("BinaryDataByteOrderMSB", fields.get("ElementByteOrderMSB", "False"))
    return np.dtype(_TYPES[kind]).newbyteorder(">" if _true(big) else "<")


def _data_file(path: Path, fields: dict[str, str], end: int) -> tuple[Path, int]:
    name = fields["ElementDataFile"]
    if name.upper() == "LOCAL":
        return path, end
    if name.upper().startswith("LIST") or "%" in name:
        raise InputError(
            f"{path}: spreads its samples over several files; write them into one, or give the "
            "folder of slices"
        )
    data = path.parent / name
    if not data.is_file():
        raise UnreadableError(f"{data}: no such file, but {path} says its samples are there")
    first_bytes(data, 64)
    return data, 0


def _spacing(fields: dict[str, str]) -> ToldSpacing:
    key = "ElementSpacing" if "ElementSpacing" in fields else "ElementSize"
    values = _numbers(fields.get(key, ""))[:3]
    if len(values) != 3:
        return ToldSpacing(missing="its MetaImage header gives no ElementSpacing")
    unit = fields.get("DistanceUnits", "mm").split(".")[0]
    factor = micrometres_in(unit)
    if factor is None:
        return ToldSpacing(missing=f"its MetaImage header gives spacing in unknown unit {unit!r}")
    x, y, z = (tidy(v * factor) for v in values)
    return ToldSpacing((z, y, x), "MetaImage header")


def _numbers(text: str) -> list[float]:
    try:
        return [float(word) for word in text.split()]
    except ValueError:
        return []


def _true(text: str) -> bool:
    return text.strip().lower() in ("true", "t", "1")


READER = _MetaImage()
