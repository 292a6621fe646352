"""Groups, differences, pairs, repeats: what several scans say together.

Every function takes the tidy table of `values` and returns a tidy table; no quantity is chosen by
its outcome. Intervals are two-sided with 95 % confidence.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

CONFIDENCE = 0.95
# Values carry eight digits; what is smaller than the last of them is how sums are rounded.
_ROUNDING = 1e-12


def t_factor(freedom: float) -> float:
    """Return the two-sided factor of Student's t; NaN without a degree of freedom.

    >>> round(t_factor(5), 3)
    2.571
    """
    return float(stats.t.ppf(0.5 + CONFIDENCE / 2, freedom)) if freedom > 0 else math.nan


def by_specimen(values: pd.DataFrame) -> pd.DataFrame:
    """Return one line a specimen, group, state and quantity: repeats are averaged first.

    Repeats of one piece are not independent: counting them singly would make every interval of a
    group too narrow.
    """
    keys = ["key", "name", "unit", "group", "specimen", "pair", "state"]
    return (
        values.groupby(keys, sort=False, dropna=False)
        .agg(value=("value", "mean"), scans=("value", "size"))
        .reset_index()
    )


def group_means(values: pd.DataFrame) -> pd.DataFrame:
    """Return n, mean, spread and confidence interval of every quantity in every group.

    The interval is mean ± t s / √n over specimens. What all scans share (voxel size, anchors) is
    not in it; `u_single` is the typical standard uncertainty of one scan, which tells how much of
    the spread could be the measurement's.
    """
    rows = []
    typical: dict[Any, float] = {
        where: _root_mean_square(part["u"])
        for where, part in values.groupby(["key", "group", "state"], sort=False)
    }
    for (key, name, unit, group, state), part in by_specimen(values).groupby(
        ["key", "name", "unit", "group", "state"], sort=False
    ):
        x = part["value"].to_numpy(dtype=np.float64)
        n = len(x)
        sd = float(x.std(ddof=1)) if n > 1 else math.nan
        half = t_factor(n - 1) * sd / math.sqrt(n)
        mean = float(x.mean())
        u = typical[key, group, state]
        rows.append((key, name, unit, group, state, n, mean, sd, mean - half, mean + half, u))
    return pd.DataFrame(
        rows,
        columns=[
            "key", "name", "unit", "group", "state", "n", "mean", "sd", "low", "high", "u_single",
        ],
    )  # fmt: skip


def group_differences(values: pd.DataFrame) -> pd.DataFrame:
    """Return the difference of means of every two groups with Welch's interval.

    The variances are not taken as equal. Intervals are not widened for the number of comparisons;
    whoever looks at many must expect one in twenty to miss.
    """
    rows = []
    table = by_specimen(values)
    for (key, name, unit, state), part in table.groupby(
        ["key", "name", "unit", "state"], sort=False
    ):
        groups = list(dict.fromkeys(part["group"]))
        for a, b in itertools.combinations(groups, 2):
            x, y = (
                part.loc[part["group"] == g, "value"].to_numpy(dtype=np.float64) for g in (a, b)
            )
            difference = _unless_rounding(y.mean() - x.mean(), np.abs(x).max())
            half, freedom = welch(x, y)
            rows.append(
                (key, name, unit, state, a, b, len(x), len(y), difference, difference - half,
                 difference + half, freedom)
            )  # fmt: skip
    return pd.DataFrame(
        rows,
        columns=[
            "key", "name", "unit", "state", "group", "other", "n_group", "n_other", "difference",
            "low", "high", "freedom",
        ],
    )  # fmt: skip


def welch(x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """Return half the width of the interval of a difference of means, and its freedom.

    Source: B. L. Welch, Biometrika 34, 28-35 (1947). NaN where a sample has fewer than two values.
    """
    a, b = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if len(a) < 2 or len(b) < 2:
        return math.nan, math.nan
    va, vb = a.var(ddof=1) / len(a), b.var(ddof=1) / len(b)
    if math.sqrt(va + vb) <= _ROUNDING * max(float(np.abs(a).max()), float(np.abs(b).max())):
        return 0.0, float(len(a) + len(b) - 2)
    freedom = float((va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1)))
    return float(t_factor(freedom) * math.sqrt(va + vb)), freedom


def paired_differences(values: pd.DataFrame) -> pd.DataFrame:
    """Return after minus before over pairs: mean, spread and interval of every quantity."""
    rows = []
    table = by_specimen(values)
    table = table[table["pair"] != ""]
    for (key, name, unit), part in table.groupby(["key", "name", "unit"], sort=False):
        wide = part.groupby(["pair", "state"])["value"].mean().unstack()
        if not {"before", "after"} <= set(wide.columns):
            continue
        d = (wide["after"] - wide["before"]).dropna().to_numpy(dtype=np.float64)
        if len(d) == 0:
            continue
        sd = float(d.std(ddof=1)) if len(d) > 1 else math.nan
        half = t_factor(len(d) - 1) * sd / math.sqrt(len(d))
        mean = float(d.mean())
        rows.append((key, name, unit, len(d), mean, sd, mean - half, mean + half))
    return pd.DataFrame(
        rows, columns=["key", "name", "unit", "pairs", "difference", "sd", "low", "high"]
    )


def repeatability(values: pd.DataFrame) -> pd.DataFrame:
    """Return the repeatability standard deviation s_r of every quantity from re-mounted specimens.

    s_r² = Σ (n_i - 1) s_i² / Σ (n_i - 1) over specimens scanned more than once (ISO 5725-2);
    `limit` is 1.96 √2 s_r: two scans of one piece differ by less in 95 % of cases.
    """
    rows = []
    same = ["key", "name", "unit", "group", "specimen", "state"]
    counted = values.groupby(same, sort=False)["value"].agg(["size", "var"]).reset_index()
    counted = counted[counted["size"] > 1]
    for (key, name, unit), part in counted.groupby(["key", "name", "unit"], sort=False):
        freedom = int((part["size"] - 1).sum())
        pooled = float(((part["size"] - 1) * part["var"]).sum() / freedom)
        s_r = math.sqrt(pooled)
        rows.append((key, name, unit, len(part), freedom, s_r, 1.96 * math.sqrt(2) * s_r))
    return pd.DataFrame(
        rows, columns=["key", "name", "unit", "specimens", "freedom", "s_r", "limit"]
    )


def setting_slopes(values: pd.DataFrame, settings: pd.DataFrame) -> pd.DataFrame:
    """Return the straight-line slope of every quantity against every print setting that varies.

    Parameters
    ----------
    values
        Tidy table; `settings` holds one line a scan with the columns `scan` and the settings.
    """
    rows = []
    for setting in [c for c in settings.columns if c != "scan"]:
        joined = values.merge(settings[["scan", setting]], on="scan").dropna(subset=[setting])
        for (key, name, unit), part in joined.groupby(["key", "name", "unit"], sort=False):
            mean = part.groupby("specimen")[[setting, "value"]].mean()
            x, y = (mean[c].to_numpy(dtype=np.float64) for c in (setting, "value"))
            # Two points lie on a line whatever they are.
            if len(x) < 3 or np.ptp(x) == 0:
                continue
            fit = stats.linregress(x, y)
            half = t_factor(len(x) - 2) * float(fit.stderr)
            slope = float(fit.slope)
            rows.append((setting, key, name, unit, len(x), slope, slope - half, slope + half))
    return pd.DataFrame(
        rows, columns=["setting", "key", "name", "unit", "n", "slope", "low", "high"]
    )


def _unless_rounding(value: float, scale: float) -> float:
    return 0.0 if abs(value) <= _ROUNDING * scale else float(value)


def _root_mean_square(u: pd.Series[float]) -> float:
    known = u.dropna().to_numpy(dtype=np.float64)
    return float(np.sqrt(np.mean(known**2))) if len(known) else math.nan
