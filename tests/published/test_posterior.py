"""The fit's own uncertainty, from the curvature at its minimum, against a sampled posterior.

Source: emcee (affine-invariant ensemble sampler; Foreman-Mackey and others, 2013), computed here: the same likelihood,
flat priors within bounds, ten made-up traces of the model with white noise.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from crankfold.analysis import Engine
from crankfold.analysis.model import parameters as at
from crankfold.analysis.model.intervals import covariance, relative_sigma
from crankfold.analysis.model.problem import Data, Problem
from crankfold.analysis.model.solver import Quadratic, minimise

FOUR = Engine((1, 3, 4, 2))
STEP_S, COUNT, NOISE = 0.002, 320, 6.0
FREE = (at.LOG_STALL, at.LOG_ARMATURE, at.LOG_ENGINE, at.FRICTION, 12, 13, 14, 15, 16)
WALKERS, BURN, STEPS = 36, 300, 900


def made(seed: int) -> tuple[Problem, np.ndarray]:
    """Return a problem whose data the model made, with noise, and where the solver ends."""
    rng = np.random.default_rng(seed)
    true = np.array([np.log(700.0), 0.0, 0.0, np.log(0.012), np.log(0.03), np.log(220.0), 80.0, 0.02, 9.1, 0.0,
                     np.log(0.003), 0.0, *rng.uniform((120.0, 90.0, 60.0, 110.0), (130.0, 130.0, 130.0, 130.0)), -12.0])
    start, length = np.array([0]), np.array([COUNT])
    y = np.full(COUNT, 240.0)
    for _ in range(4):  # the first sample of a window is taken from the data
        problem = Problem(Data(y, STEP_S, 0.0, float(np.var(y)) or 1.0), FOUR, start, length, 1100.0, False)
        problem.residuals(true)
        y = problem.model.copy()
    noisy = y + NOISE * rng.normal(size=COUNT)
    noisy[0] = y[0]
    problem = Problem(Data(noisy, STEP_S, 0.0, float(np.var(noisy))), FOUR, start, length, 1100.0, False)
    problem.free = np.isin(np.arange(len(true)), FREE)
    none = Quadratic(np.zeros((len(true),) * 2), np.zeros(len(true)), 0.0)
    p = true
    for _ in range(6):
        p = minimise(problem, p, none, free=problem.free, low=true - 40.0, high=true + 60.0,
                     step=np.full(len(true), 5.0), steps=60).p
    return problem, p


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("seed", range(10))
def test_the_curvature_gives_the_sampled_spread(seed: int) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import emcee

    problem, best = made(96700 + seed)
    index = list(FREE)
    square = float(problem.residuals(best) @ problem.residuals(best))
    scale = COUNT / (2.0 * square)  # residuals are in shares of the variance: this is 1 / (2 sigma^2)

    def log_posterior(x):
        p = best.copy()
        p[index] = x
        if np.any(np.abs(x - best[index]) > np.maximum(0.5 * np.abs(best[index]), 1.0)) or (p[12:16] <= 0.0).any():
            return -np.inf
        r = problem.residuals(p)
        return -scale * float(r @ r)

    jac = problem.jacobian(best)[:, index]
    cov = covariance(jac, np.zeros(len(index)), square, 1.0)
    own = relative_sigma(best[12:16], cov[4:8, 4:8])
    rng = np.random.default_rng(seed)
    first = best[index] + rng.multivariate_normal(np.zeros(len(index)), 0.5 * cov, WALKERS)
    sampler = emcee.EnsembleSampler(WALKERS, len(index), log_posterior)
    sampler.random_state = np.random.RandomState(seed).get_state()
    sampler.run_mcmc(first, BURN + STEPS)
    chain = sampler.get_chain(discard=BURN, flat=True)[:, 4:8]
    percent = 100.0 * chain / chain[:, [int(np.argmax(best[12:16]))]]
    assert percent.std(axis=0) == pytest.approx(own, rel=0.3, abs=0.1)
    assert percent.mean(axis=0) == pytest.approx(100.0 * best[12:16] / best[12:16].max(), abs=3.0 * own.max())
