"""Crankings that begin without humps, and those that only look so."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.decompressor import LEAST_LEFT_S, SETTLE_S, after_decompressor


def opened(trace, shut_s):
    """The trace with its humps flat until some seconds after the onset."""
    flat = (trace.time_s >= trace.crank.start_s + 0.2) & (trace.time_s < trace.crank.start_s + shut_s)
    trace.smooth[flat] = 100.0
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


def test_one_that_never_shuts_or_shuts_too_late_is_left_alone(trace_of):
    never = opened(trace_of(), 9.0)
    assert after_decompressor(never)[1] is None
    late = opened(trace_of(seconds=4.0), 4.6 - LEAST_LEFT_S / 2)
    assert after_decompressor(late)[1] is None


def test_a_capture_that_begins_while_cranking_shows_no_decompressor(trace_of):
    trace = opened(trace_of(has_onset=False), 1.2)
    assert after_decompressor(trace)[1] is None
