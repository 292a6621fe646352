"""What merging voxels does to the sizes of a scan's own pores, told on a block of it.

Above 256³ voxels sizes are measured with voxels merged in pairs. How far that moves them depends on
how many voxels a fibre and a pore span, so it is not a constant: a block from the middle of the
scan is measured both ways, and the difference is taken off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from volscan.geometry import BuildFrame, Envelope, FloatArray
from volscan.pores.sizes import Sizes, distribution, inscribed_diameters, largest_spheres
from volscan.pores.solid import F32, WorkingGrid, build_solid, working_coverage, working_grid
from volscan.prepare.material import MaterialMap
from volscan.quantity import Quantity, combine_u

# Edge of the block in voxels: some pores across, and quick.
BLOCK_VOXELS = 160
# The block's pores are not all pores: this share of the difference stays unsure.
_UNSURE = 0.5


@dataclass(frozen=True)
class MergingBias:
    """Sizes of the block's pores with voxels merged, and exact."""

    merged: Sizes
    exact: Sizes

    def free_mean(self, found: Quantity) -> Quantity:
        """Return the mean without its bias."""
        return _free(found, self.merged.mean_um - self.exact.mean_um)

    def free_quantile(self, found: Quantity, q: float) -> Quantity:
        """Return a quantile without its bias."""
        return _free(found, self.merged.quantile(q) - self.exact.quantile(q))


def _free(found: Quantity, bias_um: float) -> Quantity:
    """Return a size without its bias, half of which stays in u.

    Merging moves a size by no more than twice the u that merged voxels have in any case. A larger
    difference is of few pores cut by the block's faces: it is no bias of the whole, but tells
    how unsure the size is.
    """
    u = found.u or 0.0
    if abs(bias_um) > 2.0 * u:
        return replace(found, u=combine_u([u, abs(bias_um)]))
    return replace(found, value=found.value - bias_um, u=combine_u([u, _UNSURE * abs(bias_um)]))


def merging_bias(
    material: MaterialMap,
    frame: BuildFrame,
    envelope: Envelope,
    *,
    surface_level: float | None,
    solid_model: F32 | None,
) -> MergingBias | None:
    """Measure a block from the middle of the envelope with voxels merged and as they are.

    Returns None where the block shows no pore, or no solid.
    """
    shape = material.fraction.shape
    spacing = np.asarray(material.spacing_um)
    middle = _middle_um(frame, envelope, (np.asarray(shape) - 1) * spacing / 2) / spacing
    start = []
    for centre, n in zip(middle, shape, strict=True):
        most = max(n - BLOCK_VOXELS, 0)
        # Even, so that merged voxels are those of the whole scan.
        start.append(int(np.clip(centre - BLOCK_VOXELS / 2, 0, most)) // 2 * 2)
    block = tuple(slice(a, a + BLOCK_VOXELS) for a in start)
    part = replace(
        material,
        fraction=np.ascontiguousarray(material.fraction[block]),
        solid=np.ascontiguousarray(material.solid[block]),
    )
    moved = replace(frame, origin_um=frame.origin_um - np.array(start) * spacing)
    if envelope.inside is not None:
        envelope = replace(envelope, inside=np.ascontiguousarray(envelope.inside[block]))
    model = None if solid_model is None else np.ascontiguousarray(solid_model[block])
    sizes = []
    for exact in (False, True):
        grid = working_grid(part.fraction.shape, material.spacing_um, exact=exact)
        found = _sizes(part, moved, envelope, grid, surface_level=surface_level, model=model)
        if found is None:
            return None
        sizes.append(found)
    return MergingBias(*sizes)


def _middle_um(frame: BuildFrame, envelope: Envelope, whole_um: FloatArray) -> FloatArray:
    """Return the envelope's middle in scan coordinates; that of the scan where it is all of it."""
    if envelope.whole_array or envelope.inside is not None or len(envelope.outline_um) == 0:
        return whole_um
    low, high = envelope.outline_um.min(axis=0), envelope.outline_um.max(axis=0)
    height = 0.5 * (envelope.base_um + envelope.top_um)
    return np.asarray(frame.to_scan(np.array([[*(0.5 * (low + high)), height]]))[0])


def _sizes(
    material: MaterialMap,
    frame: BuildFrame,
    envelope: Envelope,
    grid: WorkingGrid,
    *,
    surface_level: float | None,
    model: F32 | None,
) -> Sizes | None:
    coverage = working_coverage(envelope, frame, grid)
    solid, _ = build_solid(
        material, surface_level=surface_level, solid_model=model, grid=grid, coverage=coverage
    )
    if solid is None:
        return None
    radius, offsets = largest_spheres(solid)
    return distribution(inscribed_diameters(solid, radius, offsets, coverage=coverage, factor=1))
