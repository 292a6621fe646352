"""The shape of one fibre: its length, recruitment strain, sag, diameter along it, and breaks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from volscan.fibres.arc import along_chord, smoothed_arc
from volscan.fibres.sag import sag_between
from volscan.fibres.swelling import DiameterAlong, diameter_along
from volscan.geometry import FloatArray
from volscan.quantity import Quantity

# Length over which a centreline is smoothed, in diameters.
_SMOOTHED_OVER = 3.0


@dataclass(frozen=True)
class FibreShape:
    """What one fibre's centreline tells.

    Parameters
    ----------
    length_um, chord_um
        Arc length of the smoothed curve without the noise's share, and distance of its ends.
    sinuosity
        Length over chord.
    recruitment_strain
        Length over chord, minus one; noise may take a straight fibre below 0.
    smoothed_over_um
        The length that the curve was in fact smoothed over (longer where points are rare).
    sag_um
        Mean drop at mid-span below the neighbouring supports; None without a span that shows it.
    diameter
        Trend, spread and periodic swelling of the diameter; None without diameters.
    breaks
        (start, end) along the fibre of each gap longer than a diameter.
    """

    length_um: float
    chord_um: float
    sinuosity: float
    recruitment_strain: Quantity
    smoothed_over_um: float
    sag_um: Quantity | None
    diameter: DiameterAlong | None
    breaks: tuple[tuple[float, float], ...]


def fibre_shape(
    points_um: ArrayLike,
    *,
    across_u_um: ArrayLike,
    up_u_um: ArrayLike,
    diameter_um: float,
    supports_um: ArrayLike = (),
    along_um: ArrayLike | None = None,
    diameters_um: ArrayLike | None = None,
    diameters_u_um: ArrayLike = 0.0,
    presence: tuple[ArrayLike, ArrayLike] | None = None,
    smooth_over_um: float | None = None,
) -> FibreShape | None:
    """Measure the shape of one fibre from its fitted centreline.

    Parameters
    ----------
    points_um
        Centreline (m, 3) as [X, Y, H], in order.
    across_u_um, up_u_um
        1-σ noise of the points, level and across the fibre, and along H: (m,) or one number.
    diameter_um
        Mean diameter.
    supports_um
        Places along the fibre where crossing fibres carry it; may be empty.
    along_um
        Coordinate (m,) that strictly grows along the fibre, the one of `supports_um` and
        `presence`; by default the distance along the chord from the first point.
    diameters_um, diameters_u_um
        Diameter (m,) at each point, NaN where unknown, and its 1-σ noise.
    presence
        Places (k,) along the fibre, and whether (k,) it is there.
    smooth_over_um
        Length that the centreline is smoothed over; three diameters by default.

    Returns
    -------
    FibreShape or None
        None with fewer than six points.

    Raises
    ------
    ValueError
        If sizes disagree, a number is not finite, a noise is negative, or `along_um` does not
        grow.

    Notes
    -----
    Waves and kinks shorter than the smoothing length do not count toward length or strain.
    See `smoothed_arc`, `sag_between` and `diameter_along` for the methods.

    Examples
    --------
    >>> x = np.linspace(0.0, 1000.0, 201)
    >>> line = np.stack([x, 0.0 * x, 0.0 * x + 10.0], axis=1)
    >>> shape = fibre_shape(line, across_u_um=0.1, up_u_um=0.1, diameter_um=20.0)
    >>> round(shape.chord_um, 6)
    1000.0
    """
    points = np.asarray(points_um, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3 or not np.all(np.isfinite(points)):
        raise ValueError(f"points_um must be finite and (m, 3), got shape {points.shape}")
    m = len(points)
    if m < 6:
        return None
    across = _noise("across_u_um", across_u_um, m)
    up = _noise("up_u_um", up_u_um, m)
    if not diameter_um > 0.0:
        raise ValueError(f"diameter_um must be > 0, got {diameter_um}")
    if along_um is None:
        along = along_chord(points)
    else:
        along = np.asarray(along_um, dtype=np.float64)
        if along.shape != (m,) or not np.all(np.diff(along) > 0.0):
            raise ValueError("along_um must hold one number a point and strictly grow")
    window = _SMOOTHED_OVER * diameter_um if smooth_over_um is None else smooth_over_um
    if not window > 0.0:
        raise ValueError(f"smooth_over_um must be > 0, got {window}")
    arc = smoothed_arc(points, along, across_u_um=across, up_u_um=up, window_um=window)
    if arc is None:
        return None
    diameter = None
    if diameters_um is not None:
        diameter = diameter_along(
            along,
            np.broadcast_to(np.asarray(diameters_um, dtype=np.float64), m),
            noise_um=_noise("diameters_u_um", diameters_u_um, m),
        )
    return FibreShape(
        length_um=arc.length_um,
        chord_um=arc.chord_um,
        sinuosity=1.0 + arc.strain.value,
        recruitment_strain=arc.strain,
        smoothed_over_um=arc.window_um,
        sag_um=sag_between(along, points[:, 2], supports_um, up_u_um=up),
        diameter=diameter,
        breaks=() if presence is None else breaks(*presence, longer_than_um=diameter_um),
    )


def breaks(
    along_um: ArrayLike, present: ArrayLike, *, longer_than_um: float
) -> tuple[tuple[float, float], ...]:
    """Return where along a fibre it is absent for longer than a length.

    Parameters
    ----------
    along_um
        Places (k,) looked at, growing; they reach as far as the fibre should.
    present
        Whether (k,) the fibre is there.
    longer_than_um
        Shorter gaps do not count; a diameter is usual.

    Returns
    -------
    tuple of (start, end)
        A gap reaches half-way to the neighbouring places that show the fibre, and to the first
        or last place where none follows.

    Raises
    ------
    ValueError
        If sizes disagree or the places do not grow.

    Examples
    --------
    >>> breaks([0, 10, 20, 30, 40, 50], [1, 1, 0, 0, 0, 1], longer_than_um=20.0)
    ((15.0, 45.0),)
    """
    s = np.asarray(along_um, dtype=np.float64)
    there = np.asarray(present, dtype=bool)
    if s.shape != there.shape or s.ndim != 1 or not np.all(np.diff(s) > 0.0):
        raise ValueError("along_um and present must be (k,) and along_um strictly grow")
    if s.size == 0:
        return ()
    edges = np.concatenate([s[:1], 0.5 * (s[1:] + s[:-1]), s[-1:]])
    absent = np.concatenate([[0], (~there).astype(np.int8), [0]])
    starts: NDArray[np.intp] = np.flatnonzero(np.diff(absent) == 1)
    ends: NDArray[np.intp] = np.flatnonzero(np.diff(absent) == -1)
    return tuple(
        (float(edges[a]), float(edges[b]))
        for a, b in zip(starts, ends, strict=True)
        if edges[b] - edges[a] > longer_than_um
    )


def _noise(name: str, value: ArrayLike, m: int) -> FloatArray:
    noise = np.asarray(value, dtype=np.float64)
    if noise.shape not in ((), (m,)) or not np.all(noise >= 0.0):
        raise ValueError(f"{name} must be one number or (m,), and at least 0")
    return np.broadcast_to(noise, m)
