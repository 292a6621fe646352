"""A folder of slices: which files belong, and in which order."""

from __future__ import annotations

import re
from collections import Counter
from itertools import pairwise
from pathlib import Path

from volscan.errors import InputError, UnreadableError
from volscan.quantity import Notice
from volscan.readers.contract import Grid
from volscan.readers.tiff_guard import MAGICS

# "DICM" after a preamble of 128 bytes (DICOM part 10, section 7.1).
_DICOM_MARK = 128


def read_folder(path: Path) -> Grid:
    """Read a folder of TIFF, PNG or DICOM slices.

    Hidden files are left out silently; other files that are no pictures, and pictures whose name
    has fewer numbers than the slices' (overviews), are left out with a notice. What might be a
    slice or a second scan is refused by name.
    """
    kinds: dict[str, list[Path]] = {}
    folders = 0
    for entry in sorted(path.iterdir()):
        if entry.name.startswith("."):
            continue
        if entry.is_dir():
            folders += 1
        else:
            kinds.setdefault(kind_of(entry), []).append(entry)
    others = kinds.pop("other", [])
    if not kinds:
        raise _nothing(path, others, folders)
    if len(kinds) > 1:
        counted = ", ".join(f"{len(v)} {k}" for k, v in sorted(kinds.items()))
        odd = min(kinds.values(), key=len)[0]
        raise InputError(
            f"{path}: mixes file types ({counted}; {odd.name} is of the rarer one); keep one "
            "series of slices in the folder"
        )
    notices = _ignored(others)
    kind, files = next(iter(kinds.items()))
    if kind == "DICOM":
        from volscan.readers.dicom import read_series

        return read_series(path, files, notices)
    from volscan.readers.slices import read_slices

    files, more = ordered_slices(path, files)
    return read_slices(path, files, kind, notices + more)


def kind_of(entry: Path) -> str:
    """Return "TIFF", "PNG", "DICOM" or "other", from a file's first bytes.

    An empty file or a pointer that is named like a picture counts as one, so that it is refused
    by name instead of left out.
    """
    try:
        with entry.open("rb") as f:
            head = f.read(_DICOM_MARK + 4)
    except OSError:
        head = b""
    if head[_DICOM_MARK:] == b"DICM":
        return "DICOM"
    if head.startswith(MAGICS):
        return "TIFF"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    by_name = {".tif": "TIFF", ".tiff": "TIFF", ".png": "PNG", ".dcm": "DICOM"}
    return by_name.get(entry.suffix.lower(), "other")


def ordered_slices(folder: Path, files: list[Path]) -> tuple[list[Path], tuple[Notice, ...]]:
    """Return the slices in the order of the one number that counts them.

    Raises
    ------
    InputError
        If numbers vary in two places, are missing, or occur twice, or a picture does not belong.
    """
    if len(files) == 1:
        raise InputError(
            f"{folder}: one slice only ({files[0].name}); give the whole series, or the file "
            "itself if it holds a stack"
        )
    patterns = {f: re.sub(r"\d+", "#", f.name) for f in files}
    main, _ = Counter(patterns.values()).most_common(1)[0]
    strays = [f for f in files if patterns[f] != main]
    slices = [f for f in files if patterns[f] == main]
    for stray in strays:
        if patterns[stray].count("#") >= main.count("#"):
            raise InputError(
                f"{folder}: {stray.name} does not belong to the series {main}; keep one series of "
                "numbered slices in the folder"
            )
    if len(slices) < 2:
        raise InputError(f"{folder}: {files[0].name} and others carry no number; number the slices")
    numbers = [[int(n) for n in re.findall(r"\d+", f.name)] for f in slices]
    varying = [k for k in range(len(numbers[0])) if len({n[k] for n in numbers}) > 1]
    if len(varying) > 1:
        raise InputError(
            f"{folder}: the names' numbers vary in {len(varying)} places (such as {slices[0].name} "
            f"and {slices[-1].name}): tiles, channels or time points, not one stack; keep one"
        )
    if not varying:
        raise InputError(
            f"{folder}: {slices[0].name} and {slices[1].name} carry the same number; keep one"
        )
    order = sorted(zip((n[varying[0]] for n in numbers), slices, strict=True))
    step = _even_step(folder, order)
    notices = _ignored(strays)
    if step != 1:
        message = f"the slices are numbered in steps of {step}: they are taken as neighbours"
        notices += (Notice("numbered_in_steps", message),)
    return [f for _, f in order], notices


def _even_step(folder: Path, order: list[tuple[int, Path]]) -> int:
    steps = [b - a for (a, _), (b, _) in pairwise(order)]
    step, _ = Counter(steps).most_common(1)[0]
    for k, got in enumerate(steps):
        if got == 0:
            raise InputError(
                f"{folder}: {order[k][1].name} and {order[k + 1][1].name} carry the same number; "
                "keep one"
            )
        if got != step:
            raise InputError(
                f"{folder}: the numbering has a gap between {order[k][1].name} and "
                f"{order[k + 1][1].name}; add the missing slices or keep one unbroken part"
            )
    return step


def _ignored(files: list[Path]) -> tuple[Notice, ...]:
    if not files:
        return ()
    names = ", ".join(f.name for f in files[:3]) + (", ..." if len(files) > 3 else "")
    message = f"files in the folder that are no slices were left out: {names}"
    return (Notice("files_left_out", message, len(files)),)


def _nothing(path: Path, others: list[Path], folders: int) -> InputError:
    if not others and not folders:
        return UnreadableError(f"{path}: an empty folder; give the one that holds the slices")
    if others:
        return UnreadableError(
            f"{path}: holds no TIFF, PNG or DICOM slices ({len(others)} other files, such as "
            f"{others[0].name}); give the scan's own file, or convert the slices to TIFF"
        )
    return UnreadableError(
        f"{path}: holds no slices, only {folders} folders; give the one that holds the slices"
    )
