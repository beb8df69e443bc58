"""Patterns of low cylinders, and one far above the rest."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis import Engine, Thresholds
from crankfold.analysis.answer import find_pattern, judge, one_far_above
from crankfold.analysis.answer.notice_codes import PATTERNS

FOUR = Engine((1, 3, 4, 2))
SIX = Engine((1, 5, 3, 6, 2, 4))
EIGHT = Engine((1, 8, 4, 3, 6, 5, 7, 2))
V_SIX = Engine((1, 2, 3, 4, 5, 6))


def pattern(engine, low, percent=50.0, *, named=True):
    """The pattern when the cylinders numbered `low` are down."""
    relative = np.array([percent if c in low else 98.0 for c in engine.firing_order])
    numbers = engine.firing_order if named else (None,) * engine.cylinders
    _, cylinders = judge(relative, np.column_stack((relative, relative)), numbers, Thresholds())
    return find_pattern(engine, cylinders)


@pytest.mark.parametrize(("engine", "low", "code"), [
    (FOUR, (3,), "one-low"),
    (FOUR, (2, 3), "neighbours-in-block"),
    (FOUR, (3, 4), "neighbours-in-block"),
    (FOUR, (1, 3), "neighbours-in-order"),
    (FOUR, (1, 4), "every-other"),
    (FOUR, (1, 3, 4), "most-low"),
    (SIX, (1, 5), "neighbours-in-order"),
    (SIX, (5, 6), "neighbours-in-block"),
    (SIX, (1, 2, 3), "one-bank"),
    (V_SIX, (1, 3, 5), "one-bank"),
    (V_SIX, (4, 5, 6), "one-bank"),
    (EIGHT, (2, 4, 6, 8), "one-bank"),
    (EIGHT, (5, 6, 7, 8), "one-bank"),
    (EIGHT, (1, 4, 6, 7), "every-other"),
    (EIGHT, (1, 5), "several-low"),
])
def test_patterns_by_number(engine, low, code):
    found = pattern(engine, low)
    assert found.code == code
    assert found.facts["cylinders"] == low
    assert len(found.facts["positions"]) == len(low)
    assert found.facts["lowest_percent"] == 50.0
    assert found.facts["settle"]
    assert "injector" in found.facts["not_first"]


def test_dead_is_told_from_low():
    assert pattern(FOUR, (3,), 5.0).code == "one-dead"
    assert pattern(FOUR, (3,), 20.0).code == "one-low"


def test_nothing_down_is_no_pattern():
    assert pattern(FOUR, ()) is None


@pytest.mark.parametrize(("low", "code"), [((1, 5), "neighbours-in-order"), ((5, 6), "several-low"),
                                           ((1, 3, 2), "every-other")])
def test_without_names_only_the_firing_order_can_be_seen(low, code):
    found = pattern(SIX, low, named=False)
    assert found.code == code
    assert found.facts["cylinders"] == ()


def test_codes_and_facts_are_those_listed():
    for low in ((3,), (2, 3), (1, 3), (1, 4), (1, 3, 4)):
        found = pattern(FOUR, low)
        assert set(found.facts) == set(PATTERNS[found.code])


@pytest.mark.parametrize(("values", "found"), [
    ((100, 86, 85, 86), True), ((86, 100, 85, 86), True), ((86, 85, 86, 100), True),
    ((100, 88, 87, 86), False), ((100, 86, 60, 86), False), ((100, 60, 61), False),
    ((70, 70, 100, 69, 71, 70), True), ((100, 100, 100, 100), False),
])
def test_one_far_above_all_others(values, found):
    caution = one_far_above(values)
    assert (caution is not None) is found
    if caution is not None:
        assert caution.code == "too-much-hump"
        assert caution.facts["position"] == int(np.argmax(values)) + 1
        assert caution.facts["percent_of_others"] > 115


TWO, THREE, FIVE = Engine((1, 2)), Engine((1, 3, 2)), Engine((1, 2, 4, 5, 3))


@pytest.mark.parametrize(("engine", "low", "code", "settle"), [
    (FOUR, (3,), "one-low", "gauge-then-leak-down"),
    (FOUR, (2, 3), "neighbours-in-block", "leak-down-listening-next-door"),
    (FOUR, (2, 4), "neighbours-in-order", "gauge-then-leak-down"),   # the order's last and the one before it
    (FOUR, (1, 2), "neighbours-in-block", "leak-down-listening-next-door"),
    (FOUR, (1, 4), "every-other", "valve-timing-of-that-bank"),
    (FOUR, (1, 2, 3, 4), "most-low", "gauge-on-all"),
    (TWO, (1, 2), "most-low", "gauge-on-all"),
    (TWO, (2,), "one-low", "gauge-then-leak-down"),
    (THREE, (2, 3), "most-low", "gauge-on-all"),
    (FIVE, (1, 3), "neighbours-in-order", "gauge-then-leak-down"),   # the last of the order and its first
    (FIVE, (1, 5), "several-low", "gauge-then-leak-down"),
    (FIVE, (4, 5), "neighbours-in-block", "leak-down-listening-next-door"),   # five have no banks
    (SIX, (1, 2, 3), "one-bank", "valve-timing-of-that-bank"),
    (SIX, (4, 5, 6), "one-bank", "valve-timing-of-that-bank"),
    (SIX, (2, 4, 6), "one-bank", "valve-timing-of-that-bank"),
    (SIX, (1, 2, 4), "several-low", "gauge-then-leak-down"),
    (SIX, (1, 2, 3, 4), "most-low", "gauge-on-all"),
    (EIGHT, (1, 2, 3), "several-low", "gauge-then-leak-down"),
])
def test_what_settles_each_pattern(engine, low, code, settle):
    found = pattern(engine, low)
    assert (found.code, found.facts["settle"]) == (code, settle)


def test_a_dead_one_is_settled_by_a_leak_down_test():
    assert pattern(FOUR, (3,), 5.0).facts["settle"] == "leak-down"


def test_the_facts_are_the_cylinders_by_number_and_their_places_in_the_order():
    found = pattern(SIX, (2, 5))
    assert (found.facts["cylinders"], found.facts["positions"]) == ((2, 5), (2, 5))
    found = pattern(SIX, (6, 3))
    assert (found.facts["cylinders"], found.facts["positions"]) == ((3, 6), (3, 4))
    assert found.facts["not_first"] == "spark-plugs,coil,injector"


@pytest.mark.parametrize(("values", "percent"), [
    ((100, 86.0, 86.0, 86.0), 100 / 0.86), ((100, 87.5, 86.0, 88.0), None),   # 14.3 % above the median of the rest
    ((100, 80.0, 79.0, 91.0), 125.0), ((100, 79.0, 78.0, 91.0), None),        # the rest within 12, and within 13
])
def test_how_far_above_and_how_much_alike(values, percent):
    caution = one_far_above(values)
    assert (None if caution is None else caution.facts["percent_of_others"]) == (
        None if percent is None else pytest.approx(percent))
