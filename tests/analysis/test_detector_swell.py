"""Humps that swell are counted, loads that are switched are not."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.signal.detector.swell import SwellCounter

HEIGHT = 10.0
STEADY, GONE = [100.0] * 8, [0.0] * 8


def fed(*parts, least_height=HEIGHT, longest_apart=400) -> SwellCounter:
    counter = SwellCounter(longest_apart)
    for value in np.concatenate(parts):
        counter.add(float(value), least_height)
    return counter


def rise(frames: int) -> np.ndarray:
    """From 0 to 100 in so many equal steps."""
    return np.linspace(0.0, 100.0, frames + 1)[1:]


def humps(count: int, *, frames: int = 40, height: float = 60.0) -> np.ndarray:
    """Whole humps on 50, each from its foot to its foot."""
    return 50.0 + 0.5 * height * (1.0 - np.cos(2.0 * np.pi * np.arange(count * frames + 4) / frames))


@pytest.mark.parametrize("frames", [8, 40, 250])
@pytest.mark.parametrize("begin", [[0.0], [400.0, 300.0, 200.0, 100.0, 60.0, 50.0]])
def test_every_hump_after_the_in_rush_counts_once(frames, begin) -> None:
    first_rise = begin == [0.0]  # is the load coming on, no hump
    assert fed(begin, humps(5, frames=frames)).humps == 5 - first_rise


@pytest.mark.parametrize(("frames", "count"), [(1, 0), (2, 0), (3, 1), (10, 1)])
def test_a_rise_counts_if_no_frame_of_it_makes_half(frames, count) -> None:
    assert fed(STEADY, GONE, rise(frames), STEADY, GONE).humps == count


def test_a_jump_at_the_end_of_a_swell_is_switched_too() -> None:
    swell = np.linspace(0.0, 40.0, 20)
    assert fed(STEADY, GONE, swell, STEADY, GONE).humps == 0
    assert fed(STEADY, GONE, STEADY, swell[::-1], GONE).humps == 0


def test_the_fall_may_be_as_steep_as_it_likes() -> None:
    assert fed(STEADY, GONE, rise(10), GONE, rise(10), GONE).humps == 2


@pytest.mark.parametrize(("height", "count"), [(9.0, 0), (11.0, 3)])
def test_rises_and_falls_of_the_least_height_count(height, count) -> None:
    assert fed(STEADY, humps(3, height=height)).humps == count


def test_a_notch_in_a_hump_does_not_make_two_of_it() -> None:
    notch = np.array([92.0, 92.0, 92.0])
    assert fed(STEADY, GONE, rise(10), notch, STEADY, GONE).humps == 1
    assert fed(STEADY, GONE, rise(10)[:6], rise(10)[4:6], rise(10)[6:], STEADY, GONE, least_height=15.0).humps == 1


def test_commutator_hash_on_top_makes_neither_more_humps_nor_fewer() -> None:
    """Of two and a half times the least height, from frame to frame."""
    swell = humps(3)
    assert fed(STEADY, swell + 12.0 * (-1.0) ** np.arange(len(swell))).humps == 3
    assert fed(STEADY, 50.0 + 12.0 * (-1.0) ** np.arange(200)).humps == 0


def test_humps_long_ago_are_forgotten() -> None:
    begun = fed(STEADY, humps(3), longest_apart=30)
    assert begun.humps == 1  # of three that lie forty frames apart
    assert fed(STEADY, humps(3), longest_apart=50).humps == 3
    falls = next(n for n in range(60) if fed(STEADY, humps(1)[:n]).humps)
    assert fed(STEADY, humps(1)[:falls], [50.0] * 50, longest_apart=50).humps == 1
    assert fed(STEADY, humps(1)[:falls], [50.0] * 51, longest_apart=50).humps == 0


def test_a_swell_under_way_is_known() -> None:
    assert fed(STEADY, GONE, rise(10)[:6]).swelling
    assert not fed(STEADY, GONE, rise(2)).swelling
    assert not fed(STEADY, GONE, rise(10), GONE).swelling
    assert not fed(STEADY).swelling
    assert not fed([], [0.0]).swelling
