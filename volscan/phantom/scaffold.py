"""A scaffold's geometry: fibres as polylines with an elliptic cross-section, and nothing else.

Build coordinates (X, Y, H) in µm: the patch is centred on X = Y = 0, the collector is H = 0 and
the underside of the lowest fibre touches it. No voxel occurs here.

A fibre is the set of points whose distance to its centreline, heights stretched by
width / height first, is at most half its width. A level fibre is then exactly an elliptic
cylinder with round ends, and a circular one when width equals height.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from volscan.errors import SettingsError

FloatArray = NDArray[np.float64]
Morphology = Literal["interleaved", "fused"]
Outline = Literal["square", "circle"]

# Chords of a turning loop: 16 leave the arc within 0.5 % of its radius.
_LOOP_CHORDS = 16


@dataclass(frozen=True)
class ScaffoldSpec:
    """What is printed.

    Parameters
    ----------
    directions_deg
        Lay-down direction of each family, in the order of writing.
    spacing_um
        Distance between neighbouring walls, one a family.
    diameter_um
        Diameter as laid, of the circle with the fibre's cross-section.
    layers
        Number of distinct fibre heights. Interleaved: layer l is written in direction l mod n.
        Fused: every direction has a fibre at each height.
    layer_height_um
        Step between neighbouring heights.
    walls
        Number of walls, one a family.
    tilt_deg
        Lean of each wall toward its left normal (-sin α, cos α), one row a family.
    shift_per_fibre_um
        Layer shift added to each fibre relative to the one below it, along the left normal, on
        top of the lean; one row a family.
    wall_offset_um
        Displacement of each whole wall along the left normal; one row a family.
    morphology
        "interleaved" (a log pile) or "fused" (closed walls).
    mass_conserving
        Fused only: the weld displaces polymer, so that the fibres swell from the laid diameter
        until the union of a wall's circles holds the area that was laid.
    width_over_height
        Ratio of the axes of the cross-section; its area is that of the stated diameter.
    crossing_rise_um
        Fused only: how far fibres rise over crossings with other walls.
    loops
        Whether turning loops join neighbouring walls at their ends.
    overhang_um
        How far fibres run past the outermost crossing walls.
    outline
        "square": all fibres of a family equally long; "circle": ended on a circle.

    Raises
    ------
    SettingsError
        If a value cannot be, or walls would touch their neighbours.
    """

    directions_deg: tuple[float, ...]
    spacing_um: tuple[float, ...]
    diameter_um: float
    layers: int
    layer_height_um: float
    walls: tuple[int, ...]
    tilt_deg: tuple[tuple[float, ...], ...]
    shift_per_fibre_um: tuple[tuple[float, ...], ...]
    wall_offset_um: tuple[tuple[float, ...], ...]
    morphology: Morphology = "interleaved"
    mass_conserving: bool = False
    width_over_height: float = 1.0
    crossing_rise_um: float = 0.0
    loops: bool = False
    overhang_um: float = 0.0
    outline: Outline = "square"

    def __post_init__(self) -> None:
        n = len(self.directions_deg)
        if n == 0:
            raise SettingsError("a scaffold needs at least one direction in directions_deg")
        for name in ("spacing_um", "walls", "tilt_deg", "shift_per_fibre_um", "wall_offset_um"):
            if len(getattr(self, name)) != n:
                raise SettingsError(f"{name} needs one entry a direction ({n})")
        for name in ("tilt_deg", "shift_per_fibre_um", "wall_offset_um"):
            if any(len(row) != m for row, m in zip(getattr(self, name), self.walls, strict=True)):
                raise SettingsError(f"{name} needs one value a wall ({self.walls})")
        positive = (self.diameter_um, self.layer_height_um, self.width_over_height)
        if min((*positive, *self.spacing_um)) <= 0 or min((self.layers, *self.walls)) < 1:
            raise SettingsError("diameter, spacing, layer height, layers and walls must be > 0")
        if self.morphology not in ("interleaved", "fused"):
            raise SettingsError(f"morphology must be interleaved or fused, got {self.morphology!r}")
        if self.outline not in ("square", "circle"):
            raise SettingsError(f"outline must be square or circle, got {self.outline!r}")
        if self.morphology == "interleaved" and self.layers < n:
            raise SettingsError(
                f"interleaved needs a layer for each of the {n} directions, got {self.layers}"
            )
        if self.morphology == "interleaved" and (self.mass_conserving or self.crossing_rise_um):
            raise SettingsError("mass_conserving and crossing_rise_um belong to fused walls")

    @property
    def fibres_per_wall(self) -> tuple[int, ...]:
        """Fibres standing on each other in a wall, one number a family."""
        n = len(self.directions_deg)
        if self.morphology == "fused":
            return (self.layers,) * n
        return tuple(len(range(f, self.layers, n)) for f in range(n))

    @property
    def rise_per_fibre_um(self) -> float:
        """Height step between successive fibres of one wall."""
        steps = 1 if self.morphology == "fused" else len(self.directions_deg)
        return steps * self.layer_height_um


@dataclass(frozen=True)
class Strand:
    """One laid fibre, or a turning loop between two: a centreline (n, 3) [X, Y, H]."""

    family: int
    wall: int
    step: int
    loop: bool
    points_um: FloatArray


@dataclass(frozen=True)
class BuiltWall:
    """A wall as built: height of each fibre, lowest first, and its place along the left normal."""

    family: int
    direction_deg: float
    heights_um: FloatArray
    positions_um: FloatArray

    @property
    def normal(self) -> FloatArray:
        """Left normal (-sin α, cos α)."""
        a = math.radians(self.direction_deg)
        return np.array([-math.sin(a), math.cos(a)])


@dataclass(frozen=True)
class Scaffold:
    """A built scaffold: strands, walls, and the cross-section that all strands share."""

    spec: ScaffoldSpec
    width_um: float
    height_um: float
    strands: tuple[Strand, ...]
    walls: tuple[BuiltWall, ...]

    @property
    def diameter_um(self) -> float:
        """Diameter of the circle with the cross-section's area."""
        return math.sqrt(self.width_um * self.height_um)

    @property
    def stretch(self) -> float:
        """Factor on heights that makes the cross-section a circle of diameter `width_um`."""
        return self.width_um / self.height_um

    def segments_um(self) -> FloatArray:
        """Return all centreline segments, array (n, 2, 3) [X, Y, H]."""
        pairs = [np.stack([s.points_um[:-1], s.points_um[1:]], axis=1) for s in self.strands]
        return np.concatenate(pairs)

    @property
    def top_um(self) -> float:
        """Height of the highest fibre's top (between crossings)."""
        return max(float(w.heights_um[-1]) for w in self.walls) + self.height_um / 2


def swollen_diameter_um(laid_um: float, step_um: float, count: int) -> float:
    """Return the diameter of `count` equal circles, `step_um` apart, whose union keeps the area.

    Solves 2 (count - 1) A(step / 2) + 2 A(r) = count π laid² / 4 for d = 2 r. At each height the
    union is as wide as the circle with the nearest centre, so every circle counts over half a
    step to either side (the two outer ones to their end), with
    A(t) = ∫ 2 sqrt(r² - z²) dz from 0 to t = t sqrt(r² - t²) + r² asin(t / r).

    Examples
    --------
    >>> round(swollen_diameter_um(20.0, 20.0, 10), 6)
    20.0
    """

    def area(r: float, t: float) -> float:
        t = min(t, r)
        return t * math.sqrt(r**2 - t**2) + r**2 * math.asin(t / r)

    def excess(d: float) -> float:
        r = d / 2
        whole = 2 * (count - 1) * area(r, step_um / 2) + 2 * area(r, r)
        return whole - count * math.pi * laid_um**2 / 4

    # One circle of the whole area is larger than any of several.
    return float(brentq(excess, laid_um / 2, laid_um * 2 * math.sqrt(count), xtol=1e-12 * laid_um))


def build_scaffold(spec: ScaffoldSpec) -> Scaffold:
    """Lay every fibre of a scaffold.

    Parameters
    ----------
    spec
        What is printed.

    Returns
    -------
    Scaffold
        Strands and walls in build coordinates.

    Raises
    ------
    SettingsError
        If neighbouring walls touch.
    """
    width, height = _section_um(spec)
    walls = _walls(spec, height)
    _refuse_touching(spec, walls, width)
    strands: list[Strand] = []
    for f in range(len(spec.directions_deg)):
        own = [w for w in walls if w.family == f]
        others = [w for w in walls if w.family != f]
        for k in range(spec.fibres_per_wall[f]):
            lines = [_fibre(spec, walls, w, others, k, width) for w in own]
            strands += [Strand(f, j, k, False, p) for j, p in enumerate(lines)]
            if spec.loops:
                strands += [
                    Strand(f, j, k, True, _loop(lines[j], lines[j + 1], at_end=(j + k) % 2 == 0))
                    for j in range(len(lines) - 1)
                ]
    return Scaffold(spec, width, height, tuple(strands), tuple(walls))


def _section_um(spec: ScaffoldSpec) -> tuple[float, float]:
    """Width and height of the cross-section as built."""
    root = math.sqrt(spec.width_over_height)
    d = spec.diameter_um
    if spec.mass_conserving:
        # Stretching heights by the ratio turns ellipses into circles and scales every area alike.
        wide = swollen_diameter_um(d * root, spec.layer_height_um * root**2, spec.layers)
        d = wide / root
    return d * root, d / root


def _walls(spec: ScaffoldSpec, height_um: float) -> list[BuiltWall]:
    n = len(spec.directions_deg)
    walls = []
    for f, direction in enumerate(spec.directions_deg):
        steps = np.arange(spec.fibres_per_wall[f], dtype=float)
        layer = steps if spec.morphology == "fused" else steps * n + f
        heights = height_um / 2 + layer * spec.layer_height_um
        middle = (spec.walls[f] - 1) / 2
        for j in range(spec.walls[f]):
            start = (j - middle) * spec.spacing_um[f] + spec.wall_offset_um[f][j]
            per_fibre = spec.rise_per_fibre_um * math.tan(math.radians(spec.tilt_deg[f][j]))
            per_fibre += spec.shift_per_fibre_um[f][j]
            walls.append(BuiltWall(f, direction, heights, start + steps * per_fibre))
    return walls


def _refuse_touching(spec: ScaffoldSpec, walls: list[BuiltWall], width_um: float) -> None:
    for f in range(len(spec.directions_deg)):
        rows = np.array([w.positions_um for w in walls if w.family == f])
        if len(rows) > 1 and float(np.diff(rows, axis=0).min()) <= width_um:
            raise SettingsError(
                f"walls of direction {spec.directions_deg[f]:g}° touch their neighbours: "
                "widen the spacing or lessen the lean"
            )


def _reach_um(spec: ScaffoldSpec, walls: list[BuiltWall], family: int) -> float:
    """Half the length of a family's fibres, or the radius of the outline circle."""
    among = [w for w in walls if w.family != family or spec.outline == "circle"] or walls
    return max(float(np.abs(w.positions_um).max()) for w in among) + spec.overhang_um


def _fibre(
    spec: ScaffoldSpec,
    walls: list[BuiltWall],
    wall: BuiltWall,
    others: list[BuiltWall],
    step: int,
    width_um: float,
) -> FloatArray:
    reach = _reach_um(spec, walls, wall.family)
    place = float(wall.positions_um[step])
    if spec.outline == "circle":
        reach = math.sqrt(max(reach**2 - place**2, width_um**2))
    along = np.array([wall.normal[1], -wall.normal[0]])
    s = np.array([-reach, reach])
    lift = np.zeros(2)
    if spec.crossing_rise_um:
        s = np.linspace(-reach, reach, 1 + math.ceil(2 * reach / (width_um / 4)))
        lift = np.zeros_like(s)
        for other in others:
            sine = float(along @ other.normal)
            at = (other.positions_um[step] - place * (wall.normal @ other.normal)) / sine
            # A bump as long as the crossing wall is wide, along this fibre.
            bump = np.exp(-0.5 * ((s - at) * sine / (width_um / 2)) ** 2)
            lift = np.maximum(lift, spec.crossing_rise_um * bump)
    plan = place * wall.normal + s[:, None] * along
    return np.column_stack([plan, wall.heights_um[step] + lift])


def _loop(line: FloatArray, following: FloatArray, *, at_end: bool) -> FloatArray:
    """Half circle from the end (or start) of a fibre to that of the next wall's fibre."""
    a, b = (line[-1], following[-1]) if at_end else (line[0], following[0])
    out = line[-1] - line[0] if at_end else line[0] - line[-1]
    out = out / np.linalg.norm(out)
    middle, half = (a + b) / 2, (a - b) / 2
    t = np.linspace(0, math.pi, _LOOP_CHORDS + 1)[:, None]
    return np.asarray(middle + np.cos(t) * half + np.sin(t) * np.linalg.norm(half) * out)
