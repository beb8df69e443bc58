"""Engines that help to turn themselves, against ordinary crankings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis.firing import trend


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
    (0.4, 1.7, True, True),
])
def test_a_falling_level_and_faster_humps_are_noticed(level, faster, suspicious, certain, trace_of):
    change = trend(bent(trace_of(), from_s=2.6, level=level, faster=faster))
    assert change.suspicious is suspicious
    assert change.certain is certain
    if level < 1.0 and suspicious:
        assert change.since_s == pytest.approx(2.6 - 0.5, abs=0.2)


def test_too_short_a_cranking_has_no_trend(trace_of):
    assert trend(trace_of(seconds=0.2)) is None
