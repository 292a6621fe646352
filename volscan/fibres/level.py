"""The build frame bettered by the fibres: the normal along which every layer lies level."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.lines import FittedWall
from volscan.frame.plate import plate_frame
from volscan.geometry import BuildFrame, FloatArray

# No layer's scatter counts as less than this share of the usual layer's.
_LEAST_SCATTER = 0.2
# By how much the frame's uncertainty grows for that, from the phantoms of docs/validation.
_SHARED_HEIGHTS = 1.6


def refined_frame(frame: BuildFrame, walls: list[FittedWall]) -> BuildFrame:
    """Return the frame whose normal makes every layer level.

    Fibres of one layer lie at one height, whatever their walls lean: the normal is the one along
    which the heights of each layer's centres scatter least (least squares, each fibre its own
    cluster for the uncertainty). Layers count by their own scatter: within a welded wall noise
    slides fibres up and down, while its lowest and highest keep their place.
    """
    h = frame.h
    for _ in range(3):
        rows, values, groups, fibre, of_wall = [], [], [], [], []
        labels = _layer_labels(walls, h)
        first, second = frame.x, frame.y
        number = 0
        for w, (wall, layer) in enumerate(zip(walls, labels, strict=True)):
            centres = wall.centres()
            for k in range(centres.shape[1]):
                for p in centres[:, k]:
                    rows.append((p @ first, p @ second))
                    values.append(p @ h)
                    groups.append(layer[k])
                    fibre.append(number)
                    of_wall.append(w)
                number += 1
        a = np.array(rows)
        v = np.array(values)
        g = np.array(groups)
        cluster, owner = np.array(fibre), np.array(of_wall)
        weight = np.ones(v.size)
        for _robust in range(5):
            tilt, normal, rest, centred = _level(a, v, g, weight)
            scale = _scatter(rest, g)
            weight = (scale.min() / scale) ** 2 / np.maximum(1.0, np.abs(rest) / (3.0 * scale))
        h = h + tilt[0] * first + tilt[1] * second
        h = h / np.linalg.norm(h)
    u = max(
        # Fibres of one wall and one layer share errors that clusters by fibre do not see.
        _SHARED_HEIGHTS * _clustered_u(centred, weight * rest, cluster, normal),
        _clustered_u(centred, weight * rest, owner, normal),
    )
    low = _lowest(walls, h)
    return plate_frame(
        h,
        base_um=low,
        up=frame.up if frame.up_confirmed else None,
        mirrored=False if frame.mirrored_confirmed else None,
        u_tilt_deg=u,
        h_from="the layers' own planes",
    )


def _clustered_u(
    centred: FloatArray, pull: FloatArray, cluster: NDArray[np.int64], normal: FloatArray
) -> float:
    """Return the tilt's standard uncertainty, degrees, where a cluster's rows share their errors.

    Sandwich estimate (K.-Y. Liang and S. L. Zeger, 1986, Biometrika 73, 13) with the usual factor
    for few clusters.
    """
    count = int(cluster.max()) + 1
    score = np.zeros((count, 2))
    np.add.at(score, cluster, centred * pull[:, None])
    inverse = np.linalg.pinv(normal)
    covariance = inverse @ (score.T @ score) @ inverse * count / max(count - 2, 1)
    return math.degrees(math.sqrt(max(float(np.trace(covariance)) / 2.0, 1e-12)))


def _scatter(rest: FloatArray, g: NDArray[np.int64]) -> FloatArray:
    """Return for each height the scatter of its layer: 1.48 times the median deviation.

    A layer that seems to scatter hardly at all, of few fibres, counts no more than others.
    """
    order = np.argsort(g, kind="stable")
    cuts = np.flatnonzero(np.diff(g[order])) + 1
    own = np.zeros(int(g.max()) + 1)
    for rows in np.split(order, cuts):
        own[g[rows[0]]] = 1.4826 * float(np.median(np.abs(rest[rows])))
    usual = float(np.median(own[own > 0])) if np.any(own > 0) else 0.0
    return np.asarray(np.hypot(own, _LEAST_SCATTER * usual)[g] + 1e-9)


def _level(
    a: FloatArray, v: FloatArray, g: NDArray[np.int64], weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the tilt that levels the layers, its normal matrix, the rest and centred rows."""
    layers = int(g.max()) + 1
    # A layer that no wall shows has no weight and no rows.
    total = np.maximum(np.bincount(g, weight, layers), 1e-300)
    means = np.stack([np.bincount(g, weight * a[:, i], layers) / total for i in range(2)], axis=1)
    mean_v = np.bincount(g, weight * v, layers) / total
    centred = a - means[g]
    rest = v - mean_v[g]
    normal = centred.T @ (centred * weight[:, None])
    tilt = -1.0 * np.linalg.lstsq(normal, centred.T @ (rest * weight), rcond=1e-10)[0]
    return np.asarray(tilt, dtype=np.float64), normal, np.asarray(rest + centred @ tilt), centred


def _layer_labels(walls: list[FittedWall], h: FloatArray) -> list[NDArray[np.int64]]:
    """Return a label for each fibre of each wall: which layer of its family it belongs to.

    Labels are by family, so that no assumption about which families share a height enters.
    """
    labels = []
    start: dict[int, int] = {}
    following = 0
    for wall in walls:
        if wall.family not in start:
            start[wall.family] = following
            following += wall.present.size
        labels.append(start[wall.family] + np.flatnonzero(wall.present))
    return labels


def _lowest(walls: list[FittedWall], h: FloatArray) -> float:
    """Return the height along `h` of the mean tangent under the lowest layer."""
    under = []
    for wall in walls:
        if wall.present[0]:
            heights = wall.centres()[:, 0] @ h
            half = wall.radius_um[0] * math.sqrt(wall.height_over_width)
            under.append((float(heights.mean()), float(half)))
    bottom = min(v for v, _ in under)
    lowest = [v - r for v, r in under if v - bottom < r]
    return float(np.mean(lowest))
