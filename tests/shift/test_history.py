"""The response learnt from prints, the next shift, and the loop on simulated printers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.validation.printers import PRINTERS, Printer, run
from volscan.shift.history import PastPrint, estimate_response, next_shift, unlike_expected

RISE_UM = 32.0


def test_one_print_keeps_the_prior_and_says_so():
    response = estimate_response([PastPrint(0.0, 2.0, 0.05)], rise_um=RISE_UM)
    assert (response.value, response.u, response.from_history) == (1.0, 0.4, False)
    assert "no earlier print" in response.told


def test_shifts_that_hardly_differ_keep_the_prior():
    prints = [PastPrint(0.0, 2.0, 0.1), PastPrint(0.2, 2.3, 0.1)]
    response = estimate_response(prints, rise_um=RISE_UM)
    assert not response.from_history
    assert "hardly" in response.told


def test_the_estimate_is_that_of_general_least_squares():
    # The posterior as one linear Gaussian problem in (b, d, r), priors as two more rows; the
    # truncation at 0.2 lies five standard uncertainties away. Solved by numpy's least squares.
    s = np.array([0.0, -2.0, -3.5, -3.0])
    m = np.array([4.5, 2.9, 1.9, 2.1])
    u, u_drift = 0.15, RISE_UM * math.radians(0.3)
    rows = np.column_stack([np.ones(4), np.arange(4.0), s]) / u
    rows = np.vstack([rows, [0, 1 / u_drift, 0], [0, 0, 1 / 0.4]])
    right = np.concatenate([m / u, [0, 1 / 0.4]])
    b, d, r = np.linalg.lstsq(rows, right, rcond=None)[0]
    covariance = np.linalg.inv(rows.T @ rows)
    found = estimate_response([PastPrint(*v, u) for v in zip(s, m, strict=True)], rise_um=RISE_UM)
    # The grid steps by 0.005.
    assert found.value == pytest.approx(r, abs=0.003)
    assert found.u == pytest.approx(math.sqrt(covariance[2, 2]), rel=0.03)
    assert found.drift_um == pytest.approx(d, abs=0.005)
    assert found.ahead_um == pytest.approx(b + 4 * d + r * s[-1], abs=0.01)
    ahead = np.array([1.0, 4.0, s[-1]])
    assert found.u_ahead_um == pytest.approx(math.sqrt(ahead @ covariance @ ahead), rel=0.03)


def test_the_next_shift_follows_its_formula():
    prints = [PastPrint(0.5, 2.0, 0.05)]
    response = estimate_response(prints, rise_um=RISE_UM)
    chosen = next_shift(prints, response, target_um=0.4)
    assert chosen.damping == pytest.approx(1 / 1.4)
    assert chosen.shift_um == pytest.approx(0.5 - (2.0 - 0.4) / 1.4)
    assert chosen.expected_um == pytest.approx(2.0 - 1.6 / 1.4)
    full = next_shift(prints, response, target_um=0.4, damping=1.0)
    assert full.expected_um == pytest.approx(0.4)


def test_what_was_expected_is_held_against_what_came():
    told = unlike_expected([PastPrint(0, 2.0, 0.05), PastPrint(-2, 0.6, 0.05)], rise_um=RISE_UM)
    assert told is not None
    expected, u, off = told
    assert expected == pytest.approx(0.0)
    # Response 1 ± 0.4 on 2 µm, the drift, and both measurements.
    drift = RISE_UM * math.radians(0.3)
    assert u == pytest.approx(math.sqrt(0.8**2 + drift**2 + 2 * 0.05**2))
    assert off == pytest.approx(0.6 / u)


@pytest.mark.parametrize("response", [-0.5, 0.0, 2.5])
def test_a_response_outside_the_range_stops_the_advice(response):
    stopped = [run(Printer(response), seed, with_history=False).stopped for seed in range(10)]
    assert all(stopped)


@pytest.mark.parametrize("with_history", [False, True])
def test_the_loop_converges_and_does_not_hunt(with_history):
    # The full table, 200 seeds a printer: python -m tests.validation.loop. Here 4 seeds each; of
    # 56 runs 95 % are 53, and 50 or fewer would come by chance in one of 60 such samples.
    means = np.array(
        [
            run(p, 1000 + seed, with_history=with_history).mean_deg
            for p in PRINTERS
            for seed in range(4)
        ]
    )
    assert (np.abs(means[:, 3]) < 0.5).sum() >= 50
    assert (means[:, 1:4].min(axis=1) >= -1.0).sum() >= 50
    assert np.sqrt((means[:, 3:] ** 2).mean()) < 0.3
