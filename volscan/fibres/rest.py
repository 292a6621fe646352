"""Families that the longest fibres outshout: looked for in the solid that found fibres leave over.

A print's directions show as peaks over the middle of all directions, and a family with a small
share of the solid stays below what counts there: fibres along a tube between hoops that are each
a turn long. Away from the fibres that were found, it is all there is.
"""

from __future__ import annotations

import math

import numpy as np

from volscan.fibres.gather import FamilyTrack, left_over, mark_families
from volscan.fibres.rough import rough_families
from volscan.geometry import BuildFrame
from volscan.prepare.material import MaterialMap

# Less than this share of the solid is turning loops and debris.
_LEAST_REST = 0.05
# Directions nearer than this to a family's are its own fibres, badly met.
_OWN_DEG = 6.0
_POINTS = 300_000


def further_families(
    material: MaterialMap, frame: BuildFrame, families: list[FamilyTrack]
) -> list[FamilyTrack]:
    """Return the straight families of the solid that no fibre of `families` comes near.

    Parameters
    ----------
    material
        The material map.
    frame
        The build frame.
    families
        What was found and fitted.
    """
    near = mark_families(
        material, families, margin_um=1.5 * max(material.spacing_um), strays_too=False
    )
    rest = left_over(material, near)
    found = np.flatnonzero(rest)
    if found.size < _LEAST_REST * np.count_nonzero(material.solid):
        return []
    found = found[:: max(1, math.ceil(found.size / _POINTS))]
    places = np.stack(np.unravel_index(found, rest.shape), axis=-1)
    points = np.asarray(places * np.asarray(material.spacing_um), dtype=np.float64)
    limit = math.cos(math.radians(_OWN_DEG))
    return [
        f
        for f in rough_families(material, frame, points)
        if all(abs(float(f.axes.along @ g.axes.along)) < limit for g in families)
    ]
