"""Starter and battery from the cranking current."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Engine
from crankfold.analysis.answer import mean_current, read_health, ripple_percent
from crankfold.analysis.answer.health import stall_current

FOUR = Engine((1, 3, 4, 2))


def test_resistance_is_rest_voltage_over_stall_current(trace_of, estimate_of):
    """Ohm's law by hand: 12.6 V over 700 A is 18 milliohm."""
    estimate = estimate_of(FOUR, details={"stall_current": 700.0, "drift_percent": -6.0})
    health = read_health(trace_of(), estimate)
    assert health.stall_current_a == pytest.approx(700.0)
    assert health.resistance_ohm == pytest.approx(0.018)
    assert health.voltage_v == 12.6
    assert health.sag_percent == pytest.approx(6.0)
    assert read_health(trace_of(), estimate, system_v=24.0).resistance_ohm == pytest.approx(0.036)


def test_a_stall_current_is_never_below_the_inrush_that_was_seen(trace_of, estimate_of):
    estimate = estimate_of(FOUR, details={"stall_current": 500.0})
    assert stall_current(trace_of(inrush=640.0), estimate) == 640.0


def test_a_clipped_inrush_alone_says_no_stall_current(trace_of):
    assert stall_current(trace_of(clipped_inrush=True), None) is None
    assert stall_current(trace_of(inrush=float("nan")), None) is None


def test_without_a_scale_there_are_no_amperes_or_ohms(trace_of, estimate_of):
    health = read_health(trace_of(unit="V"), estimate_of(FOUR, details={"stall_current": 7.0, "drift_percent": -3.0}))
    assert health.stall_current_a is None
    assert health.resistance_ohm is None
    assert health.sag_percent == pytest.approx(3.0)


def test_a_short_cranking_shows_no_sag(trace_of, estimate_of):
    estimate = estimate_of(FOUR, details={"stall_current": 700.0, "drift_percent": -30.0})
    assert read_health(trace_of(seconds=0.9), estimate).sag_percent is None


def test_mean_and_ripple_of_sine_humps(trace_of):
    """A sine of 60 about 150: its 5th to 95th percentile is 1.9754 amplitudes, 79.0 % of the mean (by hand)."""
    trace = trace_of(mean=150.0, swing=60.0)
    assert mean_current(trace) == pytest.approx(150.0, rel=0.01)
    assert ripple_percent(trace) == pytest.approx(100 * 60 * 2 * np.sin(0.45 * np.pi) / 150, rel=0.003)


def test_a_battery_that_sags_or_recovers_is_no_ripple(trace_of):
    """Level and humps bend together here, as when the battery falls fast at first."""
    trace = trace_of(mean=150.0, swing=30.0, hump_hz=12.0)
    bent = trace.smooth + np.where(trace.smooth > 0, 40.0 * ((trace.time_s - 3.0) / 2.0) ** 2, 0.0)
    assert ripple_percent(replace(trace, smooth=bent)) == pytest.approx(
        ripple_percent(trace) * mean_current(trace) / bent[trace.steady].mean(), rel=0.02)


def test_a_steady_stretch_without_current_has_no_ripple(trace_of):
    trace = trace_of()
    assert ripple_percent(replace(trace, smooth=np.zeros_like(trace.smooth))) is None
