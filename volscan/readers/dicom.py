"""One series of single-frame DICOM slices, decoded by SimpleITK.

Slices are ordered and spaced by their position along the normal of the image plane (PS3.3, C.7.6.2
"Image Plane Module": Image Position, Image Orientation, Pixel Spacing). Slice Thickness and Spacing
Between Slices are not used: they need not be the distance of the slices in the folder.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import InputError, UnreadableError
from volscan.quantity import Notice
from volscan.readers.contract import Grid, ToldSpacing
from volscan.readers.files import allocate, first_bytes
from volscan.readers.units import tidy

# Positions are written with a few decimals: a step may differ from the median step by this share.
# A missing slice makes it 100 %. (Common practice, no published source.)
_UNEVEN = 0.01
# tan(0.1°): slices that slide sideways by more for each step belong to a tilted gantry.
_SLIDES = 1.75e-3


@dataclass(frozen=True)
class _Slice:
    path: Path
    series: str
    modality: str
    position: NDArray[np.float64] | None
    axes: NDArray[np.float64] | None
    pixel_mm: tuple[float, float] | None


class _Dicom:
    name = "DICOM series"

    def sniff(self, path: Path, head: bytes) -> bool:
        return head[128:132] == b"DICM"

    def read(self, path: Path) -> Grid:
        """Refuse a single file: it is one slice, or frames whose layout is not read here."""
        raise InputError(
            f"{path}: a single DICOM file; give the folder with all slices of one series (convert "
            "a multi-frame file to MetaImage or NRRD first)"
        )


def read_series(folder: Path, files: list[Path], notices: tuple[Notice, ...]) -> Grid:
    """Read the one series that a folder holds.

    Raises
    ------
    InputError
        If there are several series, one slice, several frames in a file, colour, uneven steps or
        slices that slide sideways.
    """
    with _quiet():
        slices = [_looked_at(f) for f in files]
        _one_series(folder, slices)
        ordered, z_mm = _ordered(folder, slices)
        samples = _stack(folder, ordered)
    if any(s.modality not in ("", "CT") for s in slices):
        message = f"the DICOM files say modality {slices[0].modality}, read as a CT"
        notices = (*notices, Notice("other_modality", message))
    pixel = ordered[0].pixel_mm
    if pixel is None or z_mm is None:
        told = ToldSpacing(missing="its DICOM files lack pixel spacing or slice positions")
    else:
        told = ToldSpacing(
            (tidy(z_mm * 1000), tidy(pixel[0] * 1000), tidy(pixel[1] * 1000)),
            "DICOM slice positions and pixel spacing",
        )
    return Grid(samples, told, _Dicom.name, tuple(s.path for s in ordered), notices)


def _looked_at(path: Path) -> _Slice:
    import SimpleITK as sitk

    if first_bytes(path, 132)[128:] != b"DICM":
        raise UnreadableError(f"{path}: named like DICOM but is none; remove it or export it again")
    reader = sitk.ImageFileReader()
    reader.SetImageIO("GDCMImageIO")
    reader.SetFileName(str(path))
    try:
        reader.ReadImageInformation()
    except RuntimeError:
        raise UnreadableError(
            f"{path}: no DICOM picture that can be read; keep the slices only, or convert the "
            "series to MetaImage or NRRD"
        ) from None

    def tag(key: str) -> str:
        return str(reader.GetMetaData(key)).strip(" \0") if reader.HasMetaDataKey(key) else ""

    frames = tag("0028|0008")
    if frames not in ("", "0", "1"):
        raise InputError(
            f"{path}: holds {frames} frames; convert it to MetaImage or NRRD, which keep the slice "
            "distance"
        )
    if tag("0028|0002") not in ("", "1"):
        raise InputError(f"{path}: a colour picture; export grey values")
    position, axes = _numbers(tag("0020|0032"), 3), _numbers(tag("0020|0037"), 6)
    pixel = _numbers(tag("0028|0030"), 2)
    return _Slice(
        path,
        tag("0020|000e"),
        tag("0008|0060"),
        position,
        None if axes is None else axes.reshape(2, 3),
        None if pixel is None else (float(pixel[0]), float(pixel[1])),
    )


def _one_series(folder: Path, slices: list[_Slice]) -> None:
    series: dict[str, list[_Slice]] = {}
    for s in slices:
        series.setdefault(s.series, []).append(s)
    if len(series) > 1:
        least = min(series.values(), key=len)[0].path.name
        raise InputError(
            f"{folder}: holds {len(series)} DICOM series ({least} is of the smallest); keep one in "
            "the folder"
        )
    if len(slices) < 2:
        raise InputError(f"{folder}: one slice only; give the folder with the whole series")
    first = slices[0]
    for s in slices:
        if s.pixel_mm != first.pixel_mm:
            raise InputError(
                f"{s.path}: its pixel spacing {s.pixel_mm} mm differs from {first.pixel_mm} of "
                f"{first.path.name}; keep one series in the folder"
            )


def _ordered(folder: Path, slices: list[_Slice]) -> tuple[list[_Slice], float | None]:
    """Return the slices along their normal, and their step in mm (None without positions)."""
    axes = slices[0].axes
    places = [s.position for s in slices]
    if axes is None or any(p is None for p in places):
        raise InputError(
            f"{folder}: its DICOM files lack positions, so their order is not known; convert the "
            "series to MetaImage or NRRD"
        )
    for s in slices:
        if s.axes is None or not np.allclose(s.axes, axes, atol=1e-4):
            raise InputError(
                f"{s.path}: its orientation differs from {slices[0].path.name}; keep one series in "
                "the folder"
            )
    positions = np.array(places, dtype=np.float64)
    along = positions @ np.cross(axes[0], axes[1])
    order = np.argsort(along, kind="stable")
    ordered = [slices[k] for k in order]
    steps = np.diff(along[order])
    step = float(np.median(steps))
    worst = int(np.argmax(np.abs(steps - step)))
    if np.any(steps <= 1e-6):
        k = int(np.argmin(steps))
        raise InputError(
            f"{folder}: {ordered[k].path.name} and {ordered[k + 1].path.name} lie at the same "
            "position (a time series or two scans?); keep one"
        )
    if abs(steps[worst] - step) > _UNEVEN * step:
        found = sorted({round(float(s), 2) for s in steps})
        listed = ", ".join(f"{s:g}" for s in found[:4]) + (", ..." if len(found) > 4 else "")
        raise InputError(
            f"{folder}: the slices are unevenly spaced (steps of {listed} mm; "
            f"{ordered[worst].path.name} to {ordered[worst + 1].path.name}); add the missing "
            "slices or keep one even part"
        )
    sideways = np.diff(positions[order], axis=0) @ axes.T
    slide = float(np.max(np.linalg.norm(sideways, axis=1))) / step
    if slide > _SLIDES:
        raise InputError(
            f"{folder}: the slices slide sideways by {np.degrees(np.arctan(slide)):.2g}° (tilted "
            "gantry); resample the series onto a square grid first"
        )
    return ordered, step


def _stack(folder: Path, slices: list[_Slice]) -> NDArray[Any]:
    import SimpleITK as sitk

    out: NDArray[Any] | None = None
    for z, s in enumerate(slices):
        try:
            picture = sitk.GetArrayFromImage(sitk.ReadImage(str(s.path), imageIO="GDCMImageIO"))
        except RuntimeError:
            raise UnreadableError(
                f"{s.path}: damaged or truncated; copy or export it again"
            ) from None
        picture = picture.reshape(picture.shape[-2:])
        if out is None:
            out = allocate(folder, (len(slices), *picture.shape), picture.dtype)
        if picture.shape != out.shape[1:] or picture.dtype != out.dtype:
            raise InputError(
                f"{s.path}: {picture.shape} of {picture.dtype}, but the first slice is "
                f"{out.shape[1:]} of {out.dtype}; keep one series in the folder"
            )
        out[z] = picture
    assert out is not None
    return out


def _numbers(text: str, count: int) -> NDArray[np.float64] | None:
    try:
        values = np.array([float(v) for v in text.split("\\")])
    except ValueError:
        return None
    return values if len(values) == count and np.all(np.isfinite(values)) else None


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep the decoder's warnings off stderr."""
    import SimpleITK as sitk

    before = sitk.ProcessObject.GetGlobalWarningDisplay()
    sitk.ProcessObject.SetGlobalWarningDisplay(False)
    try:
        yield
    finally:
        sitk.ProcessObject.SetGlobalWarningDisplay(before)


READER = _Dicom()
