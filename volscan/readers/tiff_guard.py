"""Looking a TIFF over before it is read: directories that loop, data that is not there.

The structure is that of TIFF 6.0, section 2, and of the BigTIFF design (64-bit offsets).
"""

from __future__ import annotations

import logging
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from volscan.errors import InputError, UnreadableError

MAGICS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


def check_directories(path: Path) -> int:
    """Follow the chain of image directories and return their number.

    Raises
    ------
    UnreadableError
        If the chain comes back to itself or leaves the file.
    """
    size = path.stat().st_size
    with path.open("rb") as f:
        head = f.read(16)
        order = "<" if head[:2] == b"II" else ">"
        big = b"+" in head[2:4]
        count_kind, entry, next_kind = ("Q", 20, "Q") if big else ("H", 12, "I")
        start = 8 if big else 4
        if len(head) < start + struct.calcsize(next_kind):
            raise _truncated(path)
        (at,) = struct.unpack_from(order + next_kind, head, start)
        seen: set[int] = set()
        while at:
            if at in seen:
                raise UnreadableError(
                    f"{path}: its image directories loop (directory {len(seen) + 1} is an earlier "
                    "one again); export it again"
                )
            if at >= size:
                raise _truncated(path)
            seen.add(at)
            f.seek(at)
            raw = f.read(struct.calcsize(count_kind))
            if len(raw) < struct.calcsize(count_kind):
                raise _truncated(path)
            (count,) = struct.unpack(order + count_kind, raw)
            if f.tell() + count * entry > size:
                raise _truncated(path)
            f.seek(count * entry, 1)
            raw = f.read(struct.calcsize(next_kind))
            if len(raw) < struct.calcsize(next_kind):
                raise _truncated(path)
            (at,) = struct.unpack(order + next_kind, raw)
    if not seen:
        raise _truncated(path)
    return len(seen)


def check_data(path: Path, pages: list[Any]) -> None:
    """Refuse pages whose strips or tiles are missing, or lie outside the file.

    A strip or tile of no bytes would read as zeros without an error.
    """
    size = path.stat().st_size
    for number, page in enumerate(pages, start=1):
        if page is None:
            raise UnreadableError(
                f"{path}: slice {number} of {len(pages)} is not in this file (one of a set of "
                "files?); write the whole stack into one file"
            )
        for at, count in zip(page.dataoffsets, page.databytecounts, strict=False):
            if at <= 0 or count <= 0:
                raise UnreadableError(
                    f"{path}: slice {number} of {len(pages)} lacks part of its data; export it "
                    "again"
                )
            if at + count > size:
                raise UnreadableError(
                    f"{path}: truncated: slice {number} of {len(pages)} needs bytes up to "
                    f"{at + count}, the file has {size}; copy or export it again"
                )
        if len(page.dataoffsets) == 0:
            raise UnreadableError(f"{path}: slice {number} has no data; export it again")


def check_grey(path: Path, page: Any, *, imagej: bool) -> None:
    """Refuse colour: more than one sample a pixel, or a colour map that gives numbers a meaning.

    A display colour map that ImageJ adds to a grey image does not change its samples.
    """
    photometric = int(page.photometric)
    if page.samplesperpixel > 1 or photometric not in (0, 1, 3):
        raise InputError(
            f"{path}: a colour picture ({page.samplesperpixel} samples a pixel); export grey "
            "values, 8 or 16 bits, one channel"
        )
    if photometric == 3 and not imagej:
        raise InputError(
            f"{path}: its samples are numbers of a colour map; export grey values without a map"
        )


def _truncated(path: Path) -> UnreadableError:
    return UnreadableError(
        f"{path}: truncated: an image directory lies outside the file; copy or export it again"
    )


@contextmanager
def quiet_codec() -> Iterator[None]:
    """Keep tifffile's log lines off stderr; what matters is raised or becomes a notice."""
    logger = logging.getLogger("tifffile")
    before, logger.disabled = logger.disabled, True
    try:
        yield
    finally:
        logger.disabled = before
