"""The end of a cranking: where the current had gone, not where a hump was deep or the starter ran on empty."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.signal.detector.candidate import Candidate, Scale
from crankfold.analysis.signal.detector.watch import CrankWatch, End

FRAME = 50  # samples, 10 ms
SCALE = Scale(amperes=True, frame_s=0.01)
LONGEST = 3000


def ended(*parts, zero=0.0, polarity=1, threshold=8.0, longest=LONGEST) -> list[End]:
    """What the watch says of (amperes, seconds) one after the other, from sample 0 on."""
    candidate = Candidate(0, zero=zero, noise=0.1, threshold=threshold, polarity=polarity, scale=SCALE)
    watch, found, stop = CrankWatch(candidate, SCALE, longest), [], 0
    for amperes, seconds in parts:
        for _ in range(round(seconds / SCALE.frame_s)):
            stop += FRAME
            end = watch.add(zero + polarity * amperes, stop, FRAME)
            found += [] if end is None else [end]
            if found and not end.too_long:
                return found
    return found


@pytest.mark.parametrize(("zero", "polarity"), [(0.0, 1), (-37.0, 1), (20.0, -1)])
def test_a_third_of_a_second_near_zero_is_the_end_and_it_was_at_its_beginning(zero, polarity) -> None:
    assert ended((150.0, 2.0), (0.0, 0.29), zero=zero, polarity=polarity) == []
    assert ended((150.0, 2.0), (0.0, 0.30), zero=zero, polarity=polarity) == [End(200 * FRAME)]


def sinking(to_a, seconds):
    """From 200 A down in steps of 5 A each 10 ms, as a hump sinks, and then so long at a level."""
    return [(float(a), 0.01) for a in np.arange(195.0, to_a, -5.0)] + [(to_a, seconds)]


@pytest.mark.parametrize(("share", "over"), [(0.10, True), (0.11, True), (0.13, False), (0.2, False)])
def test_a_starter_that_has_lost_its_engine_runs_on_with_a_tenth(share, over) -> None:
    assert bool(ended((200.0, 2.0), *sinking(200.0 * share, 0.5))) is over


@pytest.mark.parametrize(("share", "over"), [(0.02, True), (0.13, True), (0.2, True), (0.3, True), (0.4, False)])
def test_what_stays_on_the_cable_after_a_switch_is_off_is_no_cranking(share, over) -> None:
    """Pump, ignition and remanence stay for good; the end is where the current fell, not where somebody looked."""
    assert ended((200.0, 2.0), (200.0 * share, 0.5)) == ([End(200 * FRAME)] if over else [])


def test_a_level_that_moves_is_no_rest() -> None:
    swinging = [(40.0 + a, 0.05) for a in (0.0, 20.0, 0.0, 20.0)] * 3
    assert ended((200.0, 2.0), *swinging) == []


def humping(count, *, low_a=20.0):
    """Humps of 0.8 s, 300 A high, down to `low_a` between."""
    one = low_a + (300.0 - low_a) * 0.5 * (1.0 - np.cos(2.0 * np.pi * np.arange(80) / 80))
    return [(float(a), 0.01) for a in np.tile(one, count)]


def test_a_flat_level_out_of_a_trough_needs_longer_and_humps_that_showed_how_far_they_are_apart() -> None:
    assert ended(*humping(4), (50.0, 1.1)) == []
    (end,) = ended(*humping(4), (50.0, 1.5))
    assert end.index == pytest.approx(320 * FRAME, abs=8 * FRAME)


def test_one_noisy_frame_brings_the_current_back_as_little_as_it_takes_it_away() -> None:
    assert ended((150.0, 2.0), (2.0, 0.1), (25.0, 0.01), (2.0, 0.2)) == [End(200 * FRAME)]


def test_running_empty_for_long_does_not_make_it_the_new_measure() -> None:
    slow = (200.0, 0.5), (0.0, 0.29), (200.0, 1.0)  # an engine whose dips are long, so that the end takes 0.58 s
    assert ended(*slow, (18.0, 0.57)) == []
    assert ended(*slow, (18.0, 0.58)) == [End(179 * FRAME)]


@pytest.mark.parametrize(("amperes", "over"), [(3.9, True), (4.1, False)])
def test_near_zero_is_half_of_what_counts_as_a_load(amperes, over) -> None:
    assert bool(ended((10.0, 2.0), (amperes, 0.5))) is over


def test_an_engine_that_has_dipped_for_long_may_dip_twice_as_long() -> None:
    assert ended((150.0, 0.5), (0.0, 0.25), (150.0, 0.5), (0.0, 0.49), (150.0, 0.5)) == []
    assert ended((150.0, 0.5), (0.0, 0.25), (150.0, 0.5), (0.0, 0.5)) == [End(125 * FRAME)]
    # a short dip after it takes nothing back
    assert ended((150.0, 0.5), (0.0, 0.25), (150.0, 0.5), (0.0, 0.1), (150.0, 0.5), (0.0, 0.49), (150.0, 0.5)) == []


def test_what_goes_on_too_long_is_said_until_it_ends() -> None:
    found = ended((150.0, 1.2), (0.0, 0.5), longest=100)
    assert found[0] == End(100 * FRAME, too_long=True)
    assert found[-1] == End(120 * FRAME)
    assert all(end.too_long for end in found[:-1])


def test_where_the_current_had_gone_if_the_stream_ends_now() -> None:
    candidate = Candidate(0, zero=0.0, noise=0.1, threshold=8.0, polarity=1, scale=SCALE)
    watch = CrankWatch(candidate, SCALE, LONGEST)
    watch.add(150.0, FRAME, FRAME)
    assert watch.end(FRAME, FRAME) == FRAME
    watch.add(0.0, 2 * FRAME, FRAME)
    watch.add(0.0, 3 * FRAME, FRAME)
    assert watch.end(3 * FRAME, FRAME) == FRAME
