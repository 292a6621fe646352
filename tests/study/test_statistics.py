"""Means, differences, pairs and repeats against general-purpose statistics and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from volscan.study import statistics


def table(rows: list[tuple[str, str, str, str, float]]) -> pd.DataFrame:
    """Build values from (group, specimen, pair, state, value)."""
    return pd.DataFrame(
        [(f"s{k}", g, s, p, t, "q", "q", v, 0.1, "µm") for k, (g, s, p, t, v) in enumerate(rows)],
        columns=[
            "scan", "group", "specimen", "pair", "state", "key", "name", "value", "u", "unit",
        ],
    )  # fmt: skip


@pytest.fixture
def two() -> tuple[np.ndarray, np.ndarray, pd.DataFrame]:
    rng = np.random.default_rng(6)
    x, y = rng.normal(20, 0.5, 6), rng.normal(21, 1.5, 9)
    rows = [("a", f"x{k}", "", "", v) for k, v in enumerate(x)]
    rows += [("b", f"y{k}", "", "", v) for k, v in enumerate(y)]
    return x, y, table(rows)


def test_group_means_and_intervals(two) -> None:
    x, _, values = two
    row = statistics.group_means(values).iloc[0]
    known = stats.ttest_1samp(x, 0.0).confidence_interval(0.95)
    assert row["n"] == 6
    assert row["mean"] == pytest.approx(x.mean())
    assert row["sd"] == pytest.approx(x.std(ddof=1))
    assert (row["low"], row["high"]) == pytest.approx((known.low, known.high))
    assert row["u_single"] == pytest.approx(0.1)


def test_differences_are_welchs(two) -> None:
    x, y, values = two
    row = statistics.group_differences(values).iloc[0]
    known = stats.ttest_ind(y, x, equal_var=False)
    interval = known.confidence_interval(0.95)
    assert row["difference"] == pytest.approx(y.mean() - x.mean())
    assert (row["low"], row["high"]) == pytest.approx((interval.low, interval.high))
    assert row["freedom"] == pytest.approx(known.df)


def test_repeats_of_a_specimen_count_once() -> None:
    values = table(
        [
            *(("a", "p", "", "", 1.0), ("a", "p", "", "", 3.0), ("a", "q", "", "", 4.0)),
            *(("b", "r", "", "", 4.0), ("b", "s", "", "", 6.0)),
        ]
    )
    row = statistics.group_means(values).iloc[0]
    assert row["n"] == 2
    assert row["mean"] == pytest.approx(3.0)


def test_a_group_of_one_has_no_interval() -> None:
    values = table([("a", "p", "", "", 1.0), ("b", "q", "", "", 2.0)])
    means = statistics.group_means(values)
    assert means["low"].isna().all()
    assert statistics.group_differences(values)["low"].isna().all()


def test_paired_differences() -> None:
    before, after = np.array([5.0, 6.0, 7.5]), np.array([1.0, 1.5, 2.5])
    rows = [("a", f"b{k}", f"{k}", "before", v) for k, v in enumerate(before)]
    rows += [("a", f"a{k}", f"{k}", "after", v) for k, v in enumerate(after)]
    rows += [("a", "lone", "9", "before", 3.0)]
    row = statistics.paired_differences(table(rows)).iloc[0]
    known = stats.ttest_rel(after, before).confidence_interval(0.95)
    assert row["pairs"] == 3
    assert (row["low"], row["high"]) == pytest.approx((known.low, known.high))


def test_repeatability_pools_by_freedom() -> None:
    # ISO 5725-2: s_r² = Σ (n_i - 1) s_i² / Σ (n_i - 1).
    p, q = [1.0, 1.2, 0.8], [5.0, 5.4]
    rows = [("a", "p", "", "", v) for v in p] + [("b", "q", "", "", v) for v in q]
    row = statistics.repeatability(table([*rows, ("a", "once", "", "", 9.0)])).iloc[0]
    s2 = (2 * np.var(p, ddof=1) + np.var(q, ddof=1)) / 3
    assert row["freedom"] == 3
    assert row["s_r"] == pytest.approx(math.sqrt(s2))
    assert row["limit"] == pytest.approx(1.96 * math.sqrt(2 * s2))


def test_slopes_against_print_settings() -> None:
    x = np.array([4.0, 4.5, 5.0, 5.5, 6.0])
    y = 3.0 * x + np.array([0.1, -0.2, 0.15, 0.0, -0.05])
    values = table([("a", f"{k}", "", "", v) for k, v in enumerate(y)])
    settings = pd.DataFrame({"scan": values["scan"], "voltage_kv": x, "constant": 1.0})
    made = statistics.setting_slopes(values, settings)
    fit = stats.linregress(x, y)
    assert made["setting"].tolist() == ["voltage_kv"]
    assert made["slope"].iloc[0] == pytest.approx(fit.slope)
    half = stats.t.ppf(0.975, 3) * fit.stderr
    assert made["high"].iloc[0] == pytest.approx(fit.slope + half)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(12)
    held = 0
    for _ in range(2000):
        x, y = rng.normal(0, 1, 4), rng.normal(1, 3, 6)
        half, _freedom = statistics.welch(x, y)
        held += abs(y.mean() - x.mean() - 1) <= half
    # Welch's interval is close to 95 % at these sizes; three standard errors of 2000 trials are
    # 1.5 %, and its own error is under 1 % here.
    assert held / 2000 == pytest.approx(0.95, abs=0.025)
