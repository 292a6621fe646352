"""Which known causes explain how the walls of a family lean, and what is left to chance.

Lean is tan(tilt) along the family's left normal. The model of a family is

    lean = mean + a · distance from the middle + b · side of the outermost walls

with the two terms centred, so that the mean stays the mean. A term enters when an F test against
the model without it says so at the 1 % level; the residual variance in the test is never taken
smaller than the walls' own measured variance, and its degrees of freedom are those of the
residuals alone. With few walls the test is severe: four walls leave two degrees of freedom, for
which F must exceed 98.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as f_distribution

FloatArray = NDArray[np.float64]
Term = Literal["distance", "outermost"]

# A term that chance alone would show in one family of a hundred is taken for chance.
SIGNIFICANCE = 0.01
# Several directions share one vector unless a lack of fit stands out at this level.
LACK_OF_FIT = 0.05
# Residuals needed beyond the terms, so that there is a scatter to test against.
_LEAST_FREEDOM = 2


@dataclass(frozen=True)
class LeanModel:
    """A fitted family.

    `mean` and `u_mean` (scatter of the walls included, without what all walls share); `terms`
    with their contribution at the family's upper outermost wall and its standard uncertainty;
    `predicted` and `residual` for each wall; `mean_stands_out` whether the mean differs from 0
    by more than chance.
    """

    mean: float
    u_mean: float
    mean_stands_out: bool
    terms: tuple[tuple[Term, float, float], ...]
    predicted: FloatArray
    residual: FloatArray

    @property
    def depends_on_wall(self) -> bool:
        """Whether a cause makes walls lean differently."""
        return bool(self.terms)


def fit_leans(lean: FloatArray, u: FloatArray, distance_um: FloatArray) -> LeanModel:
    """Return the model of one family's leans.

    Parameters
    ----------
    lean
        tan(tilt) of each wall along the family's normal.
    u
        Standard uncertainty of each, without what all walls share.
    distance_um
        Signed distance of each wall from the scaffold's middle, along the normal.
    """
    columns = _columns(distance_um)
    chosen: list[Term] = []
    while True:
        rest = [name for name in columns if name not in chosen]
        tests = [(_p_of_adding(lean, u, columns, chosen, name), name) for name in rest]
        p, name = min(tests, default=(1.0, None), key=lambda test: test[0])
        if name is None or p >= SIGNIFICANCE:
            break
        chosen.append(name)
    design = _design(lean.size, [columns[name] for name in chosen])
    coefficients, variance = _solve(lean, u, design)
    covariance = variance * np.linalg.inv(design.T @ design)
    u_all = np.sqrt(np.diag(covariance))
    predicted = design @ coefficients
    freedom = lean.size - design.shape[1]
    ratio = (coefficients[0] / u_all[0]) ** 2 if u_all[0] > 0 else math.inf
    stands_out = freedom >= 1 and float(f_distribution.sf(ratio, 1, freedom)) < SIGNIFICANCE
    last = int(np.argmax(distance_um)) if distance_um.size else 0
    return LeanModel(
        mean=float(coefficients[0]),
        u_mean=float(u_all[0]),
        mean_stands_out=bool(stands_out),
        terms=tuple(
            (
                name,
                float(coefficients[k + 1] * columns[name][last]),
                float(u_all[k + 1] * abs(columns[name][last])),
            )
            for k, name in enumerate(chosen)
        ),
        predicted=predicted,
        residual=lean - predicted,
    )


def fit_vector(
    leans: Sequence[FloatArray], us: Sequence[FloatArray], normals: Sequence[FloatArray]
) -> tuple[FloatArray, FloatArray, bool]:
    """Return the vector common to all families, its covariance (2, 2), and whether it suffices.

    The vector v makes each wall lean by v · n. It suffices when giving each family its own mean
    instead does not fit better by an F test; with one or two directions it always does.
    """
    y = np.concatenate(list(leans))
    u = np.concatenate(list(us))
    design = np.concatenate(
        [np.tile(n, (len(one), 1)) for one, n in zip(leans, normals, strict=True)]
    )
    inverse = np.linalg.pinv(design.T @ design)
    vector = inverse @ design.T @ y
    rank = int(np.linalg.matrix_rank(design))
    around_vector = float(((y - design @ vector) ** 2).sum())
    around_means = float(sum(((one - one.mean()) ** 2).sum() for one in leans))
    freedom = y.size - len(leans)
    extra = len(leans) - rank
    floor = float(np.mean(u**2))
    variance = max(around_means / freedom if freedom > 0 else 0.0, floor)
    suffices = True
    if extra > 0 and freedom > 0 and variance > 0:
        ratio = (around_vector - around_means) / extra / variance
        suffices = float(f_distribution.sf(ratio, extra, freedom)) > LACK_OF_FIT
    elif extra > 0:
        suffices = around_vector <= around_means + extra * 4.0 * floor
    spread = max(variance, around_vector / max(1, y.size - rank))
    return vector, spread * inverse, suffices


def _columns(distance_um: FloatArray) -> dict[Term, FloatArray]:
    """Return the centred columns of the terms that can be told with these walls."""
    if distance_um.size < 1 + 1 + _LEAST_FREEDOM:
        return {}
    side = np.zeros(distance_um.size)
    side[int(np.argmax(distance_um))], side[int(np.argmin(distance_um))] = 1.0, -1.0
    largest = float(np.abs(distance_um).max())
    if largest <= 0:
        return {}
    columns: dict[Term, FloatArray] = {"distance": distance_um / largest, "outermost": side}
    return {name: column - column.mean() for name, column in columns.items()}


def _design(count: int, columns: Sequence[FloatArray]) -> FloatArray:
    return np.column_stack([np.ones(count), *columns])


def _solve(y: FloatArray, u: FloatArray, design: FloatArray) -> tuple[FloatArray, float]:
    """Return least-squares coefficients and the residual variance, not below the known one."""
    coefficients = np.linalg.lstsq(design, y, rcond=None)[0]
    freedom = y.size - design.shape[1]
    left = float(((y - design @ coefficients) ** 2).sum())
    floor = float(np.mean(u**2))
    variance = max(left / freedom if freedom > 0 else 0.0, floor)
    return np.asarray(coefficients, dtype=np.float64), variance


def _p_of_adding(
    y: FloatArray,
    u: FloatArray,
    columns: dict[Term, FloatArray],
    chosen: list[Term],
    name: Term,
) -> float:
    """Return the chance of so large a gain if the term meant nothing; 1 where it cannot be told."""
    before = _design(y.size, [columns[c] for c in chosen])
    after = _design(y.size, [columns[c] for c in [*chosen, name]])
    freedom = y.size - after.shape[1]
    if freedom < _LEAST_FREEDOM or np.linalg.matrix_rank(after) < after.shape[1]:
        return 1.0
    old, _ = _solve(y, u, before)
    new, variance = _solve(y, u, after)
    gain = float(((y - before @ old) ** 2).sum() - ((y - after @ new) ** 2).sum())
    if variance <= 0:
        return 0.0 if gain > 0 else 1.0
    return float(f_distribution.sf(gain / variance, 1, freedom))
