"""The fitted fibres as a solid of their own, where they account for all that the scan shows.

Noise bridges narrow openings and blur fills the wedge where fibres touch; the fitted fibres have
neither. They may stand in for the scan's surface only when nothing else is there: a film, a stray
strand or a rough surface is in the scan and not in them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from volscan.envelope import coverage
from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Envelope
from volscan.kernels.filters import smooth
from volscan.kernels.tubes import render_tubes
from volscan.prepare.material import MaterialMap
from volscan.quantity import Notice

PORES_FROM_FIBRES = Notice(
    "pores_from_fibres",
    "pore sizes, throats and reach are those between the fitted fibres, which account for all "
    "solid seen inside the envelope",
)

# Polymer that no fitted fibre comes near, as a share of the fibres (own choice: a stray strand of
# one fibre among a hundred is seen), and how far all polymer may be off the fibres' volume.
_MOST_STRANGE = 0.01
_MOST_OFF = 0.06
# Two voxels of smoothing and this level widen the fibres by about three voxels: more than the
# surface wanders with noise.
_NEAR_SIGMA_VOX, _NEAR_LEVEL = 2.0, 0.03


def fibre_solid(
    material: MaterialMap, frame: BuildFrame, fibres: FibreField, envelope: Envelope
) -> NDArray[np.float32] | None:
    """Return the fitted fibres' share of each voxel (z, y, x), or None where they are not all.

    Parameters
    ----------
    material
        The map; the fibres are held against its unclipped fraction.
    frame, fibres, envelope
        As found; only what lies inside the envelope is compared.

    Notes
    -----
    Memory: three times the scan as float32.
    """
    if not fibres.fibres:
        return None
    share = render_tubes(
        [frame.to_scan(f.points_um) for f in fibres.fibres],
        [0.5 * f.diameters_um for f in fibres.fibres],
        shape=material.fraction.shape,
        spacing_um=material.spacing_um,
    )
    inside = coverage(envelope, frame, material.fraction.shape, material.spacing_um) > 0.5
    polymer = float(material.fraction[inside].sum(dtype=np.float64))
    drawn = float(share[inside].sum(dtype=np.float64))
    if polymer <= 0 or drawn <= 0:
        return None
    near = smooth(share, sigma_vox=(_NEAR_SIGMA_VOX,) * 3) > np.float32(_NEAR_LEVEL)
    # Integrals of the unclipped fraction: noise sums to nothing, polymer does not.
    away = inside & ~near
    strange = float(material.fraction[away].sum(dtype=np.float64)) / drawn
    noise = material.noise_air / (material.polymer - material.air)
    u_strange = noise * np.sqrt(material.noise_correlation_vox * np.count_nonzero(away)) / drawn
    if strange > _MOST_STRANGE + 2.0 * u_strange or abs(polymer / drawn - 1.0) > _MOST_OFF:
        return None
    return share
