"""What a result says about itself."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields, replace

import pytest

from crankfold.analysis import Cranking, Cylinder, Engine, Health, Notice, Result, SyncFound


def result(*cylinders):
    return Result("uneven", Engine((1, 5, 3, 6, 2, 4)), cylinders=tuple(
        Cylinder(position, number, 50.0, (45.0, 55.0), state) for position, (number, state) in enumerate(cylinders, 1)))


def test_low_ones_are_the_low_and_the_dead_by_number_and_by_position():
    found = result((1, "good"), (5, "dead"), (3, "watch"), (6, "low"), (2, "low"), (4, "good"))
    assert found.low == (2, 5, 6)
    assert found.low_positions == (2, 4, 5)


def test_what_cannot_be_named_is_low_by_position_alone():
    found = result((None, "dead"), (None, "good"), (3, "low"))
    assert found.low == (3,)
    assert found.low_positions == (1, 3)


def test_without_a_verdict_nothing_is_low():
    found = Result("none", Engine((1, 2)), reasons=(Notice("gap"),))
    assert found.low == found.low_positions == ()


@pytest.mark.parametrize("part", [
    Notice("gap", {"longest_s": 0.5}), Cylinder(1, 3, 50.0, (45.0, 55.0), "low"), SyncFound("cam", 1, 9, 0.98),
    Cranking(0.5, 4.5, 6.0, 180.0, None, None, 1000.0), Health(sag_percent=3.0), Result("none", Engine((1, 2))),
])
def test_nothing_in_a_result_can_be_changed_and_what_says_the_same_is_equal(part):
    name = fields(part)[0].name
    with pytest.raises(FrozenInstanceError):
        setattr(part, name, None)
    assert replace(part) == part
    assert replace(part, **{name: "other"}) != part


def test_two_results_that_say_the_same_are_equal_whatever_they_keep_for_pictures(trace_of, estimate_of):
    """The trace and the explanation are arrays, which have no equality of their own."""
    twin = Engine((1, 2))
    one, other = (Result("even", twin, trace=trace_of(mean=m), estimate=estimate_of(twin, rpm=m))
                  for m in (150.0, 160.0))
    assert one == other
    assert one != Result("uneven", Engine((1, 2)))
    assert "array" not in repr(one)
