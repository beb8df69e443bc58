"""Intervals: curvature against a simulated scatter, ratios, and what they promise at the ends."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.model import intervals


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


def test_the_whole_is_the_root_of_its_parts_squared():
    """By hand for 60 %: 2.5 times 1 from the fit, 4 % of 40 from the middle, 0.8, 38 times the root of 0.0004."""
    wanted = np.sqrt(2.5**2 + 1.6**2 + 0.8**2 + 0.76**2 + 3.0**2)
    found = intervals.total_sigma(np.array([60.0]), np.array([1.0]), 0.0004, np.array([3.0]))
    assert found[0] == pytest.approx(wanted)
    assert intervals.total_sigma(np.array([-3.0, 105.0]), np.zeros(2), 0.0).tolist() == [0.8, 0.8]
    assert intervals.total_sigma(np.array([20.0]), np.zeros(1), 0.0)[0] == pytest.approx(np.hypot(0.8, 0.8))


def test_a_rival_that_costs_as_much_again_counts_for_a_third_and_the_worst_rival_counts():
    shifts = np.array([[0.10, 0.0], [-0.06, 0.02]])
    found = intervals.fault_sigma(np.array([2.0, 0.5]), shifts)
    np.testing.assert_allclose(found, [6.0, 2.0])  # of the first a third, 3.7 %; the second costs even less: whole
    np.testing.assert_allclose(intervals.fault_sigma(np.array([2.0]), shifts[:1]), [10.0 / np.e, 0.0])


def test_an_interval_is_1_96_deviations_to_either_side():
    found = intervals.interval(np.array([50.0, 1.0, 99.0, 103.0]), np.full(4, 2.0))
    np.testing.assert_allclose(found, [[46.08, 53.92], [0.0, 4.92], [95.08, 100.0], [99.08, 103.0]])


def test_the_maximum_s_bias_by_hand():
    """Four healthy of noise 1.5, its median without the least of them: 1.029 times what it adds to a spread of 2."""
    percent, sigma = np.array([100.0, 98.0, 85.0, 90.0, 84.0]), np.array([0.1, 1.5, 1.5, 1.5, 40.0])
    assert intervals.maximum_bias(percent, sigma) == pytest.approx(1.029 * (2.5 - 2.0))
    assert intervals.maximum_bias(np.full(2, 100.0), np.array([0.0, 1.5])) == pytest.approx(0.564 * 0.5)
    assert intervals.maximum_bias(np.full(16, 100.0), np.full(16, 1.5)) == pytest.approx(1.629 * 0.5)
    assert intervals.maximum_bias(np.full(4, 100.0), np.full(4, 1000.0)) == 15.0  # a healthy one is 85 at the least


def test_the_covariance_by_hand_and_of_a_fit_that_ran_away():
    """Two residuals of one parameter each: the inverse of 4 and 25, times the mean square, times what is alike."""
    jac = np.diag([2.0, 5.0])
    np.testing.assert_allclose(intervals.covariance(jac, np.zeros(2), 0.6, 3.0), np.diag([0.3 * 3 / 4, 0.3 * 3 / 25]))
    np.testing.assert_allclose(intervals.covariance(jac, np.zeros(2), 0.6, 0.1), np.diag([0.3 / 4, 0.3 / 25]))
    np.testing.assert_allclose(intervals.covariance(jac, np.array([0.0, 5.0]), 0.6, 1.0), np.diag([0.3 / 4, 0.3 / 50]))
    assert np.isinf(intervals.covariance(np.array([[np.inf, 1.0]]), np.zeros(2), 1.0, 1.0)).all()
    free = intervals.covariance(np.array([[2.0, 0.0], [2.0, 0.0]]), np.zeros(2), 0.6, 1.0)
    assert np.isfinite(free).all()  # what no residual depends on makes nothing infinite


def test_parameters_of_very_different_size_are_all_as_sure_as_they_are():
    """One counted in millionths beside one in ones: neither is taken for none."""
    found = intervals.covariance(np.diag([1e-7, 1.0, 1e4]), np.zeros(3), 0.3, 1.0)
    np.testing.assert_allclose(np.diag(found), [0.1e14, 0.1, 0.1e-8])
