"""Headerless raw files, whose layout only the user knows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from volscan.errors import SettingsError, UnreadableError
from volscan.readers.contract import Grid, ToldSpacing
from volscan.readers.files import first_bytes, mapped


@dataclass(frozen=True)
class RawLayout:
    """How a headerless file is laid out.

    Parameters
    ----------
    shape
        Samples (z, y, x), x running fastest.
    dtype
        Name of the sample type: "uint8", "uint16", "int16", "float32", ...
    byte_order
        "little" or "big".
    offset
        Bytes to skip at the beginning.

    Raises
    ------
    SettingsError
        If one of them cannot be.
    """

    shape: Sequence[int]
    dtype: str
    byte_order: Literal["little", "big"] = "little"
    offset: int = 0

    def __post_init__(self) -> None:
        shape = tuple(int(n) for n in self.shape)
        if len(shape) != 3 or min(shape) < 1:
            raise SettingsError(f"raw shape needs three positive counts Z,Y,X, got {self.shape}")
        object.__setattr__(self, "shape", shape)
        try:
            usable = np.dtype(self.dtype).kind in "uif"
        except TypeError:
            usable = False
        if not usable:
            raise SettingsError(
                f"raw type must be a number type such as uint8, uint16 or float32, got {self.dtype}"
            )
        if self.byte_order not in ("little", "big"):
            raise SettingsError(f"raw byte order must be little or big, got {self.byte_order}")
        if self.offset < 0:
            raise SettingsError(f"raw offset must not be negative, got {self.offset}")

    @property
    def stored(self) -> np.dtype[np.generic]:
        """The sample type with its byte order."""
        return np.dtype(self.dtype).newbyteorder("<" if self.byte_order == "little" else ">")


def read_raw(path: Path, layout: RawLayout) -> Grid:
    """Map a headerless file whose length must be exactly what its layout says."""
    if path.is_dir():
        raise UnreadableError(f"{path}: a folder; a raw layout belongs to one file")
    first_bytes(path, 64)
    z, y, x = layout.shape
    samples = mapped(path, (z, y, x), layout.stored, offset=layout.offset)
    told = ToldSpacing(missing="a headerless file holds no voxel size")
    return Grid(samples, told, "headerless raw", (path,))
