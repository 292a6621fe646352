"""The sums over the scan that the estimators share, slab by slab."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.envelope import coverage_of_slab, extended_planes
from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Envelope
from volscan.kernels import sums as k
from volscan.kernels.prism import inside_share
from volscan.prepare.material import MaterialMap

FloatArray = NDArray[np.float64]

# Blur carries polymer beyond the faces; at 2.5 FWHM (5.9 standard deviations) less than 1e-8 of
# a face's share is farther out.
REACH_FWHM = 2.5
# Beyond that, this many FWHM (two voxels at least) must be air for the extension to be trusted.
_AIR_FWHM = 2.0
# Where there is room for less than this share of the extension, it is not used.
_LEAST_ROOM = 0.7
# The zone beyond a face is air when its mean fraction is below this plus a tenth of the
# scaffold's own: background left over is smaller, a collector is far larger.
_AIR_FRACTION = 0.01
# Large enough that the halo of blurred fibres is a small part of a slab, small enough that a
# handful of slabs in float32 stays below half a gigabyte.
_SLAB_VOXELS = 2e7


@dataclass(frozen=True)
class Reach:
    """How far the envelope is extended to catch blurred polymer, in µm; 0 where it is not."""

    ends_um: float
    sides_um: float
    air_um: float


@dataclass(frozen=True)
class Sums:
    """Sums in voxels: of the envelope's volume, of polymer, and how they are spread.

    `carried` is polymer found beyond base and top; `is_air` whether the zone beyond that is air;
    `summed_volume` the envelope's with its extension.
    """

    volume: float
    polymer: float
    above_level: float
    carried: tuple[float, float]
    is_air: tuple[bool, bool]
    has_room: tuple[bool, bool]
    level_counts: FloatArray
    height_polymer: FloatArray
    height_volume: FloatArray
    heights_um: FloatArray
    block_polymer: FloatArray
    block_volume: FloatArray
    summed_volume: float

    @property
    def open_faces(self) -> tuple[bool, bool]:
        """Whether air in view lies beyond base and top, so that what is found there counts."""
        return (
            self.is_air[0] and self.has_room[0],
            self.is_air[1] and self.has_room[1],
        )


@dataclass(frozen=True)
class Slab:
    """Slices `first` to `last` with the coverage of the envelope and of its extensions."""

    first: int
    last: int
    inside: NDArray[np.float32]
    wider: NDArray[np.float32]
    widest: NDArray[np.float32]


def reach_of(material: MaterialMap, envelope: Envelope) -> Reach:
    """Return how far blurred polymer is looked for beyond the envelope's faces."""
    if envelope.whole_array or (envelope.inside is not None and envelope.beyond_um is None):
        return Reach(0.0, 0.0, 0.0)
    coarsest = max(material.spacing_um)
    fwhm = max(material.blur_axes_um) if material.blur_axes_um is not None else 0.0
    # The voxel box blurs, too: one voxel more.
    ends = REACH_FWHM * fwhm + coarsest
    return Reach(
        ends, ends if envelope.encloses_solid else 0.0, max(_AIR_FWHM * fwhm, 2.0 * coarsest)
    )


def slabs(
    material: MaterialMap, frame: BuildFrame, envelope: Envelope, reach: Reach
) -> Iterator[Slab]:
    """Yield slabs of the scan that touch the envelope or its extension."""
    n_z, n_y, n_x = material.fraction.shape
    spacing = material.spacing_um
    thick = max(1, int(_SLAB_VOXELS // (n_y * n_x)))
    for first in range(0, n_z, thick):
        last = min(n_z, first + thick)
        inside = coverage_of_slab(envelope, frame, (n_z, n_y, n_x), spacing, first=first, last=last)
        wider = widest = inside
        if envelope.beyond_um is not None:
            beyond = envelope.beyond_um[first:last]
            wider = (beyond <= reach.ends_um).astype(np.float32)
            widest = (beyond <= reach.ends_um + reach.air_um).astype(np.float32)
        elif reach.ends_um > 0:
            parts = []
            for more in (0.0, reach.air_um):
                planes = extended_planes(
                    envelope,
                    frame,
                    below_um=reach.ends_um + more,
                    above_um=reach.ends_um + more,
                    around_um=reach.sides_um,
                )
                shape = (last - first, n_y, n_x)
                parts.append(
                    inside_share(planes, shape=shape, spacing_um=spacing, first_slice=first)
                )
            wider, widest = parts
        if widest.any():
            yield Slab(first, last, inside, wider, widest)


def slab_axes(
    frame: BuildFrame, spacing_um: tuple[float, float, float], first: int, directions: FloatArray
) -> FloatArray:
    """Return rows (a, b, c, d): a coordinate as a·z + b·y + c·x + d of indices in the slab.

    `directions` (k, 3) are combinations of the frame's X, Y, H.
    """
    in_scan = directions @ frame.rotation
    rows = in_scan * np.asarray(spacing_um)
    at_zero = in_scan @ (np.array([first * spacing_um[0], 0.0, 0.0]) - frame.origin_um)
    return np.column_stack([rows, at_zero])


def collect(
    material: MaterialMap,
    frame: BuildFrame,
    fibres: FibreField,
    envelope: Envelope,
    reach: Reach,
) -> Sums:
    """Return all sums in one pass over the scan."""
    base, top = envelope.base_um, envelope.top_um
    count = _height_slabs(material, frame, fibres, envelope)
    width = (top - base) / count
    directions, corner, block, blocks = _block_grid(fibres, envelope)
    bins = np.array([0.5 * (base + top), base, width, corner[0], corner[1], block])
    totals = np.zeros(k.TOTALS)
    level_counts = np.zeros(k.LEVEL_BINS)
    heights = np.zeros((2, count))
    by_block = np.zeros((2, *blocks))
    for slab in slabs(material, frame, envelope, reach):
        k.add_slab(
            material.fraction[slab.first : slab.last],
            slab.inside,
            slab.wider,
            slab.widest,
            slab_axes(frame, material.spacing_um, slab.first, directions),
            bins,
            np.float32(material.level),
            totals,
            level_counts,
            heights[0],
            heights[1],
            by_block[0],
            by_block[1],
        )
    room = _room(envelope, reach, material)
    solid = totals[k.POLYMER] / totals[k.VOLUME] if totals[k.VOLUME] > 0 else 0.0
    limit = _AIR_FRACTION + 0.1 * max(0.0, solid)
    return Sums(
        volume=float(totals[k.VOLUME]),
        polymer=float(totals[k.POLYMER]),
        above_level=float(totals[k.ABOVE_LEVEL]),
        carried=(float(totals[k.OUT_BELOW]), float(totals[k.OUT_ABOVE])),
        is_air=(
            _mean(totals[k.FAR_BELOW], totals[k.FAR_BELOW_VOLUME]) < limit,
            _mean(totals[k.FAR_ABOVE], totals[k.FAR_ABOVE_VOLUME]) < limit,
        ),
        has_room=(
            bool(totals[k.EXT_BELOW] >= _LEAST_ROOM * room),
            bool(totals[k.EXT_ABOVE] >= _LEAST_ROOM * room),
        ),
        level_counts=level_counts,
        height_polymer=heights[0],
        height_volume=heights[1],
        heights_um=np.asarray(base + width * (np.arange(count) + 0.5), dtype=np.float64),
        block_polymer=by_block[0],
        block_volume=by_block[1],
        summed_volume=float(totals[k.VOLUME] + totals[k.EXT_BELOW] + totals[k.EXT_ABOVE]),
    )


def unseen_share(
    material: MaterialMap, frame: BuildFrame, envelope: Envelope, reach: Reach
) -> float:
    """Return the share of the envelope that foreign bodies hide; a plate lies outside it."""
    hidden = material.left_out
    if hidden is None or hidden.shape != material.fraction.shape:
        return 0.0
    if material.collector is not None:
        hidden = hidden & ~material.collector.mask
    if not hidden.any():
        return 0.0
    seen = volume = 0.0
    for slab in slabs(material, frame, envelope, reach):
        volume += float(slab.inside.sum(dtype=np.float64))
        seen += float(slab.inside[hidden[slab.first : slab.last]].sum(dtype=np.float64))
    return seen / volume if volume > 0 else 0.0


def _mean(polymer: float, volume: float) -> float:
    return float(polymer / volume) if volume > 0 else 0.0


def _room(envelope: Envelope, reach: Reach, material: MaterialMap) -> float:
    """Return the extension's volume beyond one face, in voxels, if the scan shows all of it."""
    voxel = float(np.prod(material.spacing_um))
    return envelope.area_um2 * reach.ends_um / voxel


def _height_slabs(
    material: MaterialMap, frame: BuildFrame, fibres: FibreField, envelope: Envelope
) -> int:
    """Return the number of slabs: a quarter of the layer height each, or about a voxel."""
    height = envelope.top_um - envelope.base_um
    voxel = float(np.abs(frame.h) @ np.asarray(material.spacing_um))
    wanted = fibres.layer_height_um.value / 4.0 if fibres.layer_height_um is not None else voxel
    return max(1, round(height / max(wanted, voxel)))


def _block_grid(
    fibres: FibreField, envelope: Envelope
) -> tuple[FloatArray, FloatArray, float, tuple[int, int]]:
    """Return height and plan-view directions (3, 3), corner, block size, and blocks a side.

    Blocks are two spacings wide (whole cells, so that the pattern itself does not count as
    scatter), at least three and at most twelve a side; without fibres four a side.
    """
    angle = 0.0
    spacings = [f.spacing_um.value for f in fibres.families if f.spacing_um is not None]
    if fibres.families:
        angle = math.radians(fibres.families[0].direction_deg.value)
    u = np.array([math.cos(angle), math.sin(angle)])
    v = np.array([-math.sin(angle), math.cos(angle)])
    places = envelope.outline_um @ np.stack([u, v]).T
    low, size = places.min(axis=0), np.ptp(places, axis=0)
    wanted = size.max() / 4.0
    if spacings:
        mean = float(np.mean(spacings))
        wanted = mean * max(1.0, math.floor(min(2.0, size.min() / (3.0 * mean))))
        wanted = max(wanted, size.max() / 12.0)
    blocks = np.maximum(1, np.ceil(size / wanted - 1e-6)).astype(int)
    directions = np.array([[0.0, 0.0, 1.0], [*u, 0.0], [*v, 0.0]])
    return directions, low, float(wanted), (int(blocks[0]), int(blocks[1]))
