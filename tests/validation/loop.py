"""How the loop of shift, print and scan converges, on simulated printers: a table.

    python -m tests.validation.loop [--seeds 200] [--many 1000]

writes docs/validation/loop.md.
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path

import numpy as np
from scipy.stats import beta, norm

from tests.validation.printers import (
    PRINTERS,
    RISE_UM,
    U_UP_DEG,
    U_WALL_DEG,
    WALLS,
    Printer,
    measured,
    run,
)
from volscan.shift.choose import choose

PAGE = Path(__file__).parents[2] / "docs" / "validation" / "loop.md"
# What is asked: under 0.5° by the third corrected print in 95 % of runs, overshoot at most 1°.
UNDER_DEG, OVER_DEG, SHARE, CORRECTED = 0.5, 1.0, 0.95, 3


HELD = (
    "Two of the eight walls stay as they are in print 1, the six others get 0.95 of the geometric "
    "correction instead of 0.71, so that the mean is that of an even shift (less far apart where "
    "walls scatter by 0.1° or 0.2°). The difference between them tells the response whatever the "
    "machine drifts."
)
ALIKE = (
    "Without any earlier print a drift cannot be told from a weaker or stronger response: the "
    "shift of a printer that answers by 0.5 to 0.85 grows nearly linearly with the number of the "
    "print, as a drift does."
)
TRIALS = "Shifts of 0, -1.5 and +1.5 µm per fibre were tried before print 0."
HEAD = (
    "| response | drift | scatter | lag / µm | history | print 1 | print 2 | print 3 | "
    "print 3 under 0.5° | print 4 under 0.5° | overshoot at most 1° | rms from print 3 | stated | "
    "stopped |",
    "|---|---|---|---|---|---|---|---|---|---|---|---|---|---|",
)


def interval(hits: int, runs: int) -> tuple[float, float]:
    """Clopper-Pearson interval of a share, 95 %."""
    low = 0.0 if hits == 0 else float(beta.ppf(0.025, hits, runs - hits + 1))
    high = 1.0 if hits == runs else float(beta.ppf(0.975, hits + 1, runs - hits))
    return low, high


def shown(hits: int, runs: int) -> str:
    low, high = interval(hits, runs)
    text = f"{100 * hits / runs:.1f} % ({100 * low:.1f} to {100 * high:.1f})"
    return text if hits >= SHARE * runs else f"**{text}**"


def at_best(scatter_deg: float) -> tuple[float, float, float, float, float]:
    """Return what print 3 is at best, were the response known, in degrees.

    Scatter of the mean of the walls, u of the mean as measured, u of what three prints foretell of
    the fourth, that with its own scatter, and the share of runs under the limit.
    """
    own = scatter_deg / math.sqrt(WALLS)
    mean = math.hypot(math.hypot(scatter_deg, U_WALL_DEG) / math.sqrt(WALLS), U_UP_DEG)
    # Straight line through three prints, read one print ahead: 1/3 + 2²/2 of a mean's variance.
    ahead = mean * math.sqrt(1.0 / 3.0 + 2.0)
    best = math.hypot(ahead, own)
    return own, mean, ahead, best, 1.0 - 2.0 * float(norm.sf(UNDER_DEG / best))


def limit() -> tuple[str, ...]:
    """Return what could be known at best of print 3, as words."""
    own, mean, ahead, best, share = at_best(0.3)
    *_, share_of_twice = at_best(0.6)
    return (
        "## What limits it",
        "",
        f"With walls that scatter by 0.3°, the mean of {WALLS} walls scatters by {own:.2f}° from "
        f"print to print and is measured as {mean:.2f}°. Were the response known without error, a "
        "straight line through the three prints before it (offset and drift free) would foretell "
        f"print 3 to {ahead:.2f}°; with its own scatter that is {best:.2f}°, or "
        f"{100 * share:.0f} % of runs under 0.5°. An error of the response adds to it by the error "
        "times the change of the shift. With all walls alike it is 0.04 to 0.06 and comes with the "
        "drift's; with two walls held back it is 0.024 to 0.028, and no choice of shifts between "
        "none and the full correction with the same mean brings it much lower: walls at 0 and at 1 "
        "only would tell most, with 1.10 times the spread used. Walls that scatter by 0.6° leave "
        f"{100 * share_of_twice:.0f} % at best: there more walls help, and nothing else.",
    )


def row(printer: Printer, seeds: int, *, history: bool, witnesses: bool) -> str:
    runs = [run(printer, seed, with_history=history, witnesses=witnesses) for seed in range(seeds)]
    means = np.array([r.mean_deg for r in runs if r.stopped is None])
    third = means[:, CORRECTED]
    under = int((np.abs(third) < UNDER_DEG).sum())
    fourth = int((np.abs(means[:, CORRECTED + 1]) < UNDER_DEG).sum())
    over = int((means[:, 1 : CORRECTED + 1].min(axis=1) >= -OVER_DEG).sum())
    later = np.sqrt((means[:, CORRECTED:] ** 2).mean())
    stated = np.abs(np.concatenate([r.surprises for r in runs])) <= 2.0
    return (
        f"| {printer.response:g} | {printer.drift_deg:+g} | {printer.scatter_deg:g} | "
        f"{printer.lag_um:g} | {'yes' if history else 'no'} | "
        + " | ".join(f"{v:+.2f}" for v in means[:, 1:4].mean(axis=0))
        + f" | {shown(under, seeds)} | {shown(fourth, seeds)} | {shown(over, seeds)} | "
        f"{later:.2f} | {100 * stated.mean():.1f} % | "
        f"{sum(r.stopped is not None for r in runs)} |"
    )


# The printer that is farthest off in print 3 (response 0.7, drift -0.3°), with other families.
FAMILIES = tuple(
    Printer(0.7, -0.3, scatter, start_deg=start, walls=walls)
    for walls, start, scatter in (
        (6, 8.0, 0.3), (8, 8.0, 0.3), (12, 8.0, 0.3), (24, 8.0, 0.3), (8, 4.0, 0.3),
        (8, 15.0, 0.3), (8, 8.0, 0.6),
    )
)  # fmt: skip


def families(seeds: int) -> list[str]:
    """Return a table of families of other sizes, leans and scatters."""
    lines = [
        "## Other families",
        "",
        f"The printer of response 0.7 and drift -0.3° without history; {seeds} runs each. Held "
        "back: the walls chosen in most runs, and their shift as a share of the full correction.",
        "",
        "| walls | lean in print 0 | scatter | held back | share | print 3 under 0.5° | all alike: "
        "print 3 under 0.5° | overshoot at most 1° |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for printer in FAMILIES:
        held = [run(printer, seed, with_history=False, prints=4) for seed in range(seeds)]
        alike = [
            run(printer, seed, with_history=False, witnesses=False, prints=4)
            for seed in range(seeds)
        ]
        under = [
            sum(r.stopped is None and abs(r.mean_deg[CORRECTED]) < UNDER_DEG for r in runs)
            for runs in (held, alike)
        ]
        over = sum(min(r.mean_deg[1:]) >= -OVER_DEG for r in held)
        count, share = held_back(printer)
        lines.append(
            f"| {printer.walls} | {printer.start_deg:g}° | {printer.scatter_deg:g}° | {count} | "
            f"{share:.2f} | {shown(under[0], seeds)} | {shown(under[1], seeds)} | "
            f"{shown(over, seeds)} |"
        )
        print(lines[-1], flush=True)
    return [*lines, ""]


def held_back(printer: Printer) -> tuple[int, float]:
    """Return how many walls are held back in most of 50 first prints, and their median shift."""
    numbers, shares = [], []
    for seed in range(50):
        rng = np.random.default_rng(seed)
        leans = printer.leans_deg(0.0, 0, printer.scatter_deg * rng.standard_normal(printer.walls))
        (change,) = choose([measured(leans, rng)])
        plan = change.witnesses
        numbers.append(len(plan.walls) if plan else 0)
        if plan and plan.walls:
            full = change.change_um.mean() / change.expected.damping
            shares.append(float(change.change_um[plan.walls[0]] / full))
    return max(set(numbers), key=numbers.count), float(np.median(shares)) if shares else 1.0


def chance(runs: int) -> int:
    """Return how many of the prints whose walls lean by chance alone are left as they are."""
    rng = np.random.default_rng(1)
    left = 0
    for _ in range(runs):
        (change,) = choose([measured(2.0 * rng.standard_normal(WALLS), rng)])
        left += not change.shifts
    return left


def shuffled(runs: int) -> tuple[int, int]:
    """Return how often leans of 5° inward are advised, and the same leans shuffled are not."""
    rng = np.random.default_rng(2)
    inward = np.where(np.arange(WALLS) < WALLS / 2, 5.0, -5.0) + 0.3 * rng.standard_normal(
        (runs, WALLS)
    )
    advised = left = 0
    for tilts in inward:
        (change,) = choose([measured(tilts, rng)])
        advised += change.shifts
        (mixed,) = choose([measured(rng.permutation(tilts), rng)])
        left += not mixed.shifts
    return advised, left


def strange(seeds: int) -> list[str]:
    rows = []
    for response in (-0.5, 0.0, 0.1, 2.0, 2.5, 3.0):
        runs = [run(Printer(response), seed, with_history=False) for seed in range(seeds)]
        stopped = [r for r in runs if r.stopped]
        when = np.mean([len(r.mean_deg) - 1 for r in stopped]) if stopped else float("nan")
        rows.append(f"| {response:g} | {shown(len(stopped), seeds)} | {when:.1f} |")
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--many", type=int, default=1000)
    given = parser.parse_args()
    seeds, many = given.seeds, given.many
    lines = [
        "# The loop of print, scan and correction",
        "",
        f"Simulated printers (tests/validation/printers.py), {WALLS} walls of 10 fibres, rise "
        f"{RISE_UM:g} µm, leaning 8° in print 0. Drift in degrees a print; scatter: standard "
        "deviation of each wall's lean by chance, anew in each print; lag: displacement at the "
        "top that grows with the square of the height. Errors of the scan: 0.05° a wall, 0.05° of "
        "up. The loop's own prints are kept as history in all runs; 'history' tells whether it "
        "starts with three earlier trial prints. Print 1, 2, 3: mean lean over the runs. Stated: "
        "share of corrected prints measured within the 95 % interval that was stated before them. "
        "Intervals: Clopper-Pearson, 95 %; shares under the 95 % that are asked stand in bold.",
        "",
    ]
    for title, words, history, witnesses, count in (
        ("No history: walls held back in print 1 (as `volscan correct` does by itself)", HELD,
         False, True, many),
        ("No history: all walls alike (`--witnesses no`)", ALIKE, False, False, seeds),
        ("Three trial prints beforehand", TRIALS, True, True, seeds),
    ):  # fmt: skip
        lines += [f"## {title}", "", f"{words} {count} runs a printer.", "", *HEAD]
        for printer in PRINTERS:
            lines.append(row(printer, count, history=history, witnesses=witnesses))
            print(lines[-1], flush=True)
        lines.append("")
    lines += [*families(seeds), *limit(), "", "## What else is asked"]
    runs = 2 * seeds
    advised, left = shuffled(seeds)
    lines += [
        "",
        f"Prints whose walls lean by chance alone (2° standard deviation): left as they are in "
        f"{shown(chance(runs), runs)} of {runs} runs.",
        "",
        f"Walls all leaning 5° inward: advised in {shown(advised, seeds)} of {seeds} runs; the "
        f"same leans shuffled over the walls: left in {shown(left, seeds)}.",
        "",
        "Responses outside the range are detected and stop the advice:",
        "",
        "| response | stopped | after corrected print |",
        "|---|---|---|",
        *strange(seeds),
        "",
        "Written by `python -m tests.validation.loop`.",
    ]
    PAGE.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines[-14:]))


if __name__ == "__main__":
    main()
