"""What can be said of a scan before it is measured: `volscan info`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.quantity import Notice
from volscan.readers.greys import grey_statistics, value_notices
from volscan.volume import Volume

PERCENTILES = (1.0, 5.0, 25.0, 50.0, 75.0, 95.0, 99.0)

# Distance in voxels between the samples that are compared for the noise: noise that the
# reconstruction has smeared over two or three voxels is independent again at four.
_LAG = 4
# Slices looked at for the noise, spread over the scan: their median settles to well below 1 %.
_NOISE_SLICES = 16
# The kernel's weights are (1, -2, 1) along rows times the same along columns: the sum of their
# squares is 36, so that it has 6 times the noise's standard deviation.
_KERNEL_GAIN = 6.0
# Median of the absolute value of a normal variable, as a share of its standard deviation.
_MEDIAN_OF_ABSOLUTE = 0.6744897501960817


@dataclass(frozen=True)
class ScanInfo:
    """What is known of a scan; `str()` gives the lines that `volscan info` prints.

    `grey_percentiles` holds (percent, grey value) pairs. `saturated_share` and `lowest_share` are
    the shares of voxels at the largest and smallest value. `noise` is a standard deviation in grey
    values, None where it cannot be told. `mapped` says that the samples stay on disk until used.
    """

    path: str
    sha256: str
    format: str
    shape: tuple[int, int, int]
    dtype: str
    spacing_um: tuple[float, float, float]
    spacing_from: str
    modality: str
    grey_min: float
    grey_max: float
    grey_percentiles: tuple[tuple[float, float], ...]
    saturated_share: float
    lowest_share: float
    noise: float | None
    memory_bytes: int
    mapped: bool
    notices: tuple[Notice, ...]

    @property
    def size_um(self) -> tuple[float, float, float]:
        """Size of the field of view (z, y, x)."""
        z, y, x = (n * s for n, s in zip(self.shape, self.spacing_um, strict=True))
        return z, y, x

    def lines(self) -> Iterator[tuple[str, str]]:
        """Yield (label, text) pairs in the order they are shown."""
        yield "file", self.path
        yield "format", self.format
        yield "sha256", self.sha256 or "none (an array)"
        yield "modality", self.modality
        yield "voxels", " × ".join(str(n) for n in self.shape) + f" (z, y, x), {self.dtype}"
        spacing = " × ".join(f"{s:g}" for s in self.spacing_um)
        yield "voxel size", f"{spacing} µm (z, y, x), from: {self.spacing_from}"
        size = " × ".join(f"{s:.4g}" for s in self.size_um)
        yield "field of view", f"{size} µm (z, y, x)"
        place = "mapped from disk" if self.mapped else "in memory"
        yield "size", f"{self.memory_bytes / 2**20:.1f} MiB, {place}"
        yield "grey values", f"{self.grey_min:g} to {self.grey_max:g}"
        yield (
            "percentiles",
            ", ".join(f"{p:g} %: {v:g}" for p, v in self.grey_percentiles),
        )
        yield (
            "at the ends",
            f"{self.lowest_share:.2%} at the smallest, {self.saturated_share:.2%} at the largest",
        )
        noise = "cannot be told" if self.noise is None else f"about {self.noise:.3g} grey values"
        yield "noise", noise
        for notice in self.notices:
            yield "note", notice.message

    def __str__(self) -> str:
        return "\n".join(f"{label + ':':15}{text}" for label, text in self.lines())


def scan_info(volume: Volume) -> ScanInfo:
    """Look a scan over: its grey values, their share at the ends, its noise.

    Raises
    ------
    InputError
        If its values are no scan (see `volscan.readers.checked_samples`).

    Notes
    -----
    Memory beside the input: about 200 MB. Percentiles of 8- and 16-bit integers are exact, others
    are read from a histogram of 65536 bins.
    """
    grey = grey_statistics(volume.samples)
    notices = volume.notices + value_notices(volume, grey)
    return ScanInfo(
        path=volume.source.path,
        sha256=volume.source.sha256,
        format=volume.source.format,
        shape=volume.shape,
        dtype=str(volume.samples.dtype),
        spacing_um=volume.spacing_um,
        spacing_from=volume.spacing_from,
        modality=volume.modality,
        grey_min=grey.low,
        grey_max=grey.high,
        grey_percentiles=tuple((p, grey.percentile(p)) for p in PERCENTILES),
        saturated_share=grey.at_high / grey.voxels,
        lowest_share=grey.at_low / grey.voxels,
        noise=estimated_noise(volume.samples),
        memory_bytes=volume.samples.nbytes,
        mapped=_is_mapped(volume.samples),
        notices=notices,
    )


def estimated_noise(samples: NDArray[np.generic]) -> float | None:
    """Return the noise's standard deviation in grey values, or None.

    In slices spread over the scan, r = (1, -2, 1) ⊗ (1, -2, 1) with steps of four voxels cancels
    planes and slopes; σ = median |r| / (0.6745 × 6).

    Notes
    -----
    Robust while few voxels lie within the kernel's reach of an edge: structure makes it read high
    (28 % for round sections ten voxels across that fill 5 % of the slice; edges along an image
    axis cancel). It is the noise of the material that fills most of the slice. It is None for
    slices smaller than the kernel and where at least half of the responses are zero (air set to
    a constant, a mask).

    References
    ----------
    Kernel: Immerkær, J. (1996), Fast noise variance estimation, Computer Vision and Image
    Understanding 64, 300-302, doi 10.1006/cviu.1996.0060. Median: Donoho, D. L. and Johnstone,
    I. M. (1994), Biometrika 81, 425-455, doi 10.1093/biomet/81.3.425. (Both cited from memory;
    the factors follow from the weights.)
    """
    if min(samples.shape[1:]) <= 2 * _LAG:
        return None
    count = min(_NOISE_SLICES, len(samples))
    chosen = np.unique(np.linspace(0, len(samples) - 1, count).astype(int))
    medians = []
    for z in chosen:
        r = np.asarray(samples[z], dtype=np.float64)
        r = r[: -2 * _LAG] - 2 * r[_LAG:-_LAG] + r[2 * _LAG :]
        r = r[:, : -2 * _LAG] - 2 * r[:, _LAG:-_LAG] + r[:, 2 * _LAG :]
        medians.append(float(np.median(np.abs(r))))
    middle = float(np.median(medians))
    return None if middle == 0 else middle / (_MEDIAN_OF_ABSOLUTE * _KERNEL_GAIN)


def _is_mapped(samples: NDArray[np.generic]) -> bool:
    base: object = samples
    while isinstance(base, np.ndarray):
        if isinstance(base, np.memmap):
            return True
        base = base.base
    return False
