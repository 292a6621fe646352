"""From the material map to fibres: the stage's main road.

Directions first, then walls as leaning lines in the cross-section seen along each direction, then
the layers in the mean wall, and last a fit of blurred discs to every wall's own cross-section,
gathered from voxels that no other family's fibre comes near. The fit gives the polymer anchor and
the blur as well, and the heights of the fibres give the base plane's normal. Where straight walls
do not explain the polymer, walls that follow paths are looked for in the view from above, and
fitted in the same way along their paths.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from itertools import compress

from threadpoolctl import threadpool_limits

from volscan.fibres.anchor import better_material
from volscan.fibres.credible import (
    Overlap,
    accounts_for,
    credible_walls,
    explained_share,
    overlap,
)
from volscan.fibres.crosssection import Optics, Priors, fit_discs, fit_from_starts, fit_shared
from volscan.fibres.curved import curved_families
from volscan.fibres.defects import with_defects
from volscan.fibres.each import with_shapes
from volscan.fibres.field import FibreField
from volscan.fibres.follow import (
    Gathered,
    followed,
    gathered_columns,
    redrawn,
    retracked,
    segments,
    spread,
    well_seen,
)
from volscan.fibres.gather import FamilyTrack
from volscan.fibres.level import refined_frame
from volscan.fibres.lines import FittedWall, field_from_walls
from volscan.fibres.parts import by_part
from volscan.fibres.recentre import recentred, waving_families
from volscan.fibres.rest import further_families
from volscan.fibres.rough import first_optics, rough_families, settle_counts
from volscan.fibres.thin import with_thin_doubt
from volscan.fibres.threads import on_each
from volscan.fibres.waving import waved, waves_of
from volscan.frame.plate import level_frame, solid_points_um
from volscan.geometry import BuildFrame
from volscan.prepare.ct import FWHM_PER_SIGMA
from volscan.prepare.material import MaterialMap
from volscan.progress import Progress, no_progress
from volscan.quantity import Notice

_POINTS = 300_000
# Walls that take part in the fit of contrast and blur: enough to average, few enough to be quick.
_SHARED_WALLS = 8
# Paths are looked for too where straight walls' fibres hold less than this share of what is solid:
# turning loops are no more than the rest.
_WELL_HELD = 0.9
# Fibres that hold less than this share of what is solid are lines laid through something else.
# Fibres thinner than their blur hold little of it, but all that they hold is solid.
_LEAST_HELD, _LEAST_LIKE = 0.4, 0.5


@dataclass(frozen=True)
class FibreStage:
    """What `find_fibres` hands on: the fibres, and frame and map as bettered by them."""

    field: FibreField
    frame: BuildFrame
    material: MaterialMap


def find_fibres(
    material: MaterialMap, frame: BuildFrame, *, progress: Progress = no_progress
) -> FibreStage:
    """Find every fibre of a print, with sub-voxel centre and diameter.

    Parameters
    ----------
    material
        The material map; its polymer anchor may be a first guess.
    frame
        Rough build frame, good to about a degree.

    Returns
    -------
    FibreStage
        `field` is empty, with a notice, for a scan without parallel fibres; `frame` is refined
        from the layers; `material` has the polymer anchor and blur of the fitted cross-sections.

    Notes
    -----
    Straight walls are followed in parts, so that bends show as scatter and enter u; walls that
    wave or turn are followed along their paths. Diameters are of the circle of equal area.
    """
    points = solid_points_um(material, limit=_POINTS)
    progress("fibres", 0.05)
    # One thread for the many small solves: faster than waking others, and the same bits whatever
    # the number of threads.
    with threadpool_limits(1, user_api="blas"):
        blur = first_optics(material).sigma_um[1]
        straight = rough_families(material, frame, points)
        straight = waving_families(material, straight, blur_um=blur)
        progress("fibres", 0.3)
        # Around a tube all walls are one print's: gaps in them are gaps.
        parts = straight if material.unrolled is not None else by_part(straight)
        found = _fitted(material, frame, parts, progress)
        if found is not None and material.unrolled is not None:
            found = _with_the_rest(material, frame, straight, found, progress)
        elif found is None or found.overlap.held < _WELL_HELD:
            paths = curved_families(material, frame, points, straight=straight, blur_um=blur)
            new = [f for f in paths if not any(f is s for s in straight)]
            other = _fitted(material, frame, paths, progress) if new else None
            if found is None or (other is not None and other.likeness > found.likeness):
                found = other
    if found is None:
        return _nothing_found(material, frame)
    progress("fibres", 0.95)
    # Only the winner touches the map: it is rescaled in place.
    bettered = better_material(material, found.optics, found.u_contrast, found.u_sigma_um)
    field = with_defects(found.field, bettered, found.frame)
    stage = FibreStage(field, found.frame, bettered)
    progress("fibres", 1.0)
    return stage


@dataclass(frozen=True)
class _Found:
    """Fibres that explain a share of the polymer, and walls dropped on the way."""

    field: FibreField
    frame: BuildFrame
    optics: Optics
    u_contrast: float
    u_sigma_um: float
    overlap: Overlap
    families: list[FamilyTrack]

    @property
    def likeness(self) -> float:
        """How far the fibres and what is solid are one."""
        return self.overlap.likeness


def _fitted(
    material: MaterialMap, frame: BuildFrame, families: list[FamilyTrack], progress: Progress
) -> _Found | None:
    """Fit all walls of the families found; None when they do not explain the polymer."""
    if not families:
        return None
    optics = first_optics(material)
    families, open_counts = settle_counts(material, families, optics)
    for last in (False, True):
        families = recentred(material, families, blur_um=optics.sigma_um[1], times=1)
        columns = gathered_columns(
            material, families, optics, segments=segments(families), fine=last
        )
        families, columns = well_seen(families, columns)
        if not families:
            return None
        chosen = spread([c for group in columns for c in group.columns], _SHARED_WALLS)
        shared = (
            fit_shared(chosen, optics, columns[0].grid, priors=Priors())
            if last
            else fit_from_starts(chosen, optics, columns[0].grid, priors=Priors())
        )
        optics = shared.optics
        families, walls = _fit_families(families, columns, optics, last=last, progress=progress)
    credible = credible_walls(walls)
    dropped = credible.count(False)
    kept = _only(families, credible)
    walls = list(compress(walls, credible))
    if not walls or not accounts_for(explained_share(material, walls, optics.contrast)):
        return None
    share = overlap(material, kept)
    if share.held < _LEAST_HELD and share.likeness < _LEAST_LIKE:
        return None
    walls = [w.without_slivers() for w in walls]
    progress("fibres", 0.9)
    frame = refined_frame(frame, walls)
    axes = [f.axes for f in families]
    waves = waves_of(
        walls, frame, axes, blur_um=optics.along(families[0].axes.along, material.spacing_um)
    )
    walls = waved(walls, frame, waves)
    field, walls = field_from_walls(
        walls,
        frame,
        families=axes,
        waves=waves,
        u_contrast_share=math.hypot(shared.u_contrast / optics.contrast, material.u_contrast_share),
    )
    field = with_shapes(field, walls, frame)
    field = with_thin_doubt(field, fwhm_um=FWHM_PER_SIGMA * optics.sigma_um[1])
    notices = list(field.notices)
    if dropped:
        notices.append(
            Notice(
                "walls_dropped",
                "lines of solid that are not stacks of round fibres were left out",
                dropped,
            )
        )
    if open_counts:
        notices.append(
            Notice(
                "layer_count_unsure",
                "families whose welded walls show no clear scallops: their number of layers is "
                "the likeliest, the next number fits nearly as well",
                open_counts,
            )
        )
    return _Found(
        replace(field, notices=tuple(notices)),
        frame,
        optics,
        shared.u_contrast,
        shared.u_sigma_um,
        share,
        kept,
    )


def _with_the_rest(
    material: MaterialMap,
    frame: BuildFrame,
    straight: list[FamilyTrack],
    found: _Found,
    progress: Progress,
) -> _Found:
    """Return what was found, with the straight families of the solid that it leaves over.

    On a tube's sheet helices are straight: paths followed there would run from one to another
    where steep windings cross at a slant.
    """
    if found.overlap.held >= _WELL_HELD:
        return found
    more = further_families(material, frame, found.families)
    if not more:
        return found
    other = _fitted(material, frame, straight + more, progress)
    return other if other is not None and other.likeness > found.likeness else found


def _only(families: list[FamilyTrack], credible: list[bool]) -> list[FamilyTrack]:
    """Return the tracks of credible walls; walls were fitted in the tracks' order."""
    told = iter(credible)
    only = [replace(f, walls=tuple(w for w in f.walls if next(told))) for f in families]
    return [f for f in only if f.walls]


def _fit_families(
    families: list[FamilyTrack],
    gathered: list[Gathered],
    optics: Optics,
    *,
    last: bool,
    progress: Progress,
) -> tuple[list[FamilyTrack], list[FittedWall]]:
    """Fit every wall; return the tracks bettered and, the last time, the walls by segments."""
    tracks, fitted = [], []
    for number, (family, group) in enumerate(zip(families, gathered, strict=True)):
        fit = partial(fit_discs, optics=optics, grid=group.grid, priors=Priors())
        columns = [c for c, _ in on_each(fit, group.columns)]
        if not last:
            tracks.append(retracked(family, columns))
        else:
            # Second round: unresolved heights and radii are drawn to what the family shows.
            columns = redrawn(family, columns)
            results = on_each(fit, columns)
            tracks.append(retracked(family, [r[0] for r in results]))
            follow = partial(followed, number, family=family, group=group, optics=optics)
            fitted += on_each(follow, list(enumerate(results)))
        progress("fibres", (0.6 if last else 0.3) + 0.3 * (number + 1) / len(families))
    return tracks, fitted


def _nothing_found(material: MaterialMap, frame: BuildFrame) -> FibreStage:
    up = frame.up if frame.up_confirmed else None
    level = level_frame(material, up=up, mirrored=False if frame.mirrored_confirmed else None)
    notice = Notice(
        "no_fibres",
        "no parallel fibres laid in layers were found: fibres, walls and shift are null",
    )
    return FibreStage(FibreField(notices=(notice,)), level, material)
