"""A scan in memory (or mapped from disk) with its voxel spacing and where both came from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError, SettingsError
from volscan.quantity import Notice

Modality = Literal["ct", "oct"]


def checked_spacing_um(spacing_um: Sequence[float]) -> tuple[float, float, float]:
    """Return a (z, y, x) spacing in µm as floats, or refuse it.

    Raises
    ------
    SettingsError
        If there are not three values, or one is not finite and positive.
    """
    values = tuple(float(s) for s in spacing_um)
    if len(values) != 3:
        raise SettingsError(f"voxel spacing needs three values (z, y, x) in µm, got {len(values)}")
    if not all(math.isfinite(s) and s > 0 for s in values):
        raise SettingsError(f"voxel spacing must be finite and positive in µm, got {values}")
    return values[0], values[1], values[2]


@dataclass(frozen=True)
class Source:
    """Where a volume came from.

    Parameters
    ----------
    path
        File or folder as the user named it.
    sha256
        Hash of the bytes read (for a folder: of the slice files' bytes in slice order).
    format
        Plain name of the format, such as "multi-page TIFF" or "folder of slices".
    """

    path: str
    sha256: str
    format: str


@dataclass(frozen=True)
class Volume:
    """A scan: samples on a regular grid, never rescaled.

    Parameters
    ----------
    samples
        Array (z, y, x) = (slice, row, column), any real dtype, possibly memory-mapped; read-only.
    spacing_um
        Voxel spacing (z, y, x) in µm. The physical position of a voxel centre is index × spacing.
    spacing_from
        Where the spacing came from, in words: "NIfTI header", "given by the user", ...
    modality
        "ct" or "oct".
    source
        The file, its hash and its format.
    notices
        What the reader assumed or noticed.

    Raises
    ------
    InputError
        If the samples are not a real 3-D array.
    """

    samples: NDArray[Any]
    spacing_um: tuple[float, float, float]
    spacing_from: str
    modality: Modality = "ct"
    source: Source = Source("(array)", "", "array")
    notices: tuple[Notice, ...] = ()

    def __post_init__(self) -> None:
        if self.samples.ndim != 3:
            raise InputError(f"a scan must be a 3-D array (z, y, x), got {self.samples.ndim}-D")
        if self.samples.dtype.kind not in "buif":
            raise InputError(f"a scan must hold real numbers, got dtype {self.samples.dtype}")
        object.__setattr__(self, "spacing_um", checked_spacing_um(self.spacing_um))
        view = self.samples.view()
        view.flags.writeable = False
        object.__setattr__(self, "samples", view)

    @property
    def shape(self) -> tuple[int, int, int]:
        """Shape (z, y, x)."""
        z, y, x = self.samples.shape
        return z, y, x

    @property
    def voxel_um3(self) -> float:
        """Volume of one voxel in µm³."""
        return float(np.prod(self.spacing_um))

    def __repr__(self) -> str:
        size = " × ".join(str(n) for n in self.shape)
        um = " × ".join(f"{s:g}" for s in self.spacing_um)
        return (
            f"Volume({size} voxels of {um} µm (z, y, x), {self.samples.dtype}, "
            f"{self.modality}, spacing from {self.spacing_from})"
        )
