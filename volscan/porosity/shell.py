"""A tube's porosity along its radius, and its spread over parts of the shell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from volscan.fibres.field import FibreField
from volscan.geometry import Envelope, TubeFrame
from volscan.porosity.sampling import spread_of_blocks
from volscan.prepare.material import MaterialMap

# Parts of the shell: about two spacings wide, so many at most along and around.
_MOST_PARTS, _FEWEST_PARTS = 12, 3


@dataclass(frozen=True)
class ShellProfile:
    """(height above the inner surface in µm, porosity) pairs, and the spread over parts."""

    by_height: tuple[tuple[float, float], ...]
    u_sampling: float | None


def shell_profile(
    material: MaterialMap, tube: TubeFrame, fibres: FibreField, envelope: Envelope
) -> ShellProfile:
    """Return porosity by height along the radius inside a mask, and its sampling spread.

    Notes
    -----
    Slabs are a quarter of the layer height thick, about a voxel at least; a voxel counts in the
    slab of its centre, with its own volume, so that outer slabs weigh more. Parts are counted in
    as the flat print's blocks are: cells of about two spacings.
    """
    if envelope.inside is None:
        return ShellProfile((), None)
    top = envelope.top_um - envelope.base_um
    voxel = min(material.spacing_um)
    step = fibres.layer_height_um.value / 4.0 if fibres.layer_height_um is not None else voxel
    slabs = max(1, round(top / max(step, voxel)))
    along, around = _parts(tube, fibres, envelope)
    low = float(envelope.outline_um[:, 0].min())
    length = max(float(np.ptp(envelope.outline_um[:, 0])), 1e-9)
    heights, blocks = np.zeros((2, slabs)), np.zeros((2, along * around))
    spacing = np.asarray(material.spacing_um)
    for k in range(material.fraction.shape[0]):
        y, x = np.nonzero(envelope.inside[k])
        if not y.size:
            continue
        place = np.stack([np.full(y.size, k), y, x], axis=-1) * spacing
        built = tube.to_build(place)
        value = material.fraction[k, y, x].astype(np.float64)
        at = np.clip(((built[:, 2] - envelope.base_um) / top * slabs).astype(int), 0, slabs - 1)
        i = np.clip(((built[:, 0] - low) / length * along).astype(int), 0, along - 1)
        j = np.clip((built[:, 1] / tube.turn_um * around).astype(int), 0, around - 1)
        for out, index in ((heights, at), (blocks, i * around + j)):
            out[0] += np.bincount(index, value, out.shape[1])
            out[1] += np.bincount(index, minlength=out.shape[1])
    middles = envelope.base_um + top * (np.arange(slabs) + 0.5) / slabs
    rows = zip(middles, heights[0], heights[1], strict=True)
    by_height = tuple((float(h), float(1.0 - p / v)) for h, p, v in rows if v > 0)
    return ShellProfile(by_height, spread_of_blocks(blocks[0], blocks[1]))


def _parts(tube: TubeFrame, fibres: FibreField, envelope: Envelope) -> tuple[int, int]:
    """Return into how many parts the shell is divided along and around."""
    spacings = [f.spacing_um.value for f in fibres.families if f.spacing_um is not None]
    size = (float(np.ptp(envelope.outline_um[:, 0])), tube.turn_um)
    if not spacings:
        return (4, 4)
    cell = 2.0 * float(np.mean(spacings))
    along, around = (min(max(math.floor(v / cell), _FEWEST_PARTS), _MOST_PARTS) for v in size)
    return along, around
