"""What a result says about itself."""

from __future__ import annotations

from crankfold.analysis.engine import Engine
from crankfold.analysis.result import Cylinder, Notice, Result


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


def test_two_results_that_say_the_same_are_equal_whatever_they_keep_for_pictures(trace_of):
    """The trace and the explanation are arrays, which have no equality of their own."""
    one, other = (Result("even", Engine((1, 2)), trace=trace_of(mean=m)) for m in (150.0, 160.0))
    assert one == other
    assert one != Result("uneven", Engine((1, 2)))
    assert "array" not in repr(one)
