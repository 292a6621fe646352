"""NumPy's .npy files (format NEP 1), mapped from disk; they hold no voxel size."""

from __future__ import annotations

import tokenize
from pathlib import Path

import numpy as np

from volscan.errors import InputError, UnreadableError
from volscan.readers.contract import Grid, ToldSpacing
from volscan.readers.files import check_length, native, refuse_kind


class _Npy:
    name = "NumPy array"

    def sniff(self, path: Path, head: bytes) -> bool:
        return head.startswith(np.lib.format.MAGIC_PREFIX)

    def read(self, path: Path) -> Grid:
        with path.open("rb") as f:
            try:
                version = np.lib.format.read_magic(f)
                if version == (1, 0):
                    shape, fortran, dtype = np.lib.format.read_array_header_1_0(f)
                else:
                    shape, fortran, dtype = np.lib.format.read_array_header_2_0(f)
            except (ValueError, TypeError, SyntaxError, tokenize.TokenError) as e:
                raise UnreadableError(
                    f"{path}: its .npy header cannot be read ({e}); save it again"
                ) from None
            offset = f.tell()
        refuse_kind(path, dtype)
        if len(shape) != 3:
            raise InputError(
                f"{path}: holds a {len(shape)}-D array of shape {shape}; a scan is one 3-D array "
                "(z, y, x)"
            )
        check_length(path, shape, dtype, offset=offset)
        if min(shape) == 0:
            raise UnreadableError(f"{path}: holds no samples (shape {shape}); save it again")
        samples = np.memmap(
            path, dtype, "r", offset=offset, shape=shape, order="F" if fortran else "C"
        )
        told = ToldSpacing(missing="a .npy file holds no voxel size")
        return Grid(native(path, samples), told, self.name, (path,))


READER = _Npy()
