"""A scaffold's geometry: fibres as polylines with an elliptic cross-section, and nothing else.

Build coordinates (X, Y, H) in µm: the patch is centred on X = Y = 0, the collector is H = 0 and
the underside of the lowest fibre touches it. No voxel occurs here.

A fibre is the set of points whose distance to its centreline, heights stretched by
width / height first, is at most half its width. A level fibre is then exactly an elliptic
cylinder with round ends, and a circular one when width equals height.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from volscan.errors import SettingsError
from volscan.phantom.form import Form, Site
from volscan.phantom.laying import Laying, loop, with_breaks
from volscan.phantom.pieces import BuiltWall, Strand
from volscan.phantom.standing import bridge_strand, spike_strands

__all__ = ["BuiltWall", "Scaffold", "ScaffoldSpec", "Strand", "build_scaffold"]

FloatArray = NDArray[np.float64]
Morphology = Literal["interleaved", "fused"]
Outline = Literal["square", "circle"]


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
    form
        What departs from straight, level, equal fibres.

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
    form: Form = field(default_factory=Form)

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
        for name in ("waves", "bend_radius_um", "twist_deg_per_mm"):
            if len(getattr(self.form, name)) not in (0, n):
                raise SettingsError(f"{name} needs one entry a direction ({n})")
        sites = [*self.form.missing, *(x.site for x in self.form.broken)]
        for site in [*sites, *(x.site for x in self.form.doubled)]:
            known = 0 <= site.family < n and 0 <= site.wall < self.walls[site.family]
            if not (known and 0 <= site.fibre < self.fibres_per_wall[site.family]):
                raise SettingsError(f"there is no fibre {site}")

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

    def radii_um(self) -> float | FloatArray:
        """Half the width: one number, or (n, 2) at the ends of all centreline segments."""
        if all(s.widths_um is None for s in self.strands):
            return self.width_um / 2
        rows = []
        for s in self.strands:
            w = np.full(len(s.points_um), self.width_um) if s.widths_um is None else s.widths_um
            rows.append(np.stack([w[:-1], w[1:]], axis=1) / 2)
        return np.concatenate(rows)

    @property
    def slabs_um(self) -> FloatArray:
        """Heights (n, 2) of the base and top of each membrane."""
        m = self.spec.form.membrane
        return np.array([[m.base_um, m.base_um + m.thickness_um]] if m else []).reshape(-1, 2)

    def boxes_um(self) -> FloatArray:
        """Lowest and highest corner [X, Y, H] of each membrane, (n, 2, 3)."""
        ends = np.concatenate([w.ends_um.reshape(-1, 3) for w in self.walls])[:, :2]
        low, high = ends.min(axis=0), ends.max(axis=0)
        rows = [[[*low, base], [*high, top]] for base, top in self.slabs_um]
        return np.array(rows).reshape(-1, 2, 3)

    @property
    def top_um(self) -> float:
        """Height of the highest fibre's top (between crossings)."""
        highest = max(float(w.heights_um[-1]) for w in self.walls)
        return highest + self.height_um * self.spec.form.layer_factor / 2


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
    laying = Laying(spec, walls, width)
    strands: list[Strand] = []
    for f, own in enumerate(laying.walls):
        for k in range(spec.fibres_per_wall[f]):
            sites = [Site(f, j, k) for j in range(len(own))]
            lines = [laying.fibre(s) if s not in spec.form.missing else None for s in sites]
            for line, wall in zip(lines, own, strict=True):
                strands += [] if line is None else with_breaks(spec, line, wall.normal, width)
            if spec.loops:
                for j, (line, after) in enumerate(itertools.pairwise(lines)):
                    if line is not None and after is not None:
                        ends = laying.mean_ends_um(sites[j])
                        points, widths = loop(line, after, ends, at_end=(j + k) % 2 == 0)
                        strands.append(Strand(f, j, k, True, points, widths))
    walls = [
        replace(
            w,
            ends_um=np.array(
                [laying.mean_ends_um(Site(f, j, k)) for k in range(len(w.heights_um))]
            ),
        )
        for f, own in enumerate(laying.walls)
        for j, w in enumerate(own)
    ]
    strands += [bridge_strand(b, spec.width_over_height) for b in spec.form.bridges]
    if spec.form.spikes is not None:
        strands += spike_strands(spec.form.spikes, laying, height)
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
            positions = start + steps * per_fibre
            if spec.form.bow(f, j):
                u = steps / max(1, len(steps) - 1)
                positions = positions + 4 * spec.form.bow(f, j) * u * (1 - u)
            walls.append(BuiltWall(f, direction, heights, positions, np.empty((0, 2, 3))))
    return walls


def _refuse_touching(spec: ScaffoldSpec, walls: list[BuiltWall], width_um: float) -> None:
    for f in range(len(spec.directions_deg)):
        rows = np.array([w.positions_um for w in walls if w.family == f])
        wave = spec.form.wave(f)
        least = width_um
        if wave is not None and wave.mirrored:
            least = 2 * wave.amplitude_um
        elif wave is not None and wave.is_graph:
            # Neighbours in step are as far apart as the mean lines, along the normal of those.
            least = width_um * math.hypot(1.0, wave.steepest)
        if len(rows) > 1 and float(np.diff(rows, axis=0).min()) <= least:
            raise SettingsError(
                f"walls of direction {spec.directions_deg[f]:g}° touch their neighbours: "
                "widen the spacing or lessen the lean"
            )
