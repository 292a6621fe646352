"""The change of shift to make, from the walls as they were measured and the tilt that is wanted.

Plain numbers in, so that it works on stored results. The cause model of one family is that of
`volscan.shift.causes`, fitted to what the walls lean beyond their target.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from volscan.shift.causes import LeanModel, fit_leans, fit_vector
from volscan.shift.history import (
    PRIOR_DRIFT_DEG,
    PRIOR_RESPONSE,
    PRIOR_U,
    PastPrint,
    Response,
    WallEvidence,
    estimate_response,
    next_shift,
    unlike_expected,
)
from volscan.shift.leans import FamilyChange, FamilyLeans, Level, WallsExpected
from volscan.shift.witness import WitnessPlan, answer_within, plan_witnesses

FloatArray = NDArray[np.float64]
# A bow enters when it stands out by this many standard uncertainties, all walls together.
_BOW_STANDS_OUT = 3.0
# Limits that a user can lift by name.
LIMITS = ("support", "largest", "reversal", "chance")


def targets(leans: FamilyLeans, wanted: str | float) -> FloatArray:
    """Return the wanted tilt of each wall in degrees along the normal.

    A number is the tilt toward the left normal; "in:5" and "out:5" are toward and away from the
    family's middle, the wall in the middle upright.
    """
    if isinstance(wanted, str) and ":" in wanted:
        way, _, size = wanted.partition(":")
        side = np.sign(np.round(leans.distance_um / max(1.0, _half_gap(leans)), 0))
        return np.asarray(float(size) * side * (1.0 if way == "out" else -1.0))
    return np.full(leans.offset_um.size, float(wanted))


def _half_gap(leans: FamilyLeans) -> float:
    gaps = np.diff(np.sort(leans.position_um))
    return float(np.median(gaps)) / 2 if gaps.size else math.inf


def choose(
    families: Sequence[FamilyLeans],
    *,
    wanted: str | float = 0.0,
    by: Level | None = None,
    damping: float | None = None,
    tolerance_deg: float = 1.0,
    bend: bool | None = None,
    allow: Sequence[str] = (),
    no_witnesses: str | None = None,
) -> list[FamilyChange]:
    """Return the change for each family.

    Parameters
    ----------
    families
        The walls, with the shift already in their print and their earlier prints.
    wanted
        Tilt aimed at: see `targets`.
    by
        One value a wall, a family or for the print; None lets the data choose: the print where one
        vector explains all families (three directions or more), walls where a cause makes them
        lean differently, else families.
    damping
        c of the next shift; None takes that of the response.
    tolerance_deg
        Leans that stay within this of the target, by twice their uncertainty, are left.
    bend
        Whether walls that bow get a profile over their layers; None lets the bow decide.
    allow
        Limits to lift: "support", "largest" (a fibre moved by more than a diameter relative to
        the one below it), "chance" (a lean that does not stand out is corrected all the same).
    no_witnesses
        Why no walls are to be held back in a first corrected print; None lets the data decide.
    """
    chosen = []
    given = families
    families = [_evened(f) for f in given]
    common = _common_vector(families, wanted, by)
    for measured, leans in zip(given, families, strict=True):
        aim_deg = targets(leans, wanted)
        aim = leans.rise_um * np.tan(np.radians(aim_deg))
        # Where walls are aimed at different tilts, their leans are explained as they are, and the
        # targets come after; else the target is where the lean is counted from.
        varies = float(np.ptp(aim)) > 0
        model = _model(leans, np.zeros_like(aim) if varies else aim)
        level, reason, left = _level(leans, model, aim, by, common, tolerance_deg, allow)
        predicted = _landing(leans, model, aim, level, common)
        if varies:
            predicted = np.asarray(model.predicted * leans.rise_um)
            level, reason, left = _level_of_targets(leans, model, predicted - aim, tolerance_deg)
        left = left and not measured.uneven_um.any()
        seen = _seen(measured, model, np.zeros_like(aim) if varies else aim)
        prints = [*leans.past, seen]
        response = estimate_response(prints, rise_um=leans.rise_um)
        expected = next_shift(prints, response, target_um=float(aim.mean()), damping=damping)
        scale = expected.damping / response.value
        # What the history adds to this print's mean: drift, and scatter between prints.
        moved = response.ahead_um - prints[-1].offset_um
        change = -scale * (predicted + moved - aim)
        bow = _bow(leans) if bend is not False else 0.0
        if left:
            change = np.zeros_like(change)
            bow = 0.0 if bend is not True else bow
        refused = response.trouble
        refused = refused or _limits(leans, change, response.value, allow)
        plan = None
        if not (left or refused or leans.past or measured.uneven_um.any() or varies):
            plan = _witnesses(leans, change, expected.damping, seen, tolerance_deg, no_witnesses)
            broken = _limits(leans, change + plan.apart_um, response.value, allow)
            if broken:
                plan = WitnessPlan((), np.zeros_like(change), f"of the uneven shift, {broken}")
            change = change + plan.apart_um
        chosen.append(
            FamilyChange(
                measured, None if left else level, change - measured.uneven_um, -scale * bow,
                response, expected, unlike_expected(prints, rise_um=leans.rise_um), reason, seen,
                refused, plan, _expected_of(leans, plan, change, response, seen),
            )
        )  # fmt: skip
    return chosen


def _evened(leans: FamilyLeans) -> FamilyLeans:
    """Return the walls as they would lean had their shifts not been set apart from each other.

    Where the scan shows too few walls to tell how they answered, a fibre is taken to lie where it
    was sent.
    """
    if not leans.uneven_um.any():
        return leans
    answer = answer_within(leans.uneven_um, leans.offset_um, leans.distance_um)
    response = PRIOR_RESPONSE if answer is None else answer[0]
    return replace(leans, offset_um=leans.offset_um - response * leans.uneven_um)


def _witnesses(
    leans: FamilyLeans,
    change: FloatArray,
    damping: float,
    seen: PastPrint,
    tolerance_deg: float,
    no_witnesses: str | None,
) -> WitnessPlan:
    """Return which walls are held back in the first corrected print."""
    if no_witnesses is not None or seen.walls is None:
        why = no_witnesses or "their scatter is not known"
        return WitnessPlan((), np.zeros_like(change), why)
    return plan_witnesses(
        leans.position_um,
        full_um=change / damping,
        damping=damping,
        scatter_um=seen.walls.scatter_um,
        freedom=seen.walls.freedom,
        u_shared_um=leans.u_shared_um,
        u_drift_um=leans.rise_um * math.radians(PRIOR_DRIFT_DEG),
        u_response=PRIOR_U,
        # Half of the tolerance: a print that is meant to stay within it must not start at its edge.
        goal_um=leans.rise_um * math.tan(math.radians(tolerance_deg / 2.0)),
        rise_um=leans.rise_um,
    )


def _expected_of(
    leans: FamilyLeans,
    plan: WitnessPlan | None,
    change: FloatArray,
    response: Response,
    seen: PastPrint,
) -> tuple[WallsExpected, ...]:
    """Return what is expected of the witnesses and of the other walls."""
    if plan is None or not plan.walls or seen.walls is None:
        return ()
    held = np.zeros(change.size, dtype=bool)
    held[list(plan.walls)] = True
    groups = []
    for witness in (True, False):
        own = held == witness
        size = float(change[own].mean())
        variance = response.u_ahead_um**2 + (response.u * size) ** 2
        variance += 2.0 * size * response.covariance_um + leans.u_shared_um**2
        variance += seen.walls.scatter_um**2 / own.sum()
        ids = tuple(i for i, mine in zip(leans.wall_ids, own, strict=True) if mine)
        landing = response.ahead_um + response.value * size
        groups.append(WallsExpected(ids, witness, size, landing, math.sqrt(variance)))
    return tuple(groups)


def _model(leans: FamilyLeans, aim: FloatArray) -> LeanModel:
    """Fit the causes to what the walls' offsets are beyond their target, as leans."""
    rise = leans.rise_um
    return fit_leans((leans.offset_um - aim) / rise, leans.u_own_um / rise, leans.distance_um)


def _seen(measured: FamilyLeans, model: LeanModel, aim: FloatArray) -> PastPrint:
    """Return what the history keeps of this print: its mean, and what its walls tell beside it."""
    rise = measured.rise_um
    count = measured.offset_um.size
    mean = model.mean * rise + float(aim.mean())
    u = math.hypot(model.u_mean * rise, measured.u_shared_um)
    response, lever = None, 0.0
    freedom = count - 1 - len(model.terms)
    scatter = float(np.linalg.norm(model.residual)) * rise / math.sqrt(max(freedom, 1))
    answer = answer_within(measured.uneven_um, measured.offset_um, measured.distance_um)
    if answer is not None:
        response, lever, scatter, freedom = answer
    # Never below what the walls' own measurement gives.
    scatter = max(scatter, float(np.sqrt(np.mean(measured.u_own_um**2))))
    evidence = None
    if freedom > 0:
        evidence = WallEvidence(scatter, freedom, count, measured.u_shared_um, response, lever)
        u = max(u, math.hypot(scatter / math.sqrt(count), measured.u_shared_um))
    return PastPrint(measured.shift_used_um, mean, u, evidence)


def _common_vector(
    families: Sequence[FamilyLeans], wanted: str | float, by: Level | None
) -> FloatArray | None:
    """Return the offset per fibre (2,) that one vector gives all families, where it is used."""
    if by == "print" or (by is None and len(families) > 2):
        over = [(f.offset_um - f.rise_um * np.tan(np.radians(targets(f, wanted)))) / f.rise_um
                for f in families]  # fmt: skip
        own = [f.u_own_um / f.rise_um for f in families]
        vector, _, suffices = fit_vector(over, own, [f.normal for f in families])
        if suffices or by == "print":
            return vector
    return None


def _level(
    leans: FamilyLeans,
    model: LeanModel,
    aim: FloatArray,
    by: Level | None,
    common: FloatArray | None,
    tolerance_deg: float,
    allow: Sequence[str],
) -> tuple[Level, str, bool]:
    """Return the level, the reason in words, and whether the family is to be left as it is."""
    rise = leans.rise_um
    mean_deg = math.degrees(math.atan(model.mean))
    u_deg = math.degrees(math.hypot(model.u_mean, leans.u_shared_um / rise))
    shown = f"{mean_deg:+.2f} ± {u_deg:.2f}° from the tilt aimed at"
    if model.depends_on_wall and by in (None, "wall"):
        names = " and ".join(name for name, *_ in model.terms)
        return "wall", f"walls lean differently by a known cause ({names})", False
    level: Level = by or ("print" if common is not None else "family")
    if leans.uneven_um.any():
        # Walls have to be made even again whatever they lean by.
        level = "family" if level == "wall" else level
        return level, f"goes on from a print with walls held back: {shown}", False
    if level == "wall" and len(leans.past) < 1 and "chance" not in allow:
        if not model.mean_stands_out:
            return level, f"one print cannot tell a wall's own lean from chance; {shown}", True
        level = "family"
    if leans.past and level == "family" and by is None:
        return level, f"goes on from earlier prints: {shown}", False
    if abs(mean_deg) + 2.0 * u_deg <= tolerance_deg:
        return level, f"within {tolerance_deg:g}° of the tilt aimed at ({shown})", True
    if "chance" in allow:
        return level, f"taken as systematic by --allow chance: {shown}", False
    if len(leans.wall_ids) < 2:
        return level, "one print cannot tell a single wall's own lean from chance", True
    if not model.mean_stands_out:
        return level, f"may be chance: {shown} does not stand out from the walls' scatter", True
    if abs(mean_deg) - 2.0 * u_deg <= tolerance_deg and not leans.past:
        return level, f"undecided: {shown} does not clearly leave {tolerance_deg:g}°", True
    return level, f"systematic: {shown}", False


def _level_of_targets(
    leans: FamilyLeans, model: LeanModel, off_um: FloatArray, tolerance_deg: float
) -> tuple[Level, str, bool]:
    """Return level, reason and whether to leave it, for walls aimed at different tilts."""
    off = np.degrees(np.arctan(off_um / leans.rise_um))
    u_deg = math.degrees(math.hypot(model.u_mean, leans.u_shared_um / leans.rise_um))
    worst = float(np.abs(off).max())
    shown = f"walls are up to {worst:.2f} ± {u_deg:.2f}° from the tilts aimed at"
    return "wall", shown, worst + 2.0 * u_deg <= tolerance_deg


def _landing(
    leans: FamilyLeans,
    model: LeanModel,
    aim: FloatArray,
    level: Level,
    common: FloatArray | None,
) -> FloatArray:
    """Return the offset per fibre of each wall that is taken for repeatable, target included.

    Walls are drawn to what the causes predict: with one print nothing tells how much of a wall's
    own residual would come back, and the prediction is the best guess of it.
    """
    rise, count = leans.rise_um, leans.offset_um.size
    if level == "wall":
        return np.asarray(model.predicted * rise + aim)
    if level == "print" and common is not None:
        return np.full(count, float(common @ leans.normal) * rise) + aim
    return np.full(count, model.mean * rise) + aim


def _bow(leans: FamilyLeans) -> float:
    """Return the bow that the family's walls share, 0 where it does not stand out."""
    known = np.isfinite(leans.bow_um) & np.isfinite(leans.u_bow_um) & (leans.u_bow_um > 0)
    if not known.any() or leans.fibres < 3:
        return 0.0
    bow, u = leans.bow_um[known], leans.u_bow_um[known]
    mean = float(bow.mean())
    spread = float(bow.std(ddof=1)) / math.sqrt(bow.size) if bow.size > 1 else 0.0
    u_mean = max(math.sqrt(float((u**2).sum())) / bow.size, spread)
    return mean if abs(mean) > _BOW_STANDS_OUT * u_mean else 0.0


def _limits(
    leans: FamilyLeans, change: FloatArray, response: float, allow: Sequence[str]
) -> str | None:
    landed = np.abs(leans.offset_um + response * change).max()
    if leans.welded and landed > 0.5 * leans.diameter_um and "support" not in allow:
        return (
            f"a fibre is expected to land {landed:.3g} µm beside the one below it, more than half "
            f"a diameter ({0.5 * leans.diameter_um:.3g} µm), and would not be held up "
            "(--allow support overrides)"
        )
    largest = np.abs(change + leans.shift_used_um).max()
    if largest > leans.diameter_um and "largest" not in allow:
        return (
            f"the shift would be {largest:.3g} µm per fibre, more than a fibre is wide "
            f"({leans.diameter_um:.3g} µm) (--allow largest overrides)"
        )
    return None
