"""NumPy's .npy; it holds no voxel size, which must be given again when it is read."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.writers.place import put_samples, replacing, writable_samples


def write_npy(path: str | Path, samples: NDArray[Any]) -> None:
    """Write samples (z, y, x) as a .npy file in C order.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    samples = writable_samples(samples)
    stored = samples.dtype.newbyteorder("<")
    header = {
        "descr": np.lib.format.dtype_to_descr(stored),
        "fortran_order": False,
        "shape": samples.shape,
    }
    with replacing(Path(path)) as beside, beside.open("wb") as f:
        np.lib.format.write_array_header_1_0(f, header)
        put_samples(f, samples)
