"""Crankings that begin without humps, and those that only look so."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.signal import after_decompressor
from crankfold.analysis.signal.decompressor import LEAST_LEFT_S, SETTLE_S


def opened(trace, shut_s, level_a=100.0):
    """The trace with its humps flat until some seconds after the onset."""
    flat = (trace.time_s >= trace.crank.start_s + 0.2) & (trace.time_s < trace.crank.start_s + shut_s)
    trace.smooth[flat] = level_a
    return trace


@pytest.mark.parametrize("shut_s", [0.6, 1.2, 2.5])
def test_what_is_judged_begins_after_the_decompressor(shut_s, trace_of):
    trace, found_s = after_decompressor(opened(trace_of(), shut_s))
    assert found_s == pytest.approx(shut_s, abs=0.05)
    assert trace.steady_from_s == pytest.approx(trace.crank.start_s + shut_s + SETTLE_S, abs=0.05)


def test_an_ordinary_cranking_is_left_alone(trace_of):
    for hump_hz in (1.2, 3.0, 20.0):
        trace = trace_of(hump_hz=hump_hz)
        assert after_decompressor(trace) == (trace, None)


def test_humps_far_apart_are_smooth_between_each_time(trace_of):
    trace = trace_of(seconds=5.0)
    since = trace.time_s - trace.crank.start_s
    lone = np.where(np.mod(since - 0.8, 0.8) < 0.2, 150.0 + 80.0 * np.sin(np.pi * np.mod(since, 0.8) / 0.2), 150.0)
    trace.smooth[since > 0.2] = lone[since > 0.2]
    assert after_decompressor(trace)[1] is None


@pytest.mark.parametrize(("level_a", "found"), [(110.0, True), (155.0, True), (180.0, False), (206.0, False)])
def test_a_smooth_beginning_as_high_as_the_humps_is_clipped_and_no_decompressor(level_a, found, trace_of):
    """Humps here go from 90 to 210 A."""
    assert (after_decompressor(opened(trace_of(), 1.2, level_a))[1] is not None) is found


def test_one_that_never_shuts_or_shuts_too_late_is_left_alone(trace_of):
    never = opened(trace_of(), 9.0)
    assert after_decompressor(never)[1] is None
    late = opened(trace_of(seconds=4.0), 4.6 - LEAST_LEFT_S / 2)
    assert after_decompressor(late)[1] is None


def test_a_capture_that_begins_while_cranking_shows_no_decompressor(trace_of):
    trace = opened(trace_of(has_onset=False), 1.2)
    assert after_decompressor(trace)[1] is None


@pytest.mark.parametrize(("shut_s", "found"), [(0.46, False), (0.54, True)])
def test_a_fifth_of_a_second_after_the_in_rush_is_the_least(shut_s, found, trace_of):
    """What is shorter is left out with the in-rush anyway, which ends 0.3 s after the onset."""
    assert (after_decompressor(opened(trace_of(), shut_s))[1] is not None) is found


@pytest.mark.parametrize(("share", "found"), [(0.25, True), (0.36, False)])
def test_what_varies_by_three_tenths_of_the_humps_has_humps(share, found, trace_of):
    trace = trace_of()
    since = trace.time_s - trace.crank.start_s
    early = (since >= 0.2) & (since < 1.5)
    trace.smooth[early] = 150.0 + share * 60.0 * np.cos(2 * np.pi * 6.0 * since[early])
    assert (after_decompressor(trace)[1] is not None) is found


@pytest.mark.parametrize(("left_s", "found"), [(0.9, False), (1.1, True)])
def test_half_a_second_to_settle_and_half_a_second_of_humps_must_be_left(left_s, found, trace_of):
    trace = trace_of(seconds=1.7)
    shut_s = trace.steady_to_s - trace.crank.start_s - left_s
    after, at_s = after_decompressor(opened(trace, shut_s))
    assert (at_s is not None) is found
    if found:
        assert at_s == pytest.approx(shut_s, abs=0.03)
        assert after.steady_from_s == pytest.approx(trace.crank.start_s + shut_s + 0.5, abs=0.03)
        assert after.steady_to_s == trace.steady_to_s


def test_what_is_judged_never_begins_earlier_than_it_did(trace_of):
    trace = opened(trace_of(steady_from_s=2.4), 0.8)
    after, at_s = after_decompressor(trace)
    assert at_s == pytest.approx(0.8, abs=0.05)
    assert after.steady_from_s == 2.4


@pytest.mark.parametrize(("again", "found"), [(0.7, True), (0.95, False)])
def test_as_smooth_again_later_is_how_the_engine_always_looks(again, found, trace_of):
    """Four fifths as long as the beginning: a decompressor shuts once."""
    trace = opened(trace_of(seconds=5.0, hump_hz=12.0), 1.3)
    since = trace.time_s - trace.crank.start_s
    trace.smooth[(since >= 3.0) & (since < 3.0 + again)] = 100.0
    assert (after_decompressor(trace)[1] is not None) is found


def test_lost_samples_or_too_little_show_no_decompressor(trace_of):
    holed = opened(trace_of(), 1.2)
    holed.smooth[2500] = np.nan
    assert after_decompressor(holed)[1] is None
    short = opened(trace_of(seconds=0.15), 0.6)
    assert after_decompressor(short) == (short, None)


@pytest.mark.parametrize("rate_hz", [200.0, 500.0, 10_000.0])
def test_at_any_rate(rate_hz, trace_of):
    assert after_decompressor(opened(trace_of(rate_hz=rate_hz), 1.2))[1] == pytest.approx(1.2, abs=0.05)


@pytest.mark.parametrize(("swing", "found"), [(15.0, True), (20.0, False)])
def test_the_humps_height_is_that_of_later_on_whatever_step_is_before_them(swing, found, trace_of):
    """Humps of 120 A from trough to crest: three tenths are 36 A. Before them the level is 110 A lower."""
    trace = trace_of()
    since = trace.time_s - trace.crank.start_s
    early = (since >= 0.2) & (since < 1.5)
    trace.smooth[early] = 40.0 + swing * np.cos(2 * np.pi * 6.0 * since[early])
    assert (after_decompressor(trace)[1] is not None) is found
