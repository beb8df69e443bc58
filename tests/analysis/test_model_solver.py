"""Levenberg-Marquardt against scipy on the same residuals, with priors, bounds and step limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from crankfold.analysis.model.problem import prior_terms
from crankfold.analysis.model.solver import Quadratic, minimise

T = np.linspace(0.0, 3.0, 60)
TRUE = np.array([2.0, 1.3, 0.4])


class Decay:
    """``a * exp(-b t) + c`` against noisy samples."""

    def __init__(self, nan_above=np.inf):
        rng = np.random.default_rng(5)
        self.y = TRUE[0] * np.exp(-TRUE[1] * T) + TRUE[2] + 0.01 * rng.standard_normal(len(T))
        self.nan_above = nan_above

    def residuals(self, p):
        return p[0] * np.exp(-p[1] * T) + p[2] - self.y

    def jacobian(self, p):
        e = np.exp(-p[1] * T)
        return np.column_stack((e, -p[0] * T * e, np.ones_like(T)))

    def normal(self, p):
        r, jac = self.residuals(p), self.jacobian(p)
        if p[0] > self.nan_above:
            r = r * np.nan
        return float(r @ r), jac.T @ jac, jac.T @ r


NOTHING = Quadratic(np.zeros((3, 3)), np.zeros(3), 0.0)
WIDE = {"low": np.full(3, -50.0), "high": np.full(3, 50.0), "step": np.full(3, 1.0)}
FREE = np.ones(3, dtype=bool)


def solve(squares, start, extra=NOTHING, free=FREE, steps=200, **limits):
    return minimise(squares, np.asarray(start, float), extra, free=free, steps=steps, **{**WIDE, **limits})


def test_equals_scipy():
    squares = Decay()
    ours = solve(squares, [1.0, 0.3, 0.0])
    theirs = least_squares(squares.residuals, [1.0, 0.3, 0.0], squares.jacobian)
    np.testing.assert_allclose(ours.p, theirs.x, rtol=2e-3, atol=2e-3)
    assert ours.cost == pytest.approx(2 * theirs.cost, rel=1e-4)
    assert ours.data_cost == ours.cost


def test_equals_scipy_with_a_prior():
    squares = Decay()
    weight, prior = np.array([0.0, 3.0, 0.0]), np.array([0.0, 1.0, 0.0])
    extra = Quadratic(np.diag(weight**2), weight**2 * prior, float(prior @ (weight**2 * prior)))
    ours = solve(squares, [1.0, 0.3, 0.0], extra)
    theirs = least_squares(lambda p: np.concatenate((squares.residuals(p), weight * (p - prior))), [1.0, 0.3, 0.0])
    np.testing.assert_allclose(ours.p, theirs.x, rtol=2e-3, atol=2e-3)
    assert 1.0 < ours.p[1] < TRUE[1]


def test_equals_scipy_on_a_bound():
    squares = Decay()
    high = np.array([50.0, 1.0, 50.0])
    ours = solve(squares, [1.0, 0.3, 0.0], high=high)
    theirs = least_squares(squares.residuals, [1.0, 0.3, 0.0], bounds=(WIDE["low"], high))
    np.testing.assert_allclose(ours.p, theirs.x, atol=5e-3)
    assert ours.p[1] == 1.0


def test_what_is_not_free_stays():
    ours = solve(Decay(), [1.0, 0.3, 0.1], free=np.array([True, True, False]))
    assert ours.p[2] == 0.1
    assert ours.p[0] != 1.0


def test_one_step_is_limited_as_a_whole():
    ours = solve(Decay(), [0.0, 0.3, 0.0], steps=1, step=np.array([0.01, 10.0, 10.0]))
    assert abs(ours.p[0]) == pytest.approx(0.01)


def test_a_start_that_is_no_number_ends_at_once_and_one_met_on_the_way_is_stepped_round():
    lost = solve(Decay(nan_above=0.5), [1.0, 0.3, 0.0])
    assert lost.cost == np.inf
    assert lost.steps == 0
    walled = solve(Decay(nan_above=1.5), [1.0, 0.3, 0.0])
    assert np.isfinite(walled.cost)
    assert walled.p[0] <= 1.5


def test_prior_terms_are_the_sum_written_out():
    rng = np.random.default_rng(1)
    prior, weight, p = rng.normal(size=17), rng.uniform(0, 1, 17), rng.normal(size=17)
    terms = prior_terms(prior, weight, cylinders=4, ridge=0.3, amplitude=2.0)
    a = p[12:16]
    plain = np.sum((weight * (p - prior)) ** 2) + (0.3 / 2.0) ** 2 * np.sum((a - a.mean()) ** 2)
    assert terms.cost(p) == pytest.approx(plain)
    step = 1e-6 * np.eye(17)
    slope = [(terms.cost(p + s) - terms.cost(p - s)) / 2e-6 for s in step]
    np.testing.assert_allclose(2 * terms.half_gradient(p), slope, rtol=1e-5, atol=1e-6)
