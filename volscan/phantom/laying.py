"""Lay the fibres of walls: plan path, then height, then width along each."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from volscan.phantom.form import Site
from volscan.phantom.paths import arc_length, bent, crossings, sagged, wave_curve
from volscan.phantom.pieces import BuiltWall, Strand

if TYPE_CHECKING:
    from volscan.phantom.scaffold import ScaffoldSpec

FloatArray = NDArray[np.float64]

# Chords of a turning loop: 16 leave the arc within 0.5 % of its radius.
_LOOP_CHORDS = 16
# Chords of a bent path, and points a period of swelling.
_BEND_CHORDS = 96
_POINTS_A_SWELL = 24
# Points a fibre's width where heights change along it.
_POINTS_A_WIDTH = 4


class Laying:
    """All that laying a fibre needs to know of its neighbours."""

    def __init__(self, spec: ScaffoldSpec, walls: list[BuiltWall], width_um: float) -> None:
        self.spec = spec
        self.width_um = width_um
        self.walls: list[list[BuiltWall]] = [
            [w for w in walls if w.family == f] for f in range(len(spec.directions_deg))
        ]
        self._reach = [_reach_um(spec, walls, f) for f in range(len(spec.directions_deg))]
        self._plans: dict[Site, FloatArray] = {}
        self._absent = set(spec.form.missing)

    def reach_um(self, site: Site) -> float:
        """Half the length of a fibre's mean line."""
        reach = self._reach[site.family]
        if self.spec.outline == "circle":
            place = float(self.walls[site.family][site.wall].positions_um[site.fibre])
            reach = math.sqrt(max(reach**2 - place**2, self.width_um**2))
        return reach

    def mean_ends_um(self, site: Site) -> FloatArray:
        """Ends (2, 3) of a fibre's mean line."""
        wall = self.walls[site.family][site.wall]
        reach = self.reach_um(site)
        plan = _on_plan(wall, site.fibre, np.array([-reach, reach]), np.zeros(2))
        return np.column_stack([plan, np.full(2, wall.heights_um[site.fibre])])

    def fibre(self, site: Site) -> Strand:
        """Lay one fibre, before breaks and doubles."""
        form = self.spec.form
        wall = self.walls[site.family][site.wall]
        if form.is_straight and not (form.sag_um or form.swell or form.diameter_trend):
            points, sag = self._straight(site, wall)
            widths = None if form.layer_factor == 1.0 else np.full(len(points), self._width(site))
            return Strand(site.family, site.wall, site.fibre, False, points, widths, sag)
        plan = self.plan(site)
        arc = arc_length(plan)
        supports = self._supports(site)
        crossed = [a for o in supports for a in self._crossed(plan, arc, o)]
        lifted = [] if not self.spec.crossing_rise_um else [
            a for f in self._others(site) for a in self._crossed(plan, arc, f)
        ]  # fmt: skip
        at = self._stations(arc, [s for s, _ in crossed])
        plan = np.column_stack([np.interp(at, arc, plan[:, i]) for i in (0, 1)])
        lift = np.zeros_like(at)
        for place, sine in lifted:
            bump = np.exp(-0.5 * ((at - place) * sine / (self.width_um / 2)) ** 2)
            lift = np.maximum(lift, self.spec.crossing_rise_um * bump)
        held = np.unique([s for s, _ in crossed])
        lift -= sagged(at, held, drop=form.sag_um, shape=form.sag_shape)
        points = np.column_stack([plan, wall.heights_um[site.fibre] + lift])
        sag = _mean_sag(at, lift, np.unique([s for s, _ in (*crossed, *lifted)]))
        return Strand(
            site.family, site.wall, site.fibre, False, points, self._widths(site, at), sag
        )

    def plan(self, site: Site) -> FloatArray:
        """Plan path (n, 2) of a fibre."""
        if site not in self._plans:
            form, wall = self.spec.form, self.walls[site.family][site.wall]
            reach, wave, bend = self.reach_um(site), form.wave(site.family), form.bend(site.family)
            s = np.linspace(-reach, reach, 2 if not bend else _BEND_CHORDS + 1)
            across = np.zeros_like(s)
            if wave is not None:
                phase = form.phase_deg(site.family, site.fibre)
                curve = wave_curve(wave, -reach, reach, phase_deg=phase)
                s, across = curve[:, 0], curve[:, 1]
                if wave.mirrored and site.wall % 2:
                    across = -across
            if bend:
                across = across + bent(s, radius_um=bend, half_length_um=self._reach[site.family])
            across = across + self.lean_change(site) * s
            self._plans[site] = _on_plan(wall, site.fibre, s, across)
        return self._plans[site]

    def lean_change(self, site: Site) -> float:
        """Offset across for each µm along, from the change of the lean along the wall."""
        twist = math.tan(math.radians(self.spec.form.twist(site.family))) / 1000
        return twist * site.fibre * self.spec.rise_per_fibre_um

    def layer(self, site: Site) -> int:
        """Layer of a fibre, from 0."""
        if self.spec.morphology == "fused":
            return site.fibre
        return site.fibre * len(self.spec.directions_deg) + site.family

    def _width(self, site: Site) -> float:
        share = self.layer(site) / max(1, self.spec.layers - 1)
        return self.width_um * (1 + (self.spec.form.layer_factor - 1) * share)

    def _widths(self, site: Site, at: FloatArray) -> FloatArray | None:
        form = self.spec.form
        if form.layer_factor == 1.0 and form.diameter_trend == 0.0 and form.swell is None:
            return None
        factor = 1 + form.diameter_trend * (at / at[-1] - 0.5)
        if form.swell is not None:
            turn = 2 * math.pi * (at - at[-1] / 2) / form.swell.period_um
            factor = factor * (1 + form.swell.relative * np.sin(turn))
        return np.asarray(self._width(site) * factor)

    def _stations(self, arc: FloatArray, supports: list[float]) -> FloatArray:
        """Where along a fibre its points lie: the path's own, and closer where more changes."""
        step = math.inf
        if self.spec.form.sag_um or self.spec.crossing_rise_um:
            step = self.width_um / _POINTS_A_WIDTH
        if self.spec.form.swell is not None:
            step = min(step, self.spec.form.swell.period_um / _POINTS_A_SWELL)
        if math.isinf(step):
            return arc
        grid = np.linspace(0, arc[-1], 1 + math.ceil(arc[-1] / step))
        at = np.unique(np.concatenate([arc, grid, supports]))
        kept = np.concatenate([[True], np.diff(at) > 1e-6 * step])
        return np.asarray(at[kept])

    def _others(self, site: Site) -> list[Site]:
        return [
            Site(w.family, j, site.fibre)
            for f, family in enumerate(self.walls)
            if f != site.family
            for j, w in enumerate(family)
            if site.fibre < len(w.heights_um)
        ]

    def _supports(self, site: Site) -> list[Site]:
        """Fibres that hold this one up; none for those that lie on the plate."""
        if not self.spec.form.sag_um or self.layer(site) == 0:
            return []
        if self.spec.morphology == "fused":
            found = self._others(site)
        else:
            n = len(self.walls)
            below = self.layer(site) - 1
            family = below % n
            found = [Site(family, j, below // n) for j in range(len(self.walls[family]))]
            found = [] if family == site.family else found
        return [s for s in found if s not in self._absent]

    def _crossed(self, plan: FloatArray, arc: FloatArray, other: Site) -> list[tuple[float, float]]:
        """Arc length of each crossing with another fibre, and the sine of its angle."""
        path = self.plan(other)
        met = crossings(plan, path)
        out = []
        normal = self.walls[other.family][other.wall].normal
        for at in met:
            i = min(int(at), len(plan) - 2)
            leg = plan[i + 1] - plan[i]
            sine = abs(float(leg @ normal)) / float(np.linalg.norm(leg))
            out.append((float(np.interp(at, np.arange(len(arc)), arc)), sine))
        return out

    def _straight(self, site: Site, wall: BuiltWall) -> tuple[FloatArray, float]:
        reach = self.reach_um(site)
        place = float(wall.positions_um[site.fibre])
        s = np.array([-reach, reach])
        lift = np.zeros(2)
        held: list[float] = []
        if self.spec.crossing_rise_um:
            s = np.linspace(-reach, reach, 1 + math.ceil(2 * reach / (self.width_um / 4)))
            lift = np.zeros_like(s)
            for o in self._others(site):
                other = self.walls[o.family][o.wall]
                sine = float(wall.along @ other.normal)
                at = (other.positions_um[site.fibre] - place * (wall.normal @ other.normal)) / sine
                held.append(at)
                # A bump as long as the crossing wall is wide, along this fibre.
                bump = np.exp(-0.5 * ((s - at) * sine / (self.width_um / 2)) ** 2)
                lift = np.maximum(lift, self.spec.crossing_rise_um * bump)
        plan = place * wall.normal + s[:, None] * wall.along
        points = np.column_stack([plan, wall.heights_um[site.fibre] + lift])
        return points, _mean_sag(s, lift, np.unique(held))


def with_breaks(
    spec: ScaffoldSpec, strand: Strand, normal: FloatArray, width_um: float
) -> list[Strand]:
    """Return a fibre's pieces, and the second fibre on its path if there is one.

    Pieces end round, so that the centreline's gap is a width longer than that of clear air.
    """
    width = width_um if strand.widths_um is None else float(strand.widths_um.mean())
    site = Site(strand.family, strand.wall, strand.step)
    pieces = [strand]
    for b in spec.form.broken:
        if b.site == site:
            pieces = [p for piece in pieces for p in _cut(piece, strand, b.at_um, b.gap_um + width)]
    for d in spec.form.doubled:
        if d.site == site:
            move = np.array([*(d.offset_um * normal), d.rise_um])
            pieces.append(replace(strand, points_um=strand.points_um + move, kind="double"))
    return pieces


def _cut(piece: Strand, whole: Strand, at_um: float, gap_um: float) -> list[Strand]:
    """Take a length out of a piece; its ends are at the arc lengths of the whole fibre."""
    arc = arc_length(piece.points_um)
    # Pieces keep the whole's points, so that the first one tells where a piece begins.
    start = float(arc_length(whole.points_um)[-1]) / 2 + at_um - gap_um / 2
    begin = _arc_of(whole, piece.points_um[0])
    low, high = start - begin, start + gap_um - begin
    out = []
    for a, b in ((0.0, low), (high, float(arc[-1]))):
        a, b = max(a, 0.0), min(b, float(arc[-1]))
        if b - a <= 1e-9:
            continue
        at = np.concatenate([[a], arc[(arc > a) & (arc < b)], [b]])
        points = np.column_stack([np.interp(at, arc, piece.points_um[:, i]) for i in range(3)])
        widths = None if piece.widths_um is None else np.interp(at, arc, piece.widths_um)
        out.append(replace(piece, points_um=points, widths_um=widths))
    return out


def _arc_of(whole: Strand, point: FloatArray) -> float:
    a, b = whole.points_um[:-1], whole.points_um[1:]
    e = b - a
    t = np.clip(((point - a) * e).sum(axis=1) / (e**2).sum(axis=1), 0, 1)
    i = int(np.argmin(np.linalg.norm(a + t[:, None] * e - point, axis=1)))
    return float(arc_length(whole.points_um)[i] + t[i] * np.linalg.norm(e[i]))


def loop(
    line: Strand, following: Strand, ends_um: FloatArray, *, at_end: bool
) -> tuple[FloatArray, FloatArray | None]:
    """Half circle from the end (or start) of a fibre to that of the next wall's fibre.

    `ends_um` (2, 3) are the ends of the fibre's mean line. Also the widths along it, if they
    are not the scaffold's.
    """
    i = -1 if at_end else 0
    a, b = line.points_um[i], following.points_um[i]
    out = ends_um[-1] - ends_um[0] if at_end else ends_um[0] - ends_um[-1]
    out = out / np.linalg.norm(out)
    middle, half = (a + b) / 2, (a - b) / 2
    t = np.linspace(0, math.pi, _LOOP_CHORDS + 1)[:, None]
    points = np.asarray(middle + np.cos(t) * half + np.sin(t) * np.linalg.norm(half) * out)
    if line.widths_um is None or following.widths_um is None:
        return points, None
    return points, np.linspace(line.widths_um[i], following.widths_um[i], _LOOP_CHORDS + 1)


def _reach_um(spec: ScaffoldSpec, walls: list[BuiltWall], family: int) -> float:
    """Half the length of a family's fibres, or the radius of the outline circle."""
    among = [w for w in walls if w.family != family or spec.outline == "circle"] or walls
    return max(float(np.abs(w.positions_um).max()) for w in among) + spec.overhang_um


def _on_plan(wall: BuiltWall, fibre: int, s: FloatArray, across: FloatArray) -> FloatArray:
    place = wall.positions_um[fibre] + across
    return np.asarray(place[:, None] * wall.normal + s[:, None] * wall.along)


def _mean_sag(at: FloatArray, height: FloatArray, supports: FloatArray) -> float:
    """Mean over spans of how far the middle lies below the line between the supports."""
    if len(supports) < 2:
        return 0.0
    h = np.interp(supports, at, height)
    middles = np.interp((supports[:-1] + supports[1:]) / 2, at, height)
    return float(np.mean((h[:-1] + h[1:]) / 2 - middles))
