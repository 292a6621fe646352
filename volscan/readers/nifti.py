"""NIfTI-1 and NIfTI-2, single file or header and image, plain or gzipped.

Follows the standard's headers nifti1.h and nifti2.h (nifti.nimh.nih.gov). The spatial unit is in
the low three bits of `xyzt_units` (1 metre, 2 millimetre, 3 micrometre); 0 means that it is not
told. `pixdim` holds the grid spacing; an affine in use (`sform_code` > 0) must agree with it.
"""

from __future__ import annotations

import gzip
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError, UnreadableError
from volscan.quantity import Notice
from volscan.readers.contract import Grid, ToldSpacing
from volscan.readers.files import allocate, first_bytes, inflate, mapped, native
from volscan.readers.spacing import axes_notices
from volscan.readers.units import tidy

_TYPES = {
    2: "u1",
    4: "i2",
    8: "i4",
    16: "f4",
    64: "f8",
    256: "i1",
    512: "u2",
    768: "u4",
    1024: "i8",
    1280: "u8",
}
_UNIT_UM = {1: 1e6, 2: 1e3, 3: 1.0}
# Byte offsets and types of the fields used, from nifti1.h and nifti2.h.
_FIELDS = {
    348: {
        "dim": (40, "i2", 8),
        "datatype": (70, "i2", 1),
        "pixdim": (76, "f4", 8),
        "vox_offset": (108, "f4", 1),
        "scl_slope": (112, "f4", 1),
        "scl_inter": (116, "f4", 1),
        "xyzt_units": (123, "u1", 1),
        "qform_code": (252, "i2", 1),
        "sform_code": (254, "i2", 1),
        "srow": (280, "f4", 12),
    },
    540: {
        "dim": (16, "i8", 8),
        "datatype": (12, "i2", 1),
        "pixdim": (104, "f8", 8),
        "vox_offset": (168, "i8", 1),
        "scl_slope": (176, "f8", 1),
        "scl_inter": (184, "f8", 1),
        "xyzt_units": (500, "i4", 1),
        "qform_code": (344, "i4", 1),
        "sform_code": (348, "i4", 1),
        "srow": (400, "f8", 12),
    },
}


@dataclass(frozen=True)
class _Header:
    size: int
    order: Literal["<", ">"]
    detached: bool
    fields: dict[str, NDArray[Any]]

    def number(self, name: str) -> float:
        return float(self.fields[name][0])


class _Nifti:
    name = "NIfTI"

    def sniff(self, path: Path, head: bytes) -> bool:
        return _parsed(_inflated_head(head)) is not None

    def read(self, path: Path) -> Grid:
        head = first_bytes(path, 4096)
        header = _parsed(_inflated_head(head))
        if header is None:
            raise UnreadableError(f"{path}: its NIfTI header is damaged; copy or export it again")
        shape = _shape(path, header)
        code = int(header.number("datatype"))
        if code not in _TYPES:
            raise InputError(
                f"{path}: NIfTI sample type {code} is no single real number (colour, complex or "
                "bits); export grey values"
            )
        dtype = np.dtype(_TYPES[code]).newbyteorder(header.order)
        data = _image_of(path) if header.detached else path
        offset = int(header.number("vox_offset"))
        if not header.detached:
            offset = max(offset, header.size + 4)
        stored = _samples(data, shape, dtype, offset)
        samples, scaled = _scaled(data, stored, header)
        told, notices = _spacing(header)
        files = (path,) if data == path else (path, data)
        return Grid(samples, told, self.name, files, notices + scaled)


def _inflated_head(head: bytes) -> bytes:
    if not head.startswith(b"\x1f\x8b"):
        return head
    try:
        return zlib.decompressobj(wbits=31).decompress(head, max(_FIELDS))
    except zlib.error:
        return b""


def _parsed(head: bytes) -> _Header | None:
    if len(head) < 348:
        return None
    orders: tuple[Literal["<", ">"], ...] = ("<", ">")
    for order in orders:
        size = int(np.frombuffer(head, f"{order}i4", 1)[0])
        if size not in _FIELDS or len(head) < size:
            continue
        magic = head[344:348] if size == 348 else head[4:8]
        if magic[:2] not in (b"n+", b"ni") or magic[2:3] not in (b"1", b"2"):
            return None
        fields = {
            name: np.frombuffer(head, np.dtype(kind).newbyteorder(order), count, at)
            for name, (at, kind, count) in _FIELDS[size].items()
        }
        return _Header(size, order, magic[:2] == b"ni", fields)
    return None


def _shape(path: Path, header: _Header) -> tuple[int, int, int]:
    count = int(header.fields["dim"][0])
    sizes = [int(n) for n in header.fields["dim"][1 : count + 1]]
    if not 1 <= count <= 7 or min(sizes) < 1:
        raise UnreadableError(f"{path}: its NIfTI header says sizes {sizes}; export it again")
    sizes += [1] * (3 - len(sizes))
    extra = [n for n in sizes[3:] if n != 1]
    if extra:
        raise InputError(
            f"{path}: holds {' × '.join(map(str, extra))} volumes (a time series or channels); "
            "export one 3-D volume"
        )
    x, y, z = sizes[:3]
    return z, y, x


def _image_of(path: Path) -> Path:
    """Return the image file that belongs to a detached header."""
    name = path.name
    for end in (".hdr.gz", ".hdr"):
        if name.lower().endswith(end):
            for image in (name[: -len(end)] + ".img", name[: -len(end)] + ".img.gz"):
                if (path.parent / image).is_file():
                    return path.parent / image
    raise UnreadableError(f"{path}: a NIfTI header whose .img file is missing; put it beside")


def _samples(
    data: Path, shape: tuple[int, int, int], dtype: np.dtype[Any], offset: int
) -> NDArray[Any]:
    if not first_bytes(data, 2).startswith(b"\x1f\x8b"):
        return mapped(data, shape, dtype, offset=offset)
    out = allocate(data, shape, dtype)
    with gzip.open(data, "rb") as f:
        try:
            f.seek(offset)
        except (EOFError, OSError, zlib.error):
            raise UnreadableError(f"{data}: truncated; copy or export it again") from None
        inflate(data, f, out)
    return native(data, out)


def _scaled(
    path: Path, stored: NDArray[Any], header: _Header
) -> tuple[NDArray[Any], tuple[Notice, ...]]:
    """Apply value = slope × stored + inter where the header asks for it (slope 0: it does not)."""
    slope, inter = header.number("scl_slope"), header.number("scl_inter")
    if not np.isfinite(slope) or slope == 0 or not np.isfinite(inter):
        return stored, ()
    if (slope, inter) == (1.0, 0.0):
        return stored, ()
    out = allocate(path, stored.shape, np.float32)
    # A damaged scale may overflow: such values are infinite, and refused when they are checked.
    with np.errstate(over="ignore", invalid="ignore"):
        for z in range(len(stored)):
            out[z] = stored[z] * slope + inter
    message = f"grey values are {slope:g} × stored + {inter:g}, as the NIfTI header says"
    return out, (Notice("values_scaled", message),)


def _spacing(header: _Header) -> tuple[ToldSpacing, tuple[Notice, ...]]:
    pixdim = [_shortest(v) for v in header.fields["pixdim"][1:4]]
    affine = header.fields["srow"].reshape(3, 4)[:, :3].astype(np.float64)
    in_use = header.number("sform_code") > 0
    if in_use:
        notices = axes_notices(affine)
    else:
        # qfac: the rotation is a proper one, and pixdim[0] = -1 turns z round.
        left = header.number("qform_code") > 0 and float(header.fields["pixdim"][0]) < 0
        notices = axes_notices(np.diag([1.0, 1.0, -1.0 if left else 1.0]))
    factor = _UNIT_UM.get(int(header.number("xyzt_units")) & 7)
    if factor is None:
        return ToldSpacing(missing="its NIfTI header names no unit of length"), notices
    x, y, z = (tidy(v * factor) for v in pixdim)
    if in_use:
        with np.errstate(over="ignore", invalid="ignore"):
            norms = np.linalg.norm(affine, axis=0)
        if np.any(np.abs(norms - pixdim) > 1e-3 * np.abs(pixdim)):
            says = ", ".join(f"{v * factor:g}" for v in norms[::-1])
            missing = (
                f"its NIfTI header contradicts itself: pixdim says {z:g}, {y:g}, {x:g} µm "
                f"(z, y, x), the affine {says} µm"
            )
            return ToldSpacing(missing=missing), notices
    return ToldSpacing((z, y, x), "NIfTI header"), notices


def _shortest(value: np.floating[Any]) -> float:
    """Return the shortest decimal that single precision rounds to the stored value."""
    return float(str(value)) if value.dtype.itemsize == 4 else float(value)


READER = _Nifti()
