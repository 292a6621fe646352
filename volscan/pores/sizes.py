"""The inscribed-sphere distribution: how large a sphere each point of the pores can lie in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.kernels.peaks import peak_spheres
from volscan.pores.paint import Painted, painted
from volscan.pores.solid import Solid
from volscan.quantity import Quantity, combine_u

F32 = NDArray[np.float32]

# Fine bins from which quantiles are read: a thousandth of the largest diameter and finer.
FINE_BINS = 8192
HISTOGRAM_BINS = 40


@dataclass(frozen=True)
class Sizes:
    """Volume-weighted sizes in µm.

    Parameters
    ----------
    mean_um, largest_um
        Mean and largest diameter.
    edges_um, share
        Upper edges of the fine bins and the share of the pore volume up to each.
    """

    mean_um: float
    largest_um: float
    edges_um: NDArray[np.float64]
    share: NDArray[np.float64]

    def quantile(self, q: float) -> float:
        """Return the diameter up to which the share q of the pore volume lies."""
        k = int(np.searchsorted(self.share, min(max(q, 0.0), 1.0) - 1e-12))
        return float(self.edges_um[min(k, self.edges_um.size - 1)])

    def histogram(self) -> NDArray[np.float64]:
        """Return rows (upper edge of the bin in µm, share of pore volume)."""
        coarse = np.linspace(0, self.largest_um, HISTOGRAM_BINS + 1)
        below = np.interp(coarse, self.edges_um, self.share)
        rows = np.column_stack([coarse[1:], np.diff(below)])
        rows.flags.writeable = False
        return rows

    def measured_quantile(self, q: float, *, u_um: float, u_share: float) -> Quantity:
        """Return a quantile whose u also holds what an unsure share of small spheres moves it by.

        Where few pores are of the size of the quantile, a small share more or less of the thin
        layer along the walls moves it far; half the way between the quantiles at q ± u_share.
        """
        reach = 0.5 * (self.quantile(q + u_share) - self.quantile(q - u_share))
        return Quantity(self.quantile(q), combine_u([u_um, reach]), "µm", 1)

    def measured_mean(self, *, u_um: float, u_share: float) -> Quantity:
        """Return the mean; a layer of small spheres more or less moves it by its share."""
        spread = u_share * (self.mean_um - self.quantile(0.1))
        return Quantity(self.mean_um, combine_u([u_um, spread]), "µm", 1)


def u_share_of_walls(solid: Solid, *, coverage: F32 | None) -> float:
    """Return the share of the pore volume that lies within the faces' uncertainty.

    Each face is unsure by half of u(diameter). The pore volume along the walls for each µm is
    taken from the voxels within one voxel of a face.
    """
    near = volume = 0.0
    width = min(solid.spacing_um)
    for z in range(solid.dist_um.shape[0]):
        d = solid.dist_um[z]
        w = np.float64(1.0) if coverage is None else coverage[z].astype(np.float64)
        volume += float(np.sum((d > 0) * w))
        near += float(np.sum(((d > 0) & (d <= width)) * w))
    return near / volume * 0.5 * solid.u_diameter_um / width if volume > 0 else 0.0


def largest_spheres(solid: Solid) -> tuple[F32, NDArray[np.int8]]:
    """Return radius and centre's offset of the largest sphere in each voxel: see `peak_spheres`."""
    return peak_spheres(
        solid.dist_um,
        solid.ids,
        solid.surface.centres_um,
        solid.surface.normals,
        spacing_um=solid.spacing_um,
        disc_radius_um=solid.surface.disc_radius_um,
    )


def inscribed_diameters(
    solid: Solid, radius_um: F32, offsets: NDArray[np.int8], *, coverage: F32 | None, factor: int
) -> Painted:
    """Return the inscribed-sphere diameter of each pore voxel inside the envelope.

    The diameter at a point is that of the largest sphere that contains it and fits in the pore
    space. Only solid limits a sphere, also solid outside the envelope; its centre's voxel lies in
    the envelope by at least half. `factor` as in `painted`.
    """
    pore = solid.dist_um > 0
    allowed = radius_um
    if coverage is not None:
        pore &= coverage > 0
        allowed = np.where(coverage >= np.float32(0.5), radius_um, np.float32(0))
    return painted(
        allowed,
        offsets,
        spacing_um=solid.spacing_um,
        pore=pore,
        coverage=coverage,
        factor=factor,
    )


def distribution(found: Painted) -> Sizes | None:
    """Sum the diameters up, each node weighted by the pore volume it stands for."""
    diameters_um = found.diameters_um
    largest = float(diameters_um.max(initial=0.0))
    if largest <= 0:
        return None
    fine = np.zeros(FINE_BINS + 1)
    total = first = 0.0
    for z in range(diameters_um.shape[0]):
        here = diameters_um[z] > 0
        d = diameters_um[z][here].astype(np.float64)
        w = found.weights[z][here].astype(np.float64)
        total += w.sum()
        first += (w * d).sum()
        fine += np.bincount(
            np.ceil(d * (FINE_BINS / largest)).astype(np.int64).clip(0, FINE_BINS),
            weights=w,
            minlength=FINE_BINS + 1,
        )
    if total <= 0:
        return None
    edges = np.linspace(0.0, largest, FINE_BINS + 1, dtype=np.float64)
    share = np.asarray(np.cumsum(fine) / total, dtype=np.float64)
    return Sizes(float(first / total), largest, edges, share)
