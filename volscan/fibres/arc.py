"""Length of a noisy centreline: local cubics give the slope, the noise's share is taken off.

A polyline through noisy points is always too long, by the mean square of the noise in its slope.
Here the slope comes from cubics fitted over a stated length; as they are linear in the points,
what noise adds to the mean square slope follows from their weights and is subtracted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from volscan.geometry import FloatArray
from volscan.polyline import arc_lengths
from volscan.quantity import Quantity

# A cubic has four coefficients; with this many points in a window the noise stays bounded.
_LEAST_IN_WINDOW = 8
# Nodes of the integral for each window: the slope hardly changes over an eighth of it.
_NODES_A_WINDOW = 8
# Points at which the residuals are looked at, at most; more would only cost memory.
_MOST_PROBED = 300


@dataclass(frozen=True)
class Arc:
    """Length of a smoothed curve: arc, distance of its ends, and arc over chord minus one."""

    length_um: float
    chord_um: float
    strain: Quantity
    window_um: float


def along_chord(points_um: FloatArray) -> FloatArray:
    """Return a coordinate (m,) that grows along a curve (m, 3) and is free of its noise.

    The projection on the chord where that always grows; else the length of the polyline through
    running means, which also follows a curve that turns back.

    Raises
    ------
    ValueError
        If points coincide, so that nothing grows.
    """
    chord = points_um[-1] - points_um[0]
    size = float(np.linalg.norm(chord))
    if size > 0.0:
        along = (points_um - points_um[0]) @ (chord / size)
        if np.all(np.diff(along) > 0.0):
            return np.asarray(along)
    # Means over five points that close up toward the ends, so that these stay in place.
    means = np.array(
        [
            points_um[i - k : i + k + 1].mean(axis=0)
            for i in range(len(points_um))
            for k in [min(2, i, len(points_um) - 1 - i)]
        ]
    )
    arc = arc_lengths(means)
    if not np.all(np.diff(arc) > 0.0):
        raise ValueError("points of a centreline coincide: along_um must be given")
    return arc


def local_cubic(at: FloatArray, along: FloatArray, *, window_um: float) -> tuple[FloatArray, ...]:
    """Return the weights (q, m) that give value and slope at q places, and the half-widths (q,).

    Weighted least squares of a cubic with the parabola of Epanechnikov over `window_um`; near
    an end the window keeps its length and turns one-sided, and where points are rare it widens
    until it holds eight.

    Notes
    -----
    The slope of a sine of wavelength λ loses a share of 1.0e-3 (π window / λ)^4 (the fifth
    moment of the equivalent kernel, over 5!); 0.04 % at four windows a wavelength.

    References
    ----------
    Fan and Gijbels, Local Polynomial Modelling and Its Applications (1996), chapter 3; from
    memory.
    """
    half = 0.5 * window_um
    to_end = np.minimum(at - along[0], along[-1] - at)
    distance = np.abs(along[None, :] - at[:, None])
    few = min(_LEAST_IN_WINDOW, along.size) - 1
    # A little wider than the farthest point wanted, whose weight would else be zero.
    reach = 1.1 * np.partition(distance, few, axis=1)[:, few]
    width = np.maximum(half + np.maximum(half - to_end, 0.0), reach)
    v = (along[None, :] - at[:, None]) / width[:, None]
    weight = np.maximum(1.0 - v**2, 0.0)
    terms = [weight]
    for _ in range(3):
        terms.append(terms[-1] * v)
    sums = [t.sum(axis=1) for t in terms]
    for _ in range(3):
        sums.append((terms[-1] * v ** (len(sums) - 3)).sum(axis=1))
    moments = np.stack([np.stack(sums[j : j + 4], axis=1) for j in range(4)], axis=1)
    # Only the first two rows of the inverse are wanted: value and slope.
    first = np.linalg.solve(moments, np.broadcast_to(np.eye(4)[:, :2], (at.size, 4, 2)))
    value, slope = (sum(first[:, j, k, None] * terms[j] for j in range(4)) for k in range(2))
    return value, slope / width[:, None], width


def smoothed_arc(
    points_um: FloatArray,
    along_um: FloatArray,
    *,
    across_u_um: FloatArray | float,
    up_u_um: FloatArray | float,
    window_um: float,
) -> Arc | None:
    """Measure arc, chord and strain of a curve smoothed over a stated length.

    arc = ∫ |r'| dt - ½ ∫ var(r'⊥) / |r'| dt, the second term being what noise adds.

    Parameters
    ----------
    points_um
        Centreline (m, 3) as [X, Y, H].
    along_um
        Coordinate (m,) that strictly grows along it, such as the distance along the chord.
    across_u_um, up_u_um
        1-σ noise of each point, level and across the fibre, and along H; independent from point
        to point.
    window_um
        Length over which the curve is smoothed.

    Returns
    -------
    Arc or None
        None with fewer than six points.

    Notes
    -----
    Expected excess, first-order u (through the curve's own slopes) and second-order u (of the
    squared slope noise) all come from the same weights. The squared noise that the first-order
    term picks up itself, twice the second-order variance, is taken off it. Where residuals
    contradict the stated noise, the excess's share of the contradiction enters u.

    Examples
    --------
    >>> x = np.linspace(0.0, 400.0, 81)
    >>> line = np.stack([x, 0.75 * x, 0.0 * x], axis=1)
    >>> arc = smoothed_arc(line, x, across_u_um=0.0, up_u_um=0.0, window_um=60.0)
    >>> round(arc.length_um, 6)
    500.0
    """
    m = len(points_um)
    if m < 6:
        return None
    t = np.asarray(along_um, dtype=np.float64)
    var_a = np.broadcast_to(np.square(across_u_um), m)
    var_u = np.broadcast_to(np.square(up_u_um), m)
    extent = float(t[-1] - t[0])
    window = min(window_um, extent)
    # Simpson's rule wants an odd number of nodes.
    at = np.linspace(t[0], t[-1], 2 * int(np.ceil(0.5 * _NODES_A_WINDOW * extent / window)) + 1)
    value, slope, width = local_cubic(at, t, window_um=window)
    derivative = slope @ points_um
    speed = np.linalg.norm(derivative, axis=1)
    tangent = derivative / speed[:, None]
    omega = _simpson(at)

    # What noise adds to the arc, and the variance of that.
    level = np.hypot(tangent[:, 0], tangent[:, 1])
    excess, second = 0.0, 0.0
    for var, seen in ((var_a, np.ones_like(level)), (var_u, level**2)):
        cov = (slope * var) @ slope.T
        share = 0.5 * omega * seen / speed
        excess += float(share @ np.diag(cov))
        second += 2.0 * float(share @ cov**2 @ share)

    ends = (value[-1] - value[0]) @ points_um
    chord = float(np.linalg.norm(ends))
    arc = float(omega @ speed) - excess
    # d(arc / chord) for each point's place: first order.
    pull = slope.T @ (omega[:, None] * tangent) / chord
    pull -= arc / chord**2 * np.outer(value[-1] - value[0], ends / chord)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1) / np.maximum(level, 1e-9)[:, None]
    sideways = sum(np.interp(t, at, normal[:, k]) * pull[:, k] for k in range(2))
    first = float(np.sum(var_a * np.square(sideways) + var_u * pull[:, 2] ** 2))
    second /= chord**2
    doubt = excess / chord * _contradiction(points_um, t, var_a, var_u, window)
    u = float(np.sqrt(second + max(first - 2.0 * second, 0.0) + doubt**2))
    return Arc(arc, chord, Quantity(arc / chord - 1.0, u, "1", 1), float(2.0 * np.median(width)))


def _simpson(at: FloatArray) -> FloatArray:
    weights = np.full(at.size, 2.0)
    weights[1::2] = 4.0
    weights[[0, -1]] = 1.0
    return np.asarray(weights * (at[-1] - at[0]) / (at.size - 1) / 3.0)


def _contradiction(
    points: FloatArray, t: FloatArray, var_a: FloatArray, var_u: FloatArray, window: float
) -> float:
    """Return the standard uncertainty of the noise's square, as a share, that residuals show.

    The residuals' mean square over the expected one, minus one, taken as the half-width of a
    rectangular distribution.
    """
    probed = np.unique(np.linspace(0, t.size - 1, min(t.size, _MOST_PROBED)).astype(int))
    value = local_cubic(t[probed], t, window_um=window)[0]
    left = -value
    left[np.arange(probed.size), probed] += 1.0
    expected = float(np.sum(left**2 @ (var_a + var_u)))
    if expected <= 0.0:
        return 0.0
    rest = left @ points
    return abs(float(np.sum(rest**2)) / expected - 1.0) / float(np.sqrt(3.0))
