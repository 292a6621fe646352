"""The contract between `open_scan` and the readers: sniff, read, and what a reader hands back."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from numpy.typing import NDArray

from volscan.quantity import Notice

# Bytes of a file's beginning that a reader may look at to recognise its format. Larger than any
# text header that writers in use produce before the fields that identify them.
HEAD_BYTES = 4096


@dataclass(frozen=True)
class ToldSpacing:
    """What a file itself tells about its voxel spacing.

    Parameters
    ----------
    um
        Spacing (z, y, x) in µm; None for an axis, or for all three, that the file does not tell.
    origin
        Where it stands, in words: "NIfTI header".
    missing
        Why it is incomplete, as a clause that follows the file's name in an error:
        "its header names no unit".
    """

    um: tuple[float | None, float | None, float | None] = (None, None, None)
    origin: str = ""
    missing: str = "its format holds no voxel size"


@dataclass(frozen=True)
class Grid:
    """What a reader hands back: samples as stored and what the file says about them.

    Parameters
    ----------
    samples
        Array (z, y, x) in native byte order: a read-only memory map where the format allows,
        else an array in memory.
    spacing
        What the file tells.
    format
        Plain name of the format.
    files
        Files that were read, in the order in which their bytes are hashed.
    notices
        What was assumed or ignored.
    """

    samples: NDArray[Any]
    spacing: ToldSpacing
    format: str
    files: tuple[Path, ...]
    notices: tuple[Notice, ...] = ()


class Reader(Protocol):
    """A format family."""

    name: str

    def sniff(self, path: Path, head: bytes) -> bool:
        """Return whether the file's first bytes say that it is of this family."""
        ...

    def read(self, path: Path) -> Grid:
        """Read the file, or raise an InputError that says what, where and what to do."""
        ...
