"""A print on a mandrel, measured: unrolled, found like a flat print, rolled up again."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from volscan.envelope import make_envelope, make_shell
from volscan.errors import NothingToMeasureError
from volscan.fibres import find_fibres
from volscan.fibres.field import FibreField
from volscan.fibres.find import FibreStage
from volscan.frame.mandrel import ShellFit, find_tube, refined_tube
from volscan.frame.unroll import Sheet, unroll
from volscan.geometry import BuildFrame, Envelope, Fibre, TubeFrame
from volscan.polyline import arc_lengths, at_lengths
from volscan.pores import PoreSpace, measure_pores
from volscan.porosity import PORES_FROM_FIBRES, Porosity, fibre_solid, measure_porosity
from volscan.porosity.shell import shell_profile
from volscan.prepare.material import MaterialMap
from volscan.progress import Progress, no_progress
from volscan.quantity import Notice, combine_u
from volscan.settings import Settings
from volscan.tube import Rolled, TubeMeasures, measure_tube, roll_up
from volscan.walls import WallSet, measure_walls

# The surface may be off by this many voxels before the tube is unrolled anew: fits follow the
# wave that is left, and the result is restated on the bettered tube.
_UNROLL_ANEW_VOX = 0.25
_MOST_UNROLLINGS = 3


@dataclass(frozen=True)
class TubeStages:
    """What a tube's fibres, walls and radii are, in its frame, and the map bettered by them.

    `sheet_frame` is level on the unrolled sheet; `straight` is a rigid frame along the tube, in
    which `drawn`, the fibres as they run in the scan, are told.
    """

    material: MaterialMap
    frame: TubeFrame
    sheet_frame: BuildFrame
    straight: BuildFrame
    field: FibreField
    drawn: FibreField
    walls: WallSet
    tube: TubeMeasures
    notices: tuple[Notice, ...] = ()


def tube_of(
    material: MaterialMap, settings: Settings, *, progress: Progress = no_progress
) -> tuple[TubeStages | None, tuple[Notice, ...]]:
    """Return fibres, walls and radii of a tube; None where the scan holds none, and what it seems.

    Under "auto" a tube is what lies in a hollow shell all around an axis and shows fibres when
    unrolled; under "mandrel" the shell that fits best is taken.

    Raises
    ------
    NothingToMeasureError
        If a mandrel was asked for and the solid is not hollow.
    """
    if settings.collector == "plate":
        return None, ()
    forced = settings.collector == "mandrel"
    shell = find_tube(material, mirrored=settings.mirrored, forced=forced, progress=progress)
    if forced and (shell is None or not shell.hollow):
        raise NothingToMeasureError(
            "the solid is no hollow tube that could be unrolled: measure it with --collector plate"
        )
    if shell is None or (shell.reason is not None and not forced):
        return None, () if shell is None else _seems(shell)
    sheet, stage, tube = _unrolled(material, shell.frame, progress)
    if not stage.field.fibres and not forced:
        notice = Notice(
            "hollow_without_fibres",
            "the solid is a hollow shell around an axis that shows no fibres when unrolled, and "
            "was measured as a flat print; if it is a wound tube, tell --collector mandrel, and "
            "crop a mandrel that is still in the scan away",
        )
        return None, (notice,)
    notices = []
    if shell.reason is not None:
        notices.append(
            Notice("poor_tube", f"a mandrel was told, but the solid is not a tube: {shell.reason}")
        )
    walls = WallSet()
    if stage.field.fibres:
        walls = measure_walls(
            stage.material, stage.frame, stage.field,
            upright_tolerance_deg=settings.upright_tolerance_deg, progress=progress,
        )  # fmt: skip
    field = replace(stage.field, fibres=_on_tube(stage, sheet, tube))
    rows = sheet.material.fraction.shape[1] * sheet.material.spacing_um[1]
    rolled = roll_up(field, walls, tube, around_um=rows * tube.radius_um / sheet.tube.radius_um)
    stages = TubeStages(
        material=_bettered(material, stage.material),
        frame=tube,
        sheet_frame=replace(
            sheet.frame,
            u_tilt_deg=combine_u([stage.frame.u_tilt_deg or 0.0, tube.u_tilt_deg or 0.0]),
        ),
        straight=_straight(tube),
        field=rolled.field,
        drawn=_drawn(rolled, tube),
        walls=rolled.walls,
        tube=measure_tube(tube, rolled),
        notices=tuple(notices),
    )
    return stages, ()


def _seems(shell: ShellFit) -> tuple[Notice, ...]:
    """Return what to tell of a solid that is round about an axis but no tube."""
    if shell.filled:
        return (
            Notice(
                "round_core",
                "the solid is filled along an axis: if that is a mandrel still in the scan, "
                "porosity and pores count it as polymer; crop it away and measure again",
            ),
        )
    if shell.partial:
        return (
            Notice(
                "part_of_a_tube",
                "the solid lies on part of a hollow shell and was measured as a flat print; if it "
                "was wound on a mandrel, measure it with --collector mandrel",
            ),
        )
    return ()


def tube_envelope(
    found: TubeStages, choice: str | NDArray[np.bool_]
) -> tuple[Envelope, tuple[Notice, ...]]:
    """Return the tube's shell, or what the user chose instead."""
    if isinstance(choice, str) and choice == "auto":
        return make_shell(found.material, found.frame, found.field)
    return make_envelope(found.material, found.straight, FibreField(), WallSet(), choice=choice)


def tube_porosity(found: TubeStages, envelope: Envelope, *, progress: Progress) -> Porosity:
    """Return the porosity of a tube's envelope; heights are along the radius."""
    porosity = measure_porosity(
        found.material, found.straight, found.drawn, envelope, progress=progress
    )
    profile = shell_profile(found.material, found.frame, found.field, envelope)
    return replace(porosity, by_height=profile.by_height, u_sampling=profile.u_sampling)


def tube_pores(
    found: TubeStages, envelope: Envelope, *, surface_level: float, progress: Progress
) -> tuple[PoreSpace, tuple[Notice, ...]]:
    """Return a tube's pore space, measured in the scan, and what was assumed."""
    solid = fibre_solid(found.material, found.straight, found.drawn, envelope)
    told = () if solid is None else (PORES_FROM_FIBRES,)
    pores = measure_pores(
        found.material, found.straight, envelope,
        surface_level=surface_level if solid is None else 0.5,
        solid_model=solid, progress=progress,
        # Any other envelope has a box of its own, along the straight frame.
        tube=found.frame if envelope.beyond_um is not None else None,
    )  # fmt: skip
    return pores, told


def _unrolled(
    material: MaterialMap, tube: TubeFrame, progress: Progress
) -> tuple[Sheet, FibreStage, TubeFrame]:
    """Unroll, find the fibres, better the tube by them; anew while that moves its surface."""
    limit = _UNROLL_ANEW_VOX * min(material.spacing_um)
    for _ in range(_MOST_UNROLLINGS):
        sheet = unroll(material, tube, progress=progress)
        stage = find_fibres(sheet.material, sheet.frame, progress=progress)
        if not stage.field.fibres:
            return sheet, stage, tube
        better, moved_um = refined_tube(
            tube, _on_sheet(stage, sheet), height_over_width=stage.field.height_over_width
        )
        tube = better
        if moved_um <= limit:
            break
    return sheet, stage, tube


def _on_sheet(stage: FibreStage, sheet: Sheet) -> list[Fibre]:
    """Return the fibres with points in (X, Y, H) of the tube that was unrolled."""
    return [
        replace(f, points_um=sheet.frame.to_build(stage.frame.to_scan(f.points_um)))
        for f in stage.field.fibres
    ]


def _on_tube(stage: FibreStage, sheet: Sheet, tube: TubeFrame) -> tuple[Fibre, ...]:
    """Return the fibres in (X, Y, H) of the bettered tube, Y running on past a turn."""
    out = []
    for fibre in _on_sheet(stage, sheet):
        built = tube.to_build(sheet.tube.to_scan(fibre.points_um))
        near = fibre.points_um[:, 1] * tube.radius_um / sheet.tube.radius_um
        built[:, 1] += tube.turn_um * np.round((near - built[:, 1]) / tube.turn_um)
        out.append(replace(fibre, points_um=built))
    return tuple(out)


def _drawn(rolled: Rolled, tube: TubeFrame) -> FibreField:
    """Return the fibres as they run in the scan, in the straight frame, finely divided."""
    straight = _straight(tube)
    fibres = []
    for f in rolled.field.fibres:
        arc = arc_lengths(f.points_um)
        # Chords of two degrees leave the arc by less than 1e-4 of the radius.
        count = max(2, int(arc[-1] / (tube.radius_um * np.radians(2.0))) + 1)
        at = np.unique(np.concatenate([np.linspace(0.0, arc[-1], count), arc]))
        points = at_lengths(f.points_um, arc, at)
        fibres.append(
            replace(
                f,
                points_um=straight.to_build(tube.to_scan(points)),
                diameters_um=np.interp(at, arc, f.diameters_um),
                around=1.0,
            )
        )
    return replace(rolled.field, fibres=tuple(fibres))


def _straight(tube: TubeFrame) -> BuildFrame:
    """Return a rigid frame along the tube whose H is half the wall's height on the axis."""
    sideways = np.cross(tube.across[::-1], tube.axis[::-1])[::-1]
    return BuildFrame(
        kind="mandrel",
        origin_um=tube.point_um + tube.base_um * tube.across,
        x=tube.axis,
        y=sideways,
        h=tube.across,
        up="+z",
        up_confirmed=True,
        mirrored_confirmed=tube.mirrored_confirmed,
        mount_tilt_deg=0.0,
        u_tilt_deg=tube.u_tilt_deg,
        h_from=tube.h_from,
    )


def _bettered(material: MaterialMap, sheet: MaterialMap) -> MaterialMap:
    """Return the scan's map with the anchors and the blur that the sheet's fibres told."""
    factor = (material.polymer - material.air) / (sheet.polymer - sheet.air)
    if factor != 1.0:
        material.fraction[...] *= np.float32(factor)
    blur = sheet.blur_um
    return replace(
        material,
        polymer=sheet.polymer,
        u_polymer=sheet.u_polymer,
        threshold=sheet.threshold,
        level=sheet.level,
        anchors_from=sheet.anchors_from,
        blur_um=blur,
        # The sheet's axes turn against the scan's all around: only the mean blur is known there.
        blur_axes_um=None if blur is None else (blur.value,) * 3,
    )
