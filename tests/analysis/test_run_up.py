"""The run-up of a crank: where it ends, and that a steady crank has none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis.signal.run_up import RunUp, find_run_up, with_enough_cycles

RATE_HZ = 1000.0


def cranking(*, settles_s, extra, seconds=3.0, hump_hz=6.0):
    """Humps round 150 A whose level is so much higher at first and falls in a straight line."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    above = extra * np.clip(1.0 - t / settles_s, 0.0, 1.0)
    return 150.0 * (1.0 + above) + 60.0 * np.sin(2 * np.pi * hump_hz * t), t


@pytest.mark.parametrize("settles_s", [0.5, 0.9, 1.4])
def test_it_ends_where_the_level_is_within_a_tenth(settles_s):
    x, t = cranking(settles_s=settles_s, extra=0.8)
    found = find_run_up(x, t, (0, len(x)), RATE_HZ, 1 / 6)
    assert found.settled
    assert found.end_s == pytest.approx(settles_s * (1.0 - 0.1 / 0.8), abs=0.05)
    assert found.level > 1.2


def test_a_steady_crank_has_none():
    x, t = cranking(settles_s=0.1, extra=0.0)
    found = find_run_up(x, t, (0, len(x)), RATE_HZ, 1 / 6)
    assert (found.settled, found.end_s, found.level) == (True, 0.25, pytest.approx(1.0, abs=0.05))


def test_it_is_the_time_in_the_capture_that_is_said():
    x, t = cranking(settles_s=0.9, extra=0.8)
    later = np.concatenate((np.zeros(700), x))
    found = find_run_up(later, np.arange(len(later)) / RATE_HZ, (700, len(later)), RATE_HZ, 1 / 6)
    assert found.end_s == pytest.approx(0.7 + find_run_up(x, t, (0, len(x)), RATE_HZ, 1 / 6).end_s, abs=0.002)


def test_a_level_that_never_settles_and_too_little_say_so():
    t = np.arange(3000) / RATE_HZ
    swaying = 150.0 + 60.0 * np.sin(2 * np.pi * 0.8 * t)
    assert not find_run_up(swaying, t, (0, 3000), RATE_HZ, 1 / 6).settled
    assert not find_run_up(swaying[:500], t, (0, 500), RATE_HZ, 1 / 6).settled


def test_a_late_change_is_no_run_up():
    """An engine that helps for the last fifth of the crank takes nothing from its beginning."""
    x, t = cranking(settles_s=0.1, extra=0.0)
    x[2500:] *= 0.5
    assert find_run_up(x, t, (0, len(x)), RATE_HZ, 1 / 6).end_s == 0.25


def test_a_first_compression_that_holds_the_starter_belongs_to_the_run_up():
    """Held for half a second on 600 A, then up to speed within a second: two seconds in all."""
    x, t = cranking(settles_s=2.0, extra=0.8, seconds=5.0)
    never = find_run_up(x, t, (0, len(x)), RATE_HZ, 1 / 6)
    assert not never.settled
    x[400:900] = 600.0
    held = find_run_up(x, t, (0, len(x)), RATE_HZ, 1 / 6)
    assert held.settled
    assert held.end_s == pytest.approx(1.75, abs=0.15)


@pytest.mark.parametrize(("cycle_hz", "from_s"), [
    (2.0, 1.9),   # enough cycles after the run-up
    (1.0, 1.7),   # 2.3 cycles before the end of what is judged
    (0.5, 1.0),   # but never from inside the in-rush
    (None, 1.0),  # nothing repeats after the run-up
])
def test_a_slow_engine_is_judged_from_earlier_rather_than_not_at_all(cycle_hz, from_s, trace_of):
    trace = trace_of(seconds=3.0)
    trace = replace(trace, steady_from_s=1.9, run_up=RunUp(1.9, settled=True, level=1.3))
    assert with_enough_cycles(trace, cycle_hz).steady_from_s == pytest.approx(from_s)


def test_what_begins_in_mid_crank_or_after_a_gap_is_left_as_it_is(trace_of):
    trace = replace(trace_of(), steady_from_s=3.0)
    assert with_enough_cycles(trace, 0.5) is trace
    cut = replace(trace, run_up=RunUp(3.0, settled=True, level=1.3), cut_by_gap=True)
    assert with_enough_cycles(cut, 0.5) is cut
