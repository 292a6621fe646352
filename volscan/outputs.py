"""Folders that hold either whole results or none: written beside, renamed into place."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path

from volscan.errors import OutputError


def check_folder(out_dir: str | Path, names: Iterable[str], *, force: bool) -> Path:
    """Return the folder if `names` can be written into it, before the work that fills them.

    Raises
    ------
    OutputError
        If it cannot be written, or holds one of the names and `force` is False.
    """
    target = Path(out_dir)
    try:
        taken = [n for n in names if os.path.lexists(target / n)]
        with tempfile.TemporaryDirectory(prefix=".volscan-", dir=_nearest_folder(target)):
            pass
    except OSError as error:
        raise _refused(target, error) from error
    if taken and not force:
        raise OutputError(f"{target} already holds {taken[0]}; add --force to replace it")
    return target


def write_folder(out_dir: str | Path, files: Mapping[str, bytes], *, force: bool) -> Path:
    """Write files (relative path with forward slashes to bytes) into a folder, whole or not at all.

    The files are written into a temporary folder on the same disk; then each top-level name is
    renamed into place, and what stood there before is put back if a rename fails.

    Raises
    ------
    OutputError
        As `check_folder`, or if the disk is full.
    """
    tops = sorted({name.partition("/")[0] for name in files})
    target = check_folder(out_dir, tops, force=force)
    try:
        made = _made_folders(target)
        new = Path(tempfile.mkdtemp(prefix=".volscan-", dir=target))
    except OSError as error:
        raise _refused(target, error) from error
    done = False
    try:
        for name, data in files.items():
            path = new / "new" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        _swap_in(new, target, tops)
        done = True
    except OSError as error:
        raise _refused(target, error) from error
    finally:
        shutil.rmtree(new, ignore_errors=True)
        if not done:
            for folder in reversed(made):
                _remove_if_empty(folder)
    return target


def _swap_in(work: Path, target: Path, tops: list[str]) -> None:
    old = work / "old"
    old.mkdir()
    moved: list[str] = []
    try:
        for top in tops:
            if os.path.lexists(target / top):
                os.rename(target / top, old / top)
            moved.append(top)
            os.rename(work / "new" / top, target / top)
    except BaseException:
        for top in moved:
            if os.path.lexists(target / top):
                os.rename(target / top, work / f"back-{top}")
            if os.path.lexists(old / top):
                os.rename(old / top, target / top)
        raise


def _made_folders(target: Path) -> list[Path]:
    missing = []
    folder = target
    while not folder.exists():
        missing.append(folder)
        folder = folder.parent
    target.mkdir(parents=True, exist_ok=True)
    return missing[::-1]


def _nearest_folder(target: Path) -> Path:
    folder = target.absolute()
    while not folder.exists():
        folder = folder.parent
    if not folder.is_dir():
        raise NotADirectoryError(20, "Not a directory", str(folder))
    return folder


def _remove_if_empty(folder: Path) -> None:
    try:
        folder.rmdir()
    except OSError:
        return


def _refused(target: Path, error: OSError) -> OutputError:
    reason = error.strerror or str(error)
    return OutputError(f"cannot write into {target}: {reason}; choose another --out folder")
