"""Whether what was fitted are stacks of fibres, or something else that happens to have lines."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from volscan.fibres.crosssection import Column, Optics, ScanGrid, model_values
from volscan.fibres.gather import STRAY, FamilyTrack, mark_families
from volscan.fibres.lines import FittedWall
from volscan.prepare.material import MaterialMap

# Round fibres leave a few percent of a section unexplained; the walls of an engine block leave 12
# to 100 %.
_WORST_MISFIT = 0.15
# A wall among others that are stacks beyond doubt may have more: a loop beside it, or noise.
_WORST_AMONG_CLEAR = 0.25
# A straight fibre's centres stray by no more than this many radii from their line.
_MOST_STRAY = 1.0
# Fibres fill this share of all the polymer seen, at least and at most: turning loops and torn
# edges are polymer outside the fibres, crossings count twice in the sum of the fibres' volumes.
_LEAST_SHARE, _LARGEST_SHARE = 0.6, 3.0


def relative_misfit(column: Column, optics: Optics, grid: ScanGrid) -> float:
    """Return the root mean square misfit beyond noise, as a share of the section's own."""
    rest = column.value - model_values(column, optics, grid)
    total = float(column.count.sum())
    power = float((column.count * column.value**2).sum()) / total
    if power <= 0:
        return math.inf
    # Where noise is strong its estimate must not eat the whole section.
    noise = min(grid.noise**2 * column.n.size / total, 0.5 * power)
    excess = float((column.count * rest**2).sum()) / total - noise
    return math.sqrt(max(excess, 0.0) / (power - noise))


def credible_walls(walls: list[FittedWall]) -> list[bool]:
    """Tell of each wall whether it is a stack of straight round fibres."""
    sound = [w.along_um.size >= 2 and _stray(w) <= _MOST_STRAY for w in walls]
    clear = [ok and w.misfit <= _WORST_MISFIT for ok, w in zip(sound, walls, strict=True)]
    mostly = {}
    for family in {w.family for w in walls}:
        own = [c for c, w in zip(clear, walls, strict=True) if w.family == family]
        mostly[family] = 2 * sum(own) > len(own)
    return [
        clearly or (ok and mostly[w.family] and w.misfit <= _WORST_AMONG_CLEAR)
        for ok, clearly, w in zip(sound, clear, walls, strict=True)
    ]


def _stray(wall: FittedWall) -> float:
    """Return how far centres stray from straight lines, in radii (median over fibres)."""
    radius = float(wall.radius_um.mean())
    strays = []
    for values in (wall.across_um, wall.up_um):
        s = wall.along_um - wall.along_um.mean()
        slope = (s @ (values - values.mean(axis=0))) / float(s @ s)
        rest = values - values.mean(axis=0) - s[:, None] * slope
        strays.append(np.sqrt(np.mean(rest**2, axis=0)))
    return float(np.median(np.hypot(*strays))) / radius


def accounts_for(share: float) -> bool:
    """Return whether fibres of this `explained_share` are of the order of all the polymer."""
    return _LEAST_SHARE <= share <= _LARGEST_SHARE


def explained_share(material: MaterialMap, walls: list[FittedWall], contrast: float) -> float:
    """Return the fibres' volume over that of all polymer in the scan; crossings count twice."""
    volume = sum(math.pi * float((w.radius_um**2).sum()) * (w.end_um - w.start_um) for w in walls)
    voxel = float(np.prod(material.spacing_um))
    polymer = float(material.fraction[material.solid].sum(dtype=np.float64)) * voxel / contrast
    return volume / polymer if polymer > 0 else 0.0


@dataclass(frozen=True)
class Overlap:
    """Share of all solid voxels that fibres hold, and share of the fibres that is solid."""

    held: float
    filled: float

    @property
    def likeness(self) -> float:
        """Twice the common volume over the sum of both (L. R. Dice, 1945, Ecology 26, 297)."""
        total = self.held + self.filled
        return 2.0 * self.held * self.filled / total if total > 0 else 0.0


def overlap(material: MaterialMap, families: list[FamilyTrack]) -> Overlap:
    """Return how far the fibres and what is solid are one; crossings count once."""
    inside = (
        mark_families(
            material, families, margin_um=0.25 * max(material.spacing_um), strays_too=False
        )
        & np.uint8(STRAY - 1)
    ) > 0
    both = float(np.count_nonzero(inside & material.solid))
    solid = float(np.count_nonzero(material.solid))
    return Overlap(both / max(solid, 1.0), both / max(float(np.count_nonzero(inside)), 1.0))
