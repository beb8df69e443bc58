"""What a gauge would read at its own speed, beside what was found at the starter's."""

from __future__ import annotations

import pytest

from crankfold.analysis import Cranking, Cylinder, Engine, Result, at_gauge_speed

ROWS = {180.0: (63.0, 68.0), 150.0: (58.0, 63.0), 120.0: (51.0, 57.0)}


def result(rpm: float, *percents: float, fuel: str = "") -> Result:
    cylinders = tuple(Cylinder(k, k, p, (p - 5.0, min(100.0, p + 5.0)), "good") for k, p in enumerate(percents, 1))
    engine = Engine(tuple(range(1, len(percents) + 1)), fuel=fuel)  # type: ignore[arg-type]
    return Result("even", engine, cylinders=cylinders, cranking=Cranking(0.0, 3.0, 6.0, rpm, None, None, 1000.0))


@pytest.mark.parametrize("rpm", ROWS)
def test_a_leak_at_the_gauge_s_limit_reads_less_at_the_starter_s_speed(rpm: float) -> None:
    """The bands were computed with the same leak law by another program, at 250 to 300 rpm for the gauge."""
    found = at_gauge_speed(result(rpm, 100.0, 70.0), 75.0)
    assert found is not None
    low, high = ROWS[rpm]
    assert low <= found.limit_percent <= high


def test_there_and_back_is_the_same() -> None:
    limit = at_gauge_speed(result(180.0, 100.0, 50.0), 75.0)
    assert limit is not None
    back = at_gauge_speed(result(180.0, 100.0, limit.limit_percent), 75.0)
    assert back is not None
    assert back.percent[1] == pytest.approx(75.0, abs=0.1)


def test_the_order_of_cylinders_and_of_ends_is_kept_and_nothing_exceeds_the_strongest() -> None:
    found = at_gauge_speed(result(150.0, 100.0, 80.0, 40.0, 0.0), 75.0)
    assert found is not None
    assert list(found.percent) == sorted(found.percent, reverse=True)
    assert all(low <= p <= high <= 100.0 for p, (low, high) in zip(found.percent, found.interval_percent, strict=True))
    assert found.percent[1] > 80.0
    assert found.percent[-1] == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize("rpm", [0.0, 20.0, 2000.0])
def test_a_speed_that_no_starter_turns_at_gives_nothing(rpm: float) -> None:
    assert at_gauge_speed(result(rpm, 100.0, 90.0), 75.0) is None


def test_without_a_verdict_there_is_nothing() -> None:
    assert at_gauge_speed(Result("none", Engine((1, 2))), 75.0) is None
