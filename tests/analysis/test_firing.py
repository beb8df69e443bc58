"""Engines that help to turn themselves, against ordinary crankings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis.signal import RunUp, trend


def bent(trace, *, from_s, level, faster, hump_hz=6.0, mean=150.0):
    """The trace with another level and hump rate from a moment on."""
    since = trace.time_s - from_s
    late = (since >= 0) & (trace.time_s < trace.crank.end_s)
    other = level * (mean + 60.0 * np.cos(2 * np.pi * hump_hz * (faster * since)))
    current = np.where(late, other, trace.current)
    return replace(trace, current=current, smooth=current)


def test_an_ordinary_cranking_has_no_trend(trace_of):
    change = trend(trace_of())
    assert change.level == pytest.approx(1.0, abs=0.05)
    assert change.rate == pytest.approx(1.0, abs=0.15)
    assert not change.suspicious


@pytest.mark.parametrize(("level", "faster", "suspicious", "certain"), [
    (1.0, 1.0, False, False), (0.93, 1.1, False, False), (0.7, 1.0, True, False), (1.0, 1.7, True, False),
    (0.4, 1.7, True, True), (0.4, 0.8, True, False), (0.65, 1.7, True, False),
])
def test_a_falling_level_and_faster_humps_are_noticed(level, faster, suspicious, certain, trace_of):
    change = trend(bent(trace_of(), from_s=2.6, level=level, faster=faster))
    assert change.suspicious is suspicious
    assert change.certain is certain
    if level < 1.0 and suspicious:
        assert change.since_s == pytest.approx(2.6 - 0.5, abs=0.2)


def test_too_short_a_cranking_has_no_trend(trace_of):
    assert trend(trace_of(seconds=0.2)) is None


def test_where_in_the_capture_it_cranks_does_not_matter(trace_of):
    early, late = (trend(bent(trace_of(onset_s=onset), from_s=onset + 2.1, level=0.7, faster=1.2))
                   for onset in (0.5, 3.5))
    assert late.level == pytest.approx(early.level, abs=0.01)
    assert late.rate == pytest.approx(early.rate, abs=0.1)
    assert late.since_s == pytest.approx(early.since_s, abs=0.02)


@pytest.mark.parametrize("lost", [0.0, 130.0])
def test_a_current_that_fades_under_even_humps_is_no_faster_engine(lost, trace_of):
    """The humps are counted about their own mean."""
    trace = trace_of(mean=220.0, swing=30.0)
    current = np.where(trace.current > 0, trace.current - lost * (trace.time_s - 1.0) / 4.0, 0.0)
    assert trend(replace(trace, current=current, smooth=current)).rate == pytest.approx(1.0, abs=0.1)


def run_up(trace, *, settles_s, extra):
    """The trace with a level that comes down over its first turns while the humps come faster, as real ones do."""
    since = trace.time_s - trace.crank.start_s
    slow = np.clip(1.0 - since / settles_s, 0.0, 1.0)
    phase = 2 * np.pi * 6.0 * np.cumsum(1.0 - 0.45 * slow) / trace.rate_hz
    on = (since >= 0) & (trace.time_s < trace.crank.end_s)
    current = on * (150.0 * (1.0 + extra * slow) + 60.0 * np.cos(phase))
    return replace(trace, current=current, smooth=current,
                   run_up=RunUp(trace.crank.start_s + settles_s, settled=True, level=1.0 + extra / 2))


@pytest.mark.parametrize("settles_s", [0.5, 0.9, 1.5])
def test_a_run_up_is_no_firing(settles_s, trace_of):
    assert not trend(run_up(trace_of(), settles_s=settles_s, extra=1.0)).suspicious


def test_a_sag_that_lifts_is_no_firing(trace_of):
    """A battery that recovers raises or lowers the level; humps and their rate stay."""
    trace = trace_of()
    current = np.where(trace.current > 0, trace.current - 11.0 * (trace.time_s - 1.0), 0.0)
    found = trend(replace(trace, current=current, smooth=current))
    assert found.level < 0.85
    assert not found.suspicious


def test_a_leak_that_changes_from_cycle_to_cycle_is_no_firing(trace_of):
    trace = trace_of()
    rng = np.random.default_rng(4)
    hump = np.floor((trace.time_s - trace.crank.start_s) * 6.0).astype(int)
    height = rng.uniform(0.3, 1.0, hump.max() + 1)
    on = trace.current > 0
    swing = 60.0 * np.where(hump % 4 == 0, height[np.maximum(hump, 0)], 1.0)
    current = on * (150.0 - swing * np.cos(2 * np.pi * 6.0 * (trace.time_s - trace.crank.start_s)))
    assert not trend(replace(trace, current=current, smooth=current)).suspicious


def test_an_engine_that_kicks_is_seen_though_its_level_stays(trace_of):
    """Single cylinders fire from 2.8 s on: humps twice as high that come when they like."""
    trace = trace_of()
    rng = np.random.default_rng(5)
    late = (trace.time_s > 2.8) & (trace.time_s < trace.crank.end_s)
    kicks = np.zeros(len(trace.time_s))
    for at in 2.8 + np.cumsum(rng.uniform(0.1, 0.5, 6)):
        kicks += np.exp(-(((trace.time_s - at) / 0.05) ** 2))
    phase = 2 * np.pi * 6.0 * trace.time_s + 2.0 * np.sin(2 * np.pi * 1.3 * trace.time_s)
    current = np.where(late, 110.0 + 40.0 * np.cos(phase) + 180.0 * kicks, trace.current)
    found = trend(replace(trace, current=current, smooth=current))
    assert found.level > 0.85
    assert found.kicked
    assert found.certain
