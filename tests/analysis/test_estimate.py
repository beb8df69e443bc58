"""The estimate as a whole, on captures of the virtual engine, which shares no equation with the model."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from crankfold.analysis import Capture, Engine, condition
from crankfold.analysis.model import estimate, find_rates
from crankfold.analysis.model.options import FitOptions
from crankfold.plugins.virtual.engine import simulate
from crankfold.plugins.virtual.specs import Bench, CylinderSpec, EngineSpec, KeySpec

FOUR = EngineSpec()
LEAK = CylinderSpec(leak_mm2=9.0)
DEAD = CylinderSpec(leak_mm2=80.0)


@cache
def run(engine, seed=1, on=0.4, off=3.6):
    return simulate(Bench(engine, key=KeySpec(on, off)), off + 0.4, seed=seed)


def trace_of(spec, noise=1.5, seed=1, off=3.6, unit="A", factor=1.0):
    current = run(spec, off=off).current_a
    current = current + np.random.default_rng(seed).normal(0, noise, len(current))
    return condition(Capture.from_arrays(current * factor, rate_hz=10_000.0, unit=unit))


def by_angle(found, true_run, engine):
    """Return the estimate with index 0 at the true position 1, by the crank angle alone."""
    t = found.time_s[:: len(found.time_s) // 20]
    off = np.interp(t, true_run.time_s, true_run.angle_deg) - np.interp(t, found.time_s, found.angle_deg)
    turn = float(np.median(off % engine.cycle_deg))
    apart = (engine.firing_deg - turn + engine.cycle_deg / 2) % engine.cycle_deg - engine.cycle_deg / 2
    k = int(np.argmin(np.abs(apart)))
    return np.roll(found.relative_percent, k), np.roll(found.interval_percent, k, axis=0)


@pytest.mark.parametrize("fault", [None, LEAK, DEAD])
def test_each_cylinder_of_a_four(fault):
    spec = FOUR if fault is None else FOUR.with_cylinder(4, fault)
    engine = Engine(spec.firing_order)
    found = estimate(trace_of(spec), engine)
    assert len(found) == 1
    percent, interval = by_angle(found[0], run(spec), engine)
    true = run(spec).truth().relative_percent
    np.testing.assert_allclose(percent, true, atol=6.0)
    assert np.all(interval[:, 0] <= percent + 1e-9)
    assert np.all(percent <= interval[:, 1] + 1e-9)
    assert found[0].explained > 0.99
    assert found[0].rpm == pytest.approx(run(spec).truth().rpm, rel=0.03)
    at = np.interp(found[0].time_s[[0, -1]], run(spec).time_s, run(spec).angle_deg)
    assert found[0].cycles == pytest.approx((at[1] - at[0]) / 720.0, abs=0.1)
    assert 0.7 * found[0].cycles < found[0].details["fitted_cycles"] <= found[0].cycles + 0.01
    np.testing.assert_allclose(found[0].fitted_heights_percent, found[0].heights_percent, atol=4.0)
    assert found[0].motor == "permanent-magnet"
    assert np.all(np.isfinite(list(found[0].details.values())))


def test_index_0_is_the_first_whole_hump_after_the_in_rush():
    trace = trace_of(FOUR)
    found = estimate(trace, Engine(FOUR.firing_order))[0]
    tdc = np.interp(0.0, found.angle_deg, found.time_s) if found.angle_deg[0] < 0 else None
    assert tdc is not None
    assert -360.0 <= found.angle_deg[0] <= -180.0
    assert trace.steady_from_s < tdc < trace.steady_from_s + 0.5


def test_the_track_rises_and_the_model_lies_on_the_trace():
    trace = trace_of(FOUR)
    found = estimate(trace, Engine(FOUR.firing_order))[0]
    assert np.all(np.diff(found.angle_deg) > 0)
    assert np.all(np.diff(found.time_s) > 0)
    inside = np.isfinite(found.model)
    assert inside.mean() > 0.5
    off = found.model[inside] - np.interp(found.time_s[inside], trace.time_s, trace.smooth)
    assert np.std(off) < 0.1 * np.std(trace.smooth[trace.steady])


def test_volts_of_an_unknown_probe_give_the_same_percents():
    engine = Engine(FOUR.firing_order)
    spec = FOUR.with_cylinder(4, LEAK)
    amperes, volts = (estimate(trace_of(spec, unit=u, factor=f), engine)[0] for u, f in (("A", 1.0), ("", 0.01)))
    np.testing.assert_allclose(volts.relative_percent, amperes.relative_percent, atol=0.05)
    for name in ("stall_current", "friction_current", "knee_current"):
        assert volts.details[name] == pytest.approx(0.01 * amperes.details[name], rel=0.01)


def test_uneven_firing_gives_placements_best_first_and_the_right_one_is_among_them():
    spec = replace(FOUR, firing_order=(1, 2), intervals_deg=(270.0, 450.0), inertia_kgm2=0.2).with_cylinder(2, LEAK)
    engine = Engine((1, 2), (270, 450))
    found = estimate(trace_of(spec, off=5.0), engine)
    assert found
    assert [f.cost for f in found] == sorted(f.cost for f in found)
    true = run(spec, off=5.0).truth().relative_percent
    errors = []
    for f in found:
        t = f.time_s[::200]
        truth = run(spec, off=5.0)
        off = np.interp(t, truth.time_s, truth.angle_deg) - np.interp(t, f.time_s, f.angle_deg)
        if abs((np.median(off) + 360) % 720 - 360) < 30:
            errors.append(np.abs(f.relative_percent - true).max())
    assert errors
    assert min(errors) < 10.0


@pytest.mark.parametrize("current", [
    np.full(4000, 150.0), 150.0 + 100 * np.random.default_rng(0).normal(size=4000), np.linspace(100, 300, 4000),
])
def test_what_has_no_cycles_is_no_explanation_or_a_poor_one(current, trace_of):
    trace = trace_of(seconds=2.0)
    stretched = np.interp(np.linspace(0, 1, len(trace.time_s)), np.linspace(0, 1, len(current)), current)
    body = np.where(trace.time_s < trace.crank.end_s, stretched, 0.0)
    trace = replace(trace, current=body, smooth=body)
    for found in estimate(trace, Engine((1, 3, 4, 2))):
        assert np.isfinite(found.relative_percent).all()
        assert found.explained < 0.9


def test_a_crank_of_half_a_cycle_gives_nothing():
    trace = trace_of(FOUR, off=1.1)
    assert all(f.cycles < 2 for f in estimate(trace, Engine(FOUR.firing_order)))


def test_without_the_leak_table_a_leak_reads_wrong():
    engine = Engine(FOUR.firing_order)
    spec = FOUR.with_cylinder(4, CylinderSpec(leak_mm2=5.0))
    true = run(spec).truth().relative_percent.min()
    full, plain = (estimate(trace_of(spec), engine, option)[0].relative_percent.min()
                   for option in (FitOptions(), FitOptions(leak_table=False)))
    assert abs(full - true) + 2.0 < abs(plain - true)


def test_an_odd_number_of_rates_and_rivals_is_offered():
    trace = trace_of(FOUR)
    found = find_rates(trace, Engine(FOUR.firing_order))
    assert found[0].rate_hz * 120 == pytest.approx(run(FOUR).truth().rpm, rel=0.05)
    assert found[0].score >= found[-1].score


def test_a_slow_engine_is_looked_at_for_longer(trace_of):
    """At 60 rpm four seconds hold two cycles only."""
    trace = trace_of(seconds=11.0, hump_hz=2.0)
    assert find_rates(trace, Engine(FOUR.firing_order))[0].rate_hz == pytest.approx(0.5, rel=0.02)


def test_opposite_cylinders_dead_are_not_an_engine_at_half_the_speed():
    """Two humps a cycle repeat at half the rate as well; only how the crank speeds up between them tells."""
    spec = FOUR.with_cylinder(1, DEAD).with_cylinder(4, DEAD)
    trace, engine = trace_of(spec), Engine(FOUR.firing_order)
    rpm = run(spec).truth().rpm
    assert find_rates(trace, engine)[0].rate_hz * 120 == pytest.approx(rpm / 2, rel=0.02)
    (found,) = estimate(trace, engine)
    assert found.rpm == pytest.approx(rpm, rel=0.02)
    assert found.details["rival_cost_ratio"] > 5.0
    percent, _ = by_angle(found, run(spec), engine)
    np.testing.assert_allclose(percent, run(spec).truth().relative_percent, atol=5.0)


@pytest.mark.parametrize("spoil", [
    lambda x: x[:14], lambda x: np.full(len(x), 150.0), lambda x: np.where(np.arange(len(x)) == 900, np.nan, x)])
def test_a_steady_stretch_that_is_none_gives_no_explanation(spoil, trace_of):
    """Fewer than 16 samples, the same all along, or with a hole in it."""
    trace = trace_of()
    steady = spoil(trace.smooth[trace.steady])
    first = trace.steady.start
    smooth = np.concatenate((trace.smooth[:first], steady))
    spoilt = replace(trace, time_s=trace.time_s[: len(smooth)], smooth=smooth, current=smooth)
    assert estimate(spoilt, Engine(FOUR.firing_order)) == ()
    assert estimate(trace, Engine(FOUR.firing_order)) != ()
