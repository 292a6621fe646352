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
from volscan.fibres.sag import sag_between
from volscan.fibres.shape import fibre_shape
from volscan.geometry import BuildFrame, Fibre, FloatArray
from volscan.quantity import Quantity, combine_u

# A sag counts toward the arc length when it is this many times its u.
_SURE_SAG = 2.0
# A diameter's change along a fibre is drawn when it is this many times its u.
_SURE_TREND = 3.0
# Sagging fibres are arcs whose shape is known to about this share of their strain.
_ARC_SHAPE = 0.04
# The same for a winding path, from the phantoms of docs/validation.
_PATH_SHAPE = 0.02
# A strain less sure than this is not told: noise lengthens what a few stations show by more.
_MOST_U_STRAIN = 0.1
# Fibres that tell the shape of a span together: enough, and their equations stay small.
_POOLED_FIBRES = 40
# Blur of the crossing fibres, and stations that are means over a length, shave this share off a
# sag (phantoms read 3 to 10 % low).
_SHAVED = 0.06
# Smoothing leaves this share of a station's noise on a curved path.
_SMOOTHED_NOISE = 0.5


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


@dataclass(frozen=True)
class _Track:
    """One fibre's track: places along (m,), points (m, 3) in the build frame, noise (m, 2)."""

    along_um: FloatArray
    points_um: FloatArray
    u_um: FloatArray
    supports_um: FloatArray

    def hung(self) -> tuple[FloatArray, FloatArray, FloatArray] | None:
        """Return places, heights and noise between the outermost supports; None without a span."""
        if self.supports_um.size < 2:
            return None
        first, last = self.supports_um[[0, -1]]
        inside = (self.along_um > first) & (self.along_um < last)
        if inside.sum() < 4:
            return None
        return self.along_um[inside], self.points_um[inside, 2], self.u_um[inside, 1]


def _track(wall: FittedWall, k: int, frame: BuildFrame, supports_um: FloatArray) -> _Track:
    supports = supports_um + wall.start_um
    if wall.dense_um is not None:
        places = frame.to_build(wall.dense_um[:, k] @ wall.axes.matrix)
        along = np.linspace(wall.start_um, wall.end_um, len(places))
        u = np.median(wall.u_places_um[:, k], axis=0) * _SMOOTHED_NOISE
        return _Track(along, places, np.tile(u, (len(places), 1)), supports)
    if wall.fine is not None:
        places = frame.to_build(wall.fine.places_um[:, k] @ wall.axes.matrix)
        return _Track(wall.fine.along_um, places, wall.fine.u_um[:, k], supports)
    places = frame.to_build(wall.centres()[:, k])
    return _Track(wall.along_um, places, wall.u_places_um[:, k], supports)


def _drop(track: _Track) -> tuple[float, float] | None:
    """Return the mid-span drop as if every span were a parabola, and its u from noise."""
    hung = track.hung()
    if hung is None:
        return None
    s, h, u = hung
    span = np.searchsorted(track.supports_um, s) - 1
    columns, rows = [], np.arange(s.size)
    for j in np.unique(span):
        low, high = track.supports_um[j], track.supports_um[j + 1]
        inside = span == j
        if inside.sum() < 4:
            continue
        v = np.where(inside, (2.0 * s - low - high) / (high - low), 0.0)
        columns.append((inside, v))
    if not columns:
        return None
    used = np.any([c for c, _ in columns], axis=0)
    design = np.column_stack(
        [sum((v**2 for _, v in columns), np.zeros(rows.size))]
        + [part for c, v in columns for part in (c.astype(float), v)]
    )[used]
    weighted = design / u[used][:, None]
    inverse = np.linalg.pinv(weighted.T @ weighted)
    fit = inverse @ weighted.T @ (h[used] / u[used])
    return float(fit[0]), math.sqrt(float(inverse[0, 0]))


def pooled_sag(tracks: list[_Track]) -> Quantity | None:
    """Return the sag of many fibres as one: their spans have one shape, which noise hides less.

    Crossings hide the ends of every span, so that the sag depends on how the shape goes on; all
    spans together tell the shape.
    """
    hung = [(t, t.hung()) for t in tracks]
    known = [(t, own) for t, own in hung if own is not None]
    if not known:
        return None
    step = max(1, len(known) // _POOLED_FIBRES)
    along, height, noise, supports = [], [], [], []
    offset = 0.0
    for track, (s, h, u) in known[::step]:
        first, last = float(track.supports_um[0]), float(track.supports_um[-1])
        along.append(s - first + offset)
        height.append(h)
        noise.append(u)
        supports.append(track.supports_um - first + offset)
        offset += 2.0 * (last - first)
    return sag_between(
        np.concatenate(along),
        np.concatenate(height),
        np.concatenate(supports),
        up_u_um=np.concatenate(noise),
    )


def _strain(
    track: _Track, sag: Quantity | None, *, diameter_um: float, curved: bool
) -> Quantity | None:
    """Return the recruitment strain, with the arcs of a sagging fibre that crossings hide.

    Between supports L apart a parabola of sag S is longer than its chord by 8/3 (S / L)².
    """
    if track.along_um.size < 6:
        return None
    shape = fibre_shape(
        track.points_um,
        along_um=track.along_um,
        across_u_um=track.u_um[:, 0],
        up_u_um=track.u_um[:, 1],
        diameter_um=diameter_um,
    )
    if shape is None or (shape.recruitment_strain.u or 0.0) > _MOST_U_STRAIN:
        return None
    strain = shape.recruitment_strain
    if curved:
        # How a path goes on where crossings hide it is known to a share of its strain.
        strain = replace(strain, u=combine_u([strain.u or 0.0, _PATH_SHAPE * abs(strain.value)]))
    if sag is None or sag.u is None or abs(sag.value) < _SURE_SAG * sag.u:
        return strain
    spans = np.diff(track.supports_um)
    whole = float(np.ptp(track.along_um))
    hung = 8.0 / 3.0 * sag.value**2 * float(np.sum(1.0 / spans)) / whole
    u_hung = math.hypot(2.0 * hung * sag.u / abs(sag.value), _ARC_SHAPE * hung)
    level = np.column_stack([track.points_um[:, :2], np.zeros(track.along_um.size)])
    flat = fibre_shape(
        level,
        along_um=track.along_um,
        across_u_um=track.u_um[:, 0],
        up_u_um=0.0,
        diameter_um=diameter_um,
    )
    plan = strain if flat is None else flat.recruitment_strain
    return replace(plan, value=plan.value + hung, u=combine_u([u_hung, plan.u or 0.0]))


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
    tracks: list[_Track] = []
    for number, wall in enumerate(walls):
        others = [line for line, w in zip(lines, walls, strict=True) if w.family != wall.family]
        supports = crossings(lines[number], others)
        tracks += [_track(wall, k, frame, supports) for k in range(wall.radius_um.size)]
    hanging = [_may_sag(f, field) for f in field.fibres]
    pooled = pooled_sag([t for t, may in zip(tracks, hanging, strict=True) if may])
    if pooled is not None:
        pooled = replace(pooled, u=combine_u([pooled.u or 0.0, _SHAVED * pooled.value]))
    drops = [_drop(t) if may else None for t, may in zip(tracks, hanging, strict=True)]
    usual = float(np.mean([d[0] for d in drops if d is not None] or [0.0]))
    # Fibres that differ by more than their noise: either they do, or the noise is not all.
    known = [d for d in drops if d is not None]
    factor = 1.0
    if len(known) > 2:
        scatter = float(np.std([d[0] for d in known], ddof=1))
        factor = max(1.0, scatter / max(float(np.median([d[1] for d in known])), 1e-6))
    sags = [_own_sag(d, pooled, usual, factor) for d in drops]
    fibres: list[Fibre] = []
    for wall in walls:
        for k in range(wall.radius_um.size):
            i = len(fibres)
            fibre = field.fibres[i]
            diameter = 2.0 * float(wall.radius_um[k])
            s = np.linspace(wall.start_um, wall.end_um, len(fibre.points_um))
            change, spread, drawn = _sizes(wall.sizes, k, diameter, s)
            fibres.append(
                replace(
                    fibre,
                    diameters_um=drawn,
                    diameter_um=replace(fibre.diameter_um, sd=spread),
                    sag_um=sags[i],
                    recruitment_strain=_strain(
                        tracks[i], sags[i], diameter_um=diameter, curved=wall.curved
                    ),
                    diameter_change=change,
                )
            )
    sag = pooled
    own = [q.value for q in sags if q is not None]
    if sag is not None and len(own) > 1:
        sag = replace(sag, n=len(own), sd=float(np.std(own, ddof=1)))
    return replace(
        field,
        fibres=tuple(fibres),
        sag_um=sag,
        recruitment_strain=mean_of([f.recruitment_strain for f in fibres]),
    )


def _own_sag(
    drop: tuple[float, float] | None, pooled: Quantity | None, usual: float, factor: float
) -> Quantity | None:
    """Return a fibre's sag: its own drop, carried on to the supports as all fibres' together."""
    if drop is None or pooled is None or pooled.u is None:
        return None
    # Near a straight fibre the ratio says nothing, and there is little to carry on.
    ratio = pooled.value / usual if abs(usual) > pooled.u else 1.0
    ratio = min(max(ratio, 0.5), 1.2)
    return Quantity(drop[0] * ratio, math.hypot(factor * drop[1] * ratio, pooled.u), "µm", 1)


def _may_sag(fibre: Fibre, field: FibreField) -> bool:
    """Whether a fibre hangs between others: the lowest layer lies on the plate."""
    return fibre.layer > 0 and len(field.families) > 1
