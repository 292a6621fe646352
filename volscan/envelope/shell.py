"""A tube's envelope: the shell between its inner and outer fibre surfaces, ends cut at mid-pore."""

from __future__ import annotations

import math

import numpy as np

from volscan.errors import NothingToMeasureError
from volscan.fibres.field import FibreField
from volscan.geometry import Envelope, TubeFrame
from volscan.kernels.shell import beyond_shell
from volscan.prepare.material import MaterialMap
from volscan.quantity import Notice, combine_u

# Lines nearer to the axis' direction than this are not met again along the tube.
_LEAST_SIN = 0.05


def make_shell(
    material: MaterialMap, tube: TubeFrame, fibres: FibreField
) -> tuple[Envelope, tuple[Notice, ...]]:
    """Return the shell as an envelope in the scan, and what was assumed in drawing it.

    Parameters
    ----------
    material
        The material map, for the scan's shape and spacing.
    tube
        The tube's frame; its base and radius give the inner and outer surfaces.
    fibres
        The tube's fibres, points in (X, Y, H); may be empty.

    Raises
    ------
    NothingToMeasureError
        If the shell holds no voxel of the scan.

    Notes
    -----
    Along the axis it starts half a cell inside the median of the fibres' starts (turning loops
    lie outside) and spans whole cells, a cell being the distance after which a family's next line
    comes, the largest over the families. Memory: 5 bytes a voxel.
    """
    start, end, cell, told = _ends(tube, fibres)
    top = -2.0 * tube.base_um
    nz, ny, nx = material.fraction.shape
    inner, r = tube.radius_um + tube.base_um, tube.radius_um
    beyond = beyond_shell(
        (nz, ny, nx),
        material.spacing_um,
        point_um=tube.point_um,
        basis=tube.basis,
        slope=tube.slope_per_um,
        angle=tube.bend_angle,
        radii_um=(inner, inner + top, r * tube.oval[0], r * tube.oval[1]),
        along_um=(tube.start_um + start, tube.start_um + end),
    )
    inside = beyond <= 0
    volume = float(np.count_nonzero(inside)) * float(np.prod(material.spacing_um))
    if volume == 0:
        raise NothingToMeasureError("the tube's shell holds no voxel of the scan")
    u_face = 0.05 * float(np.mean([f.diameter_um.value for f in fibres.fibres] or [top]))
    u_radius = (tube.u_radius_um or 0.0) / tube.radius_um
    envelope = Envelope(
        definition=(
            "tube: shell between the mean tangents of the innermost and outermost fibres, "
            + (f"whole cells of {cell:.4g} µm along the axis" if cell else "ends pulled in")
        ),
        outline_um=np.array([[start, 0.0], [end, 0.0], [end, tube.turn_um], [start, tube.turn_um]]),
        base_um=0.0,
        top_um=top,
        u_volume_frac=combine_u([math.sqrt(2.0) * u_face / top, u_radius]),
        inside=inside,
        mask_volume_um3=volume,
        beyond_um=beyond,
    )
    ideal = tube.turn_um * (end - start) * top
    if volume < 0.98 * ideal:
        told += (
            Notice(
                "field_of_view_cuts",
                f"the scan's field of view cuts off {100 * (1 - volume / ideal):.2g} % of the "
                "envelope; the cut faces count as open",
            ),
        )
    return envelope, told


def _ends(
    tube: TubeFrame, fibres: FibreField
) -> tuple[float, float, float | None, tuple[Notice, ...]]:
    """Return where the envelope starts and ends along X, and the cell it is whole in."""
    if not fibres.fibres:
        pull = min(-2.0 * tube.base_um, 0.25 * tube.length_um)
        notice = Notice(
            "outline_of_solid",
            f"no fibres: the shell is cut {pull:.3g} µm (its thickness) inside the solid's ends",
        )
        return pull, tube.length_um - pull, None, (notice,)
    low = float(np.median([f.points_um[:, 0].min() for f in fibres.fibres]))
    high = float(np.median([f.points_um[:, 0].max() for f in fibres.fibres]))
    cells = []
    for family in fibres.families:
        sin = abs(math.sin(math.radians(family.direction_deg.value)))
        if family.spacing_um is not None and sin > _LEAST_SIN:
            cells.append(family.spacing_um.value / sin)
    cell = max(cells, default=0.0)
    count = math.floor((high - low) / cell - 1.0 + 1e-6) if cell else 0
    if count < 1:
        pull = min(fibres.fibres[0].diameter_um.value, 0.25 * (high - low))
        notice = Notice(
            "no_whole_cell",
            "the tube shows no whole cell along its axis: the envelope is cut a diameter inside "
            "the fibres' ends, and cells may be cut",
        )
        return low + pull, high - pull, None, (notice,)
    middle, half = 0.5 * (low + high), 0.5 * count * cell
    return middle - half, middle + half, cell, ()
