"""From how the walls lean to the layer shift of the next print."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Wall
from volscan.quantity import Notice, Quantity, format_with_u
from volscan.shift.causes import fit_vector
from volscan.shift.groups import WallGroup, rank_of_normals, wall_groups
from volscan.shift.plan import Advice, ShiftPlan, SystematicLean
from volscan.walls.wallset import WallSet

FloatArray = NDArray[np.float64]

CAUSE_NONE = "none stands out: mean of the walls"
CAUSE_FAMILY = "common to the family"
CAUSE_PRINT = "common to the print"
CAUSE_TERM = {
    "distance": "with the distance from the middle (at the wall farthest along the left normal)",
    "outermost": "outermost walls (at the wall farthest along the left normal)",
}


def advise_shift(
    walls: WallSet,
    fibres: FibreField,
    frame: BuildFrame,
    *,
    middle_xy_um: tuple[float, float],
    upright_tolerance_deg: float = 1.0,
) -> ShiftPlan:
    """Return the systematic leans and the change of layer shift at wall, family and print level.

    Parameters
    ----------
    walls
        Walls with their lean and their measured offset per fibre.
    fibres
        Fibres, for the families' directions and diameters.
    frame
        The build frame; nothing is advised until the user confirmed up and handedness.
    middle_xy_um
        The scaffold's middle in plan view.
    upright_tolerance_deg
        A lean that stays within this, by twice its uncertainty, needs no shift.

    Returns
    -------
    ShiftPlan
        `per_fibre_um` is minus the measured offset per fibre, along the wall's left normal: a
        change to the file the print was made from. `advised` says whether it should be used and
        `reason` why.

    Notes
    -----
    One print cannot tell a single wall's repeatable lean from chance: at wall level a change is
    advised only where a cause makes walls lean differently and predicts this one. The response
    of the process is taken as 1 (a fibre lands where it is sent). The frame's uncertainty is
    shared by all walls and does not average out.

    References
    ----------
    docs/theory/shift.md.
    """
    groups = wall_groups(walls.walls, fibres, frame, middle_xy_um)
    if not groups:
        return ShiftPlan(
            notices=(Notice("no_walls", "no wall's lean was measured: no shift can be advised"),)
        )
    vector, covariance, suffices = fit_vector(
        [g.lean for g in groups], [g.u_lean for g in groups], [g.normal for g in groups]
    )
    common = suffices and len(groups) > rank_of_normals(groups)
    systematic = [entry for g in groups for entry in _entries(g, frame, common)]
    advice = [_wall_advice(g, k, frame, upright_tolerance_deg) for g in groups
              for k in range(len(g.walls))]  # fmt: skip
    advice += [_family_advice(g, frame, upright_tolerance_deg) for g in groups]
    advice.append(_print_advice(groups, vector, covariance, suffices, frame, upright_tolerance_deg))
    return ShiftPlan(tuple(systematic), tuple(advice), _notices(walls.walls, groups, frame))


def _tilt(lean: float, u_lean: float, frame: BuildFrame, count: int) -> Quantity:
    """Return a lean as an angle, with the frame's own uncertainty."""
    value = math.degrees(math.atan(lean))
    u = None
    if frame.u_tilt_deg is not None:
        u = math.hypot(math.degrees(u_lean) / (1.0 + lean * lean), frame.u_tilt_deg)
    return Quantity(value, u, "deg", count)


def _entries(group: WallGroup, frame: BuildFrame, common: bool) -> list[SystematicLean]:
    model, count = group.model, len(group.walls)
    scatter = None
    if count > 1:
        off = np.degrees(np.arctan(group.lean) - np.arctan(model.predicted))
        scatter = float(np.sqrt((off**2).sum() / (count - 1)))
    cause = CAUSE_NONE
    if model.mean_stands_out:
        cause = CAUSE_PRINT if common else CAUSE_FAMILY
    rows = [(cause, model.mean, model.u_mean)]
    rows += [(CAUSE_TERM[name], value, u) for name, value, u in model.terms]
    return [
        SystematicLean(
            group.family.id,
            cause,
            _tilt(lean, u, frame, count),
            (float(lean * group.normal[0]), float(lean * group.normal[1])),
            scatter,
        )
        for cause, lean, u in rows
    ]


def _not_confirmed(frame: BuildFrame) -> str | None:
    missing = [
        word
        for word, known in (
            ("which way is up (--up)", frame.up_confirmed),
            ("whether the scan is mirrored (--mirrored yes or no)", frame.mirrored_confirmed),
        )
        if not known
    ]
    return f"not advised until the user confirms {' and '.join(missing)}" if missing else None


def _within(tilt: Quantity, tolerance: float) -> str | None:
    """Return why a lean does not call for a shift; None when it stands out of the tolerance."""
    if tilt.u is None:
        return "the uncertainty of up is not known, so the lean cannot be judged"
    shown = f"{format_with_u(tilt.value, tilt.u)}°"
    if abs(tilt.value) + 2.0 * tilt.u <= tolerance:
        return f"upright within {tolerance:g}° ({shown})"
    if abs(tilt.value) - 2.0 * tilt.u <= tolerance:
        return (
            f"undecided: a lean of {shown} does not clearly leave the tolerance of {tolerance:g}°"
        )
    return None


def _unsupported(group: WallGroup, change: FloatArray, which: Sequence[int]) -> str | None:
    """Return why fibres would not be held up by the ones below; None when they are.

    The expected landed offset per fibre is measured offset + response × change, response 1.
    In interleaved walls fibres rest on the crossing walls, which run on along the normal.
    """
    if not group.welded:
        return None
    limit = 0.5 * group.family.diameter_um.value
    landed = np.abs(group.step_um[list(which)] + change)
    if landed.max() <= limit:
        return None
    return (
        f"a fibre is expected to land {landed.max():.3g} µm beside the one below it, more than "
        f"half a diameter ({limit:.3g} µm), and would not be held up"
    )


def _wall_advice(group: WallGroup, k: int, frame: BuildFrame, tolerance: float) -> Advice:
    wall, model = group.walls[k], group.model
    assert wall.tilt_deg is not None  # told by wall_groups
    assert wall.offset_per_fibre_um is not None
    change = wall.offset_per_fibre_um.scaled(-1.0)
    a = math.radians(wall.direction_deg)
    vector = (-math.sin(a) * change.value, math.cos(a) * change.value)
    reason = (
        _not_confirmed(frame)
        or _within(wall.tilt_deg, tolerance)
        or _unsupported(group, np.array([-group.step_um[k]]), [k])
    )
    if reason is None and not model.depends_on_wall:
        reason = (
            "walls lean alike within their scatter: use the family's value"
            if model.mean_stands_out
            else "one print cannot tell a single wall's own lean from chance"
        )
    if reason is None:
        spread = math.sqrt(float((model.residual**2).sum()) / max(1, model.residual.size - 1))
        known = max(spread, float(group.u_lean[k]))
        if abs(model.residual[k]) > 2.0 * known:
            reason = "this wall leans unlike the cause that explains the others"
    if reason is None:
        predicted = math.degrees(math.atan(model.predicted[k]))
        reason = (
            f"leans {format_with_u(wall.tilt_deg.value, wall.tilt_deg.u)}°, and the cause that "
            f"explains the family predicts {predicted:.2f}°"
        )
        return Advice("wall", wall.id, change, vector, True, reason)
    return Advice("wall", wall.id, change, vector, False, reason)


def _family_advice(group: WallGroup, frame: BuildFrame, tolerance: float) -> Advice:
    model, count = group.model, len(group.walls)
    mean = float(group.step_um.mean())
    # The scatter of the offsets about the model, as of the leans; never less than measured.
    spread = model.u_mean * group.rise_um
    own = math.sqrt(float((group.u_step_um**2).sum())) / count
    u = None
    if frame.u_tilt_deg is not None:
        u = math.hypot(max(spread, own), group.rise_um * math.radians(frame.u_tilt_deg))
    change = Quantity(-mean, u, "µm", count)
    vector = (float(-mean * group.normal[0]), float(-mean * group.normal[1]))
    tilt = _tilt(model.mean, model.u_mean, frame, count)
    reason = _not_confirmed(frame) or _within(tilt, tolerance)
    if reason is None and count == 1:
        reason = "one print cannot tell a single wall's own lean from chance"
    if reason is None and not model.mean_stands_out:
        reason = "the mean does not stand out from the scatter of the walls"
    if reason is not None and model.depends_on_wall and frame.up_confirmed:
        reason += "; but its walls lean differently by a known cause: see the walls' own values"
    reason = reason or _unsupported(group, np.full(count, -mean), range(count))
    if reason is not None:
        return Advice("family", group.family.id, change, vector, False, reason)
    more = (
        "; its walls also lean differently by a known cause, which the walls' own values take in"
        if model.depends_on_wall
        else ""
    )
    return Advice(
        "family",
        group.family.id,
        change,
        vector,
        True,
        f"all walls lean {format_with_u(tilt.value, tilt.u)}° on average{more}",
    )


def _print_advice(
    groups: Sequence[WallGroup],
    lean_vector: FloatArray,
    covariance: FloatArray,
    suffices: bool,
    frame: BuildFrame,
    tolerance: float,
) -> Advice:
    step, _, _ = fit_vector(
        [g.step_um for g in groups], [g.u_step_um for g in groups], [g.normal for g in groups]
    )
    size = float(np.linalg.norm(lean_vector))
    along = lean_vector / size if size > 0 else np.array([1.0, 0.0])
    u_lean = math.sqrt(float(along @ covariance @ along))
    tilt = _tilt(size, u_lean, frame, sum(len(g.walls) for g in groups))
    reason = _not_confirmed(frame) or _within(tilt, tolerance)
    if reason is None and not suffices:
        reason = "no one vector explains how the families lean: use the families' values"
    if reason is None and not any(g.model.mean_stands_out for g in groups):
        reason = "no family's mean stands out from the scatter of its walls"
    if reason is None:
        for group in groups:
            across = np.full(len(group.walls), -float(np.dot(step, group.normal)))
            reason = reason or _unsupported(group, across, range(len(group.walls)))
    vector = (float(-step[0]), float(-step[1]))
    if reason is not None:
        return Advice("print", None, None, vector, False, reason)
    toward = math.degrees(math.atan2(lean_vector[1], lean_vector[0])) % 360.0
    return Advice(
        "print",
        None,
        None,
        vector,
        True,
        f"the print leans {format_with_u(tilt.value, tilt.u)}° toward {toward:.0f}° from X",
    )


def _notices(
    walls: Sequence[Wall], groups: Sequence[WallGroup], frame: BuildFrame
) -> tuple[Notice, ...]:
    notices = []
    used = sum(len(g.walls) for g in groups)
    if used < len(walls):
        notices.append(
            Notice(
                "wall_without_tilt",
                "walls whose tilt could not be measured took no part in the shift",
                len(walls) - used,
            )
        )
    reason = _not_confirmed(frame)
    if reason is not None:
        notices.append(Notice("shift_not_confirmed", f"layer shift: {reason}"))
    if len(groups) == rank_of_normals(groups) == 2 and any(g.model.mean_stands_out for g in groups):
        notices.append(
            Notice(
                "print_or_family",
                "two directions cannot tell a lean common to the print from one of each family",
            )
        )
    return tuple(notices)
