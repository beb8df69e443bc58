"""Where the judged stretch of a trace lies, in samples."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest

from crankfold.analysis.signal import Span


@pytest.mark.parametrize(("from_s", "to_s", "end_s"), [
    (1.0, 4.0, 5.0), (1.0, 9.0, 4.5), (1.0, float("inf"), 4.5), (0.0, 4.0, 5.0), (3.0, 2.0, 5.0), (3.0, 4.0, 2.5),
])
def test_steady_is_after_the_in_rush_and_before_the_release_or_whatever_ends_it_sooner(from_s, to_s, end_s, trace_of):
    trace = replace(trace_of(), steady_from_s=from_s, steady_to_s=to_s, crank=Span(0.5, end_s))
    inside = (trace.time_s >= from_s) & (trace.time_s < min(to_s, end_s))
    np.testing.assert_array_equal(trace.time_s[trace.steady], trace.time_s[inside])


def test_a_trace_cannot_be_changed(trace_of):
    with pytest.raises(FrozenInstanceError):
        trace_of().polarity = -1
    with pytest.raises(FrozenInstanceError):
        Span(1.0, 2.0).end_s = 3.0


def test_a_span_s_length_is_end_less_start():
    assert Span(1.25, 4.0).length_s == 2.75
