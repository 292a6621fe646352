"""Simple solids with closed-form truth, as shares of each voxel: packings, piles, arrays, a slab.

All are periodic blocks that hold whole periods, but for the single cylinder. The formulas are
textbook geometry: packings by Conway & Sloane, *Sphere Packings, Lattices and Groups*; the pile's
overlap is the integral over height of two crossing strips.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import quad

from volscan.errors import SettingsError
from volscan.phantom.raster import cover

FloatArray = NDArray[np.float64]
Packing = Literal["sc", "bcc", "fcc"]

# Centres in a cubic cell of edge 1, and the radius at which spheres touch.
_PACKINGS: dict[str, tuple[tuple[tuple[float, float, float], ...], float]] = {
    "sc": (((0.5, 0.5, 0.5),), 0.5),
    "bcc": (((0.25, 0.25, 0.25), (0.75, 0.75, 0.75)), math.sqrt(3) / 4),
    "fcc": (
        ((0.25, 0.25, 0.25), (0.25, 0.75, 0.75), (0.75, 0.25, 0.75), (0.75, 0.75, 0.25)),
        math.sqrt(2) / 4,
    ),
}
# Throat and largest cavity over the sphere's radius.
_WINDOW = {"sc": math.sqrt(2) - 1, "bcc": math.sqrt(1.5) - 1, "fcc": 2 / math.sqrt(3) - 1}
_CAVITY = {"sc": math.sqrt(3) - 1, "bcc": math.sqrt(5 / 3) - 1, "fcc": math.sqrt(2) - 1}


@dataclass(frozen=True)
class Solid:
    """Polymer share of each voxel (z, y, x), spacing, and what is true of it in closed form."""

    share: NDArray[np.float32]
    spacing_um: tuple[float, float, float]
    truth: dict[str, float]


def sphere_packing(kind: Packing, *, cell_voxels: int, cells: int = 1) -> Solid:
    """Return touching equal spheres; voxels are 1 µm.

    Truth: porosity, radius, throat and largest cavity (diameters).
    """
    if kind not in _PACKINGS:
        raise SettingsError(f"packing must be one of {', '.join(_PACKINGS)}, got {kind!r}")
    centres, radius = _PACKINGS[kind]
    radius *= cell_voxels
    n = cell_voxels * cells
    around = range(-1, cells + 1)
    points = np.array([np.add(c, s) for c in centres for s in itertools.product(around, repeat=3)])
    points = points * cell_voxels
    segments = np.stack([points, points], axis=1)
    share = _drawn((n, n, n), segments, radius, samples=5)
    solid = len(centres) * 4 / 3 * math.pi * radius**3 / cell_voxels**3
    truth = {
        "porosity": 1 - solid,
        "radius_um": radius,
        "throat_um": 2 * radius * _WINDOW[kind],
        "cavity_um": 2 * radius * _CAVITY[kind],
    }
    return Solid(share, (1.0, 1.0, 1.0), truth)


def crossing_overlap_um3(diameter: float, height: float) -> float:
    """Volume shared by two perpendicular cylinders whose axes lie `height` apart (>= 0).

    >>> round(crossing_overlap_um3(1.0, 0.0), 6)  # the Steinmetz solid, 2 d³ / 3
    0.666667
    """
    r = diameter / 2
    if height >= diameter:
        return 0.0

    def strips(z: float) -> float:
        return math.sqrt(max(0.0, r**2 - z**2)) * math.sqrt(max(0.0, r**2 - (z - height) ** 2))

    return 4 * float(quad(strips, height - r, r)[0])


def log_pile(
    *, diameter_um: int, spacing_um: int, layer_height_um: int, cells: int = 1, periods: int = 1
) -> Solid:
    """Return a periodic 0/90 pile, voxels of 1 µm; layer height from half a diameter up.

    Truth: porosity of the union, throats down (`throat_h_um`) and across (`throat_xy_um`) and the
    largest inscribed sphere (for layer heights up to the spacing), of the endless pile.
    """
    d, s, h = diameter_um, spacing_um, layer_height_um
    if not d / 2 <= h:
        raise SettingsError("a pile needs a layer height of at least half a diameter")
    n, nz = s * cells, 2 * h * periods
    segments = []
    for layer in range(-2, 2 * periods + 2):
        z = (layer + 0.5) * h
        for k in range(cells):
            across = (k + 0.5) * s
            ends = [[z, across, -2.0 * d], [z, across, n + 2.0 * d]]
            if layer % 2:
                ends = [[p[0], p[2], p[1]] for p in ends]
            segments.append(ends)
    share = _drawn((nz, n, n), np.array(segments), d / 2, samples=4)
    solid = math.pi * d**2 / (4 * s * h) - crossing_overlap_um3(d, h) / (h * s**2)
    truth = {
        "porosity": 1 - solid,
        "throat_h_um": float(s - d),
        "throat_xy_um": float(max(0, min(s - d, 2 * h - d))),
        "cavity_um": math.hypot(s, h) - d,
    }
    return Solid(share, (1.0, 1.0, 1.0), truth)


def cylinder_array(
    *, diameter_um: float, spacing_um: int, cells: int = 1, length_um: int = 8
) -> Solid:
    """Return cylinders along x on a square array (y, z), voxels of 1 µm.

    Truth: porosity, gap, largest inscribed circle.
    """
    n = spacing_um * cells
    segments = np.array(
        [
            [[z, y, -2 * diameter_um], [z, y, length_um + 2 * diameter_um]]
            for z, y in itertools.product((np.arange(cells) + 0.5) * spacing_um, repeat=2)
        ]
    )
    share = _drawn((n, n, length_um), segments, diameter_um / 2, samples=6)
    truth = {
        "porosity": 1 - math.pi * diameter_um**2 / (4 * spacing_um**2),
        "throat_um": spacing_um - diameter_um,
        "cavity_um": math.sqrt(2) * spacing_um - diameter_um,
    }
    return Solid(share, (1.0, 1.0, 1.0), truth)


def slab(*, thickness_um: float, shape: tuple[int, int, int]) -> Solid:
    """Return a plate across z in the middle of a block, voxels of 1 µm. Truth: porosity."""
    nz = shape[0]
    low, high = (nz - thickness_um) / 2, (nz + thickness_um) / 2
    z = np.arange(nz)
    part = np.clip(np.minimum(z + 1, high) - np.maximum(z, low), 0.0, 1.0).astype(np.float32)
    share = np.broadcast_to(part[:, None, None], shape).copy()
    return Solid(share, (1.0, 1.0, 1.0), {"porosity": 1 - thickness_um / nz})


def cylinder(
    *,
    diameter_um: float,
    direction_zyx: tuple[float, float, float],
    shape: tuple[int, int, int],
    spacing_um: tuple[float, float, float] = (1.0, 1.0, 1.0),
    samples: int = 4,
) -> Solid:
    """Return an endless cylinder through the middle of a block along any direction.

    Truth: the area across its axis.
    """
    along = np.array(direction_zyx) / np.linalg.norm(direction_zyx)
    size = np.array(shape) * np.array(spacing_um)
    reach = float(np.linalg.norm(size)) + diameter_um
    ends = np.array([[size / 2 - reach * along, size / 2 + reach * along]])
    share = _drawn(shape, ends, diameter_um / 2, samples=samples, spacing_um=spacing_um)
    return Solid(share, spacing_um, {"area_um2": math.pi * diameter_um**2 / 4})


def _drawn(
    shape: tuple[int, int, int],
    segments: FloatArray,
    radius: float,
    *,
    samples: int,
    spacing_um: tuple[float, float, float] = (1.0, 1.0, 1.0),
) -> NDArray[np.float32]:
    """Share of each voxel for capsules given in µm from the corner of the block, [z, y, x]."""
    return cover(
        shape,
        spacing_um,
        segments=segments,
        radius=radius,
        matrix=np.eye(3),
        offset=np.array(spacing_um) / 2,
        samples=samples,
    )
