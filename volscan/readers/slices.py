"""Single TIFF or PNG slices, read into one array."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError, UnreadableError, VolscanError
from volscan.quantity import Notice
from volscan.readers.contract import HEAD_BYTES, Grid, ToldSpacing
from volscan.readers.files import allocate, first_bytes, refuse_kind
from volscan.readers.tiff import damaged, tiff_notices
from volscan.readers.tiff_guard import (
    MAGICS,
    check_data,
    check_directories,
    check_grey,
    quiet_codec,
)
from volscan.readers.tiff_spacing import told_by_tiff

# Two threads: reading from disk and decoding overlap; more gain nothing on two cores.
_THREADS = 2

_Slice = tuple[NDArray[Any], ToldSpacing, tuple[Notice, ...]]


def read_slices(folder: Path, files: list[Path], kind: str, notices: tuple[Notice, ...]) -> Grid:
    """Read slices that are all of one kind, "TIFF" or "PNG", in the order given.

    Raises
    ------
    InputError
        If one differs from the first in size, type or spacing, naming it.
    """
    load = _tiff_slice if kind == "TIFF" else _png_slice
    with quiet_codec():
        first, told, more = load(files[0])
        out = allocate(folder, (len(files), *first.shape), first.dtype)
        out[0] = first

        def fill(z: int) -> None:
            samples, says, _ = load(files[z])
            if samples.shape != first.shape or samples.dtype != first.dtype:
                raise InputError(
                    f"{files[z]}: {_described(samples)}, but {files[0].name} is "
                    f"{_described(first)}; keep slices of one size and type in the folder"
                )
            if says.um != told.um:
                raise InputError(
                    f"{files[z]}: its voxel size {says.um} µm (z, y, x) differs from {told.um} of "
                    f"{files[0].name}; keep one series in the folder"
                )
            out[z] = samples

        with ThreadPoolExecutor(_THREADS) as pool:
            jobs = [pool.submit(fill, z) for z in range(1, len(files))]
            try:
                for job in jobs:
                    job.result()
            except BaseException:
                pool.shutdown(wait=True, cancel_futures=True)
                raise
    return Grid(out, told, f"folder of {kind} slices", tuple(files), notices + more)


def _tiff_slice(path: Path) -> _Slice:
    import tifffile

    head = first_bytes(path, HEAD_BYTES)
    if not head.startswith(MAGICS):
        raise UnreadableError(f"{path}: named like a TIFF but is none; export it again")
    if check_directories(path) > 1:
        raise InputError(
            f"{path}: holds several pages; a folder takes single slices, so give this file itself"
        )
    try:
        with tifffile.TiffFile(path) as tif:
            page = tif.pages[0]
            check_grey(path, page, imagej=bool(tif.is_imagej))
            check_data(path, [page])
            # The size is looked at before the decoder allocates it.
            allocate(path, page.shape, page.dtype)
            samples = page.asarray()
            return _plain(path, samples), told_by_tiff(tif), tiff_notices(page)
    except VolscanError:
        raise
    except Exception as e:
        # Whatever a damaged file makes the decoders raise: they have no common root.
        raise damaged(path, e) from None


def _png_slice(path: Path) -> _Slice:
    from PIL import Image

    first_bytes(path, HEAD_BYTES)
    try:
        with Image.open(path, formats=("PNG",)) as picture:
            # 16-bit PNGs open as I;16, in older versions of the library as 32-bit I.
            if picture.mode not in ("1", "L", "I", "I;16", "I;16B"):
                raise InputError(
                    f"{path}: a colour picture (mode {picture.mode}); export grey values, 8 or 16 "
                    "bits, one channel"
                )
            samples = np.asarray(picture)
            if picture.mode == "1":
                # Bits come as booleans or as 0 and 255, depending on the library's version.
                samples = samples != 0
    except VolscanError:
        raise
    except Exception as e:
        raise damaged(path, e) from None
    if samples.dtype.itemsize == 4:
        samples = samples.astype(np.uint16)
    told = ToldSpacing(missing="PNG slices hold no distance of slices")
    return _plain(path, samples), told, ()


def _plain(path: Path, samples: NDArray[Any]) -> NDArray[Any]:
    refuse_kind(path, samples.dtype)
    if samples.ndim != 2:
        raise InputError(f"{path}: not one grey slice (shape {samples.shape}); export grey slices")
    if samples.dtype == np.bool_:
        return samples.view(np.uint8)
    return samples.astype(samples.dtype.newbyteorder("="), copy=False)


def _described(samples: NDArray[Any]) -> str:
    rows, columns = samples.shape
    return f"{rows} × {columns} of {samples.dtype}"
