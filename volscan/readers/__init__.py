"""Reading scans: one file a format family, chosen by content and not by name."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module
from pathlib import Path

from volscan.errors import InputError, SettingsError, UnreadableError
from volscan.readers.contract import HEAD_BYTES, Grid, Reader
from volscan.readers.files import first_bytes, refuse_kind, sha256_of
from volscan.readers.greys import checked_samples
from volscan.readers.raw import RawLayout, read_raw
from volscan.readers.spacing import given_spacing_um, refuse_thin, settled_spacing
from volscan.volume import Modality, Source, Volume

__all__ = ["RawLayout", "checked_samples", "open_scan"]

# Asked in this order; each is imported when its turn comes, so that a start stays quick.
# A DICOM file may begin like a TIFF (both at once, PS3.10 section 7.1): it is asked first.
_FAMILIES = ("npy", "nrrd", "nifti", "metaimage", "dicom", "tiff")

_KNOWN = (
    "a multi-page TIFF, OME-TIFF, MetaImage, NRRD, NIfTI or .npy file, or a folder of TIFF, PNG "
    "or DICOM slices"
)


def open_scan(
    path: str | Path,
    *,
    voxel_um: float | Sequence[float] | None = None,
    modality: Modality = "ct",
    raw: RawLayout | None = None,
) -> Volume:
    """Open a scan, whatever supported format it is in.

    The format is found from the content. Uncompressed files are mapped and read only where they
    are used; the others are read into memory. Samples are never rescaled, except where the
    format stores them with a scale (NIfTI, DICOM); numbers in the other byte order are swapped.

    Parameters
    ----------
    path
        File, or folder of slices.
    voxel_um
        Voxel spacing in µm, one number or (z, y, x). Needed where the file does not tell it; where
        both tell, this one holds and a notice names both if they differ by more than 0.1 %.
    modality
        "ct" or "oct".
    raw
        Layout of a headerless file; without it such a file is refused.

    Returns
    -------
    Volume
        Samples (z, y, x), spacing, and where both came from. Values are not looked at:
        `checked_samples` does that.

    Raises
    ------
    UnreadableError
        If the file is missing, truncated, or not what it says.
    SpacingError
        If neither the file nor `voxel_um` tells the voxel size.
    InputError
        If it holds something other than one grey-value stack.

    Examples
    --------
    >>> open_scan("patch.nii.gz")  # doctest: +SKIP
    Volume(96 × 256 × 256 voxels of 4 × 2 × 2 µm (z, y, x), uint16, ct, spacing from NIfTI header)
    """
    path = Path(path)
    given = given_spacing_um(voxel_um)
    if modality not in ("ct", "oct"):
        raise SettingsError(f"modality must be one of ct, oct, got {modality!r}")
    grid = read_raw(path, raw) if raw is not None else _read(path)
    refuse_kind(path, grid.samples.dtype)
    refuse_thin(path, grid.samples.shape)
    spacing_um, spacing_from, notices = settled_spacing(path, grid.spacing, given)
    return Volume(
        grid.samples,
        spacing_um,
        spacing_from,
        modality,
        Source(str(path), sha256_of(grid.files), grid.format),
        grid.notices + notices,
    )


def _read(path: Path) -> Grid:
    if path.is_dir():
        from volscan.readers.folder import read_folder

        return read_folder(path)
    head = first_bytes(path, HEAD_BYTES)
    for family in _FAMILIES:
        reader: Reader = import_module(f"volscan.readers.{family}").READER
        if reader.sniff(path, head):
            return reader.read(path)
    raise _unknown(path, head)


def _unknown(path: Path, head: bytes) -> InputError:
    if head.startswith(b"\x89PNG"):
        return InputError(f"{path}: one PNG picture; give the folder that holds all slices")
    if head.startswith((b"PK\x03\x04", b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"7z\xbc\xaf", b"Rar!")):
        return UnreadableError(f"{path}: an archive; unpack it and give what is inside")
    text = all(b in b"\t\n\r\f" or b >= 32 for b in head[:512]) and b"\0" not in head
    what = "text, not a scan" if text else "not a format that can be read"
    return UnreadableError(
        f"{path}: {what}; give {_KNOWN}, or say how a headerless file is laid out with --raw-shape "
        "and --raw-type"
    )
