"""States and verdict at and around their limits."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis import InputError, Thresholds
from crankfold.analysis.answer import Odds, judge, near_limit

FOUR = (1, 3, 4, 2)


def judged(relative, half=2.0, thresholds=None, numbers=FOUR):
    relative = np.asarray(relative, dtype=float)
    limits = Thresholds() if thresholds is None else thresholds
    intervals = np.clip(np.column_stack((relative - half, relative + half)), 0.0, 100.0)
    wide = np.column_stack((relative - half, relative + half))
    return judge(relative, intervals, numbers, limits, Odds.of_ranges(relative, wide, limits))


@pytest.mark.parametrize(("percent", "low", "dead", "state"), [
    (0.0, 1.0, 1.0, "dead"), (14.0, 1.0, 0.51, "dead"), (16.0, 1.0, 0.49, "low"), (70.0, 0.91, 0.0, "low"),
    (70.0, 0.89, 0.0, "limit"), (80.0, 0.13, 0.0, "limit"), (80.0, 0.11, 0.0, "watch"), (84.9, 0.0, 0.0, "watch"),
    (85.0, 0.0, 0.0, "good"), (90.0, 0.11, 0.0, "good"),
])
def test_states_at_their_limits(percent, low, dead, state):
    assert Thresholds().state(percent, low, dead) == state


@pytest.mark.parametrize(("relative", "verdict"), [
    ((100, 99, 98, 80.0), "even"), ((100, 99, 98, 75.2), "limit"), ((100, 99, 98, 74.8), "limit"),
    ((100, 99, 98, 70.0), "uneven"), ((100, 99, 98, 0.0), "uneven"), ((100, 75, 60, 98), "uneven"),
    ((100, 84, 80, 79), "even"),
])
def test_uneven_when_any_is_low_or_dead_and_at_the_limit_when_one_may_be(relative, verdict):
    assert judged(relative)[0] == verdict


def test_where_none_is_likely_low_but_one_of_them_is_the_likeliest_lies_at_the_limit():
    """Four cylinders of which each is low in one case of twelve: one of them is in three of ten."""
    odds = Odds(np.array([0.08, 0.09, 0.08, 0.08]), np.zeros(4), 0.3)
    value = np.full(4, 80.0)
    verdict, cylinders = judge(value, np.column_stack((value - 7, value + 7)), FOUR, Thresholds(), odds)
    assert verdict == "limit"
    assert [c.state for c in cylinders] == ["watch", "limit", "watch", "watch"]


def test_probabilities_come_with_the_cylinders():
    _, cylinders = judged((100, 99, 75.0, 5.0), half=4.0)
    assert cylinders[2].low_probability == pytest.approx(0.5)
    assert cylinders[3].dead_probability == pytest.approx(1.0)
    assert cylinders[0].low_probability == pytest.approx(0.0, abs=1e-9)


def test_cylinders_come_by_position_with_their_numbers():
    _, cylinders = judged((100, 99, 30, 98))
    assert [(c.position, c.cylinder, c.state) for c in cylinders] == [
        (1, 1, "good"), (2, 3, "good"), (3, 4, "low"), (4, 2, "good")]
    assert [c.cylinder for c in judged((100, 99, 30, 98), numbers=(None,) * 4)[1]] == [None] * 4


def test_nothing_is_below_zero_or_upside_down():
    _, cylinders = judged((100, 99, 0.4, -0.2))
    for c in cylinders:
        assert c.relative_percent >= 0
        assert 0 <= c.interval_percent[0] <= c.interval_percent[1]


def test_limits_can_be_set():
    strict = Thresholds(low_percent=80, dead_percent=10, watch_percent=90)
    verdict, cylinders = judged((100, 77, 88, 12), half=1.5, thresholds=strict)
    assert verdict == "uneven"
    assert [c.state for c in cylinders] == ["good", "low", "watch", "low"]


@pytest.mark.parametrize("limits", [(75, 80, 85), (90, 15, 85), (75, 15, 101), (75, -1, 85), (float("nan"), 15, 85)])
def test_limits_out_of_order_are_refused_in_a_sentence(limits):
    low, dead, watch = limits
    with pytest.raises(InputError, match="rising order"):
        Thresholds(low_percent=low, dead_percent=dead, watch_percent=watch)


@pytest.mark.parametrize(("percent", "half", "near"), [(76.0, 2.0, True), (74.0, 2.0, True), (78.0, 2.9, False),
                                                       (72.0, 2.9, False)])
def test_an_interval_across_the_limit_is_a_caution(percent, half, near):
    _, cylinders = judged((100, 99, 98, percent), half)
    caution = near_limit(cylinders, Thresholds())
    assert (caution is not None) is near
    if caution is not None:
        assert caution.facts["positions"] == (4,)
        assert caution.facts["cylinders"] == (2,)
        assert caution.facts["relative_percent"] == percent


def test_the_cylinder_nearest_the_limit_is_the_one_the_caution_speaks_of():
    _, cylinders = judged((100, 77.5, 76.0, 78.0), 4.0)
    facts = near_limit(cylinders, Thresholds()).facts
    assert facts["positions"] == (2, 3, 4)
    assert (facts["relative_percent"], facts["low_end_percent"], facts["high_end_percent"]) == (76.0, 72.0, 80.0)
    _, cylinders = judged((100, 73.5, 71.0, 72.0), 5.0)
    assert near_limit(cylinders, Thresholds()).facts["relative_percent"] == 73.5


def test_an_interval_that_only_touches_the_limit_is_clear_of_it():
    for percent in (77.0, 73.0):
        _, cylinders = judged((100, 99, 98, percent), 2.0)
        assert near_limit(cylinders, Thresholds()) is None


def test_limits_reach_from_nothing_to_everything():
    assert Thresholds(low_percent=99.0, dead_percent=0.0, watch_percent=100.0).state(99.5, 0.0, 0.0) == "watch"
    assert judged((100, 99, 98, 0.4), 0.1)[1][3].relative_percent == 0.4


def test_intervals_are_kept_as_they_are_but_not_below_nothing_nor_the_wrong_way_round():
    _, made = judge(np.array([0.5, -1.0, 60.0]), np.array([[0.2, 0.9], [-3.0, 0.4], [70.0, 50.0]]),
                    (1, 3, 2), Thresholds(), Odds(np.zeros(3), np.zeros(3), 0.0))
    assert [c.interval_percent for c in made] == [(0.2, 0.9), (0.0, 0.4), (50.0, 70.0)]
    assert [c.relative_percent for c in made] == [0.5, 0.0, 60.0]
