"""Walls of a family as the lean model sees them: along one normal, what they share taken off."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Family, Wall
from volscan.shift.causes import LeanModel, fit_leans

FloatArray = NDArray[np.float64]

# Fibres of a wall that rise by less than this many diameters rest on each other all along.
_WELDED_RISE = 1.05


@dataclass(frozen=True)
class WallGroup:
    """A family's walls along its left normal: tan(tilt) and offset per fibre, without shared u."""

    family: Family
    normal: FloatArray
    walls: tuple[Wall, ...]
    lean: FloatArray
    u_lean: FloatArray
    step_um: FloatArray
    u_step_um: FloatArray
    rise_um: float
    model: LeanModel

    @property
    def welded(self) -> bool:
        """Whether the wall's fibres rest on each other all along."""
        return self.rise_um < _WELDED_RISE * self.family.diameter_um.value


def wall_groups(
    walls: Sequence[Wall], fibres: FibreField, frame: BuildFrame, middle: tuple[float, float]
) -> list[WallGroup]:
    """Return the groups of walls whose lean and offset were measured, by family."""
    groups = []
    for family in fibres.families:
        own = tuple(
            w
            for w in walls
            if w.family == family.id
            and w.tilt_deg is not None
            and w.lean_vector is not None
            and w.offset_per_fibre_um is not None
        )
        if not own:
            continue
        a = math.radians(family.direction_deg.value)
        normal = np.array([-math.sin(a), math.cos(a)])
        lean = np.array([np.dot(w.lean_vector or (0.0, 0.0), normal) for w in own])
        u_lean = np.array([_own_u_lean(w, frame) for w in own])
        facing = np.array([_facing(w, normal) for w in own])
        step = np.array([w.offset_per_fibre_um.value for w in own if w.offset_per_fibre_um])
        rise = _rise(family, own)
        shared = rise * math.radians(frame.u_tilt_deg or 0.0)
        u_step = np.array(
            [
                math.sqrt(max((w.offset_per_fibre_um.u or 0.0) ** 2 - shared**2, 0.0))
                for w in own
                if w.offset_per_fibre_um
            ]
        )
        distance = np.array([w.position_um * f for w, f in zip(own, facing, strict=True)])
        distance = distance - float(np.dot(middle, normal))
        model = fit_leans(lean, u_lean, distance)
        groups.append(
            WallGroup(family, normal, own, lean, u_lean, step * facing, u_step, rise, model)
        )
    return groups


def _facing(wall: Wall, normal: FloatArray) -> float:
    """Return the cosine between a wall's own left normal and the family's."""
    a = math.radians(wall.direction_deg)
    return float(-math.sin(a) * normal[0] + math.cos(a) * normal[1])


def _own_u_lean(wall: Wall, frame: BuildFrame) -> float:
    """Return the uncertainty of tan(tilt) without the part that all walls share."""
    assert wall.tilt_deg is not None  # told by the caller
    u = wall.tilt_deg.u or 0.0
    own = math.sqrt(max(u * u - (frame.u_tilt_deg or 0.0) ** 2, 0.0))
    return math.radians(own) / math.cos(math.radians(wall.tilt_deg.value)) ** 2


def _rise(family: Family, own: tuple[Wall, ...]) -> float:
    if family.rise_per_fibre_um is not None:
        return family.rise_per_fibre_um.value
    steps = [np.diff(w.layer_heights_um) for w in own if len(w.layer_heights_um) > 1]
    found = np.concatenate(steps) if steps else np.empty(0)
    found = found[np.isfinite(found)]
    return float(np.median(found)) if found.size else 0.0


def rank_of_normals(groups: Sequence[WallGroup]) -> int:
    """Return 2 when the walls run in more than one direction, else 1."""
    return int(np.linalg.matrix_rank(np.stack([g.normal for g in groups]), tol=0.05))
