"""Each fibre on its own: sag between the fibres that carry it, recruitment strain, diameter along.

What is told along a wall (short stations, radii in parts, places that crossings hide) becomes
what the results say of every fibre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from volscan.fibres.field import FibreField
from volscan.fibres.lines import FittedWall, SizeTrack
from volscan.fibres.shape import FibreShape, fibre_shape
from volscan.geometry import BuildFrame, Fibre, FloatArray
from volscan.quantity import Quantity, combine_u

# A sag counts toward the arc length when it is this many times its u.
_SURE_SAG = 2.0
# A diameter's change along a fibre is drawn when it is this many times its u.
_SURE_TREND = 3.0
# Sagging fibres are arcs whose shape is known to about this share of their strain.
_ARC_SHAPE = 0.04
# Smoothing leaves this share of a station's noise on a curved path.
_SMOOTHED_NOISE = 0.5


@dataclass(frozen=True)
class OwnShape:
    """What one fibre's own track tells, and the diameters along it to draw."""

    sag_um: Quantity | None
    recruitment_strain: Quantity | None
    diameter_change: Quantity | None
    diameter_sd_um: float | None
    diameters_um: FloatArray


def plan_line(wall: FittedWall, frame: BuildFrame) -> FloatArray:
    """Return the wall's mean line in plan view (m, 2), from its start to its end."""
    if wall.dense_um is not None:
        return np.asarray(frame.to_build(wall.dense_um.mean(axis=1) @ wall.axes.matrix)[:, :2])
    middle = wall.places_um.mean(axis=1)
    s = wall.along_um - wall.along_um.mean()
    power = float(s @ s)
    slope = (s @ (middle - middle.mean(axis=0))) / power if power > 0 else np.array([1.0, 0, 0])
    at = np.array([[wall.start_um], [wall.end_um]]) - wall.along_um.mean()
    return np.asarray(frame.to_build((middle.mean(axis=0) + at * slope) @ wall.axes.matrix)[:, :2])


def crossings(line: FloatArray, others: list[FloatArray]) -> FloatArray:
    """Return how far along a plan line (m, 2) the other lines cross it, ascending."""
    found: list[float] = []
    step = np.diff(line, axis=0)
    length = np.linalg.norm(step, axis=1)
    start = np.concatenate([[0.0], np.cumsum(length)[:-1]])
    for other in others:
        leap = np.diff(other, axis=0)
        cross = step[:, None, 0] * leap[None, :, 1] - step[:, None, 1] * leap[None, :, 0]
        between = other[None, :-1] - line[:-1, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (between[..., 0] * leap[None, :, 1] - between[..., 1] * leap[None, :, 0]) / cross
            u = (between[..., 0] * step[:, None, 1] - between[..., 1] * step[:, None, 0]) / cross
        hit = (t >= 0) & (t < 1) & (u >= 0) & (u < 1) & (np.abs(cross) > 0)
        rows = np.nonzero(hit)[0]
        found += (start[rows] + t[hit] * length[rows]).tolist()
    return np.sort(np.array(found))


def own_shape(
    wall: FittedWall, k: int, frame: BuildFrame, points_um: FloatArray, supports_um: FloatArray
) -> OwnShape:
    """Measure fibre `k` of a wall.

    Parameters
    ----------
    wall
        The wall as fitted.
    k
        Number of the fibre among those that are there.
    frame
        The refined build frame.
    points_um
        The fibre's centreline (m, 3) in build coordinates, as the results hold it.
    supports_um
        Places along the wall's line where other walls cross it, from its start.
    """
    diameter = 2.0 * float(wall.radius_um[k])
    along, track, u = _track(wall, k, frame)
    shape = (
        fibre_shape(
            track,
            along_um=along,
            across_u_um=u[:, 0],
            up_u_um=u[:, 1],
            diameter_um=diameter,
            supports_um=supports_um + wall.start_um,
        )
        if along.size >= 6
        else None
    )
    s = np.linspace(wall.start_um, wall.end_um, len(points_um))
    change, spread, diameters = _sizes(wall.sizes, k, diameter, s)
    if shape is None:
        return OwnShape(None, None, change, spread, diameters)
    return OwnShape(shape.sag_um, _strain(shape, supports_um), change, spread, diameters)


def _track(
    wall: FittedWall, k: int, frame: BuildFrame
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return places along, build coordinates (m, 3) and noise (m, 2) to take the shape from."""
    if wall.dense_um is not None:
        places = frame.to_build(wall.dense_um[:, k] @ wall.axes.matrix)
        along = np.linspace(wall.start_um, wall.end_um, len(places))
        u = np.median(wall.u_places_um[:, k], axis=0) * _SMOOTHED_NOISE
        return along, places, np.tile(u, (len(places), 1))
    if wall.fine is not None:
        places = frame.to_build(wall.fine.places_um[:, k] @ wall.axes.matrix)
        return wall.fine.along_um, places, wall.fine.u_um[:, k]
    places = frame.to_build(wall.centres()[:, k])
    return wall.along_um, places, wall.u_places_um[:, k]


def _strain(shape: FibreShape, supports_um: FloatArray) -> Quantity:
    """Return the recruitment strain, with the arcs of a sagging fibre that crossings hide.

    Between supports L apart a parabola of sag S is longer than its chord by 8/3 (S / L)².
    """
    strain = shape.recruitment_strain
    sag = shape.sag_um
    if sag is None or sag.u is None or sag.value < _SURE_SAG * sag.u or supports_um.size < 2:
        return strain
    span = float(np.mean(np.diff(supports_um)))
    hung = 8.0 / 3.0 * (sag.value / span) ** 2
    u_hung = math.hypot(2.0 * hung * sag.u / sag.value, _ARC_SHAPE * hung)
    if hung <= strain.value:
        return strain
    return replace(strain, value=hung, u=combine_u([u_hung, strain.u or 0.0]))


def _sizes(
    sizes: SizeTrack | None, k: int, diameter: float, s: FloatArray
) -> tuple[Quantity | None, float | None, FloatArray]:
    """Return the relative change of the diameter, its spread beyond noise, and what to draw."""
    even = np.full(s.size, diameter)
    if sizes is None:
        return None, None, even
    d = 2.0 * sizes.radius_um[:, k]
    u = 2.0 * sizes.u_radius_um[:, k]
    x = sizes.along_um - sizes.along_um.mean()
    weight = 1.0 / np.maximum(u, 1e-6) ** 2
    mean = float(np.average(d, weights=weight))
    lever = x - np.average(x, weights=weight)
    power = float(weight @ lever**2)
    if power <= 0:
        return None, None, even
    slope = float(weight @ (lever * (d - mean))) / power
    rest = d - mean - slope * lever
    freedom = max(1, d.size - 2)
    factor = max(1.0, math.sqrt(float(weight @ rest**2) / freedom))
    length = float(s[-1] - s[0])
    change = Quantity(
        slope * length / mean, factor * length / mean / math.sqrt(power), "1", int(d.size)
    )
    spread = math.sqrt(max(0.0, float(np.var(d, ddof=1)) - float(np.mean(u**2))))
    if change.u is None or abs(change.value) < _SURE_TREND * change.u:
        return change, spread, even
    drawn = diameter * (1.0 + slope / mean * (s - float(np.average(sizes.along_um))))
    return change, spread, np.maximum(drawn, 0.3 * diameter)


def mean_of(values: list[Quantity | None]) -> Quantity | None:
    """Return the mean over fibres: their spread, and what they have in common, make its u."""
    known = [q for q in values if q is not None]
    if not known:
        return None
    each = np.array([q.value for q in known])
    own = [q.u for q in known if q.u is not None]
    n = each.size
    sd = float(each.std(ddof=1)) if n > 1 else None
    scatter = 0.0 if sd is None else sd / math.sqrt(n)
    # Noise averages out over fibres; how the shape goes on where crossings hide it does not.
    shared = 0.3 * float(np.mean(own)) if own else 0.0
    u = combine_u([scatter, shared, float(np.mean(own)) / math.sqrt(n) if own else 0.0])
    return Quantity(float(each.mean()), u, known[0].unit, n, sd)


def with_shapes(field: FibreField, walls: list[FittedWall], frame: BuildFrame) -> FibreField:
    """Return the field with every fibre's own shape, and their means.

    Parameters
    ----------
    field
        Fibres in the order of the walls' numbers, as `field_from_walls` gives them.
    walls
        The walls in that order.
    frame
        The refined build frame.
    """
    lines = [plan_line(w, frame) for w in walls]
    fibres: list[Fibre] = []
    for number, wall in enumerate(walls):
        others = [line for line, w in zip(lines, walls, strict=True) if w.family != wall.family]
        supports = crossings(lines[number], others)
        for k in range(wall.radius_um.size):
            fibre = field.fibres[len(fibres)]
            shape = own_shape(wall, k, frame, fibre.points_um, supports)
            fibres.append(
                replace(
                    fibre,
                    diameters_um=shape.diameters_um,
                    diameter_um=replace(fibre.diameter_um, sd=shape.diameter_sd_um),
                    sag_um=shape.sag_um if _may_sag(fibre, field) else None,
                    recruitment_strain=shape.recruitment_strain,
                    diameter_change=shape.diameter_change,
                )
            )
    return replace(
        field,
        fibres=tuple(fibres),
        sag_um=mean_of([f.sag_um for f in fibres]),
        recruitment_strain=mean_of([f.recruitment_strain for f in fibres]),
    )


def _may_sag(fibre: Fibre, field: FibreField) -> bool:
    """Whether a fibre hangs between others: the lowest layer lies on the plate."""
    return fibre.layer > 0 and len(field.families) > 1
