"""A tube as it is wound: its fibres' centrelines, and where places on the tube lie in space."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from volscan.errors import SettingsError
from volscan.phantom.tube import TubeSpec, laydown_deg

FloatArray = NDArray[np.float64]

# Chords leave the true curve by this share of a fibre's diameter at most.
_CHORD_SHARE = 1e-3
_LEAST_CHORDS = 8
# Chords of a turn at the end.
_TURN_CHORDS = 24


@dataclass(frozen=True)
class TubeStrand:
    """A wound fibre, or its turn into the next layer.

    Parameters
    ----------
    direction, start, layer
        Where it belongs; of a turn, where it comes from.
    places
        Centreline (n, 3) [s, φ, r]: µm, radians, µm (the radius before ovality).
    to_start
        Of a turn, the start of the fibre in the next layer that it leads to; else None.
    """

    direction: int
    start: int
    layer: int
    places: FloatArray
    to_start: int | None = None


@dataclass(frozen=True)
class Tube:
    """A wound tube."""

    spec: TubeSpec
    strands: tuple[TubeStrand, ...]

    def positions_um(self, places: FloatArray) -> FloatArray:
        """Turn places (..., 3) [s, φ, r] into own coordinates (..., 3) [X, Y, Z] in µm.

        Cross-sections stand square on the axis, and r is told before ovality.
        """
        spec = self.spec
        s, phi, r = np.moveaxis(places, -1, 0)
        along = s - spec.length_um / 2
        k, toward = spec.curvature_per_um, math.radians(spec.bend_toward_deg)
        turned = k * along
        # (1 - cos) by the half angle: straight axes are the limit, not a special case.
        inward = along * turned / 2 * np.sinc(turned / (2 * math.pi)) ** 2
        ahead = along * np.sinc(turned / math.pi)
        waist = spec.oval * spec.mean_radius_um
        out = r + waist * np.cos(2 * (phi - math.radians(spec.oval_toward_deg)))
        u, v = out * np.cos(phi - toward), out * np.sin(phi - toward)
        flat = inward + u * np.cos(turned)
        z = ahead - u * np.sin(turned)
        c, d = math.cos(toward), math.sin(toward)
        return np.stack([flat * c - v * d, flat * d + v * c, z], axis=-1)

    @cached_property
    def segments_places(self) -> FloatArray:
        """All centreline segments as places, array (n, 2, 3) [s, φ, r]."""
        pairs = [np.stack([s.places[:-1], s.places[1:]], axis=1) for s in self.strands]
        return np.concatenate(pairs)

    def segments_um(self) -> FloatArray:
        """Return all centreline segments, array (n, 2, 3) [X, Y, Z]."""
        return self.positions_um(self.segments_places)


def build_tube(spec: TubeSpec) -> Tube:
    """Wind every fibre of a tube.

    Parameters
    ----------
    spec
        What is wound.

    Returns
    -------
    Tube
        Strands in own coordinates.

    Raises
    ------
    SettingsError
        If neighbouring fibres touch.
    """
    _refuse_touching(spec)
    strands: list[TubeStrand] = []
    for layer in range(spec.layers):
        n = len(spec.winding_angles_deg)
        directions = range(n) if spec.morphology == "fused" else [layer % n]
        for direction in directions:
            for start in range(spec.starts):
                strands.append(_helix(spec, direction, start, layer))
    if spec.turn_um:
        by_layer = [[s for s in strands if s.layer == layer] for layer in range(spec.layers)]
        for here, there in pairwise(by_layer):
            strands += [_turn(spec, s, there) for s in here]
    return Tube(spec, tuple(strands))


def offset_um(spec: TubeSpec, direction: int, start: int, layer: int) -> float:
    """Return a fibre's displacement along the left normal from the lowest of its stack."""
    step = spec.layers_of(direction).index(layer)
    return step * spec.rise_per_fibre_um * math.tan(math.radians(spec.tilt_deg[direction][start]))


def first_angle(spec: TubeSpec, direction: int, start: int, layer: int) -> float:
    """Return φ in radians of a fibre at s = 0.

    All directions meet at the far end, where the pivot points are, `turn_um` apart.
    """
    phi = 2 * math.pi * start / spec.starts
    if direction:
        ahead = 2 * math.pi * spec.length_um
        phi += ahead * (spec.turns_per_um(0) - spec.turns_per_um(direction))
        phi += math.copysign(spec.turn_um / spec.inner_radius_um, spec.turns_per_um(0))
    radius = spec.radius_um(layer)
    laydown = math.radians(laydown_deg(spec.winding_deg(direction, radius)))
    # A step δ along the left normal (-sin α, cos α) moves the line by δ / cos α in y at the same
    # x, and y = -r φ.
    return phi - offset_um(spec, direction, start, layer) / (radius * math.cos(laydown))


def _helix(spec: TubeSpec, direction: int, start: int, layer: int) -> TubeStrand:
    radius, turns = spec.radius_um(layer), spec.turns_per_um(direction)
    wound = math.radians(spec.winding_deg(direction, radius))
    waist = abs(spec.oval) * spec.mean_radius_um
    curvature = math.sin(wound) ** 2 * (radius + 4 * waist) / (radius - waist) ** 2
    curvature += spec.curvature_per_um
    length = spec.length_um / math.cos(wound) * (1 + spec.curvature_per_um * radius)
    # A chord c leaves an arc of curvature k by k c² / 8.
    chord = math.sqrt(8 * _CHORD_SHARE * spec.diameter_um / max(curvature, 1e-12))
    count = max(_LEAST_CHORDS, math.ceil(length / chord))
    s = np.linspace(0.0, spec.length_um, count + 1)
    phi = first_angle(spec, direction, start, layer) + 2 * math.pi * turns * s
    return TubeStrand(
        direction, start, layer, np.column_stack([s, phi, np.full(count + 1, radius)])
    )


def _turn(spec: TubeSpec, fibre: TubeStrand, next_layer: list[TubeStrand]) -> TubeStrand:
    """Join a fibre's end to the one of the next layer that lies most nearly `turn_um` ahead.

    On the sheet the turn is a parabola touching both fibres: the mandrel keeps turning while the
    nozzle stops and goes back.
    """
    at = -1 if fibre.layer % 2 == 0 else 0
    way = math.copysign(1.0, spec.turns_per_um(fibre.direction)) * (1.0 if at == -1 else -1.0)
    wanted = spec.turn_um / spec.inner_radius_um
    s0, phi0, r0 = fibre.places[at]
    gaps = np.array([way * (o.places[at, 1] - phi0) - wanted for o in next_layer])
    miss = (gaps + math.pi) % (2 * math.pi) - math.pi
    to = int(np.argmin(np.abs(miss)))
    gap = wanted + float(miss[to])
    there = next_layer[to]
    # Where both tangents meet: their slopes ds/dφ are one over the rates of turning.
    ahead, back = (1 / (2 * math.pi * abs(spec.turns_per_um(s.direction))) for s in (fibre, there))
    share = back / (ahead + back)
    outward = 1.0 if at == -1 else -1.0
    t = np.linspace(0.0, 1.0, _TURN_CHORDS + 1)
    middle, end = 2 * t * (1 - t), t**2
    s = s0 + outward * middle * ahead * share * max(gap, 0.0)
    phi = phi0 + way * gap * (middle * share + end)
    r = r0 + (there.places[at, 2] - r0) * t
    return TubeStrand(
        fibre.direction, fibre.start, fibre.layer, np.column_stack([s, phi, r]), there.start
    )


def _refuse_touching(spec: TubeSpec) -> None:
    for direction in range(len(spec.winding_angles_deg)):
        for layer in spec.layers_of(direction):
            radius = spec.radius_um(layer)
            first = [first_angle(spec, direction, j, layer) for j in range(spec.starts)]
            first.append(first[0] + 2 * math.pi)
            across = radius * math.cos(math.radians(spec.winding_deg(direction, radius)))
            if spec.starts > 1 and float(np.diff(first).min()) * across <= spec.diameter_um:
                raise SettingsError(
                    f"fibres wound at {spec.winding_angles_deg[direction]:g}° touch their "
                    "neighbours: take fewer starts or lessen the lean"
                )
            pitch = spec.pitch_um(direction) / spec.starts
            if pitch * math.sin(math.radians(abs(spec.winding_angles_deg[direction]))) <= (
                spec.diameter_um
            ):
                raise SettingsError("turns of one helix touch: take fewer starts or a lower angle")
