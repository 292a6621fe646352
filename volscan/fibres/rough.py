"""First sight of straight families, and how many fibres their welded walls hold."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.columns import family_axes, find_walls
from volscan.fibres.count import SURE, WELDED, likeliest_count
from volscan.fibres.crosssection import Optics
from volscan.fibres.directions import find_directions
from volscan.fibres.follow import FEWEST_BINS, gathered_columns
from volscan.fibres.gather import MOST_FAMILIES, FamilyTrack, WallTrack, track_family
from volscan.fibres.layers import find_stack
from volscan.geometry import BuildFrame
from volscan.prepare.ct import FWHM_PER_SIGMA
from volscan.prepare.material import MaterialMap

# A family's stack must be explained by discs to within this share of its peak.
_WORST_STACK = 0.12
# ... or this where a film was taken out of it.
_WORST_CUT_STACK = 0.25
# Number of fibres in a wall is sure when the next best misfit is this many times the best.
_CLEAR_LEAD = 2.0


def rough_families(
    material: MaterialMap, frame: BuildFrame, points: NDArray[np.float64]
) -> list[FamilyTrack]:
    """Find directions, walls and layers; drop directions that hold no stack of fibres."""
    bin_um = max(material.spacing_um)
    thickness = max(material.rough_thickness_um, 2.0 * bin_um)
    blur = first_optics(material).sigma_um[1]
    tracks = []
    for along in find_directions(points, frame.h, bin_um=bin_um)[:MOST_FAMILIES]:
        axes = family_axes(along, frame.h)
        rough = find_walls(material, axes, points=points, thickness_um=thickness)
        if rough is None:
            continue
        stack = find_stack(
            rough.height_um,
            rough.profile,
            diameter_um=thickness,
            blur_um=math.hypot(blur, 0.3 * bin_um),
        )
        worst = _WORST_STACK if material.hidden is None else _WORST_CUT_STACK
        if stack is None or stack.residual > worst:
            continue
        track = track_family(
            material,
            rough,
            heights_um=stack.heights_um,
            diameter_um=stack.diameter_um,
            points=points,
        )
        if track is not None:
            sure = stack.runner_up > _CLEAR_LEAD * stack.residual
            tracks.append(replace(track, sure_count=sure))
    return tracks


def first_optics(material: MaterialMap) -> Optics:
    """Return where the fit of optics starts: the blur seen at edges."""
    fwhm = (
        material.blur_um.value if material.blur_um is not None else 2.0 * max(material.spacing_um)
    )
    sigma = max(fwhm / FWHM_PER_SIGMA, 0.25 * max(material.spacing_um))
    return Optics(1.0, (sigma, sigma, sigma), 0.02, 1.0)


def settle_counts(
    material: MaterialMap, families: list[FamilyTrack], optics: Optics
) -> tuple[list[FamilyTrack], int]:
    """Settle how many fibres welded walls hold; return how many families stay open."""
    welded = [
        i
        for i, f in enumerate(families)
        if f.walls[0].height_um.size > 1
        and float(np.diff(f.walls[0].height_um).mean()) < WELDED * 2.0 * f.walls[0].radius_um.mean()
    ]
    # Where the profile of the mean wall shows every fibre there is nothing to settle.
    welded = [i for i in welded if not families[i].sure_count]
    if not welded:
        return families, 0
    groups = gathered_columns(material, families, optics, segments=[1] * len(families))
    if any(c.n.size < FEWEST_BINS * c.radius.size for g in groups for c in g.columns):
        return families, len(welded)
    settled, unsure = list(families), 0
    for alike in _alike(families, welded):
        count, size, lead = likeliest_count(
            [c for i in alike for c in groups[i].columns], optics, groups[alike[0]].grid
        )
        unsure += len(alike) * (lead < SURE)
        for i in alike:
            settled[i] = _restacked(families[i], count, size)
    return settled, unsure


def _alike(families: list[FamilyTrack], welded: list[int]) -> list[list[int]]:
    """Group welded families whose walls are equally tall to half a radius: they share layers."""
    groups: list[list[int]] = []
    for i in welded:
        for group in groups:
            a, b = families[i].walls[0], families[group[0]].walls[0]
            if abs(_tall(a) - _tall(b)) < a.radius_um.mean():
                group.append(i)
                break
        else:
            groups.append([i])
    return groups


def _tall(wall: WallTrack) -> float:
    """Return a wall's height from the underside of its lowest fibre to the top of its highest."""
    return float(np.ptp(wall.height_um) + wall.radius_um[0] + wall.radius_um[-1])


def _restacked(family: FamilyTrack, count: int, diameter_um: float) -> FamilyTrack:
    """Return the family with `count` even layers between its base and its top."""
    walls = []
    for wall in family.walls:
        low = float(wall.height_um[0] - wall.radius_um[0]) + 0.5 * diameter_um
        high = float(wall.height_um[-1] + wall.radius_um[-1]) - 0.5 * diameter_um
        walls.append(
            replace(
                wall,
                height_um=np.linspace(low, high, count),
                offset_um=np.zeros(count),
                radius_um=np.full(count, 0.5 * diameter_um),
                present=np.ones(count, np.bool_),
            )
        )
    return replace(family, walls=tuple(walls))
