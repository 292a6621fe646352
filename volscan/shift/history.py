"""How a printer answers a commanded shift, learnt from earlier prints, and the next shift.

For one family, print i carried the shift s_i per fibre and gave the offset m_i per fibre:

    m_i = b + d · i + r · s_i + scatter

b is the machine's own offset, d its drift a print, r the response. b is free; the drift has a prior
of mean 0, the response one of 1 ± 0.4, truncated below 0.2: with few prints, or shifts that
hardly differ, the priors are what is left, and that is said. Walls whose shifts were set apart
within one print (`volscan.shift.witness`) tell r besides, drift or not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as f_distribution

FloatArray = NDArray[np.float64]

# Prior of the response (DESIGN of the loop): a fibre lands where it is sent, give or take what
# the jet's self-focusing takes away. Common practice, no published source.
PRIOR_RESPONSE, PRIOR_U, LEAST_RESPONSE = 1.0, 0.4, 0.2
# A printer drifts by a few tenths of a degree a print at most: common practice, no published
# source.
PRIOR_DRIFT_DEG = 0.3
# Two standard uncertainties beyond what the prior thinks possible at two of its own.
_LEAST_POSSIBLE, _MOST_POSSIBLE = LEAST_RESPONSE, PRIOR_RESPONSE + 2.0 * PRIOR_U
# Shifts have to differ by this many uncertainties of an offset to tell anything of the response.
_TELLING = 3.0
_GRID = np.linspace(LEAST_RESPONSE, 3.0, 2801)
# A print whose walls scatter unlike those of the others, by an F test at this level, keeps its own
# scatter; the others share one, which is known better.
_UNLIKE = 0.01


@dataclass(frozen=True)
class WallEvidence:
    """What the walls of one print tell beside their mean.

    `scatter_um`: standard deviation by chance, with `freedom` degrees of freedom, over `walls`
    walls; `u_shared_um` what the scan adds to all of them. Where shifts were set apart within the
    print, `response` is how the walls answered that, its u being the scatter over `lever_um`.
    """

    scatter_um: float
    freedom: int
    walls: int
    u_shared_um: float
    response: float | None = None
    lever_um: float = 0.0


@dataclass(frozen=True)
class PastPrint:
    """One family of one print, along the family's left normal.

    `shift_um` is what each fibre was commanded relative to the one below it, in all and as the
    mean of the walls; `offset_um` what was measured, with the standard uncertainty `u_um` that this
    print's walls and scan give. `walls` is None where only the mean is known.
    """

    shift_um: float
    offset_um: float
    u_um: float
    walls: WallEvidence | None = None


@dataclass(frozen=True)
class Response:
    """The estimate: response `value` ± `u`, drift a print, and whether the prior was kept.

    `ahead_um` ± `u_ahead_um` is the offset per fibre that the next print would show with the shift
    unchanged, `covariance_um` its covariance with the response. `trouble` says why the response is
    not to be trusted, None when it is. `told` are the words for the user.
    """

    value: float
    u: float
    drift_um: float
    ahead_um: float
    u_ahead_um: float
    covariance_um: float
    from_history: bool
    trouble: str | None
    told: str


@dataclass(frozen=True)
class NextShift:
    """The shift per fibre to command next, and the offset it is expected to give.

    `change_um` is relative to the print just measured. `expected_um` ± `u_expected_um`: one
    standard uncertainty of a measurement of the next print.
    """

    shift_um: float
    change_um: float
    expected_um: float
    u_expected_um: float
    damping: float
    reason: str


def estimate_response(prints: Sequence[PastPrint], *, rise_um: float) -> Response:
    """Estimate the response from the prints so far, oldest first, the last being the newest.

    Parameters
    ----------
    prints
        One family's history.
    rise_um
        Height step between successive fibres of a wall, which turns the prior of the drift from
        degrees into an offset.

    Notes
    -----
    For each response on a grid the offsets are Gaussian with a free b and a drift whose prior is
    0 ± 0.3° a print; their likelihood times the truncated prior is the posterior, whose mean and
    standard deviation are returned. Later shifts were chosen from earlier results, which is no
    harm to a likelihood, and which is why the drift must be in it: without it a drift that the
    loop works against would be taken for a weak response.
    """
    s, m = (np.array([getattr(p, k) for p in prints]) for k in ("shift_um", "offset_um"))
    u, within, weight_within = _with_shared_scatter(prints)
    u_drift = rise_um * math.radians(PRIOR_DRIFT_DEG)
    spread = float(np.ptp(s)) if len(prints) > 1 else 0.0
    even = weight_within == 0.0
    if even and (len(prints) < 2 or spread < _TELLING * max(float(np.median(u)), 1e-9)):
        why = (
            "no earlier print" if len(prints) < 2 else "the shifts of the earlier prints hardly "
            "differ"
        )  # fmt: skip
        told = f"response taken as {PRIOR_RESPONSE:g} ± {PRIOR_U:g} ({why})"
        ahead, u_ahead = (float(m[-1]), math.hypot(float(u[-1]), u_drift)) if len(prints) else (
            0.0, math.inf)  # fmt: skip
        return Response(PRIOR_RESPONSE, PRIOR_U, 0.0, ahead, u_ahead, 0.0, False, None, told)
    free, u_free = _without_prior(s, m, u, u_drift, within, weight_within)
    trouble = None
    if free + 2.0 * u_free < _LEAST_POSSIBLE or free - 2.0 * u_free > _MOST_POSSIBLE:
        trouble = (
            f"the walls answered a shift with {free:.2f} ± {u_free:.2f} of it, outside "
            f"{_LEAST_POSSIBLE:g} to {_MOST_POSSIBLE:g}: look for another cause (the wrong file, a "
            "mirrored or turned scan, a change of voltage or speed) before the next shift"
        )
    log, drifts, aheads, var = _given(_GRID, s, m, u, u_drift)
    log = log - 0.5 * ((_GRID - PRIOR_RESPONSE) / PRIOR_U) ** 2
    log = log - 0.5 * weight_within * (_GRID - within) ** 2
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    value, mean = float(weight @ _GRID), float(weight @ aheads)
    u_value = math.sqrt(float(weight @ (_GRID - value) ** 2))
    u_mean = math.sqrt(float(weight @ ((aheads - mean) ** 2)) + var)
    shared = float(weight @ ((_GRID - value) * (aheads - mean)))
    told = f"response {value:.2f} ± {u_value:.2f} from {len(prints)} print"
    told += "s" if len(prints) > 1 else ""
    told += "" if even else ", walls held back among them"
    return Response(
        value, u_value, float(weight @ drifts), mean, u_mean, shared, True, trouble, told
    )


def _covariance(u: FloatArray, u_drift: float) -> FloatArray:
    index = np.arange(u.size, dtype=np.float64)
    return np.asarray(np.diag(u**2) + u_drift**2 * np.outer(index, index))


def _with_shared_scatter(prints: Sequence[PastPrint]) -> tuple[FloatArray, float, float]:
    """Return the u of each mean, the response told within prints, and its weight 1 / u² (0: none).

    The scatter of walls by chance is taken as one over the prints that tell it, since five or ten
    walls tell it poorly; a print that is unlike the others keeps its own.
    """
    u = np.array([p.u_um for p in prints])
    known = [(i, p.walls) for i, p in enumerate(prints) if p.walls and p.walls.freedom > 0]
    scatter: dict[int, float] = {}
    for i, w in known:
        others = [o for j, o in known if j != i and not _unlike(w, o)]
        freedom = w.freedom + sum(o.freedom for o in others)
        squares = sum(o.freedom * o.scatter_um**2 for o in (w, *others))
        scatter[i] = math.sqrt(squares / freedom)
        u[i] = math.hypot(scatter[i] / math.sqrt(w.walls), w.u_shared_um)
    total = weight = 0.0
    for i, w in known:
        if w.response is not None and w.lever_um > 0:
            one = (w.lever_um / max(scatter[i], 1e-9)) ** 2
            total, weight = total + one * w.response, weight + one
    return u, total / weight if weight else 0.0, weight


def _unlike(a: WallEvidence, b: WallEvidence) -> bool:
    """Return whether two prints' walls scatter differently, by a two-sided F test."""
    ratio = (a.scatter_um / max(b.scatter_um, 1e-12)) ** 2
    high = float(f_distribution.sf(ratio, a.freedom, b.freedom))
    return 2.0 * min(high, 1.0 - high) < _UNLIKE


def _without_prior(
    s: FloatArray,
    m: FloatArray,
    u: FloatArray,
    u_drift: float,
    within: float,
    weight_within: float,
) -> tuple[float, float]:
    """Return the response by generalised least squares, drift as in its prior, and its u."""
    inverse = np.linalg.inv(_covariance(np.maximum(u, 1e-9), u_drift))
    design = np.column_stack([np.ones(s.size), s])
    information = design.T @ inverse @ design
    information[1, 1] += weight_within
    normal = np.linalg.inv(information)
    fitted = normal @ (design.T @ inverse @ m + np.array([0.0, weight_within * within]))
    return float(fitted[1]), math.sqrt(float(normal[1, 1]))


def _given(
    r: FloatArray, s: FloatArray, m: FloatArray, u: FloatArray, u_drift: float
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Return, for each response, its log likelihood, the drift, and what comes with no change.

    The last number is the variance of what comes, the response given.
    """
    u = np.maximum(u, 1e-9)
    count = u.size
    y = m[:, None] - s[:, None] * r[None, :]
    inverse = np.linalg.inv(_covariance(u, u_drift))
    ones = np.ones(count)
    b = (ones @ inverse @ y) / float(ones @ inverse @ ones)
    left = y - b
    log = -0.5 * np.einsum("ik,ij,jk->k", left, inverse, left)
    # Drift and b together, the drift with its prior.
    design = np.column_stack([ones, np.arange(count, dtype=np.float64)])
    precision = design.T @ np.diag(u**-2) @ design + np.diag([0.0, u_drift**-2])
    covariance = np.linalg.inv(precision)
    fitted = covariance @ design.T @ (y / u[:, None] ** 2)
    step = np.array([1.0, float(count)])
    return log, fitted[1], step @ fitted + r * s[-1], float(step @ covariance @ step)


def next_shift(
    prints: Sequence[PastPrint],
    response: Response,
    *,
    target_um: float = 0.0,
    damping: float | None = None,
) -> NextShift:
    """Return the shift for the next print: s_next = s_used - (c / r) (m - m_target).

    m is the model's offset of the next print with the shift unchanged: the last one measured
    where there is no history, else drawn from all prints, drift included. The damping is by default
    c = r / (r + u_r): a response one standard uncertainty above the estimate does not overshoot.

    Examples
    --------
    >>> prior = estimate_response([PastPrint(0.0, 1.0, 0.05)], rise_um=10.0)
    >>> chosen = next_shift([PastPrint(0.0, 1.0, 0.05)], prior)
    >>> round(chosen.damping, 3), round(chosen.change_um, 3)
    (0.714, -0.714)
    """
    last = prints[-1]
    r, u_r = response.value, response.u
    c = r / (r + u_r) if damping is None else damping
    change = -(c / r) * (response.ahead_um - target_um)
    expected = response.ahead_um + r * change
    # Response and offset are known together: their errors partly make up for each other.
    variance = response.u_ahead_um**2 + (u_r * change) ** 2 + 2.0 * change * response.covariance_um
    u_expected = math.sqrt(max(variance, 0.0) + last.u_um**2)
    if damping is not None:
        why = f"damping {c:.2f} as given"
    elif response.from_history:
        why = f"damping {c:.2f}: a response one uncertainty above the estimate does not overshoot"
    else:
        why = (
            f"damping {c:.2f}: without history a fibre may answer with up to "
            f"{r + u_r:.1f} of what was sent, and shall not be sent too far"
        )
    return NextShift(last.shift_um + change, change, expected, u_expected, c, why)


def unlike_expected(
    prints: Sequence[PastPrint], *, rise_um: float
) -> tuple[float, float, float] | None:
    """Return what the print before led to expect of the last one, its u, and how far off it was.

    None with fewer than two prints. The third number is in standard uncertainties.
    """
    if len(prints) < 2:
        return None
    before, last = list(prints[:-1]), prints[-1]
    response = estimate_response(before, rise_um=rise_um)
    change = last.shift_um - before[-1].shift_um
    expected = response.ahead_um + response.value * change
    variance = response.u_ahead_um**2 + (response.u * change) ** 2 + last.u_um**2
    u = math.sqrt(max(variance + 2.0 * change * response.covariance_um, last.u_um**2))
    return expected, u, (last.offset_um - expected) / u
