"""Multi-page TIFF, BigTIFF, OME-TIFF and ImageJ stacks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError, UnreadableError, VolscanError
from volscan.quantity import Notice
from volscan.readers.contract import Grid
from volscan.readers.files import allocate, native, refuse_kind
from volscan.readers.tiff_guard import (
    MAGICS,
    check_data,
    check_directories,
    check_grey,
    quiet_codec,
)
from volscan.readers.tiff_spacing import told_by_tiff

_WORDS = {
    "T": "time points",
    "C": "channels",
    "S": "colour samples",
    "R": "tiles or positions",
    "P": "phases or positions",
    "A": "angles",
    "M": "tiles",
}


class _Tiff:
    name = "multi-page TIFF"

    def sniff(self, path: Path, head: bytes) -> bool:
        return head.startswith(MAGICS)

    def read(self, path: Path) -> Grid:
        import tifffile

        check_directories(path)
        try:
            with quiet_codec(), tifffile.TiffFile(path) as tif:
                series = _one_series(path, tif)
                samples = _samples(path, tif, series)
                told = told_by_tiff(tif)
                kind = "OME-TIFF" if tif.is_ome else self.name
                return Grid(samples, told, kind, (path,), tiff_notices(series.keyframe))
        except VolscanError:
            raise
        except Exception as e:
            # Whatever a damaged file makes the decoders raise: they have no common root.
            raise damaged(path, e) from None


def damaged(path: Path, error: Exception) -> UnreadableError:
    """Return the refusal of a file that its decoder cannot read."""
    why = " ".join(str(error).split())[:120] or type(error).__name__
    return UnreadableError(f"{path}: damaged or truncated ({why}); copy or export it again")


def tiff_notices(page: Any) -> tuple[Notice, ...]:
    """Return what a TIFF's display tags say that is not applied to its samples."""
    notices = []
    orientation = page.tags.get("Orientation")
    if orientation is not None and orientation.value not in (0, 1):
        notices.append(
            Notice(
                "orientation_tag_ignored",
                f"the TIFF orientation tag is {int(orientation.value)}: rows and columns are taken "
                "as stored, which may be a mirror image of what a viewer shows",
            )
        )
    if int(page.photometric) == 0:
        notices.append(
            Notice(
                "stored_inverted",
                "the TIFF says that zero is white: samples are taken as stored, so that polymer "
                "may be darker than air",
            )
        )
    return tuple(notices)


def _one_series(path: Path, tif: Any) -> Any:
    all_series = [s for s in tif.series if s is not None]
    if not all_series:
        raise UnreadableError(f"{path}: holds no picture; export it again")
    first = all_series[0]
    check_grey(path, first.keyframe, imagej=bool(tif.is_imagej))
    if len(all_series) > 1:
        sizes = ", ".join(" × ".join(map(str, s.shape)) for s in all_series[:3])
        raise InputError(
            f"{path}: holds {len(all_series)} images of different size or type ({sizes}); export "
            "one stack of equal slices"
        )
    axes, shape = str(first.axes), first.shape
    if axes == "YX" or len(first.shape) == 2:
        raise InputError(
            f"{path}: one slice only; give the whole stack, or the folder that holds all slices"
        )
    odd = [a for a in axes[:-2] if a not in "ZIQ"]
    if odd or len(shape) != 3 or not axes.endswith("YX"):
        words = [_WORDS.get(a, "images") for a in (odd or axes[:-2])]
        counts = " and ".join(f"{n} {w}" for n, w in zip(shape, words, strict=False))
        raise InputError(
            f"{path}: holds {counts or 'no stack'}, not one stack of slices; export one grey "
            "stack, or, if they are slices, set them as slices (z) and save again"
        )
    return first


def _samples(path: Path, tif: Any, series: Any) -> NDArray[Any]:
    page = series.keyframe
    dtype = np.dtype(series.dtype)
    refuse_kind(path, dtype)
    check_data(path, list(series.pages))
    stored = dtype.newbyteorder(tif.byteorder)
    if series.dataoffset is not None and page.is_memmappable and dtype != np.bool_:
        end = series.dataoffset + series.nbytes
        if end > path.stat().st_size:
            raise UnreadableError(
                f"{path}: truncated: its slices need bytes up to {end}, the file has "
                f"{path.stat().st_size}; copy or export it again"
            )
        whole = np.memmap(path, stored, "r", offset=series.dataoffset, shape=series.shape)
        return native(path, whole)
    out = allocate(path, series.shape, dtype)
    # A tile or strip is decoded whole: one that is larger than memory is as bad as such a stack.
    allocate(path, tuple(page.chunks), dtype)
    series.asarray(out=out, maxworkers=2)
    return native(path, out)


READER = _Tiff()
