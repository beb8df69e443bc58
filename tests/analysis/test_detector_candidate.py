"""A load that has come on: what makes it a cranking, and what another load, in frames of 10 ms."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.signal.detector.candidate import Candidate, Finding, Scale

FRAME_S = 0.01
OPEN, CRANKING, OVER, STEADY, ANOTHER = Finding


def candidate_of(*, amperes=True, zero=0.0, noise=0.1, threshold=8.0, polarity=1) -> Candidate:
    return Candidate(0, zero=zero, noise=noise, threshold=threshold, polarity=polarity, scale=Scale(amperes, FRAME_S))


def found(*parts, **options) -> tuple[Finding, float]:
    """What the parts, one after the other, are found to be, and the seconds that it took."""
    candidate = candidate_of(**options)
    zero, polarity = candidate.zero, candidate.polarity
    frames = np.concatenate(parts)
    for n, value in enumerate(frames):
        finding = candidate.add(zero + polarity * float(value))
        if finding is not OPEN:
            return finding, round((n + 1) * FRAME_S, 6)
    return OPEN, len(frames) * FRAME_S


def held(amperes: float, seconds: float) -> np.ndarray:
    return np.full(round(seconds / FRAME_S), amperes)


def humps(count: int, *, mean=100.0, height=60.0, seconds=0.2) -> np.ndarray:
    """Whole humps and a few frames of the next one's foot."""
    frames = round(seconds / FRAME_S)
    return mean - 0.5 * height * np.cos(2.0 * np.pi * np.arange(count * frames + 3) / frames)


def inrush(level: float, ratio: float = 2.5, seconds: float = 0.5) -> np.ndarray:
    """A motor's: it has sunk to its level after half a second."""
    return level * (1.0 + (ratio - 1.0) * np.exp(-np.arange(round(seconds / FRAME_S)) * FRAME_S / 0.08))


# --- humps

@pytest.mark.parametrize(("zero", "polarity"), [(0.0, 1), (-40.0, 1), (25.0, -1)])
def test_the_third_hump_makes_it_a_cranking(zero, polarity) -> None:
    begin = inrush(100.0, seconds=0.2)
    assert found(begin, humps(2), zero=zero, polarity=polarity)[0] is OPEN
    assert found(begin, humps(3), zero=zero, polarity=polarity) == (CRANKING, pytest.approx(0.8, abs=0.1))


@pytest.mark.parametrize(("height", "finding"), [(3.5, OPEN), (5.0, CRANKING)])
def test_humps_of_four_amperes_count(height, finding) -> None:
    assert found(humps(5, mean=30.0, height=height))[0] is finding


@pytest.mark.parametrize(("height", "finding"), [(17.0, OPEN), (25.0, CRANKING)])
@pytest.mark.parametrize("amperes", [True, False])
def test_humps_of_a_tenth_of_the_mean_count(height, finding, amperes) -> None:
    assert found(humps(5, mean=200.0, height=height), amperes=amperes)[0] is finding


@pytest.mark.parametrize(("noise", "finding"), [(2.5, OPEN), (1.5, CRANKING)])
def test_humps_of_five_times_the_noise_count(noise, finding) -> None:
    assert found(humps(5, mean=30.0, height=10.0), noise=noise)[0] is finding


@pytest.mark.parametrize(("mean", "finding"), [(19.0, OPEN), (21.0, CRANKING)])
def test_a_cranking_draws_twenty_amperes_on_average(mean, finding) -> None:
    assert found(humps(5, mean=mean, height=12.0))[0] is finding
    assert found(humps(5, mean=0.01 * mean, height=0.12), amperes=False, noise=0.001, threshold=0.05)[0] is CRANKING


@pytest.mark.parametrize(("noise", "finding"), [(11.0, OPEN), (9.0, CRANKING)])
def test_a_cranking_draws_ten_times_the_noise_on_average(noise, finding) -> None:
    assert found(humps(5, mean=100.0, height=120.0), noise=noise, threshold=50.0)[0] is finding


def test_a_single_cylinder_at_eighty_a_minute_is_caught_and_a_slower_swell_is_not() -> None:
    assert found(inrush(100.0), humps(4, seconds=1.5), amperes=False)[0] is CRANKING
    assert found(inrush(100.0), humps(9, seconds=1.7), amperes=False)[0] is STEADY


# --- when it is over

def test_a_cranking_that_ends_after_two_humps() -> None:
    parts = inrush(100.0, seconds=0.2), humps(2)
    over_s = 0.2 + len(humps(2)) * FRAME_S
    assert found(*parts, held(0.0, 0.19), amperes=False)[0] is OPEN
    assert found(*parts, held(0.0, 0.20), amperes=False) == (CRANKING, pytest.approx(over_s + 0.2))


def test_a_load_without_humps_that_is_gone_for_a_fifth_of_a_second_is_over() -> None:
    assert found(held(150.0, 0.3), held(0.0, 1.0)) == (OVER, pytest.approx(0.5))
    assert found(held(150.0, 0.3), held(3.9, 1.0)) == (OVER, pytest.approx(0.5))  # half of what counts as a load
    assert found(held(150.0, 0.3), held(4.1, 1.0))[0] is OPEN


@pytest.mark.parametrize(("height", "finding"), [(60.0, CRANKING), (25.0, OVER)])
@pytest.mark.parametrize("seconds", [0.28, 0.5])
def test_one_hump_counts_from_forty_amperes_on(height, seconds, finding) -> None:
    """In the mean, and only where amperes are known."""
    swell = inrush(30.0, seconds=0.1), humps(1, mean=height, height=height, seconds=seconds), held(0.0, 0.3)
    assert found(*swell)[0] is finding
    assert found(*swell, amperes=False)[0] is OVER


def test_one_short_hump_of_forty_amperes_is_no_cranking() -> None:
    """Forty amperes for a quarter of a second is the least."""
    assert found(held(30.0, 0.03), humps(1, mean=60.0, height=60.0, seconds=0.1), held(0.0, 0.3))[0] is OVER


def test_a_stream_that_ends_in_the_second_swell() -> None:
    parts = np.concatenate((inrush(100.0, seconds=0.2), humps(2)))
    for count, cranking in ((48, True), (42, False)):
        candidate = candidate_of(amperes=False)
        for value in parts[:count]:
            assert candidate.add(float(value)) is OPEN
        assert candidate.at_end() is cranking


# --- no humps

@pytest.mark.parametrize(("level", "finding"), [(195.0, STEADY), (205.0, CRANKING)])
def test_two_hundred_amperes_all_along_are_a_starter_that_is_stuck(level, finding) -> None:
    assert found(held(level, 3.0)) == (finding, pytest.approx(1.5))
    assert found(held(level, 3.0), amperes=False) == (STEADY, pytest.approx(1.5))
    falling = held(205.0, 0.6), held(195.0, 0.1), held(205.0, 3.0)
    assert found(*falling)[0] is STEADY


def test_with_an_in_rush_six_seconds_are_waited_for_humps() -> None:
    """An engine with its decompressor lifted turns for seconds without."""
    begin = inrush(50.0)
    assert found(begin, held(50.0, 9.0)) == (STEADY, pytest.approx(6.0))
    assert found(begin, held(50.0, 5.0), humps(3, mean=80.0))[0] is CRANKING
    assert found(inrush(50.0, 1.7), held(50.0, 9.0)) == (STEADY, pytest.approx(1.5))
    assert found(held(50.0, 0.37), held(130.0, 0.1), held(50.0, 9.0))[0] in (ANOTHER, STEADY)


def test_fifteen_seconds_are_the_longest() -> None:
    """With humps too small for a starter's."""
    assert found(humps(99, mean=19.0, height=12.0)) == (STEADY, pytest.approx(15.0))


@pytest.mark.parametrize(("level", "ratio", "after", "finding"), [
    (90.0, 2.5, 90.0, CRANKING),
    (62.0, 2.5, 62.0, CRANKING), (58.0, 2.5, 58.0, STEADY),   # fans and window motors stay below 60 A
    (90.0, 1.6, 90.0, STEADY),                                # no in-rush of a motor with a heavy flywheel
    (110.0, 2.5, 86.0, CRANKING), (110.0, 2.5, 78.0, STEADY),  # glow plugs go on falling
    (90.0, 2.5, 150.0, CRANKING), (90.0, 2.5, 175.0, STEADY),  # what rises again is no level
])
def test_a_starter_that_turns_an_engine_without_compression(level, ratio, after, finding) -> None:
    slope = np.linspace(level, after, 60)
    load = inrush(level, ratio), slope, held(after, 8.0)
    assert found(*load)[0] is finding
    if finding is CRANKING:
        assert found(*load)[1] == pytest.approx(1.5)
        assert found(*load, amperes=False)[0] is STEADY


def test_an_in_rush_that_breaks_off_is_a_spark() -> None:
    assert found(held(250.0, 0.2), held(90.0, 8.0))[0] is not CRANKING
    dipped = inrush(90.0)
    dipped[25:28] = 50.0
    assert found(dipped, held(90.0, 8.0))[0] is not CRANKING


# --- another load

@pytest.mark.parametrize(("spike_s", "apart_s", "finding"), [
    (0.03, 0.02, ANOTHER), (0.04, 0.02, OPEN), (0.03, 0.01, OPEN)])
def test_what_follows_a_spike_is_a_load_of_its_own(spike_s, apart_s, finding) -> None:
    assert found(held(300.0, spike_s), held(0.0, apart_s), held(50.0, 0.05))[0] is finding


def test_beyond_zero_for_forty_milliseconds_is_another_load_even_after_humps() -> None:
    begin = inrush(100.0, seconds=0.2), humps(2)
    assert found(*begin, held(-9.0, 0.03), held(100.0, 0.05))[0] is OPEN
    assert found(*begin, held(-9.0, 0.04))[0] is ANOTHER
    assert found(*begin, held(-7.0, 0.15))[0] is OPEN  # no load to speak of


@pytest.mark.parametrize(("jump", "finding"), [(61.0, ANOTHER), (49.0, OPEN)])
def test_a_jump_by_half_out_of_a_steady_load_is_another(jump, finding) -> None:
    assert found(held(100.0, 0.5), held(100.0 + jump, 0.3))[0] is finding


def test_a_jump_is_another_load_from_a_fifth_of_a_second_on_and_before_the_first_hump() -> None:
    assert found(held(100.0, 0.20), held(250.0, 0.02))[0] is ANOTHER
    assert found(held(100.0, 0.19), held(250.0, 0.01))[0] is OPEN  # the solenoid leads its motor by less
    assert found(held(30.0, 0.05), humps(2), held(70.0, 0.3), held(250.0, 0.3))[0] is OPEN
    for frames in (5, 40):
        assert found(held(100.0, 0.5), np.linspace(100.0, 160.0, frames + 1)[1:], held(160.0, 0.3))[0] is OPEN
    restless = 100.0 + 30.0 * (np.arange(50) % 2)
    assert found(restless, held(250.0, 0.05))[0] is OPEN


@pytest.mark.parametrize(("level", "finding"), [(27.0, ANOTHER), (25.0, OPEN)])
def test_a_jump_out_of_a_small_load_is_two_thresholds_high(level, finding) -> None:
    assert found(held(10.0, 0.5), held(level, 0.1))[0] is finding


def test_means_are_of_the_samples_and_mean_of_the_departure() -> None:
    candidate = candidate_of(zero=20.0, polarity=-1)
    for value in (-30.0, -50.0):
        candidate.add(value)
    assert candidate.means == [-30.0, -50.0]
    assert candidate.mean == 60.0
    assert candidate_of().mean == 0.0
