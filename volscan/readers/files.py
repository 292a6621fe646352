"""What every reader does with bytes: look at them, map them, inflate them, hash them."""

from __future__ import annotations

import bz2
import gzip
import hashlib
import os
import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from volscan.errors import InputError, UnreadableError

_POINTERS = (b"version https://git-lfs", b"/annex/objects/", b"../.git/annex/")
_CHUNK = 1 << 22


def first_bytes(path: Path, count: int) -> bytes:
    """Return a file's first bytes; refuse a missing, empty or unreadable file and a pointer.

    Raises
    ------
    UnreadableError
        If there is no such file, it may not be read, it is empty, or it is a large-file pointer
        that stands where the data should be.
    """
    try:
        with path.open("rb") as f:
            head = f.read(count)
    except FileNotFoundError:
        raise UnreadableError(f"{path}: no such file or folder; check the path") from None
    except OSError as e:
        raise UnreadableError(f"{path}: cannot be read ({e.strerror}); check its rights") from None
    if not head:
        raise UnreadableError(f"{path}: the file is empty (0 bytes); copy or export it again")
    if head.startswith(_POINTERS):
        raise UnreadableError(
            f"{path}: a text pointer to a large file stands where the data should be; "
            "fetch the data first (git lfs pull, or git annex get)"
        )
    return head


def physical_memory_bytes() -> int:
    """Return the machine's memory, or a very large number where the system does not tell."""
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return 1 << 62


def allocate(path: Path, shape: tuple[int, ...], dtype: DTypeLike) -> NDArray[Any]:
    """Return an empty array, or refuse one that is larger than the machine's memory.

    A header may ask for terabytes by mistake or by malice: the size is looked at before anything
    is allocated.
    """
    wanted = nbytes(shape, dtype)
    have = physical_memory_bytes()
    if wanted > have:
        raise UnreadableError(
            f"{path}: its header asks for {_gib(wanted)} ({_times(shape)} of {np.dtype(dtype)}), "
            f"this machine has {_gib(have)}; check the file, crop it, or store it uncompressed"
        )
    return np.empty(shape, dtype)


def nbytes(shape: tuple[int, ...], dtype: DTypeLike) -> int:
    """Return the bytes of an array, in whole numbers that cannot overflow."""
    total = np.dtype(dtype).itemsize
    for n in shape:
        total *= int(n)
    return total


def mapped(path: Path, shape: tuple[int, ...], dtype: DTypeLike, *, offset: int) -> NDArray[Any]:
    """Map an uncompressed array (C order) read-only from a file that ends where the array ends.

    Data in the other byte order is read into memory and swapped, since compiled code takes
    native numbers only.

    Raises
    ------
    UnreadableError
        If the file is shorter or longer than the header says.
    """
    check_length(path, shape, dtype, offset=offset)
    return native(path, np.memmap(path, np.dtype(dtype), "r", offset=offset, shape=shape))


def native(path: Path, samples: NDArray[Any]) -> NDArray[Any]:
    """Return samples in the machine's byte order; booleans as 0 and 1 in uint8."""
    if samples.dtype == np.bool_:
        return samples.view(np.uint8)
    if samples.dtype.isnative:
        return samples
    out = allocate(path, samples.shape, samples.dtype.newbyteorder("="))
    out[...] = samples
    return out


def check_length(path: Path, shape: tuple[int, ...], dtype: DTypeLike, *, offset: int) -> None:
    """Refuse a file whose length is not offset plus the array's bytes, naming both numbers."""
    have = path.stat().st_size - offset
    want = nbytes(shape, dtype)
    if have != want:
        raise UnreadableError(
            f"{path}: {'truncated' if have < want else 'too long'}: {_times(shape)} samples of "
            f"{np.dtype(dtype)} need {want} bytes after byte {offset}, the file has "
            f"{max(have, 0)}; copy or export it again"
        )


def inflate(path: Path, stream: Any, out: NDArray[Any]) -> None:
    """Fill an array (C order) from a stream that must end exactly with it."""
    view = memoryview(out.reshape(-1).view(np.uint8).data)
    done = 0
    try:
        while done < len(view):
            got = stream.readinto(view[done : done + _CHUNK])
            if not got:
                break
            done += got
        longer = done == len(view) and bool(stream.read(1))
    except (EOFError, OSError, zlib.error, ValueError) as e:
        raise UnreadableError(
            f"{path}: the compressed data is truncated or damaged ({e}); copy or export it again"
        ) from None
    if done < len(view) or longer:
        raise UnreadableError(
            f"{path}: {'too long' if longer else 'truncated'}: {_times(out.shape)} samples of "
            f"{out.dtype} need {len(view)} bytes, the compressed data holds "
            f"{'more' if longer else done}; copy or export it again"
        )


def inflated(
    path: Path, shape: tuple[int, ...], dtype: DTypeLike, *, offset: int, codec: str
) -> NDArray[Any]:
    """Read a compressed array (C order) that starts at a byte offset.

    `codec` is "gzip", "bzip2" or "zlib".
    """
    out = allocate(path, shape, dtype)
    with path.open("rb") as f:
        f.seek(offset)
        stream: Any
        if codec == "gzip":
            stream = gzip.GzipFile(fileobj=f)
        elif codec == "bzip2":
            stream = bz2.BZ2File(f)
        else:
            stream = _ZlibStream(f)
        inflate(path, stream, out)
    return native(path, out)


class _ZlibStream:
    """A zlib stream as a readable file."""

    def __init__(self, raw: IO[bytes]) -> None:
        self._raw = raw
        self._codec = zlib.decompressobj()
        self._left = b""

    def read(self, count: int) -> bytes:
        """Return up to `count` inflated bytes, none at the end."""
        while not self._codec.eof:
            data = self._left or self._raw.read(_CHUNK)
            if not data:
                raise EOFError("the stream stops before its end mark")
            out = self._codec.decompress(data, count)
            self._left = self._codec.unconsumed_tail
            if out:
                return out
        return self._codec.unused_data[:count] or self._raw.read(count)

    def readinto(self, view: memoryview) -> int:
        """Fill a buffer as far as one step goes and return the count."""
        data = self.read(len(view))
        view[: len(data)] = data
        return len(data)


def sha256_of(files: Iterable[Path]) -> str:
    """Return the SHA-256 of the files' bytes, one after the other."""
    digest = hashlib.sha256()
    buffer = bytearray(_CHUNK)
    view = memoryview(buffer)
    for path in files:
        with path.open("rb", buffering=0) as f:
            while count := f.readinto(buffer):
                digest.update(view[:count])
    return digest.hexdigest()


def refuse_kind(path: Path, dtype: np.dtype[Any]) -> None:
    """Refuse samples that are no grey values: complex numbers, records, text, objects."""
    if dtype.kind not in "buif" or dtype.itemsize > 8:
        raise InputError(
            f"{path}: holds samples of type {dtype}, and a scan has one real number a voxel; "
            "export it as 8- or 16-bit integers or 32-bit floats"
        )


def _gib(count: int) -> str:
    return f"{count / 2**30:.3g} GiB"


def _times(shape: tuple[int, ...]) -> str:
    return " × ".join(str(n) for n in shape)
