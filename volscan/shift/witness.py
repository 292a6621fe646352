"""Witness walls: in the first corrected print some walls are held back, so that it tells more.

Between two prints a drift of the machine looks like a weaker or stronger answer to the shift.
Within one print it does not: walls that were sent less far than the others show the answer by the
difference, whatever the print as a whole has done. The family's mean shift is that of an even
shift, and no wall is sent farther than geometry asks for.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from volscan.shift.history import PRIOR_RESPONSE

FloatArray = NDArray[np.float64]

# Two walls at least on either side of the comparison, none of them outermost (these deviate
# most), and three degrees of freedom left beside mean, answer and distance.
LEAST_WALLS, _LEAST_WITNESSES = 6, 2
# The choice of walls may be explained by place, its square and the outermost walls to this share:
# a lean that depends on place as strongly as on chance then enters the answer with a third of it.
_EXPLAINED_BY_PLACE = 0.1
# An interval that shrinks by less than this is not worth an uneven print.
_WORTH = 0.1
_MOST_CHOICES = 20000


@dataclass(frozen=True)
class WitnessPlan:
    """Which walls (by index) are held back, and how far each wall's shift is from the even one.

    `apart_um` (n,) sums to zero and is all zero, `walls` empty, where there are none; `reason`
    says why in words.
    """

    walls: tuple[int, ...]
    apart_um: FloatArray
    reason: str


def plan_witnesses(
    position_um: FloatArray,
    *,
    full_um: FloatArray,
    damping: float,
    scatter_um: float,
    freedom: int,
    u_shared_um: float,
    u_drift_um: float,
    u_response: float,
    goal_um: float,
    rise_um: float,
) -> WitnessPlan:
    """Return how a first corrected print is best made uneven, or that it is not and why.

    Parameters
    ----------
    position_um
        Place of each wall along the family's normal.
    full_um
        The whole geometric correction of each wall per fibre, of which an even shift is the part
        `damping`.
    scatter_um, freedom, u_shared_um
        Standard deviation of a wall's offset by chance with its degrees of freedom, and what the
        scan adds to all walls.
    u_drift_um, u_response
        Priors of the drift a print and of the response.
    goal_um
        The third corrected print shall lie within this of its target, by two standard
        uncertainties.

    Notes
    -----
    The fewest walls that reach the goal are held back, and by the smallest share that does; where
    none reach it, those that come nearest, if they narrow the interval by a tenth. Planned is with
    the upper 95 % limit of the scatter: one print tells it poorly, and a plan on too small a
    scatter is too timid to tell anything.
    """
    count = position_um.size
    even = np.zeros(count)
    whole = abs(float(full_um.mean()))
    if count < LEAST_WALLS:
        return WitnessPlan((), even, f"fewer than {LEAST_WALLS} walls to compare")

    def foreseen(rms: float, scatter: float) -> float:
        return foreseen_u(
            whole, rms, damping=damping, walls=count, scatter_um=scatter,
            u_shared_um=u_shared_um, u_drift_um=u_drift_um, u_response=u_response,
        )  # fmt: skip

    upper = scatter_um * math.sqrt(freedom / float(chi2.ppf(0.05, freedom)))

    def enough(rms: float) -> bool:
        return 2.0 * foreseen(rms, upper) <= goal_um

    if enough(0.0):
        return WitnessPlan((), even, "an even shift tells enough")
    rms = {k: whole * _rms_factor(count, k, damping) for k in
           range(_LEAST_WITNESSES, count // 2 + 1)}  # fmt: skip
    best = max(rms.values())
    if best <= 1e-9 * whole:
        return WitnessPlan((), even, "the whole correction is asked for at once")
    without = foreseen(0.0, scatter_um)
    if foreseen(best, scatter_um) > (1.0 - _WORTH) * without:
        why = "held-back walls would hardly tell more: the lean is small beside the walls' scatter"
        return WitnessPlan((), even, why)
    # The fewest that suffice, else those that tell most.
    suffice = [k for k in rms if enough(rms[k])]
    rest = sorted((k for k in rms if k not in suffice), key=lambda k: -rms[k])
    placed = ((k, place_witnesses(position_um, k)) for k in (*suffice, *rest))
    number, walls = next(((k, w) for k, w in placed if w is not None), (0, ()))
    if not walls:
        return WitnessPlan((), even, "no choice of walls is free of their place")
    share = next((s for s in np.linspace(0.1, 1.0, 10) if enough(s * rms[number])), 1.0)
    high, low = _factors(count, number, damping)
    factor = np.full(count, high)
    factor[list(walls)] = low
    apart = share * (factor - damping) * full_um
    apart -= apart.mean()
    deg = [
        math.degrees(math.atan(2.0 * u / rise_um))
        for u in (foreseen(share * rms[number], scatter_um), without)
    ]
    told = (
        "held back so that the print itself tells its response from a drift: third corrected print "
        f"within {deg[0]:.2f}° of its target instead of {deg[1]:.2f}° (95 %)"
    )
    return WitnessPlan(walls, apart, told)


def _factors(count: int, witnesses: int, damping: float) -> tuple[float, float]:
    """Return the shares of the full correction of the other walls and of the witnesses.

    Their mean over the walls is the damping; the others get as much as they may, 1 at most.
    """
    others = count - witnesses
    high = min(1.0, damping * count / others)
    return high, (damping * count - others * high) / witnesses


def _rms_factor(count: int, witnesses: int, damping: float) -> float:
    high, low = _factors(count, witnesses, damping)
    part = witnesses / count
    return math.sqrt(part * (1.0 - part)) * (high - low)


def foreseen_u(
    full_um: float,
    rms_um: float,
    *,
    damping: float,
    walls: int,
    scatter_um: float,
    u_shared_um: float,
    u_drift_um: float,
    u_response: float,
) -> float:
    """Return the standard deviation foreseen for the mean offset of the third corrected print.

    Prints 0, 1 and 2 carry the shifts 0, the damped and the full correction; offset, drift and
    response are solved for by least squares, drift and response with their priors; print 1 tells
    the response besides with scatter / (sqrt(walls) rms). The worst of three responses (0.6, 1 and
    1.4, that is the prior and one standard uncertainty about it) is taken, since the shift that
    the full correction takes depends on it.
    """
    scatter_um = max(scatter_um, 1e-9)
    u_mean = math.hypot(scatter_um / math.sqrt(walls), u_shared_um)
    worst = 0.0
    for response in (PRIOR_RESPONSE - u_response, PRIOR_RESPONSE, PRIOR_RESPONSE + u_response):
        shift = np.array([0.0, damping * full_um, full_um / response])
        design = np.column_stack([np.ones(3), np.arange(3.0), shift])
        precision = design.T @ design / u_mean**2
        precision[1, 1] += u_drift_um**-2
        precision[2, 2] += u_response**-2 + walls * (rms_um / scatter_um) ** 2
        ahead = np.array([1.0, 3.0, shift[2]])
        variance = float(ahead @ np.linalg.solve(precision, ahead))
        worst = max(worst, math.sqrt(variance + scatter_um**2 / walls))
    return worst


def place_witnesses(position_um: FloatArray, number: int) -> tuple[int, ...] | None:
    """Return the walls to hold back, so that place tells as little as possible which they are.

    Neither place, nor its square, nor being outermost on one side may be correlated with the
    choice; None where the best choice is explained by these to more than a tenth.

    Examples
    --------
    >>> place_witnesses(np.arange(8.0), 2)
    (1, 6)
    """
    if number > position_um.size - 2:
        return None
    order = np.argsort(position_um)
    place = position_um[order] - (position_um.max() + position_um.min()) / 2
    size = place / max(float(np.abs(place).max()), 1e-9)
    side = np.zeros(place.size)
    side[0], side[-1] = -1.0, 1.0
    # Orthonormal columns, the constant first and left out.
    columns = np.linalg.qr(np.column_stack([np.ones(place.size), size, size**2, side]))[0][:, 1:]
    choices = np.array(list(_choices(place.size, number)))
    spread = number * (1.0 - number / place.size)
    explained = (columns[choices].sum(axis=1) ** 2).sum(axis=1) / spread
    best = int(np.argmin(np.round(explained, 9)))
    if explained[best] > _EXPLAINED_BY_PLACE:
        return None
    return tuple(sorted(int(order[i]) for i in choices[best]))


def _choices(count: int, number: int) -> Iterator[tuple[int, ...]]:
    """Yield choices among the inner walls: all, or where these are too many the middles of blocks.

    The middles of equal blocks are symmetric, and their mean square place is that of all walls to
    within one part in the square of their number.
    """
    if math.comb(count - 2, number) <= _MOST_CHOICES:
        yield from itertools.combinations(range(1, count - 1), number)
        return
    at = (np.arange(number) + 0.5) * count / number - 0.5
    half = np.round(at[: number // 2]).astype(int)
    middle = [count // 2] if number % 2 else []
    yield tuple(sorted({*half.tolist(), *middle, *(count - 1 - half).tolist()}))


def answer_within(
    apart_um: FloatArray, offset_um: FloatArray, distance_um: FloatArray
) -> tuple[float, float, float, int] | None:
    """Return how walls of one print answered what sets their shifts apart.

    Parameters
    ----------
    apart_um, offset_um, distance_um
        Of each wall: by how much its shift was set apart on purpose, what was measured, and its
        distance from the middle (a lean that grows with it must not pass for an answer).

    Returns
    -------
    The response, the lever in µm (the response's standard uncertainty is the walls' scatter over
    it), the standard deviation of the residuals and their degrees of freedom; None where walls
    are too few, or were not set apart.
    """
    columns = [np.ones(apart_um.size), distance_um / max(float(np.abs(distance_um).max()), 1e-9)]
    rest = np.column_stack(columns)
    freedom = apart_um.size - 3
    if freedom < 2:
        return None
    own = apart_um - rest @ np.linalg.lstsq(rest, apart_um, rcond=None)[0]
    lever = math.sqrt(float(own @ own))
    if lever <= 1e-6 * max(1.0, float(np.abs(apart_um).max())):
        return None
    response = float(own @ offset_um) / lever**2
    left = offset_um - response * apart_um
    left = left - rest @ np.linalg.lstsq(rest, left, rcond=None)[0]
    return response, lever, math.sqrt(float(left @ left) / freedom), freedom
