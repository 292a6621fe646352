"""Draw the envelope: whole cells of the pattern, or what the user chose instead."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from volscan.envelope import polygon
from volscan.envelope.chosen import block_envelope, mask_envelope
from volscan.envelope.cover import covered_volume_um3
from volscan.envelope.faces import base_and_top
from volscan.envelope.solid import solid_extent
from volscan.envelope.strips import Strip, along, family_strips
from volscan.errors import NothingToMeasureError, SettingsError
from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Envelope, Wall
from volscan.prepare.material import MaterialMap
from volscan.quantity import Notice, combine_u
from volscan.walls.wallset import WallSet

FloatArray = NDArray[np.float64]

# A family without enough walls matters when it holds more than this share of all fibre length.
_MATTERS_SHARE = 0.1
# Pulling an outline in must leave a piece worth measuring.
_LEAST_AREA_SHARE = 0.25
# Directions nearer than this leave the strips' common part open along them.
_PARALLEL_DEG = 10.0
# Where a solid's outline is known only by its voxels: half a voxel on every side, as a
# rectangular distribution's standard deviation.
_U_OUTLINE_VOX = 0.5 / math.sqrt(3.0)


def make_envelope(
    material: MaterialMap,
    frame: BuildFrame,
    fibres: FibreField,
    walls: WallSet,
    *,
    choice: str | NDArray[np.bool_] = "auto",
) -> tuple[Envelope, tuple[Notice, ...]]:
    """Return the volume that porosity refers to, and what was assumed in drawing it.

    Parameters
    ----------
    material
        The material map; used for its shape and, where there are no fibres, its solid.
    frame
        The build frame.
    fibres, walls
        Fitted fibres and walls; both may be empty.
    choice
        "auto": base and top are mean tangents of the outer layers' fibres, the outline is the
        strip of each family between the mid-pore lines inside its outermost walls, the strips
        of all families intersected. "block": the whole array. "hull": the convex hull of the
        solid in plan view, between its base and top. A mask (z, y, x): those voxels.

    Raises
    ------
    SettingsError
        If a mask's shape differs from the scan's, or the choice is not known.
    NothingToMeasureError
        If a mask is empty or there is no solid to draw a hull around.

    Examples
    --------
    See docs/theory/envelope.md.
    """
    shape, spacing = material.fraction.shape, material.spacing_um
    if not isinstance(choice, str):
        return mask_envelope(np.asarray(choice), frame, shape, spacing)
    if choice == "block":
        return block_envelope(frame, shape, spacing)
    if choice == "hull":
        envelope, notices = _hull(material, frame)
    elif choice != "auto":
        raise SettingsError(f'envelope must be "auto", "block", "hull" or a mask, got {choice!r}')
    elif fibres.fibres:
        envelope, notices = _cells(frame, fibres, walls.walls, max(spacing))
    else:
        envelope, notices = _pulled_in_solid(material, frame)
    return _with_view(envelope, notices, material, frame)


def _hull(material: MaterialMap, frame: BuildFrame) -> tuple[Envelope, tuple[Notice, ...]]:
    extent = solid_extent(material, frame)
    return (
        Envelope(
            definition="hull: convex hull of the solid in plan view, between its base and top",
            outline_um=extent.outline_um,
            base_um=extent.base_um,
            top_um=extent.top_um,
            u_volume_frac=_u_of_voxel_outline(
                extent.outline_um, extent.base_um, extent.top_um, material.spacing_um
            ),
            encloses_solid=True,
        ),
        (),
    )


def _pulled_in_solid(
    material: MaterialMap, frame: BuildFrame
) -> tuple[Envelope, tuple[Notice, ...]]:
    extent = solid_extent(material, frame)
    outline, distance = _pulled_in(extent.outline_um, extent.opening_um)
    notice = Notice(
        "outline_of_solid",
        f"no fibres: the envelope is the outline of the solid pulled in by {distance:.3g} µm "
        "(its mean opening), between the solid's base and top",
    )
    return (
        Envelope(
            definition=f"outline of the solid pulled in by {distance:.3g} µm",
            outline_um=outline,
            base_um=extent.base_um,
            top_um=extent.top_um,
            u_volume_frac=_u_of_voxel_outline(
                outline, extent.base_um, extent.top_um, material.spacing_um
            ),
            encloses_solid=distance == 0,
        ),
        (notice,),
    )


def _cells(
    frame: BuildFrame, fibres: FibreField, walls: tuple[Wall, ...], voxel_um: float
) -> tuple[Envelope, tuple[Notice, ...]]:
    strips, too_few, notices = family_strips(walls, fibres, voxel_um=voxel_um)
    length = {k: sum(f.length_um for f in fibres.fibres if f.family == k) for k in too_few}
    whole = sum(f.length_um for f in fibres.fibres)
    weighty = [k for k in too_few if length[k] > _MATTERS_SHARE * whole]
    field = polygon.hull(np.concatenate([f.points_um[:, :2] for f in fibres.fibres]))
    if strips and not weighty:
        if too_few:
            notices += (
                Notice(
                    "family_outside_envelope_rule",
                    "families with fewer than three walls and little fibre did not shape the "
                    "envelope",
                    len(too_few),
                ),
            )
        outline, definition, more = _strips_outline(strips, field, fibres, walls)
        if len(outline) < 3:
            why = "the families' strips do not overlap, as of scaffolds side by side"
            outline, definition, more = _field_outline(field, fibres, why)
    else:
        why = "a family has fewer than three walls"
        outline, definition, more = _field_outline(field, fibres, why)
    if len(outline) < 3:
        raise NothingToMeasureError(
            "the fibres leave no area to measure between their outermost walls: choose another "
            "envelope (block, hull or a mask)"
        )
    base, top, faces = base_and_top(fibres, outline, voxel_um=voxel_um)
    height = top.height_um - base.height_um
    if height <= 0:
        raise NothingToMeasureError(
            "the fibres' base and top do not stand apart: choose another envelope"
        )
    u = combine_u(
        [base.u_um / height, top.u_um / height, (base.u_shared_um + top.u_shared_um) / height]
        + [s.u_width for s in strips]
        + [s.cut_share / max(1, len(strips)) for s in strips]
    )
    envelope = Envelope(
        definition=definition + "; base and top: mean tangents of the outer layers' fibres",
        outline_um=outline,
        base_um=base.height_um,
        top_um=top.height_um,
        u_volume_frac=u,
    )
    return envelope, notices + more + faces


def _strips_outline(
    strips: list[Strip], field: FloatArray, fibres: FibreField, walls: tuple[Wall, ...]
) -> tuple[FloatArray, str, tuple[Notice, ...]]:
    points = np.concatenate([f.points_um[:, :2] for f in fibres.fibres])
    low, high = points.min(axis=0), points.max(axis=0)
    margin = 2.0 * float(np.max(high - low)) + 1.0
    outline = polygon.counter_clockwise_box(low - margin, high + margin)
    for strip in strips:
        for normal, offset in zip(strip.normals, strip.offsets, strict=True):
            outline = polygon.clip(outline, normal, float(offset))
    definition = (
        "whole cells: each family's strip between the mid-pore lines inside its outermost walls, "
        "intersected"
    )
    notices: list[Notice] = []
    spacing = float(np.mean([s.spacing_um for s in strips]))
    first = strips[0].direction_deg
    if all(abs((s.direction_deg - first + 90.0) % 180.0 - 90.0) < _PARALLEL_DEG for s in strips):
        outline = _cut_by_ends(outline, first, spacing, fibres, walls)
        notices.append(
            Notice(
                "one_direction",
                "all walls run one way: the envelope is cut along them one spacing inside the "
                "fibres' ends",
            )
        )
        definition = "one family's strip, cut along it one spacing inside the fibres' ends"
    elif polygon.farthest_outside(field, outline) > 0.05 * spacing:
        outline = polygon.intersect(outline, polygon.pull_in(field, 0.5 * spacing))
        notices.append(
            Notice(
                "pattern_does_not_fill",
                "the strips reach beyond the fibres' ends: the envelope is also cut half a "
                "spacing inside the outline of the fibres, where cells may be cut",
            )
        )
        definition += ", and cut half a spacing inside the outline of the fibres"
    return outline, definition, tuple(notices)


def _cut_by_ends(
    outline: FloatArray,
    direction_deg: float,
    spacing: float,
    fibres: FibreField,
    walls: tuple[Wall, ...],
) -> FloatArray:
    t = along(direction_deg)
    ends = []
    for wall in walls:
        own = [f.points_um[:, :2] for f in fibres.fibres if f.wall == wall.id]
        points = np.concatenate(own) if own else wall.path_um
        if len(points):
            s = points @ t
            ends.append((s.min(), s.max()))
    if not ends:
        s = np.concatenate([f.points_um[:, :2] for f in fibres.fibres]) @ t
        ends.append((s.min(), s.max()))
    low, high = np.asarray(ends).T
    # Medians: a broken wall must not shorten the envelope to nothing.
    outline = polygon.clip(outline, t, float(np.median(low)) + spacing)
    return polygon.clip(outline, -t, -(float(np.median(high)) - spacing))


def _field_outline(
    field: FloatArray, fibres: FibreField, why: str
) -> tuple[FloatArray, str, tuple[Notice, ...]]:
    openings = [
        max(0.0, f.spacing_um.value - f.diameter_um.value)
        for f in fibres.families
        if f.spacing_um is not None
    ]
    diameter = float(np.mean([f.diameter_um.value for f in fibres.fibres]))
    opening = float(np.mean(openings)) if openings else diameter
    outline, distance = _pulled_in(field, opening)
    notice = Notice(
        "outline_of_fibres",
        f"{why}: the envelope is the outline of all fibres pulled in by {distance:.3g} µm (the "
        "mean opening), and cells may be cut",
    )
    return outline, f"outline of the fibres pulled in by {distance:.3g} µm", (notice,)


def _pulled_in(outline: FloatArray, distance: float) -> tuple[FloatArray, float]:
    whole = polygon.area(outline)
    for _ in range(20):
        result = polygon.pull_in(outline, distance)
        if polygon.area(result) >= _LEAST_AREA_SHARE * whole:
            return result, distance
        distance *= 0.5
    return outline, 0.0


def _u_of_voxel_outline(
    outline: FloatArray, base: float, top: float, spacing: tuple[float, float, float]
) -> float:
    u = _U_OUTLINE_VOX * max(spacing)
    sides = float(np.linalg.norm(np.roll(outline, -1, axis=0) - outline, axis=1).sum())
    # All sides may be off together, so they add; base and top are independent.
    return combine_u([u * sides / polygon.area(outline), math.sqrt(2.0) * u / (top - base)])


def _with_view(
    envelope: Envelope,
    notices: tuple[Notice, ...],
    material: MaterialMap,
    frame: BuildFrame,
) -> tuple[Envelope, tuple[Notice, ...]]:
    """Return the envelope, its volume limited to what the scan shows."""
    spacing = np.asarray(material.spacing_um)
    plan = np.concatenate([envelope.outline_um] * 2)
    heights = np.repeat([envelope.base_um, envelope.top_um], len(envelope.outline_um))
    corners = frame.to_scan(np.column_stack([plan, heights]))
    # A hundredth of a voxel over the edge is rounding, not a cut.
    low, high = -0.51 * spacing, (np.asarray(material.fraction.shape) - 0.49) * spacing
    if ((corners >= low) & (corners <= high)).all():
        return envelope, notices
    shape = material.fraction.shape
    seen = covered_volume_um3(envelope, frame, (shape[0], shape[1], shape[2]), material.spacing_um)
    if seen <= 0:
        raise NothingToMeasureError("the envelope lies outside the scan: choose another envelope")
    share = 1.0 - seen / envelope.volume_um3
    notice = Notice(
        "field_of_view_cuts",
        f"the scan's field of view cuts off {100 * share:.2g} % of the envelope; the cut faces "
        "count as open",
    )
    values = {**envelope.__dict__, "mask_volume_um3": seen}
    return Envelope(**values), (*notices, notice)
