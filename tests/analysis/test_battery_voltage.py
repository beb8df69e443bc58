"""Battery voltage in place of a current, against a battery made of its two equations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import BATTERY_VOLTAGE, CURRENT, Capture, Channel, Engine, analyse
from crankfold.analysis.answer import as_current, health_of_voltage, is_battery_voltage, widened
from crankfold.analysis.answer.battery_voltage import polarisation, release, rest_voltage
from crankfold.analysis.signal import Span

RATE_HZ, REST_V, OHMIC = 1000.0, 12.5, 0.006


def current(seconds=3.0, before_s=0.5, after_s=0.5):
    t = np.arange(round((before_s + seconds + after_s) * RATE_HZ)) / RATE_HZ
    since = t - before_s
    humps = 150.0 + 70.0 * np.cos(2 * np.pi * 7.0 * since) + 400.0 * np.exp(-np.maximum(since, 0.0) / 0.05)
    return np.where((since >= 0.0) & (since < seconds), humps, 0.0)


def battery(amps, k, tau_s):
    """Terminal voltage, stepped plainly: ``tau dp/dt = k R i - p``."""
    slow, out = 0.0, []
    for i in amps:
        out.append(REST_V - OHMIC * i - slow)
        slow += (k * OHMIC * i - slow) / tau_s / RATE_HZ
    return np.array(out)


def captured(volts):
    return Capture(volts[:, None], RATE_HZ, (Channel(CURRENT, "V", stands_in=BATTERY_VOLTAGE),))


@pytest.mark.parametrize(("k", "tau_s", "after_s", "within"), [
    (0.0, 1.0, 0.5, 0.004), (0.3, 1.0, 0.5, 0.004), (0.7, 1.0, 0.15, 0.004), (0.4, 0.6, 0.6, 0.01),
    (0.4, 3.0, 0.6, 0.01), (0.4, 3.0, 0.15, 0.04),
])
def test_the_battery_s_slow_part_is_taken_off(k, tau_s, after_s, within):
    amps = current(after_s=after_s)
    found = as_current(captured(battery(amps, k, tau_s))).samples[:, 0]
    steady = slice(1000, 3400)
    assert np.abs(found - OHMIC * amps)[steady].max() < within * OHMIC * amps.max()


def test_without_a_tail_only_the_rest_is_taken_off():
    amps = current()[:3400]
    volts = battery(amps, 0.4, 1.0)
    assert release(REST_V - volts, RATE_HZ) is None
    np.testing.assert_allclose(as_current(captured(volts)).samples[:, 0], REST_V - volts, atol=1e-9)


def test_lost_samples_stay_lost_and_the_rest_is_as_before():
    volts = battery(current(), 0.3, 1.0)
    holed = volts.copy()
    holed[2000:2010] = np.nan
    found, whole = (as_current(captured(v)).samples[:, 0] for v in (holed, volts))
    assert np.isnan(found[2000:2010]).all()
    np.testing.assert_allclose(np.delete(found, slice(2000, 2010)), np.delete(whole, slice(2000, 2010)), atol=2e-3)


def test_which_captures_are_a_battery_s():
    plain = Capture.from_arrays(current(), rate_hz=RATE_HZ)
    assert not is_battery_voltage(plain)
    assert is_battery_voltage(captured(current()))
    assert rest_voltage(captured(np.full(2000, 12.6))) == pytest.approx(12.6)
    assert polarisation(np.zeros(2000), RATE_HZ).max() == 0.0


def test_a_battery_s_voltage_without_its_rest_is_refused():
    result = analyse(captured(battery(current(), 0.3, 1.0)[700:3300]), Engine((1, 2, 3, 4)))
    assert result.verdict == "none"


def test_a_battery_s_voltage_that_begins_under_load_is_refused_though_it_ends_at_rest():
    """What precedes the judged crank does not help either: its beginning is taken for the battery at rest."""
    volts = battery(current(), 0.3, 1.0)
    for capture in (captured(volts[700:]), captured(np.concatenate((volts[2500:], volts)))):
        result = analyse(capture, Engine((1, 2, 3, 4)))
        assert (result.verdict, result.reasons[0].facts) == ("none", {"why": "no-rest"})


def test_a_battery_s_voltage_is_judged_like_a_current_with_less_certainty(cranking_of):
    """The same engine by its current and by the battery that gives it: the same verdict, wider ranges."""
    engine = Engine((1, 3, 4, 2))
    capture, _ = cranking_of(dead=3, leak_mm2=400.0, lead="waste-spark")
    slow, volts = 0.0, np.empty(len(capture.samples))
    for at, amps in enumerate(capture.samples[:, 0]):
        volts[at] = REST_V - OHMIC * amps - slow
        slow += (0.3 * OHMIC * amps - slow) / 1.0 / capture.rate_hz
    by_volts = analyse(replace(captured(volts), rate_hz=capture.rate_hz), engine)
    by_amps = analyse(capture, engine)
    assert by_volts.verdict == by_amps.verdict == "uneven"
    assert len(by_volts.low_positions) == len(by_amps.low_positions) == 1
    assert "battery-voltage" in [c.code for c in by_volts.cautions]
    widths = [sum(c.interval_percent[1] - c.interval_percent[0] for c in r.cylinders) for r in (by_volts, by_amps)]
    assert widths[0] > widths[1]
    assert by_volts.health.rest_v == pytest.approx(REST_V, abs=0.02)
    assert by_volts.health.lowest_v < by_volts.health.cranking_v < REST_V


def test_half_as_wide_again_but_within_0_and_100(estimate_of):
    estimate = estimate_of(Engine((1, 2, 3)), relative=(50.0, 1.0, 99.0), width=8.0)
    np.testing.assert_allclose(widened(estimate).interval_percent, [[44.0, 56.0], [0.0, 7.0], [93.0, 100.0]])


def test_a_battery_s_health_is_what_it_shows_while_cranking():
    volts = np.full(3000, 12.5)
    volts[1000:2000] = np.linspace(9.0, 10.0, 1000)
    volts[1500] = 1.0  # one spike is not its lowest
    volts[1600:1700] = np.nan
    health = health_of_voltage(captured(volts), Span(1.0, 2.0))
    assert health.rest_v == 12.5
    assert health.lowest_v == pytest.approx(9.0, abs=0.01)
    assert health.cranking_v == pytest.approx(9.48, abs=0.02)
    lost = np.where((np.arange(3000) >= 1000) & (np.arange(3000) < 2000), np.nan, 12.5)
    assert health_of_voltage(captured(lost), Span(1.0, 2.0)).rest_v is None


def test_where_the_beginning_is_lost_the_highest_voltage_is_the_rest():
    volts = battery(current(), 0.0, 1.0)
    volts[:400] = np.nan
    assert rest_voltage(captured(volts)) == pytest.approx(REST_V)
    nothing = captured(np.full(100, np.nan))
    assert as_current(nothing) is nothing
