"""How the crank slows into a compression, and what is made of it; on a trace that the model itself made."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from crankfold.analysis import Engine
from crankfold.analysis.model import acceptance
from crankfold.analysis.model import parameters as at
from crankfold.analysis.model.gas import ANGLES_DEG, slowed_torques
from crankfold.analysis.model.options import FULL
from crankfold.analysis.model.problem import Data, Problem
from crankfold.analysis.model.slowing import slowness, with_slowing
from crankfold.analysis.model.starts import polish_stages
from crankfold.analysis.signal import CycleTrack

THREE = Engine((1, 3, 2))
STEP_S = 0.001


@cache
def fitted(noise=0.0):
    """The fit of a light three, one of which has 60 %: the same current, with the phases it was made with."""
    p = np.array([rule.start for rule in at.RULES])
    p[at.LOG_STALL], p[at.LOG_ENGINE] = np.log(900.0), np.log(0.03)
    p = np.concatenate((p, [300.0, 300.0, 180.0], [-60.0]))
    count = 3000
    y = np.full(count, 220.0)
    for _ in range(3):
        made = Problem(Data(y, STEP_S, 0.0, 900.0), THREE, np.array([0]), np.array([count]), 1080.0, series=False)
        made.residuals(p)
        y = made.model.copy()
    angle = made.angle.copy()
    y = y + noise * np.random.default_rng(2).normal(size=count)
    data = Data(y, STEP_S, 0.0, float(np.var(y)))
    cycle_hz = float(angle[-1] - angle[0]) / 720.0 / (count * STEP_S)
    trace = acceptance.Trace(data, data, THREE, CycleTrack(np.arange(count)[::50] * STEP_S, angle[::50] / 720.0),
                             cycle_hz, 900.0)
    fit = acceptance.explain(trace)[0]
    return trace, fit


def time_a_degree(fit, position):
    """Time for each closed degree about the TDCs of a position in the fit's windows, over its mean: by the track."""
    fit.problem.gain = 0.0
    fit.problem.residuals(fit.solution.p)
    taken = []
    for angle in np.split(fit.problem.angle, np.cumsum(fit.problem.lengths)[:-1]):
        fire = THREE.firing_deg[position]
        for turn in range(int(angle[0] // 720) - 1, int(angle[-1] // 720) + 2):
            edges = fire + 720.0 * turn + np.arange(ANGLES_DEG[1] - 0.5, ANGLES_DEG[-2] + 1.0)
            inside = (edges >= angle[0]) & (edges <= angle[-1])
            when = np.interp(edges, angle, np.arange(len(angle)))
            taken.append(np.where(inside[1:] & inside[:-1], np.diff(when), np.nan))
    mean = np.convolve(np.pad(np.nanmean(taken, axis=0), 4, mode="edge"), np.ones(9) / 9, "valid")
    return mean / mean.mean()


def test_time_for_each_degree_about_a_position_s_tdcs():
    _, fit = fitted()
    low = int(np.argmin(fit.amplitudes))
    found = slowness(fit, [low])
    assert len(found) == len(ANGLES_DEG) - 2
    assert found.mean() == pytest.approx(1.0)
    assert np.ptp(found) > 0.2
    np.testing.assert_allclose(found, time_a_degree(fit, low), atol=0.04)


def test_about_several_positions_it_lies_between_those_about_each():
    _, fit = fitted()
    both, *each = (slowness(fit, positions) for positions in ([0, 1], [0], [1]))
    np.testing.assert_allclose(both, np.mean(each, axis=0), atol=0.02)


def test_at_its_own_speed_a_leak_leaves_less_and_the_others_are_as_before():
    trace, fit = fitted()
    low = int(np.argmin(fit.amplitudes))
    share, slowed = (f.amplitudes / f.amplitudes.max() for f in (fit, with_slowing(trace, fit, [low], FULL)))
    whole = acceptance.refit(replace(trace, torques=slowed_torques(slowness(fit, [low]))), fit, fit.problem.families,
                             FULL, stages=polish_stages(FULL)[-1:])
    full = whole.amplitudes / whole.amplitudes.max()
    assert share[low] - full[low] > 0.01
    assert share[low] - slowed[low] == pytest.approx(0.5 * (share[low] - full[low]), rel=0.2)  # half of it is believed
    np.testing.assert_allclose(np.delete(slowed, low), np.delete(share, low), atol=0.01)


@pytest.mark.parametrize(("times", "taken"), [(1.02, True), (1.05, False)])
def test_what_explains_the_trace_worse_than_a_steady_crank_is_not_taken(times, taken):
    """By more than three percent of what is left, and a ten thousandth."""
    trace, fit = fitted(noise=8.0)
    low = int(np.argmin(fit.amplitudes))
    slowed = with_slowing(trace, fit, [low], FULL)
    assert slowed.cost > 0.005
    steady = replace(fit, solution=replace(fit.solution, cost=(slowed.cost - 1e-4) / times))
    assert (with_slowing(trace, steady, [low], FULL) is not steady) is taken


def test_degrees_that_a_runaway_fit_passes_over_take_what_lies_beside_them():
    _, fit = fitted()
    problem = replace(fit.problem)
    problem.residuals = lambda p: None
    turns = np.arange(60) * 75.0  # a crank that passes 75 degrees a sample
    problem.angle, problem.lengths = turns, np.array([len(turns)])
    found = slowness(replace(fit, problem=problem), [0])
    assert found.min() > 0
    assert found.mean() == pytest.approx(1.0)
    problem.angle = np.full(60, 400.0)  # and one that never comes near
    np.testing.assert_array_equal(slowness(replace(fit, problem=problem), [0]), 1.0)
