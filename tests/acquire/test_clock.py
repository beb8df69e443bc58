"""The rate from arrivals that are late by turns, never early."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.acquire.stream import ClockFit, FittedRate
from crankfold.acquire.stream.clock import MAX_STRETCHES


def arrivals(rate, seconds, *, block_s=0.02, late_s=0.01, stall=None, seed=0, begin_s=100.0):
    rng = np.random.default_rng(seed)
    ends = np.arange(1, round(seconds / block_s) + 1) * block_s
    times = ends + rng.exponential(late_s, len(ends))
    if stall is not None:
        at, lasting = stall
        inside = (times > at) & (times < at + lasting)
        times[inside] = at + lasting
    times = np.maximum.accumulate(times)
    return zip(np.round(ends * rate).astype(int), begin_s + times, strict=True)


def fit(nominal, pairs):
    clock = ClockFit(nominal)
    for index, at in pairs:
        clock.add(int(index), float(at))
    return clock.fitted()


@pytest.mark.parametrize("true", [0.95, 0.99, 1.0, 1.0003, 1.05, 250 / 256])
def test_the_rate_is_found_beside_the_nominal_one(true) -> None:
    found = fit(5000.0, arrivals(5000.0 * true, 30.0))
    assert found.rate_hz == pytest.approx(5000.0 * true, rel=2e-3)
    assert found.nominal_hz == 5000.0
    assert found.deviation == pytest.approx(true - 1, abs=2e-3)
    assert found.beyond() == (abs(true - 1) > 0.011)


def test_a_stall_and_a_backlog_do_not_bend_it() -> None:
    found = fit(2000.0, arrivals(2000.0, 20.0, stall=(7.0, 1.5)))
    assert found.rate_hz == pytest.approx(2000.0, rel=2e-3)
    assert not found.beyond()


def test_too_little_is_no_answer() -> None:
    assert ClockFit(1000.0).fitted() is None
    assert fit(1000.0, arrivals(1000.0, 1.0)) is None


def test_all_samples_at_once_are_no_answer() -> None:
    clock = ClockFit(1000.0)
    for at in range(100):
        clock.add(5000, 10.0 + at * 0.1)
    found = clock.fitted()
    assert found is None


def test_memory_stays_the_same_over_a_day() -> None:
    clock = ClockFit(1000.0)
    for at in range(0, 86_400, 2):
        clock.add(at * 1010, 5.0 + at)
    assert len(clock._earliest) <= MAX_STRETCHES + 1
    assert clock.fitted().rate_hz == pytest.approx(1010.0, rel=1e-4)


def test_how_unsure_it_is_counts() -> None:
    found = fit(1000.0, arrivals(1000.0 * 1.015, 2.6, block_s=0.2, late_s=0.15))
    assert found is None or not found.beyond(0.02)


def test_where_nothing_is_late_the_rate_is_exact_and_sure() -> None:
    found = fit(1000.0, [(round(at * 1003), 7.0 + at) for at in np.arange(1, 200) * 0.1])
    assert found.rate_hz == pytest.approx(1003.0, rel=1e-4)
    assert found.uncertainty < 1e-4
    assert found.span_s == pytest.approx(19.6, abs=0.3)


@pytest.mark.parametrize(("every_s", "count", "answered"), [
    (0.5, 5, False), (0.5, 6, True),    # so many stretches, two seconds and more
    (0.1, 19, False), (0.1, 23, True)])  # more than enough stretches, within two seconds or not
def test_two_seconds_and_six_stretches_of_them_are_enough(every_s, count, answered) -> None:
    found = fit(1000.0, [(round(1000 * every_s * k), every_s * k) for k in range(count)])
    assert (found is not None) is answered


@pytest.mark.parametrize("late_first", [False, True])
def test_a_late_arrival_now_and_then_costs_nothing_where_a_timely_one_is_near(late_first) -> None:
    pairs = []
    for k in range(24):
        late = 0.1 * (k % 3)
        timely, other = (1000 * k + 150, k + 0.15), (1000 * k, k + late)
        pairs += [other, timely] if late_first else [(1000 * k, float(k)), (1000 * k + 20, k + 0.02 + late)]
    found = fit(1000.0, pairs)
    assert found.rate_hz == pytest.approx(1000.0, rel=1e-9)
    assert found.uncertainty < 1e-9


def test_stretches_that_were_made_one_keep_their_timeliest_arrival() -> None:
    """Ten minutes and more; three blocks in four are late by up to a second."""
    late_s = [0.0, 0.9, 0.3, 0.6]
    found = fit(1000.0, [(round(1002 * at), at + late_s[k % 4]) for k, at in enumerate(np.arange(0.0, 700.0, 0.25))])
    assert found.rate_hz == pytest.approx(1002.0, rel=1e-5)
    assert found.uncertainty < 1e-4


@pytest.mark.parametrize(("rate_hz", "uncertainty", "beyond"), [
    (1009.0, 0.0, False), (1011.0, 0.0, True), (989.0, 0.0, True), (1011.0, 0.006, False), (1013.0, 0.006, True)])
def test_what_is_within_one_percent_or_within_what_is_not_known_is_no_deviation(rate_hz, uncertainty, beyond) -> None:
    assert FittedRate(rate_hz, 1000.0, uncertainty, 10.0).beyond() is beyond


def test_only_arrivals_far_apart_say_how_unsure_it_is() -> None:
    """A twentieth of a second late on average, each on its own, over half a minute: about a third of a percent."""
    found = [fit(1000.0, arrivals(1000.0, 30.0, block_s=0.25, late_s=0.05, seed=seed)) for seed in range(8)]
    assert np.mean([one.uncertainty for one in found]) == pytest.approx(0.0033, abs=0.0009)
