"""Intervals: curvature against a simulated scatter, ratios, and what they promise at the ends."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis import intervals


def test_covariance_is_the_scatter_of_repeated_fits():
    rng = np.random.default_rng(0)
    jac = rng.normal(size=(400, 3))
    sigma = 0.05
    fits = []
    for _ in range(600):
        noise = sigma * rng.normal(size=400)
        fits.append(np.linalg.lstsq(jac, noise, rcond=None)[0])
    cov = intervals.covariance(jac, np.zeros(3), data_cost=400 * sigma**2, correlated=1.0)
    np.testing.assert_allclose(np.sqrt(np.diag(cov)), np.std(fits, axis=0), rtol=0.1)


def test_a_prior_narrows_and_correlation_widens():
    jac = np.random.default_rng(1).normal(size=(100, 2))
    plain = intervals.covariance(jac, np.zeros(2), 1.0, 1.0)
    assert np.diag(intervals.covariance(jac, np.array([10.0, 0.0]), 1.0, 1.0))[0] < plain[0, 0]
    np.testing.assert_allclose(intervals.covariance(jac, np.zeros(2), 1.0, 4.0), 4 * plain)


def test_the_ratio_s_sigma_counts_both_and_is_zero_for_the_strongest():
    sigma = intervals.relative_sigma(np.array([200.0, 100.0]), np.diag([4.0, 9.0]))
    assert sigma[0] == pytest.approx(0.0)
    assert sigma[1] == pytest.approx(100 * np.sqrt(9.0 / 200**2 + 4.0 * 100**2 / 200**4))


def test_what_moves_together_does_not_count():
    both = np.array([[4.0, 2.0], [2.0, 1.0]])
    assert intervals.relative_sigma(np.array([200.0, 100.0]), both)[1] == pytest.approx(0.0, abs=1e-9)


def test_the_floor_holds_at_the_ends_and_the_middle_is_wider():
    sigma = intervals.total_sigma(np.array([0.0, 50.0, 100.0]), np.zeros(3), 0.0)
    assert sigma[0] == sigma[2] == intervals.FLOOR_PERCENT
    assert sigma[1] > sigma[0]
    assert np.all(intervals.total_sigma(np.array([0.0, 50.0, 100.0]), np.zeros(3), 0.01) > sigma)


def test_intervals_hold_the_estimate_and_stay_in_range():
    percent = np.array([0.0, 1.0, 60.0, 99.5, 104.0])
    found = intervals.interval(percent, np.full(5, 2.0))
    assert np.all(found[:, 0] <= percent)
    assert np.all(percent <= found[:, 1])
    assert found.min() >= 0.0
    assert found[3, 1] == 100.0


def test_the_maximum_s_bias_is_what_a_simulation_shows():
    rng = np.random.default_rng(3)
    noise = 1.6
    true = rng.normal(0.0, intervals.HEALTHY_SPREAD, (20_000, 6))
    seen = true + rng.normal(0.0, noise, true.shape)
    simulated = float(np.mean(seen.max(axis=1) - true.max(axis=1)))
    sigma = np.full(6, noise)
    assert intervals.maximum_bias(np.full(6, 100.0), sigma) == pytest.approx(simulated, abs=0.05)


def test_the_maximum_s_bias_needs_two_who_may_be_it_and_vanishes_without_noise():
    assert intervals.maximum_bias(np.array([100.0, 30.0]), np.ones(2)) == 0.0
    assert intervals.maximum_bias(np.array([100.0, 99.0]), np.zeros(2)) == 0.0


def test_a_rival_fault_widens_by_what_it_would_say_and_less_the_worse_it_explains():
    shifts = np.array([[0.0, -0.07, 0.05]])
    near, far = (intervals.fault_sigma(np.array([cost]), shifts) for cost in (1.0, 3.0))
    np.testing.assert_allclose(near, [0.0, 7.0, 5.0])
    assert np.all(far <= 0.2 * near)
    np.testing.assert_array_equal(intervals.fault_sigma(np.zeros(0), np.zeros((0, 3))), np.zeros(3))
    percent, sigma = np.array([100.0, 60.0, 98.0]), np.ones(3)
    alone, both = intervals.total_sigma(percent, sigma, 0.0), intervals.total_sigma(percent, sigma, 0.0, near)
    np.testing.assert_allclose(both**2 - alone**2, near**2)
