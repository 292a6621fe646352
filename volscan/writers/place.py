"""Writing beside and renaming into place, and what every writer asks of its samples."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError, OutputError


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give the name of a temporary neighbour that takes the file's place when all went well.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield beside
        os.replace(beside, path)
    except OSError as error:
        reason = error.strerror or str(error)
        raise OutputError(f"cannot write {path}: {reason}; choose another place") from error
    finally:
        beside.unlink(missing_ok=True)


def writable_samples(samples: NDArray[Any]) -> NDArray[Any]:
    """Return a 3-D array (z, y, x) of a type that all formats hold; booleans become 0 and 1.

    Raises
    ------
    InputError
        If it is not a 3-D array of integers or of 32- or 64-bit floats.
    """
    if samples.ndim != 3:
        raise InputError(f"a scan to write must be a 3-D array (z, y, x), got {samples.ndim}-D")
    if samples.dtype == np.bool_:
        return samples.view(np.uint8)
    kind, size = samples.dtype.kind, samples.dtype.itemsize
    if kind not in "uif" or size > 8 or (kind == "f" and size < 4):
        raise InputError(
            f"samples of type {samples.dtype} cannot be written; convert them to float32"
        )
    return samples


def put_samples(file: IO[bytes] | Any, samples: NDArray[Any]) -> None:
    """Write samples in C order, little-endian, slice by slice: no second copy in memory."""
    stored = samples.dtype.newbyteorder("<")
    for one in samples:
        file.write(np.ascontiguousarray(one, dtype=stored).data)


def plain(value: float) -> str:
    """Write a number so that it reads back to the same float."""
    return repr(float(value))
