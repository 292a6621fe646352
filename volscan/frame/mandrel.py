"""Plate or mandrel, and a tube's axis, bend, radius and ovality from its own solid.

All solid of a tube lies in a shell: told from the right axis its radii are confined between the
lumen and the outside, everywhere around and along. The fit is robust to debris and asks nothing
of the mandrel, which may be gone. What the axis is off by shows as a wave of the shell around the
tube; the fibres found on the unrolled sheet tell it once more, far better than voxels do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from volscan.frame.plate import solid_points_um
from volscan.geometry import Fibre, FloatArray, TubeFrame
from volscan.prepare.material import MaterialMap
from volscan.progress import Progress, no_progress

# Points of the search for the axis, and of the fit.
_FEW_POINTS, _POINTS = 1_500, 40_000
# Steps of the fit: a bend of a tenth of the length and an ovality of a tenth settle in four.
_FIT_STEPS = 6
# Directions tried over the half sphere: about 9 degrees apart.
_DIRECTIONS = 400
# Spread of radii about the straight axis, 5th to 95th percentile as a share of their median, above
# which nothing is fitted: a lumen of 0.45 of the outer diameter has 0.7, bend and ovality add.
_WORST_SCATTER = 1.2
# Shares of the solid left out at either side of the shell: debris, stray strands.
_STRAY_SHARE = 0.01
# A tube is hollow: its lumen is wider than this share of its outer diameter (own choice).
_LEAST_LUMEN = 0.45
_NOT_HOLLOW = "it is not hollow"
_NOT_AROUND = "it does not go all the way around"
# A rod is filled within half its radius, noise and pores in it aside.
_CORE_SHARE, _CORE_FILLED = 0.5, 0.97
# Part of a tube is a shell no thicker than this share of its radius.
_THIN_SHELL = 0.6
# The shell is one and the same all around: its thickness over the whole tube is at most this many
# times that of its parts. A box of four walls, or a foam's outer voxels, has thin parts at many
# radii (a square of thin walls: six times and more).
_MOST_UNEVEN = 1.6
# It goes all the way around: no part of its length has an empty sector wider than this.
_WIDEST_GAP_DEG = 120.0
_SLICES, _SECTORS = 8, 36
# It is longer than this share of its radius: shorter is a ring, which a flat print may hold.
_LEAST_LENGTH = 0.8


# What a disc model of the fibres may put a face of the shell off by, as a share of a diameter: from
# phantoms of tubes (docs/theory/tubes.md; 0.002 to 0.005 at contrast-to-noise 12 and 7).
_FACE_MODEL = 0.007


@dataclass(frozen=True)
class ShellFit:
    """A tube frame and whether the solid lies on its shell; `reason` says why it does not.

    `filled`: the solid is a rod, filled along the axis.
    """

    frame: TubeFrame
    reason: str | None
    filled: bool = False

    @property
    def hollow(self) -> bool:
        """Whether there is a lumen, without which nothing can be unrolled."""
        return self.reason != _NOT_HOLLOW

    @property
    def partial(self) -> bool:
        """Whether it is a thin shell that goes only part of the way around."""
        thick = -2.0 * self.frame.base_um
        return self.reason == _NOT_AROUND and thick < _THIN_SHELL * self.frame.radius_um


def find_tube(
    material: MaterialMap,
    *,
    mirrored: bool | None = None,
    forced: bool = False,
    progress: Progress = no_progress,
) -> ShellFit | None:
    """Fit a bent, oval tube to the solid; None when there is too little of it or no tube at all.

    Parameters
    ----------
    material
        The material map; its `solid` voxels are used.
    mirrored
        Whether the user told the handedness (either way); None when it is assumed.
    forced
        Fit a tube even where a quick look says that there is none.

    Returns
    -------
    ShellFit
        The frame, with `reason` None where the solid is a hollow shell all around and along.

    Notes
    -----
    Straight axis first: among directions over the half sphere, the one about which the radii of
    a circle fitted to the projected points scatter least. Then axis, bend (a parabola), radius
    and second harmonic together, by least squares of radius minus surface with Huber's weights.

    Examples
    --------
    See docs/theory/tubes.md.
    """
    points = solid_points_um(material, limit=_POINTS)
    if len(points) < 100:
        return None
    progress("frame", 0.1)
    few = points[:: max(1, len(points) // _FEW_POINTS)]
    centre = few.mean(axis=0)
    tried = [(_scatter(few - centre, a), k) for k, a in enumerate(_directions(few))]
    scatter, best = min(tried)
    if scatter > _WORST_SCATTER and not forced:
        return None
    axis = _directions(few)[best]
    progress("frame", 0.5)
    frame = _start(points, axis, mirrored=mirrored)
    frame = _fitted(frame, points)
    progress("frame", 0.9)
    frame, reason = _extents(frame, points)
    frame = _fitted(centred(frame), points)
    frame, reason = _extents(frame, points)
    return ShellFit(frame, reason, reason == _NOT_HOLLOW and _is_filled(material, frame))


def _directions(points: FloatArray) -> FloatArray:
    """Return unit vectors over the half sphere, evenly spread, and the points' principal axes."""
    k = np.arange(_DIRECTIONS) + 0.5
    z = k / _DIRECTIONS
    turn = math.pi * (1.0 + math.sqrt(5.0)) * k
    ring = np.sqrt(1.0 - z * z)
    sphere = np.stack([z, ring * np.cos(turn), ring * np.sin(turn)], axis=1)
    _, vectors = np.linalg.eigh(np.cov(points.T))
    return np.concatenate([vectors.T, sphere])


def _scatter(points: FloatArray, axis: FloatArray) -> float:
    """Return the spread of radii about the best circle, as a share of the circle's radius."""
    flat = points @ np.stack(_normals(axis)).T
    radii = np.hypot(*(flat - _circle(flat)).T)
    low, middle, high = np.percentile(radii, [5.0, 50.0, 95.0])
    return float((high - low) / middle) if middle > 0 else math.inf


def _normals(axis: FloatArray) -> tuple[FloatArray, FloatArray]:
    lead = np.zeros(3)
    # The image axis most across the tube, the last of them where two are alike: usually x.
    lead[2 - int(np.argmin(np.abs(axis[::-1]).round(3)))] = 1.0
    first = lead - (lead @ axis) * axis
    first /= np.linalg.norm(first)
    return first, np.asarray(np.cross(first[::-1], axis[::-1])[::-1])


def _circle(flat: FloatArray) -> FloatArray:
    """Return the centre of the circle through points in a plane (algebraic least squares)."""
    design = np.column_stack([2.0 * flat, np.ones(len(flat))])
    solution, *_ = np.linalg.lstsq(design, (flat**2).sum(axis=1), rcond=None)
    return np.asarray(solution[:2])


def _start(points: FloatArray, axis: FloatArray, *, mirrored: bool | None) -> TubeFrame:
    """Return the straight, round tube about an axis' direction."""
    # The axis points along the image axis nearest to it, so that the same tube reads the same.
    if axis[int(np.argmax(np.abs(axis)))] < 0:
        axis = -axis
    across, sideways = _normals(axis)
    along = points @ axis
    middle = 0.5 * (along.min() + along.max())
    flat = points @ np.stack([across, sideways]).T
    centre = _circle(flat)
    radius = float(np.median(np.hypot(*(flat - centre).T)))
    return TubeFrame(
        point_um=middle * axis + centre[0] * across + centre[1] * sideways,
        axis=axis,
        across=across,
        bend_per_um=(0.0, 0.0),
        start_um=float(along.min() - middle),
        length_um=float(np.ptp(along)),
        radius_um=radius,
        oval=(0.0, 0.0),
        base_um=0.0,
        mirrored_confirmed=mirrored is not None,
        h_from="shell fitted to the solid",
    )


def moved(frame: TubeFrame, change: FloatArray) -> TubeFrame:
    """Return the frame with its axis moved and bent, its radius and ovality changed.

    `change`: shift along `across` and along y there (µm), slope along both, bend along both (per
    µm), radius (µm), and the two parts of the second harmonic.
    """
    across, sideways = frame.across, _normals_of(frame)
    axis = frame.axis + change[2] * across + change[3] * sideways
    axis /= np.linalg.norm(axis)
    lead = across - (across @ axis) * axis
    # The surface keeps its wave where the radius changes.
    scale = frame.radius_um / (frame.radius_um + change[6])
    return replace(
        frame,
        point_um=frame.point_um + change[0] * across + change[1] * sideways,
        axis=axis,
        across=lead / np.linalg.norm(lead),
        bend_per_um=(frame.bend_per_um[0] + change[4], frame.bend_per_um[1] + change[5]),
        radius_um=frame.radius_um + change[6],
        oval=((frame.oval[0] + change[7]) * scale, (frame.oval[1] + change[8]) * scale),
    )


def _normals_of(frame: TubeFrame) -> FloatArray:
    return np.asarray(np.cross(frame.across[::-1], frame.axis[::-1])[::-1])


def centred(frame: TubeFrame) -> TubeFrame:
    """Return the frame told from the middle of the scaffold, its axis the tangent there.

    The parabola is developed anew about that point, to second order.
    """
    middle = frame.start_um + 0.5 * frame.length_um
    sideways = _normals_of(frame)
    u, v = frame.bend_per_um
    place = frame.point_um + middle * frame.axis + middle**2 * (u * frame.across + v * sideways)
    slope = np.array([0.0, 0.0, 2.0 * middle * u, 2.0 * middle * v, 0, 0, 0, 0, 0])
    return replace(moved(replace(frame, point_um=place), slope), start_um=-0.5 * frame.length_um)


def _fitted(frame: TubeFrame, points: FloatArray) -> TubeFrame:
    """Fit axis, bend, radius and ovality to the points: Gauss and Newton's steps."""
    for _ in range(_FIT_STEPS):
        x, r, angle = frame.to_cylinder(points)
        design = np.column_stack([_waves(frame, x, angle), np.ones(r.size)])
        found, _ = _robust_fit(design, r - frame.surface_um(angle))
        frame = moved(frame, np.concatenate([found[:6], found[-1:], found[6:8]]))
    return frame


def _extents(frame: TubeFrame, points: FloatArray) -> tuple[TubeFrame, str | None]:
    """Return the frame with its ends and base, and why the solid is no tube, if it is not."""
    x, r, angle = frame.to_cylinder(points)
    height = r - frame.surface_um(angle)
    low, high = np.percentile(height, [100 * _STRAY_SHARE, 100 * (1 - _STRAY_SHARE)])
    start, end = np.percentile(x, [0.1, 99.9])
    # The surface is put half-way between inside and outside, where the sheet is unrolled.
    middle = 0.5 * (low + high)
    told = replace(
        frame,
        radius_um=frame.radius_um + middle,
        start_um=frame.start_um + start,
        length_um=float(end - start),
        base_um=float(low - middle),
    )
    return told, _no_tube(told, x - start, height, angle)


def _no_tube(frame: TubeFrame, x: FloatArray, height: FloatArray, angle: FloatArray) -> str | None:
    inner, outer = frame.radius_um + frame.base_um, frame.radius_um - frame.base_um
    if inner < _LEAST_LUMEN * outer:
        return _NOT_HOLLOW
    if frame.length_um < _LEAST_LENGTH * frame.radius_um:
        return "it is shorter than a tube"
    sector = np.minimum((angle / (2 * math.pi) * _SECTORS).astype(int), _SECTORS - 1)
    piece = np.clip((x / frame.length_um * _SLICES).astype(int), 0, _SLICES - 1)
    count = np.zeros((_SLICES, _SECTORS), dtype=np.int64)
    np.add.at(count, (piece, sector), 1)
    seen = count > 0.02 * count.mean()
    if min(_widest_gap(row) for row in ~seen) < 0 or max(_widest_gap(row) for row in ~seen) > (
        _WIDEST_GAP_DEG / 360.0 * _SECTORS
    ):
        return _NOT_AROUND
    parts = [height[sector == k] for k in range(_SECTORS)]
    spans = [np.ptp(np.percentile(p, [1, 99])) for p in parts if p.size > 20]
    if -2.0 * frame.base_um > _MOST_UNEVEN * float(np.median(spans)):
        return "its surface is not round"
    return None


def _is_filled(material: MaterialMap, frame: TubeFrame) -> bool:
    """Tell whether all is solid within half the outer radius, along the middle half."""
    outer = frame.radius_um - frame.base_um
    t, v, w = (np.linspace(-1.0, 1.0, n) for n in (9, 15, 15))
    t, v, w = np.meshgrid(t, v, w, indexing="ij")
    inside = v**2 + w**2 <= 1.0
    sideways = _normals_of(frame)
    along = frame.start_um + 0.5 * frame.length_um + 0.25 * frame.length_um * t[inside]
    reach = _CORE_SHARE * outer
    at = (
        frame.point_um
        + along[:, None] * frame.axis
        + reach * (v[inside][:, None] * frame.across + w[inside][:, None] * sideways)
    )
    index = np.rint(at / np.asarray(material.spacing_um)).astype(np.intp)
    within = ((index >= 0) & (index < material.solid.shape)).all(axis=1)
    if within.mean() < _CORE_FILLED:
        return False
    return bool(material.solid[tuple(index[within].T)].mean() > _CORE_FILLED)


def _widest_gap(empty: NDArray[np.bool_]) -> int:
    """Return the longest run of empty sectors around a circle."""
    if empty.all():
        return empty.size
    turned = np.roll(empty, -int(np.flatnonzero(~empty)[0]))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], turned.astype(np.int8), [0]])))
    return int(np.max(edges[1::2] - edges[::2], initial=0))


def refined_tube(
    tube: TubeFrame, fibres: Sequence[Fibre], *, height_over_width: float = 1.0
) -> tuple[TubeFrame, float]:
    """Return the tube as its fibres tell it, and how far that moves its surface at most (µm).

    Parameters
    ----------
    tube
        The tube that was unrolled.
    fibres
        Fibres of the sheet, points in (X, Y, H) of that tube.
    height_over_width
        The fibres' common flatness: their half height is radius times its root.

    Notes
    -----
    Fibres of one layer lie at one height; what is left is a shift, a slope and a bend of the axis
    (waves with one period a turn) and ovality (two), by least squares with Huber's weights. Base
    and top are the mean tangents of the outer layers' fibres. Each fibre counts once for the
    uncertainty, a sandwich estimate.
    """
    levels = sorted({f.layer for f in fibres})
    parts = [_rows(tube, f, levels.index(f.layer), len(levels)) for f in fibres]
    design = np.concatenate(parts)
    value = np.concatenate([f.points_um[:, 2] for f in fibres])
    cluster = np.repeat(np.arange(len(fibres)), [len(p) for p in parts])
    found, covariance = _robust_fit(design, value, cluster)
    u = np.sqrt(np.diag(covariance))
    half = 0.5 * math.sqrt(height_over_width)
    diameters = {k: np.mean([f.diameter_um.value for f in fibres if f.layer == k]) for k in levels}
    low = float(found[_WAVES] - half * diameters[levels[0]])
    high = float(found[-1] + half * diameters[levels[-1]])
    change = np.concatenate([found[:6], [tube.base_um + 0.5 * (low + high)], found[6:8]])
    model = _FACE_MODEL * float(np.mean(list(diameters.values())))
    u_face = math.hypot(math.hypot(u[_WAVES], u[-1]) / math.sqrt(2.0), model)
    bettered = replace(
        moved(tube, change),
        base_um=-0.5 * (high - low),
        h_from="shell fitted to the layers",
        u_radius_um=u_face / math.sqrt(2.0),
        u_face_um=u_face,
        # Where fibres end is known to about a diameter in all, and the sagitta goes with length².
        u_bend_um=math.hypot(
            _one_of(u[4:6]) * (0.5 * tube.length_um) ** 2,
            2.0 * tube.bend_um / tube.length_um * float(np.mean(list(diameters.values()))),
        ),
        u_ovality=2.0 * _one_of(u[6:8]),
        # "Outward" is off where the surface is off by a wave of one period a turn.
        u_tilt_deg=math.degrees(_one_of(u[:2]) / tube.radius_um),
    )
    return bettered, float(np.abs(design[:, :_WAVES] @ found[:_WAVES]).max())


# Parameters of the surface's waves: shift, slope and bend of the axis, second harmonic.
_WAVES = 8


def _one_of(u: FloatArray) -> float:
    """Return the standard uncertainty of one of two like parts."""
    return float(np.hypot(*u) / math.sqrt(2.0))


def _rows(tube: TubeFrame, fibre: Fibre, layer: int, layers: int) -> FloatArray:
    """Return the change of height of a fibre's points per change of each parameter."""
    x, y, _ = fibre.points_um.T
    level = np.zeros((x.size, layers))
    level[:, layer] = 1.0
    return np.column_stack([_waves(tube, x, y / tube.radius_um), level])


def _waves(tube: TubeFrame, x: FloatArray, angle: FloatArray) -> FloatArray:
    """Return the change of the surface's radius per shift, slope, bend and ovality."""
    t, r = x + tube.start_um, tube.radius_um
    c, s = np.cos(angle), np.sin(angle)
    wave = [c, s, t * c, t * s, t * t * c, t * t * s]
    return np.column_stack([*wave, r * np.cos(2.0 * angle), r * np.sin(2.0 * angle)])


def _robust_fit(
    design: FloatArray, value: FloatArray, cluster: NDArray[np.int64] | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return solution and covariance of a least-squares fit with Huber's weights.

    The covariance is that of independent clusters; without them each value is one.
    """
    scale = np.abs(design).max(axis=0)
    scale[scale == 0] = 1.0
    a = design / scale
    weight = np.ones(value.size)
    for _ in range(5):
        normal = a.T @ (a * weight[:, None])
        solution = np.linalg.lstsq(normal, a.T @ (weight * value), rcond=1e-12)[0]
        rest = value - a @ solution
        sd = 1.4826 * float(np.median(np.abs(rest))) + 1e-9
        weight = 1.0 / np.maximum(1.0, np.abs(rest) / (2.0 * sd))
    score = a * (weight * rest)[:, None]
    if cluster is not None:
        single, score = score, np.zeros((int(cluster.max()) + 1, a.shape[1]))
        np.add.at(score, cluster, single)
    inverse = np.linalg.pinv(normal)
    covariance = inverse @ score.T @ score @ inverse
    return np.asarray(solution / scale), np.asarray(covariance / np.outer(scale, scale))
