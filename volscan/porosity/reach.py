"""Which pores the air outside can reach."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cc3d
import numpy as np
from numpy.typing import NDArray

from volscan.envelope import coverage_of_slab
from volscan.geometry import BuildFrame, Envelope
from volscan.kernels.sums import add_label_slab
from volscan.prepare.material import MaterialMap

# A closed pore of fewer voxels than this (times the voxels that share their noise) cannot be
# told from noise inside solid.
_LEAST_PORE_VOX = 8


@dataclass(frozen=True)
class ReachableVoid:
    """Volumes in voxels: void that is open to the outside, sealed, and too small to tell."""

    open: float
    sealed: float
    specks: float
    speck_count: int


def reachable_void(
    material: MaterialMap, frame: BuildFrame, envelope: Envelope, *, level: float
) -> ReachableVoid:
    """Return how much void inside the envelope connects to a face of the scan.

    Void is 6-connected. Whatever reaches a face of the scan counts as open: the air around the
    piece does, and so do pores that the field of view cuts.

    Memory: 5 bytes a voxel.
    """
    void = material.fraction < np.float32(level)
    labels = np.asarray(cc3d.connected_components(void, connectivity=6))
    del void
    count = int(labels.max())
    volumes, sizes = np.zeros(count + 1), np.zeros(count + 1, dtype=np.int64)
    shape = (labels.shape[0], labels.shape[1], labels.shape[2])
    thick = max(1, int(6e6 // (shape[1] * shape[2])))
    for first in range(0, shape[0], thick):
        last = min(shape[0], first + thick)
        inside = coverage_of_slab(
            envelope, frame, shape, material.spacing_um, first=first, last=last
        )
        add_label_slab(labels[first:last], inside, volumes, sizes)
    is_open = np.zeros(count + 1, dtype=bool)
    is_open[_labels_on_faces(labels)] = True
    is_open[0] = False
    small = ~is_open & (sizes < _least_pore(material))
    small[0] = False
    sealed = ~is_open & ~small
    sealed[0] = False
    return ReachableVoid(
        float(volumes[is_open].sum()),
        float(volumes[sealed].sum()),
        float(volumes[small].sum()),
        int(np.count_nonzero(small & (volumes > 0))),
    )


def _labels_on_faces(labels: NDArray[np.integer]) -> NDArray[np.integer]:
    faces = [labels[0], labels[-1], labels[:, 0], labels[:, -1], labels[:, :, 0], labels[:, :, -1]]
    return np.unique(np.concatenate([np.unique(face) for face in faces]))


def _least_pore(material: MaterialMap) -> int:
    if material.noise_air <= 0:
        return 1
    return math.ceil(_LEAST_PORE_VOX * max(1.0, material.noise_correlation_vox))
