"""Surface, Euler number and separate pores of the space inside the envelope."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cc3d
import numpy as np
from numpy.typing import NDArray

from volscan.geometry import BuildFrame, Envelope
from volscan.kernels.cutcells import cut_area_by_height
from volscan.kernels.topology import euler_number
from volscan.pores.solid import Solid
from volscan.quantity import Quantity, combine_u

F32 = NDArray[np.float32]

SLABS = 40
# The area of a plane patch in a cell is exact; of a curved one it reads low by about (h/R)²/12.
# Found on balls and rods of 4 to 12 voxels in radius: within 1 % of 4πR² at the place where the
# level stands, and the level of a partial-volume map within 0.05 voxel of the surface.
U_AREA = 0.01
U_PLACE_VOX = 0.05


@dataclass(frozen=True)
class SealedPore:
    """A part of the void with no way to the outside: its middle (x, y, h) and volume."""

    centre_um: tuple[float, float, float]
    volume_um3: float
    equivalent_diameter_um: float


@dataclass(frozen=True)
class Structure:
    """Surface per volume, its course over height, Euler number and separate pores.

    `surface_by_height` holds (height, surface per volume of the slab, of it on pores that are open
    to the outside). `connectivity_per_um3` is (1 - Euler number) over the envelope's volume: the
    tunnels of one connected body without closed cavities.
    """

    specific_surface_per_um: Quantity
    surface_by_height: tuple[tuple[float, float, float], ...]
    euler_number: int
    connectivity_per_um3: float
    largest_share: float
    sealed: tuple[SealedPore, ...]


def measure_structure(
    solid: Solid, frame: BuildFrame, envelope: Envelope, *, coverage: F32 | None
) -> Structure | None:
    """Measure surface, Euler number and separate pores; None for an empty envelope.

    Parameters
    ----------
    solid
        The solid on the working grid.
    frame, envelope
        The build frame and the reference volume.
    coverage
        The envelope's share of each working voxel; None for all.
    """
    voxel = math.prod(solid.spacing_um)
    body = solid.fraction >= np.float32(solid.level)
    labels = cc3d.connected_components(~body, connectivity=6)
    inside = np.ones(1, np.float32) if coverage is None else coverage
    weights = np.broadcast_to(inside, body.shape)
    total = float(weights.sum(dtype=np.float64)) if coverage is not None else float(body.size)
    if total <= 0:
        return None
    count = int(labels.max(initial=0)) + 1
    volumes = np.zeros(count)
    for z in range(body.shape[0]):
        volumes += np.bincount(labels[z].ravel(), weights[z].ravel(), minlength=count)
    volumes[0] = 0
    pore = float(volumes.sum())
    outer = _outer_labels(labels)
    opened = np.zeros(count, bool)
    opened[outer] = True
    opened[0] = False
    axis, base, height = _heights(solid, frame, envelope)
    fraction, shares, void = solid.fraction, coverage, opened[labels]
    if shares is None:
        # Half a cell lies between the outer voxels' middles and the array's faces.
        fraction = np.pad(fraction, 1, mode="symmetric")
        shares = np.pad(np.ones(body.shape, np.float32), 1)
        void = np.pad(void, 1, mode="symmetric")
        axis = (*axis[:3], axis[3] - sum(axis[:3]))
    areas = cut_area_by_height(
        fraction,
        level=solid.level,
        spacing_um=solid.spacing_um,
        weights=shares,
        open_void=void,
        height_axis=axis,
        base_um=base,
        slab_um=height / SLABS,
        slabs=SLABS,
    )
    volume = total * voxel
    slab_volume = volume / SLABS
    by_height = tuple(
        (base + (k + 0.5) * height / SLABS, float(a) / slab_volume, float(b) / slab_volume)
        for k, (a, b) in enumerate(areas)
    )
    if coverage is not None:
        body &= coverage >= np.float32(0.5)
    chi = euler_number(body)
    surface = float(areas[:, 0].sum()) / volume
    # Of round fibres the surface goes with the diameter: u(S) / S = u(d) / d, d = 4 (solid) / S.
    share = 1 - pore / total
    diameter = 4 * share / surface if surface > 0 else math.inf
    moved = combine_u([solid.u_shared_um, 2 * U_PLACE_VOX * max(solid.spacing_um)])
    u = surface * combine_u([U_AREA, min(moved / diameter, 1.0) if diameter > 0 else 0.0])
    return Structure(
        specific_surface_per_um=Quantity(surface, u, "1/µm", 1),
        surface_by_height=by_height,
        euler_number=chi,
        connectivity_per_um3=(1 - chi) / volume,
        largest_share=float(volumes.max(initial=0.0)) / pore if pore > 0 else 0.0,
        sealed=_sealed(labels, weights, volumes, opened, solid, frame),
    )


def _outer_labels(labels: NDArray[np.integer]) -> NDArray[np.integer]:
    faces = [labels.take(k, axis=a).ravel() for a in range(3) for k in (0, -1)]
    return np.unique(np.concatenate(faces))


def _heights(
    solid: Solid, frame: BuildFrame, envelope: Envelope
) -> tuple[tuple[float, float, float, float], float, float]:
    """Return the height of an index as a z + b y + c x + d, and where it starts and ends."""
    a, b, c = (float(k) for k in frame.h * np.asarray(solid.spacing_um))
    d = float(frame.h @ (solid.origin_um - frame.origin_um))
    return (a, b, c, d), envelope.base_um, max(envelope.top_um - envelope.base_um, 1e-9)


def _sealed(
    labels: NDArray[np.integer],
    weights: F32,
    volumes: NDArray[np.float64],
    opened: NDArray[np.bool_],
    solid: Solid,
    frame: BuildFrame,
) -> tuple[SealedPore, ...]:
    """List the pores with no way out, the largest first."""
    chosen = np.flatnonzero((volumes > 0) & ~opened)
    if chosen.size == 0:
        return ()
    place = np.zeros(volumes.size, np.int64)
    place[chosen] = np.arange(chosen.size) + 1
    sums = np.zeros((chosen.size + 1, 3))
    for z in range(labels.shape[0]):
        k = place[labels[z]]
        y, x = np.nonzero(k)
        if y.size == 0:
            continue
        at, w = k[y, x], weights[z][y, x]
        for axis, value in enumerate((np.full(y.size, z), y, x)):
            sums[:, axis] += np.bincount(at, w * value, minlength=chosen.size + 1)
    middle = sums[1:] / volumes[chosen, None] * np.asarray(solid.spacing_um) + solid.origin_um
    built = frame.to_build(middle)
    voxel = math.prod(solid.spacing_um)
    found = []
    for k in np.argsort(-volumes[chosen], kind="stable"):
        v = float(volumes[chosen[k]]) * voxel
        x_um, y_um, h_um = (float(c) for c in built[k])
        found.append(SealedPore((x_um, y_um, h_um), v, (6 * v / math.pi) ** (1 / 3)))
    return tuple(found)
