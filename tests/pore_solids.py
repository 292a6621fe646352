"""Solids of known pores, drawn by plain supersampling, and the frames to measure them in.

Independent of the phantoms: an implicit shape is asked at sub-voxel points and averaged.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from volscan.geometry import BuildFrame, Envelope
from volscan.prepare.material import MaterialMap

Shape = Callable[..., NDArray[np.bool_]]


def sampled(
    shape: Shape,
    counts: Sequence[int],
    *,
    spacing_um: Sequence[float] = (1.0, 1.0, 1.0),
    parts: int = 4,
) -> NDArray[np.float32]:
    """Return the share of each voxel inside a shape asked as shape(z, y, x) in µm."""
    axes = [
        ((np.arange(n * parts) + 0.5) / parts - 0.5) * s
        for n, s in zip(counts, spacing_um, strict=True)
    ]
    out = np.empty(tuple(counts), np.float32)
    for k in range(counts[0]):
        z, y, x = np.meshgrid(
            axes[0][k * parts : (k + 1) * parts], axes[1], axes[2], indexing="ij", sparse=True
        )
        here = np.broadcast_to(shape(z, y, x), (parts, counts[1] * parts, counts[2] * parts))
        out[k] = here.reshape(parts, counts[1], parts, counts[2], parts).mean((0, 2, 4))
    return out


def lattice(centres: Sequence[Sequence[float]], *, cell: float, radius: float) -> Shape:
    """Spheres at the given places of a cubic cell (shares of its edge), repeated for ever.

    The cell's corner is the array's corner, half a voxel (0.5) before the first voxel centre.
    """

    def inside(*at: NDArray[np.float64]) -> NDArray[np.bool_]:
        found: NDArray[np.bool_] = np.zeros(1, bool)
        for centre in centres:
            total: NDArray[np.float64] = np.zeros(1)
            for q, c in zip(at, centre, strict=True):
                e = (q + 0.5 - c * cell + cell / 2) % cell - cell / 2
                total = total + e * e
            found = found | (total <= radius * radius)
        return found

    return inside


def pile(*, diameter: float, pitch: float, rise: float, layers: int, base: float) -> Shape:
    """Fibres along x and y in turn, the lowest along x; `base` is the underside's height in z."""

    def inside(z, y, x):  # type: ignore[no-untyped-def]
        found = np.zeros(1, bool)
        for k in range(layers):
            across = y if k % 2 == 0 else x
            e = (across + pitch / 2) % pitch - pitch / 2
            height = z - (base + diameter / 2 + k * rise)
            found = found | (height**2 + e**2 <= diameter**2 / 4)
        return found

    return inside


def level_frame() -> BuildFrame:
    return BuildFrame(
        kind="plate",
        origin_um=np.zeros(3),
        x=np.array([0.0, 0.0, 1.0]),
        y=np.array([0.0, 1.0, 0.0]),
        h=np.array([1.0, 0.0, 0.0]),
        up="+z",
        up_confirmed=True,
        mirrored_confirmed=True,
        mount_tilt_deg=0.0,
        u_tilt_deg=0.1,
        h_from="given",
    )


def material(
    fraction: NDArray[np.floating],
    *,
    spacing_um: Sequence[float] = (1.0, 1.0, 1.0),
    **changes: object,
) -> MaterialMap:
    z, y, x = spacing_um
    values: dict[str, object] = {
        "fraction": np.asarray(fraction, np.float32),
        "spacing_um": (z, y, x),
        "air": 0.0,
        "polymer": 1.0,
        "u_air": 0.0,
        "u_polymer": 0.0,
        "anchors_from": "given",
        "level": 0.5,
        "threshold": 0.5,
        "threshold_rule": "half-max",
        "noise_air": 0.0,
        "noise_polymer": None,
        "blur_um": None,
        "blur_axes_um": None,
        "solid": np.asarray(fraction) >= 0.5,
    }
    return MaterialMap(**{**values, **changes})  # type: ignore[arg-type]


def block(counts: Sequence[int], *, spacing_um: Sequence[float] = (1.0, 1.0, 1.0)) -> Envelope:
    size = np.asarray(counts) * np.asarray(spacing_um)
    low = -0.5 * np.asarray(spacing_um)
    corners = [[0, 0], [size[2], 0], [size[2], size[1]], [0, size[1]]]
    return Envelope(
        definition="block",
        outline_um=np.asarray(corners) + low[[2, 1]],
        base_um=float(low[0]),
        top_um=float(low[0] + size[0]),
        u_volume_frac=0.0,
        whole_array=True,
        mask_volume_um3=float(size.prod()),
    )


def prism(outline_um: Sequence[Sequence[float]], base_um: float, top_um: float) -> Envelope:
    return Envelope(
        definition="given",
        outline_um=np.asarray(outline_um, float),
        base_um=base_um,
        top_um=top_um,
        u_volume_frac=0.0,
    )
