"""Base and top of a printed piece: mean tangents of its outer layers where they are supported."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from volscan.envelope.polygon import edges
from volscan.fibres.field import FibreField
from volscan.geometry import Fibre
from volscan.polyline import arc_lengths, at_lengths
from volscan.quantity import Notice, combine_u

FloatArray = NDArray[np.float64]

# An outermost layer with less fibre than this share of the median layer is debris or a fault.
_LEAST_LAYER_SHARE = 0.2
# A fibre's centre at a crossing is known to about this share of a voxel.
_U_CENTRE_VOX = 0.05
# Diameters are those of circles of equal section: a fibre flattened by up to a tenth stands lower
# by half of that, as a rectangular distribution's standard deviation.
_U_ROUNDNESS = 0.05 / math.sqrt(3.0)


@dataclass(frozen=True)
class Face:
    """Height of a face, its standard uncertainties, and the scatter of the fibres' tangents.

    `u_um` is its own; `u_shared_um`, from the radius, moves base and top apart together.
    """

    height_um: float
    u_um: float
    u_shared_um: float
    scatter_um: float
    supported: bool


def base_and_top(
    fibres: FibreField, outline_um: FloatArray, *, voxel_um: float
) -> tuple[Face, Face, tuple[Notice, ...]]:
    """Return base and top of the piece inside an outline.

    The base is the mean of centre minus radius along the lowest layer's fibres where fibres of
    another direction cross above them; the top the mean of centre plus radius along the highest
    layer's where others cross below. There a fibre is held: between crossings it may sag, and
    where it climbs over a fibre on the wrong side it is not at the face. Where nothing crosses
    the whole length counts.
    """
    inside = [p for p in (_sampled(f, outline_um) for f in fibres.fibres) if len(p.points_um)]
    if not inside:
        inside = [p for p in (_sampled(f, np.empty((0, 2))) for f in fibres.fibres)]
    layers, dropped = _layers_that_count(inside)
    notices = []
    if dropped:
        notices.append(
            Notice(
                "outer_layer_ignored",
                "outermost layers with little fibre were not taken for the piece's base or top",
                dropped,
            )
        )
    faces = []
    for side, layer in ((-1, layers[0]), (+1, layers[-1])):
        outer = [p for p in inside if p.fibre.layer == layer]
        faces.append(_face(outer, inside, side, fibres, voxel_um))
    diameter = float(np.mean([f.diameter_um.value for f in fibres.fibres]))
    for face, word in zip(faces, ("base", "top"), strict=True):
        if face.scatter_um > 0.5 * diameter:
            notices.append(
                Notice(
                    "wavy_face",
                    f"the {word} is uneven by {face.scatter_um:.3g} µm between fibres; "
                    "the envelope's plane is its mean",
                )
            )
    return faces[0], faces[1], tuple(notices)


@dataclass(frozen=True)
class _Sampled:
    fibre: Fibre
    points_um: FloatArray
    radii_um: FloatArray
    share_length_um: float


def _sampled(fibre: Fibre, outline_um: FloatArray) -> _Sampled:
    """Return points every eighth of a diameter along a fibre, those inside the outline."""
    arc = arc_lengths(fibre.points_um)
    count = max(2, math.ceil(arc[-1] / (0.125 * fibre.diameter_um.value)) + 1)
    at = np.linspace(0.0, arc[-1], count)
    points = at_lengths(fibre.points_um, arc, at)
    radii = 0.5 * np.interp(at, arc, fibre.diameters_um)
    if len(outline_um) >= 3:
        normals, offsets = edges(outline_um)
        keep = (points[:, :2] @ normals.T >= offsets).all(axis=1)
        points, radii = points[keep], radii[keep]
    return _Sampled(fibre, points, radii, arc[-1] / count * len(points))


def _layers_that_count(inside: list[_Sampled]) -> tuple[list[int], int]:
    lengths: dict[int, float] = {}
    for piece in inside:
        lengths[piece.fibre.layer] = lengths.get(piece.fibre.layer, 0.0) + piece.share_length_um
    least = _LEAST_LAYER_SHARE * float(np.median(list(lengths.values())))
    layers = sorted(lengths)
    low, high = 0, len(layers) - 1
    while low < high and lengths[layers[low]] < least:
        low += 1
    while high > low and lengths[layers[high]] < least:
        high -= 1
    return layers[low : high + 1], len(layers) - (high - low + 1)


def _face(
    outer: list[_Sampled], all_pieces: list[_Sampled], side: int, fibres: FibreField, voxel: float
) -> Face:
    means, weights = [], []
    supported = False
    by_family: dict[int, tuple[cKDTree, FloatArray, float] | None] = {}
    for piece in outer:
        family = piece.fibre.family
        if family not in by_family:
            by_family[family] = _others(all_pieces, family, outer[0], side)
        half_height = piece.radii_um * math.sqrt(fibres.height_over_width)
        tangents = piece.points_um[:, 2] + side * half_height
        held = _held(piece, by_family[family], side)
        if held.any():
            supported = True
            tangents = tangents[held]
        means.append(float(tangents.mean()))
        weights.append(float(len(tangents)))
    w = np.asarray(weights) / np.sum(weights)
    height = float(w @ means)
    scatter = float(np.std(means, ddof=1)) if len(means) > 1 else 0.0
    u_diameter = (fibres.diameter_um.u or 0.0) if fibres.diameter_um is not None else 0.0
    radius = 0.5 * float(np.mean([p.fibre.diameter_um.value for p in outer]))
    u = combine_u([scatter / math.sqrt(len(means)), _U_CENTRE_VOX * voxel])
    return Face(height, u, combine_u([0.5 * u_diameter, _U_ROUNDNESS * radius]), scatter, supported)


def _others(
    pieces: list[_Sampled], family: int, example: _Sampled, side: int
) -> tuple[cKDTree, FloatArray, float] | None:
    """Return a tree of other families' points near the face, with their heights and radius."""
    level = float(example.points_um[:, 2].mean())
    reach = 4.0 * example.fibre.diameter_um.value
    near = [
        p
        for p in pieces
        if p.fibre.family != family and -side * (level - p.points_um[:, 2].mean()) > -reach
    ]
    if not near:
        return None
    points = np.concatenate([p.points_um for p in near])
    radius = float(np.mean([p.radii_um.mean() for p in near]))
    return cKDTree(points[:, :2]), points[:, 2], radius


def _held(
    piece: _Sampled, others: tuple[cKDTree, FloatArray, float] | None, side: int
) -> NDArray[np.bool_]:
    """Return where along a fibre another direction crosses on its inner side, and not outside."""
    held = np.zeros(len(piece.points_um), dtype=bool)
    if others is None:
        return held
    tree, heights, radius = others
    # Half a radius on either side of the crossing: farther off a suspended fibre already sags.
    found = tree.query_ball_point(piece.points_um[:, :2], 0.5 * radius)
    for k, neighbours in enumerate(found):
        if neighbours:
            inner = side * (piece.points_um[k, 2] - heights[neighbours])
            held[k] = inner.max() > 0 and inner.min() > 0
    return held
