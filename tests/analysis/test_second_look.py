"""Where nothing explains a trace: which other looks are taken, and when one is believed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Engine
from crankfold.analysis.criticism import second_look
from crankfold.analysis.signal import RateCandidate

FOUR = Engine((1, 3, 4, 2))
FOUND = RateCandidate(1.5, 0.9, 0.9, 1.0)


@pytest.fixture
def looks(monkeypatch):
    """What is looked at, and the answers given one after another; the last one for ever."""
    taken = []

    def begin(answers, rates=(FOUND,)):
        left = list(answers)

        def estimate(trace, engine, *, rates=None):
            taken.append((round(trace.steady_from_s, 3), rates and rates[0].rate_hz))
            return left.pop(0) if len(left) > 1 else left[0]

        monkeypatch.setattr(second_look, "estimate", estimate)
        monkeypatch.setattr(second_look, "find_rates", lambda trace, engine: list(rates))
        return taken

    return begin


def stalling(trace_of, times=1.3, until_s=0.5, **changes):
    """A cranking of which the humps of the first moments are so many times as tall."""
    trace = trace_of(**changes)
    early = (trace.time_s > trace.steady_from_s) & (trace.time_s < trace.steady_from_s + until_s)
    return replace(trace, smooth=np.where(early, times * trace.smooth, trace.smooth))


def test_a_beginning_that_nearly_stalls_is_left_out(looks, trace_of, estimate_of):
    good, first = (estimate_of(FOUR),), (estimate_of(FOUR, explained=0.8),)
    taken = looks([good])
    trace = stalling(trace_of)
    judged, found = second_look.look_again(trace, FOUR, first)
    assert found is good
    assert judged.steady_from_s == pytest.approx(trace.steady_from_s + 0.8)
    assert taken == [(1.8, None)]


def test_more_is_left_out_where_that_does_not_do(looks, trace_of, estimate_of):
    good = (estimate_of(FOUR),)
    taken = looks([(), good])
    assert second_look.look_again(stalling(trace_of), FOUR, ())[1] is good
    assert taken == [(1.8, None), (2.6, None)]


@pytest.mark.parametrize(("times", "seconds", "looked"), [
    (1.14, 4.0, 0), (1.16, 4.0, 2), (1.34, 4.0, 2), (1.36, 4.0, 0), (1.3, 1.7, 0), (1.3, 1.9, 1), (1.3, 2.7, 2)])
def test_only_a_taller_beginning_is_left_out_and_only_where_enough_is_left(times, seconds, looked, looks, trace_of):
    """An engine that begins to fire is faster later, but the humps before it fired are no taller; one that runs has
    hardly any later.
    """
    taken = looks([()])
    trace = stalling(trace_of, times, seconds=seconds)
    assert second_look.look_again(trace, FOUR, ()) == (trace, ())
    assert len(taken) == looked


@pytest.mark.parametrize(("changes", "believed"), [
    ({"explained": 0.987}, False), ({"explained": 0.989}, True), ({"seconds": 2.1 * 4 / 6}, False),
    ({"seconds": 2.3 * 4 / 6}, True), ({"details": {"jump_humps": 1.0}}, False),
    ({"details": {"slip_deg": 80.0}}, False)])
def test_a_second_look_is_believed_where_it_explains_nearly_all(changes, believed, looks, trace_of, estimate_of):
    """Two cycles of a four at 180 rpm last 4/3 s (by hand)."""
    first = (estimate_of(FOUR, explained=0.9),)
    looks([(estimate_of(FOUR, **changes),)])
    trace = stalling(trace_of)
    judged, found = second_look.look_again(trace, FOUR, first)
    assert (found is not first) == (judged is not trace) == believed


@pytest.mark.parametrize(("rate", "looked"), [
    (RateCandidate(4.5, 0.8, 0.88, 0.2), True), (RateCandidate(3.0, 0.8, 0.88, 0.2), True),
    (RateCandidate(2.0, 0.8, 0.88, 0.2), True), (RateCandidate(3.0, 0.8, 0.88, 0.05), False),
    (RateCandidate(3.0, 0.8, 0.83, 0.2), False), (RateCandidate(3.0, 0.8, 0.85, 0.11), True)])
def test_rates_that_repeat_as_well_and_show_their_humps_are_looked_at(rate, looked, looks, trace_of, estimate_of):
    """A cycle with one dead cylinder may repeat better over three cycles than over one."""
    good = (estimate_of(FOUR),)
    taken = looks([good], (FOUND, rate))
    trace = trace_of()
    assert second_look.look_again(trace, FOUR, ()) == (trace, good if looked else ())
    assert taken == ([(1.0, rate.rate_hz)] if looked else [])


def test_nothing_repeats_and_nothing_is_looked_at(looks, trace_of):
    taken = looks([()], ())
    trace = trace_of()
    assert second_look.look_again(trace, FOUR, ()) == (trace, ())
    assert taken == []


@pytest.mark.parametrize(("repeat", "looked"), [(0.61, 1), (0.59, 0)])
def test_where_hardly_anything_repeats_no_other_rate_is_looked_at(repeat, looked, looks, trace_of):
    taken = looks([()], (RateCandidate(1.5, 0.6, 0.61, 1.0), RateCandidate(2.0, 0.5, repeat, 0.9)))
    second_look.look_again(trace_of(), FOUR, ())
    assert len(taken) == looked
