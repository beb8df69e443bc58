"""Which fault a low cylinder has: on captures of the virtual engine, which shares no equation with the model."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest

from crankfold.analysis import Capture, Engine, condition
from crankfold.analysis.model import acceptance, estimate, faults
from crankfold.analysis.model import estimation as estimates
from crankfold.analysis.model.gas import ANGLES_DEG
from crankfold.analysis.model.options import FitOptions
from crankfold.analysis.model.slowing import slowness
from crankfold.plugins.virtual.engine import simulate
from crankfold.plugins.virtual.specs import Bench, CylinderSpec, EngineSpec, KeySpec

FOUR = EngineSpec()
LEAK = CylinderSpec(leak_mm2=4.0)
BENT = CylinderSpec(clearance=1.7)
LATE = CylinderSpec(inlet_shift_deg=55.0)  # its inlet closes late, so that it holds less
ONE_FAULT = FitOptions(filling_table=False)


@cache
def cranked(fault):
    run = simulate(Bench(FOUR.with_cylinder(4, fault), key=KeySpec(0.4, 3.6)), 4.0, seed=3)
    return condition(Capture.from_arrays(run.current_a, rate_hz=10_000.0)), run.truth().relative_percent


def worst(found, true):
    """Return the largest error at the best rotation."""
    return min(float(np.abs(np.roll(found.relative_percent, k) - true).max()) for k in range(len(true)))


@pytest.mark.parametrize("fault", [BENT, LATE])
def test_a_fault_that_is_no_leak_reads_better_when_it_is_asked_for(fault):
    trace, true = cranked(fault)
    engine = Engine(FOUR.firing_order)
    asked, not_asked = (estimate(trace, engine, options)[0] for options in (FitOptions(), ONE_FAULT))
    assert worst(asked, true) < 7.0
    assert worst(asked, true) + 3.0 < worst(not_asked, true)
    assert asked.cost < not_asked.cost


def test_a_leak_stays_a_leak():
    trace, true = cranked(LEAK)
    asked, not_asked = (estimate(trace, Engine(FOUR.firing_order), options)[0]
                        for options in (FitOptions(), ONE_FAULT))
    np.testing.assert_allclose(asked.relative_percent, not_asked.relative_percent, atol=0.05)
    assert worst(asked, true) < 6.0
    assert np.all(np.diff(asked.interval_percent) >= np.diff(not_asked.interval_percent) - 1e-9)


@pytest.mark.parametrize("order", [(1, 3, 2), (1, 3, 4, 2)])
def test_a_leak_reads_better_at_the_crank_s_own_speed(order):
    """A light engine slows much into each compression, where a leak then has its time."""
    light = EngineSpec(firing_order=order, inertia_kgm2=0.03).with_cylinder(2, CylinderSpec(leak_mm2=2.0))
    run = simulate(Bench(light, key=KeySpec(0.4, 3.6)), 4.0, seed=3)
    trace = condition(Capture.from_arrays(run.current_a, rate_hz=10_000.0))
    true = run.truth().relative_percent.min()
    slowed, steady = (estimate(trace, Engine(order), options)[0].relative_percent.min()
                      for options in (FitOptions(), FitOptions(slowing=False)))
    assert abs(slowed - true) + 0.7 < abs(steady - true)


def test_the_fit_sees_how_the_crank_slows():
    """Against the virtual engine's own crank, about the TDCs of the cylinder that leaks."""
    trace, _ = cranked(LEAK)
    engine = Engine(FOUR.firing_order)
    _, fits, _ = estimates._best_rate(trace, engine, estimates.find_rates(trace, engine), FitOptions())
    low = int(np.argmin(fits[0].amplitudes))
    found = slowness(fits[0], [low])
    run = simulate(Bench(FOUR.with_cylinder(4, LEAK), key=KeySpec(0.4, 3.6)), 4.0, seed=3)
    steady = (run.time_s > 1.0) & (run.time_s < 3.5)
    closed = ANGLES_DEG[1:-1]
    near = (run.angle_deg[steady] - FOUR.fire_deg[FOUR.firing_order.index(4)] - closed[0]) % 720.0
    true = np.bincount(near[near < len(closed)].astype(int), minlength=len(closed)).astype(float)
    true = np.convolve(np.pad(true, 4, mode="edge"), np.ones(9), "valid")
    true /= true.mean()
    assert found.mean() == pytest.approx(1.0)
    assert np.corrcoef(found, true)[0, 1] > 0.9
    assert found.max() == pytest.approx(true.max(), rel=0.2)


def test_further_starts_end_when_the_work_allowed_is_done(monkeypatch, trace_of):
    rng = np.random.default_rng(5)
    trace = trace_of()
    odd = 200.0 + 80.0 * np.sign(np.sin(2 * np.pi * 6.0 * trace.time_s)) + 8.0 * rng.normal(size=len(trace.time_s))
    trace = replace(trace, current=odd, smooth=odd)
    tried = []
    start = acceptance.start_fit
    monkeypatch.setattr(acceptance, "start_fit", lambda *a, **k: tried.append(1) or start(*a, **k))
    estimate(trace, Engine((1, 3, 4, 2)))
    every = len(tried)
    tried.clear()
    monkeypatch.setattr(acceptance, "MOST_WORK", 1)
    estimate(trace, Engine((1, 3, 4, 2)))
    assert 0 < len(tried) < every


@dataclass(frozen=True)
class Fake:
    """As much of a fit as the choice between faults looks at."""

    families: tuple[str, ...]
    cost: float
    amplitudes: np.ndarray
    explained: float = 0.99
    rivals: tuple = ()

    @property
    def problem(self):
        return SimpleNamespace(families=self.families, starts=np.arange(4))

    @property
    def solution(self):
        return SimpleNamespace(p=self.amplitudes)


@pytest.fixture
def asked(monkeypatch):
    """The families asked for, of engines whose cost with each is given; in the few windows all cost a tenth."""
    tried = []

    def begin(costs, shares=(1.0, 0.5, 1.0, 1.0), whole=1.0):
        def refit(_trace, fit, families, _options, *, stages=()):
            tried.append(families)
            cost = costs.get(families, 10.0) * (0.1 if stages else whole)
            return Fake(families, cost, np.array(shares) * (1.0 if families[0] == "leak" else 0.8))

        monkeypatch.setattr(faults, "refit", refit)
        monkeypatch.setattr(faults, "with_windows", lambda _trace, fit, chosen, _options: fit)
        monkeypatch.setattr(faults, "with_slowing", lambda _trace, fit, positions, _options: fit)
        leaks = ("leak",) * len(shares)
        engine = SimpleNamespace(cylinders=len(shares))
        fit = Fake(leaks, costs[leaks], np.array(shares))
        return faults.with_faults(SimpleNamespace(engine=engine), fit, FitOptions()), tried

    return begin


LEAKS = ("leak",) * 4
ONE_FILLS_BADLY = ("leak", "filling", "leak", "leak")


@pytest.mark.parametrize(("cost", "whole", "taken"), [(0.89, 1.0, True), (0.91, 1.0, False), (0.89, 1.02, False)])
def test_another_fault_is_taken_where_it_explains_clearly_better_also_in_the_whole(cost, whole, taken, asked):
    found, _ = asked({LEAKS: 1.0, ONE_FILLS_BADLY: cost}, whole=whole)
    assert found.families == (ONE_FILLS_BADLY if taken else LEAKS)
    rivals = [round(r.cost, 2) for r in found.rivals]
    assert round(1.0 / cost if taken else cost, 2) in rivals


def test_what_another_fault_would_make_of_the_cylinders_is_kept(asked):
    """A rival's shift is its amplitudes as shares of its strongest, less the best's; these are alike."""
    found, tried = asked({LEAKS: 1.0})
    assert {("filling",) * 4, ("clearance",) * 4, ONE_FILLS_BADLY} <= set(tried)
    assert len(found.rivals) == len(tried) - 1
    for rival in found.rivals:
        np.testing.assert_allclose(rival.shift, 0.0, atol=1e-12)


@pytest.mark.parametrize(("shares", "asked_singly"), [
    ((1.0, 0.5), 0), ((1.0, 0.5, 1.0), 2), ((1.0, 0.02, 1.0), None), ((1.0, 0.95, 1.0), None),
    ((1.0, 0.5, 0.6, 0.7, 0.8), 6)])
def test_only_the_lowest_between_dead_and_healthy_are_asked_singly(shares, asked_singly, asked):
    """Two other families each, three cylinders at most; of two cylinders neither; where none is between, nothing."""
    leaks = ("leak",) * len(shares)
    found, tried = asked({leaks: 1.0}, shares)
    assert found.families == leaks
    assert len(tried) == (0 if asked_singly is None else 3 + asked_singly)
