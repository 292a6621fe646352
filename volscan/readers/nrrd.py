"""NRRD, attached (.nrrd) and detached (.nhdr).

Follows the "Definition of NRRD File Format" (teem.sourceforge.net/nrrd/format.html). The unit of
the spacing is told by `space units` (with `space directions`) or by the per-axis `units` (with
`spacings`); a file that has neither does not tell its voxel size, however common millimetres are.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from volscan.errors import InputError, UnreadableError
from volscan.quantity import Notice
from volscan.readers.contract import Grid, ToldSpacing
from volscan.readers.files import first_bytes, inflated, mapped, nbytes
from volscan.readers.spacing import axes_notices
from volscan.readers.units import micrometres_in, tidy

# Section 5 of the format's definition: every spelling of a type.
_TYPES = {
    spelling: code
    for code, spellings in {
        "i1": "signed char,int8,int8_t",
        "u1": "uchar,unsigned char,uint8,uint8_t",
        "i2": "short,short int,signed short,signed short int,int16,int16_t",
        "u2": "ushort,unsigned short,unsigned short int,uint16,uint16_t",
        "i4": "int,signed int,int32,int32_t",
        "u4": "uint,unsigned int,uint32,uint32_t",
        "i8": "longlong,long long,long long int,signed long long,signed long long int,"
        "int64,int64_t",
        "u8": "ulonglong,unsigned long long,unsigned long long int,uint64,uint64_t",
        "f4": "float",
        "f8": "double",
    }.items()
    for spelling in spellings.split(",")
}
_CODECS = {"raw": "raw", "gzip": "gzip", "gz": "gzip", "bzip2": "bzip2", "bz2": "bzip2"}
_HEADER_BYTES = 1 << 18
# Kinds that are places in space; the others are components, colours, times or lists.
_SPATIAL = {"domain", "space", "none", "???"}


class _Nrrd:
    name = "NRRD"

    def sniff(self, path: Path, head: bytes) -> bool:
        return re.match(rb"NRRD000\d", head) is not None

    def read(self, path: Path) -> Grid:
        fields, end = _header(path)
        shape = _shape(path, fields)
        dtype = _dtype(path, fields)
        data, offset = _data_file(path, fields, end)
        files = (path,) if data == path else (path, data)
        encoding = fields.get("encoding", "").lower()
        if encoding not in _CODECS:
            raise InputError(
                f"{path}: its samples are encoded as {encoding or 'nothing said'}; write them as "
                "raw or gzip"
            )
        offset = _after_skips(data, fields, offset, encoding, nbytes(shape, dtype))
        if encoding == "raw":
            samples = mapped(data, shape, dtype, offset=offset)
        else:
            samples = inflated(data, shape, dtype, offset=offset, codec=_CODECS[encoding])
        told, notices = _spacing(fields)
        return Grid(samples, told, self.name, files, notices)


def _header(path: Path) -> tuple[dict[str, str], int]:
    head = first_bytes(path, _HEADER_BYTES)
    stop = re.search(rb"\r?\n\r?\n", head)
    if stop is None and "data file" not in head.decode("latin-1").replace("datafile", "data file"):
        raise UnreadableError(
            f"{path}: its NRRD header has no end (an empty line); copy or export it again"
        )
    end = stop.end() if stop else len(head)
    fields: dict[str, str] = {}
    for line in head[:end].decode("utf-8", "replace").splitlines()[1:]:
        field = re.match(r"([^:#=]+):\s(.*)", line)
        if field:
            key = field[1].strip().lower()
            fields["data file" if key == "datafile" else key] = field[2].strip()
    return fields, end


def _shape(path: Path, fields: dict[str, str]) -> tuple[int, int, int]:
    sizes = fields.get("sizes", "").split()
    kinds = fields.get("kinds", "domain").lower().split()
    odd = [k for k in kinds if k not in _SPATIAL]
    if len(sizes) != 3 or not all(s.isdigit() and int(s) > 0 for s in sizes) or odd:
        what = f"its axes are of kind {', '.join(kinds)}" if odd else f"its sizes are {sizes}"
        raise InputError(f"{path}: {what}; a scan has three axes in space: export one volume")
    x, y, z = (int(s) for s in sizes)
    return z, y, x


def _dtype(path: Path, fields: dict[str, str]) -> np.dtype[np.generic]:
    kind = fields.get("type", "").lower()
    if kind not in _TYPES:
        raise InputError(
            f"{path}: its type is {kind or 'missing'}; export integers or floats, such as uint16"
        )
    dtype = np.dtype(_TYPES[kind])
    endian = fields.get("endian", "").lower()
    if dtype.itemsize > 1 and endian not in ("little", "big"):
        raise UnreadableError(f"{path}: its NRRD header names no byte order; add 'endian: little'")
    return dtype.newbyteorder(">" if endian == "big" else "<")


def _data_file(path: Path, fields: dict[str, str], end: int) -> tuple[Path, int]:
    name = fields.get("data file")
    if name is None:
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


def _after_skips(data: Path, fields: dict[str, str], start: int, encoding: str, size: int) -> int:
    """Apply `line skip`, then `byte skip` (-1: the samples end the file; raw only)."""
    lines = int(fields.get("line skip", fields.get("lineskip", "0")))
    skip = int(fields.get("byte skip", fields.get("byteskip", "0")))
    if lines:
        with data.open("rb") as f:
            f.seek(start)
            for _ in range(lines):
                f.readline()
            start = f.tell()
    if encoding != "raw":
        if skip:
            raise InputError(f"{data}: skips bytes inside compressed data; write it again as raw")
        return start
    return max(data.stat().st_size - size, 0) if skip == -1 else start + skip


def _spacing(fields: dict[str, str]) -> tuple[ToldSpacing, tuple[Notice, ...]]:
    steps = _directions(fields.get("space directions", ""))
    if steps is not None:
        factors = _factors(fields.get("space units", ""))
        left = _left_handed(fields.get("space", ""))
        notices = axes_notices(np.diag([-1.0 if left else 1.0, 1.0, 1.0]) @ steps)
        if factors is None:
            missing = "its NRRD header gives space directions without usable 'space units'"
            return ToldSpacing(missing=missing), notices
        x, y, z = (tidy(s) for s in np.linalg.norm(factors[:, None] * steps, axis=0))
        return ToldSpacing((z, y, x), "NRRD header"), notices
    values = fields.get("spacings", "").split()
    factors = _factors(fields.get("units", ""))
    if len(values) != 3:
        return ToldSpacing(missing="its NRRD header gives no spacing"), ()
    if factors is None:
        return ToldSpacing(missing="its NRRD header gives spacings without usable 'units'"), ()
    x, y, z = (tidy(float(v) * f) for v, f in zip(values, factors, strict=True))
    return ToldSpacing((z, y, x), "NRRD header"), ()


def _directions(text: str) -> np.ndarray | None:
    vectors = re.findall(r"\(([^)]*)\)", text)
    try:
        steps = np.array([[float(c) for c in v.split(",")] for v in vectors])
    except ValueError:
        return None
    return steps.T if steps.shape == (3, 3) else None


def _factors(text: str) -> np.ndarray | None:
    units = [micrometres_in(u) for u in re.findall(r'"([^"]*)"', text)]
    return None if len(units) != 3 or None in units else np.array(units, dtype=np.float64)


def _left_handed(space: str) -> bool:
    """Return whether the named space is left-handed (section 4 of the format's definition)."""
    return space.lower() in {"left-anterior-superior", "las", "3d-left-handed"}


READER = _Nrrd()
