"""A gauge reading makes percent into bar."""

from __future__ import annotations

import math

import numpy as np
import pytest

from crankfold.analysis import Engine, Gauge, InputError, Thresholds
from crankfold.analysis.answer import judge
from crankfold.analysis.sync import Marks, anchored, gauge_from_marks

FOUR = Engine((1, 3, 4, 2))


def cylinders(relative=(100.0, 96.0, 50.0, 98.0), half=2.0, numbers=(1, 3, 4, 2)):
    relative = np.asarray(relative)
    return judge(relative, np.column_stack((relative - half, relative + half)), numbers, Thresholds())[1]


@pytest.mark.parametrize(("text", "cylinder", "bar"), [
    ("1=12.1bar", 1, 12.1), ("3=175psi", 3, 12.0658), ("2=1210kPa", 2, 12.1), (" 4 = 1.2 MPa ", 4, 12.0),
    ("1=12,5bar", 1, 12.5),
])
def test_readings_are_understood(text, cylinder, bar):
    gauge = Gauge.parse(text, FOUR)
    assert gauge.cylinder == cylinder
    assert gauge.bar == pytest.approx(bar, rel=1e-4)


def test_one_psi_is_6894_757_pascal():
    """NIST SP 811 appendix B: 1 psi = 6.894757 E+03 Pa (value from memory)."""
    assert Gauge.parse("1=100psi", FOUR).bar == pytest.approx(6.894757, rel=1e-6)


@pytest.mark.parametrize("text", ["12bar", "1=12", "1=bar", "=12bar", "1:12bar", "1=-3bar", "one=12bar", ""])
def test_a_reading_that_is_none_says_how_to_write_it(text):
    with pytest.raises(InputError, match=r"1=12\.1bar"):
        Gauge.parse(text, FOUR)


@pytest.mark.parametrize(("text", "what"), [("7=12bar", "no cylinder 7"), ("1=0bar", "above 0"),
                                           ("1=900bar", "up to 80")])
def test_impossible_readings_are_refused(text, what):
    with pytest.raises(InputError, match=what):
        Gauge.parse(text, FOUR)


def test_all_cylinders_get_bar_in_proportion():
    out = {c.cylinder: c for c in anchored(cylinders(), Gauge(3, 12.0))}
    assert out[3].pressure_bar == pytest.approx(12.0)
    assert out[1].pressure_bar == pytest.approx(12.5)
    assert out[4].pressure_bar == pytest.approx(6.25)


def test_the_anchor_has_its_gauges_interval_and_others_a_wider_one():
    out = {c.cylinder: c for c in anchored(cylinders(), Gauge(1, 12.0, 0.3))}
    assert out[1].pressure_interval_bar == pytest.approx((11.7, 12.3))
    low, high = out[2].pressure_interval_bar
    # by hand: 11.76 bar; the gauge 2.5 %, its cylinder's 2 %, its own 2 points of 12 bar
    half = math.hypot(11.76 * math.hypot(0.025, 0.02), 0.24)
    assert (low, high) == pytest.approx((11.76 - half, 11.76 + half))


@pytest.mark.parametrize(("relative", "numbers"), [((100, 96, 10, 98), (1, 3, 4, 2)), ((100, 96, 50, 98), (None,) * 4)])
def test_a_dead_or_unnamed_cylinder_anchors_nothing(relative, numbers):
    assert all(c.pressure_bar is None for c in anchored(cylinders(relative, numbers=numbers), Gauge(4, 1.2)))


@pytest.mark.parametrize(("unit", "factor"), [("bar", 1.0), ("kPa", 100.0), ("psi", 14.5038)])
def test_a_pressure_channel_anchors_by_itself(unit, factor):
    heights = np.array([11.9, 12.1, 12.0, 12.0]) * factor
    gauge = gauge_from_marks(Marks(np.arange(4.0), heights, np.ones(4, dtype=np.int64), unit, False, 1.0), 2)
    assert gauge.cylinder == 2
    assert gauge.bar == pytest.approx(12.0, rel=1e-4)
    assert 0.2 < gauge.error_bar < 0.4


@pytest.mark.parametrize(("unit", "count", "inverted"), [("V", 4, False), ("bar", 1, False), ("bar", 4, True)])
def test_a_channel_without_unit_peaks_or_upside_down_anchors_nothing(unit, count, inverted):
    marks = Marks(np.arange(float(count)), np.full(count, 12.0), np.ones(count, dtype=np.int64), unit, inverted, 1.0)
    assert gauge_from_marks(marks, 1) is None


@pytest.mark.parametrize(("bar", "good"), [(79.0, True), (81.0, False), (0.0, False)])
def test_a_channel_that_shows_what_no_engine_reaches_anchors_nothing(bar, good):
    marks = Marks(np.arange(4.0), np.full(4, bar), np.ones(4, dtype=np.int64), "bar", False, 1.0)
    assert (gauge_from_marks(marks, 1) is not None) is good


def test_two_peaks_are_enough_and_their_scatter_counts():
    """11 and 13 bar scatter by the root of 2: 1.96 of that over the root of 2 is 1.96; the sensor's own is 0.24."""
    marks = Marks(np.arange(2.0), np.array([11.0, 13.0]), np.ones(2, dtype=np.int64), "bar", False, 1.0)
    gauge = gauge_from_marks(marks, 1)
    assert gauge.bar == pytest.approx(12.0)
    assert gauge.error_bar == pytest.approx(math.hypot(1.96, 0.24))


def test_a_gauge_is_good_to_three_percent_unless_it_says_otherwise():
    assert Gauge(1, 10.0).error_bar == pytest.approx(0.3)
    assert Gauge(1, 10.0, 0.1).error_bar == 0.1
    assert Gauge(1, 80.0).bar == 80.0
    for bar in (math.nan, math.inf, 80.1):
        with pytest.raises(InputError, match="give a pressure above 0"):
            Gauge(1, bar)


@pytest.mark.parametrize(("percent", "anchors"), [(15.5, True), (14.5, False)])
def test_a_ratio_to_almost_nothing_says_nothing(percent, anchors):
    out = anchored(cylinders((100.0, 96.0, percent, 98.0)), Gauge(4, 2.0))
    assert all((c.pressure_bar is not None) is anchors for c in out)
    if anchors:
        assert out[0].pressure_bar == pytest.approx(2.0 / percent * 100.0)


def test_the_longer_side_of_an_interval_counts_and_no_pressure_is_below_nothing():
    _, made = judge([100.0, 3.0], np.array([[90.0, 100.0], [0.0, 12.0]]), (1, 2), Thresholds())
    first, second = anchored(made, Gauge(1, 10.0, 0.1))
    assert first.pressure_interval_bar == pytest.approx((9.9, 10.1))
    half = math.hypot(0.3 * math.hypot(0.01, 0.10), 0.9)  # ten points below 100, nine above 3
    assert second.pressure_interval_bar == pytest.approx((0.0, 0.3 + half))
