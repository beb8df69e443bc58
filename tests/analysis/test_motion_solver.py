"""Levenberg-Marquardt against scipy on the same residuals, with priors, bounds and step limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares, lsq_linear

from crankfold.analysis.motion.solver import Quadratic, minimise

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


class Plane:
    """``matrix @ p - wanted``, solved in one step where no bound is in the way."""

    def __init__(self, matrix, wanted):
        self.matrix, self.wanted = np.array(matrix, dtype=float), np.array(wanted, dtype=float)

    def normal(self, p):
        r = self.matrix @ p - self.wanted
        return float(r @ r), self.matrix.T @ self.matrix, self.matrix.T @ r


@pytest.mark.parametrize("wanted", [
    (1.0, 2.0, 3.0),     # no bound in the way
    (-1.0, -2.0, -3.0),  # all of them pushed out of the corner they start in
    (-4.0, -0.5, 3.0),
    (3.0, -4.0, 0.2),
])
@pytest.mark.parametrize("start", [0.0, 1.0])
def test_equals_scipy_in_a_corner(wanted, start):
    matrix = [[1.0, 0.8, 0.0], [0.0, 0.6, 0.3], [0.2, 0.0, 1.0]]
    low, high = np.zeros(3), np.full(3, 5.0)
    ours = solve(Plane(matrix, wanted), np.full(3, start), low=low, high=high, step=np.full(3, 10.0))
    theirs = lsq_linear(np.array(matrix), wanted, (low, high))
    np.testing.assert_allclose(ours.p, theirs.x, atol=1e-3)
    assert ours.cost == pytest.approx(2.0 * theirs.cost, rel=1e-4, abs=1e-6)


def test_bounds_that_are_met_one_after_the_other_end_in_the_right_corner():
    """The second leaves the box only when the first, coupled with it, stays; what is left then ends nearly at its best.

    Against scipy: the same corner, and a cost that is hardly higher.
    """
    plane = Plane([[1.0, 0.8, 0.0], [0.0, 0.6, 0.3], [0.2, 0.0, 1.0]], (-3.0, 1.0, 0.5))
    theirs = lsq_linear(plane.matrix, plane.wanted, (0.0, 5.0))
    for start in (0.0, 1.0):
        ours = solve(plane, np.full(3, start), low=np.zeros(3), high=np.full(3, 5.0), step=np.full(3, 10.0))
        assert ours.p[:2].tolist() == [0.0, 0.0]
        assert ours.cost < 1.02 * 2.0 * theirs.cost


def test_no_more_steps_are_taken_than_are_allowed():
    costs = []
    for steps in (0, 1, 2, 3, 50):
        found = solve(Decay(), [1.0, 0.3, 0.0], steps=steps)
        costs.append(found.cost)
        assert found.steps == steps if steps < 50 else found.steps < 20  # it ends when nothing more is gained
    assert costs == sorted(costs, reverse=True)
    assert costs[0] > 2.0 * costs[-1]


def test_a_search_that_can_go_nowhere_ends_where_it_began():
    """Every step from here leads where there are no numbers, however short it is."""
    walled = solve(Decay(nan_above=1.0), [1.0, 0.3, 0.0], free=np.array([True, False, False]))
    assert walled.p.tolist() == [1.0, 0.3, 0.0]
    assert walled.cost == pytest.approx(np.sum(Decay().residuals(walled.p) ** 2))
    assert walled.steps < 40


def test_a_start_outside_the_bounds_begins_on_them():
    found = solve(Decay(), [9.0, 0.3, -9.0], steps=0, low=np.full(3, -2.0), high=np.full(3, 4.0))
    assert found.p.tolist() == [4.0, 0.3, -2.0]


def test_a_parameter_that_nothing_depends_on_stays_and_harms_nobody():
    matrix = np.diag([1.0, 0.0, 2.0])
    found = solve(Plane(matrix, [1.0, 5.0, 4.0]), [0.0, 0.5, 0.0])
    np.testing.assert_allclose(found.p, [1.0, 0.5, 2.0], atol=1e-3)


def test_terms_are_the_sum_written_out():
    rng = np.random.default_rng(1)
    prior, weight, p = rng.normal(size=17), rng.uniform(0, 1, 17), rng.normal(size=17)
    terms = Quadratic(np.diag(weight**2), weight**2 * prior, float(prior @ (weight**2 * prior)))
    assert terms.cost(p) == pytest.approx(np.sum((weight * (p - prior)) ** 2))
    step = 1e-6 * np.eye(17)
    slope = [(terms.cost(p + s) - terms.cost(p - s)) / 2e-6 for s in step]
    np.testing.assert_allclose(2 * terms.half_gradient(p), slope, rtol=1e-5, atol=1e-6)
