"""The smallest leak a rig can tell: its formula against least squares, and against what the analysis states."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.acquire import smallest_leak_percent
from crankfold.acquire.rig.check import MAX_LEAK_PERCENT, MAX_STEP_A
from crankfold.acquire.rig.quality import CYLINDERS, HUMP_A, JUDGED_S, METHOD_PERCENT, MIN_COUNTS, TIMES
from crankfold.analysis import Capture, Channel, Engine, analyse
from crankfold.plugins.virtual.engine import simulate
from crankfold.plugins.virtual.signals import RigSpec, record
from crankfold.plugins.virtual.specs import Bench, KeySpec


def spread_of_heights(noise_a: float, samples: int) -> float:
    """Return the standard deviation of a raised cosine's height, trough to top, by numpy's least squares."""
    angle = 2 * np.pi * (np.arange(samples) + 0.5) / samples
    shape = np.column_stack((np.ones(samples), 0.5 * (1 - np.cos(angle))))
    drawn = np.random.default_rng(16).normal(0.0, noise_a, (samples, 4000))
    return float(np.linalg.lstsq(shape, drawn, rcond=None)[0][1].std())


@pytest.mark.parametrize(("noise_a", "rate_hz"), [(1.5, 500.0), (4.0, 2000.0)])
def test_the_formula_against_least_squares(noise_a, rate_hz) -> None:
    own = round(rate_hz * JUDGED_S / CYLINDERS)
    spread = 100.0 * np.sqrt(2.0) * spread_of_heights(noise_a, own) / HUMP_A
    found = smallest_leak_percent(noise_a, 0.0, rate_hz)
    assert found == pytest.approx(np.hypot(METHOD_PERCENT, TIMES * spread), rel=0.03)


def test_a_step_is_noise_of_its_twelfth_root() -> None:
    step = 2.0
    assert smallest_leak_percent(0.0, step, 500.0) == smallest_leak_percent(step / 12**0.5, 0.0, 500.0)


def test_less_noise_finer_steps_higher_rates_and_taller_humps_show_smaller_leaks() -> None:
    usual = smallest_leak_percent(2.0, 1.0, 1000.0)
    assert usual is not None
    for better in (smallest_leak_percent(1.0, 1.0, 1000.0), smallest_leak_percent(2.0, 0.1, 1000.0),
                   smallest_leak_percent(2.0, 1.0, 4000.0), smallest_leak_percent(2.0, 1.0, 1000.0, hump_a=100.0)):
        assert better is not None
        assert METHOD_PERCENT < better < usual
    assert smallest_leak_percent(2.0, 1.0, 1000.0, cylinders=8) > usual
    assert smallest_leak_percent(1e6, 0.0, 1000.0) == 100.0


def test_too_few_counts_a_hump_are_no_leak_at_all_and_no_fit_rig() -> None:
    coarsest = HUMP_A / MIN_COUNTS
    assert smallest_leak_percent(1.0, coarsest, 1000.0) is not None
    assert smallest_leak_percent(1.0, 1.01 * coarsest, 1000.0) is None
    assert coarsest >= MAX_STEP_A  # so the check has said so by then
    assert MAX_LEAK_PERCENT == (100.0 - 75.0) / 2


@pytest.fixture(scope="module")
def bench():
    return simulate(replace(Bench(), key=KeySpec(0.6, 5.6, 500.0)), 6.2, seed=4102)


@pytest.mark.parametrize(("rate_hz", "noise_a", "bits", "full_scale"), [
    (10_000.0, 1.5, 12, 10.0), (500.0, 15.0, 12, 20.0), (500.0, 25.0, 12, 20.0), (2000.0, 40.0, 12, 20.0),
    (500.0, 5.0, 8, 20.0)])
def test_the_analysis_states_what_the_formula_says(bench, rate_hz, noise_a, bits, full_scale) -> None:
    """Stated: the distance from the estimate to the lower end of its 95 % interval, of a healthy virtual engine."""
    rig = RigSpec(rate_hz=rate_hz, noise_a=noise_a, bits=bits, full_scale=full_scale, hash_share=0.0, hum_a=0.0)
    recording = record(bench, rig, seed=4102)
    amperes = recording.columns[0].values(recording.codes[:, 0])[:, None] / 10e-3
    result = analyse(Capture(amperes, recording.rate_hz, (Channel("current", "A"),)),
                     Engine(tuple(bench.bench.engine.firing_order)))
    stated = np.mean([one.relative_percent - one.interval_percent[0] for one in result.cylinders])
    cranking = bench.current_a[(bench.time_s > 1.5) & (bench.time_s < 5.0)]
    hump_a = float(np.ptp(np.percentile(cranking, (2, 98))))
    said = smallest_leak_percent(noise_a, recording.columns[0].scale / 10e-3, rate_hz, hump_a=hump_a)
    assert said == pytest.approx(stated, rel=0.25)
