"""Counting humps without the engine card."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Engine
from crankfold.analysis.signal import better_count


def humps(trace_of, heights, *, rpm=180.0, drift=0.0):
    """A cranking whose humps, evenly spaced, are as high as the list, over and over."""
    n = len(heights)
    rate = rpm * n / 120.0
    trace = trace_of(seconds=6.0, hump_hz=rate)
    since = np.maximum(trace.time_s - 0.5, 0.0)
    turned = rate * (since + 0.5 * drift * since**2)
    height = np.asarray(heights, dtype=float)[np.floor(turned + 0.5).astype(int) % n]
    current = np.where(trace.current != 0, 150.0 + 0.6 * height * np.cos(2 * np.pi * turned), 0.0)
    return replace(trace, current=current, smooth=current)


def order(n):
    return Engine(tuple(range(1, n + 1)))


@pytest.mark.parametrize("heights", [(100, 3, 100, 100), (100, 50, 98, 97, 99, 96), (100, 4, 97),
                                     (90, 100, 95, 30, 97, 98, 96, 99)])
def test_the_right_card_is_left_alone(heights, trace_of):
    better = better_count(humps(trace_of, heights), order(len(heights)))
    assert better is None or not better.likely


@pytest.mark.parametrize(("n", "drift", "rpm"), [(4, -0.03, 120.0), (4, 0.03, 120.0), (6, 0.0, 120.0),
                                                 (6, 0.05, 250.0), (12, 0.0, 120.0)])
def test_equal_humps_at_a_drifting_speed_do_not_speak_against_the_right_card(n, drift, rpm, trace_of):
    """They repeat after a part of the cycle already, and better than after all of it."""
    better = better_count(humps(trace_of, (100,) * n, rpm=rpm, drift=drift), order(n))
    assert better is None or not better.likely


@pytest.mark.parametrize(("n", "card"), [(3, 4), (4, 3), (4, 6), (6, 4), (6, 8), (8, 6), (5, 6)])
def test_equal_humps_contradict_no_card_at_a_speed_that_can_be(n, card, trace_of):
    better = better_count(humps(trace_of, (100,) * n, drift=-0.01), order(card))
    assert better is None or not better.clear


@pytest.mark.parametrize(("n", "card"), [(2, 8), (8, 3)])
def test_equal_humps_at_a_speed_that_cannot_be_contradict_the_card(n, card, trace_of):
    """Two humps a cycle at 180 rpm would be an eight at 45 rpm, eight a three at 480 (by hand)."""
    assert better_count(humps(trace_of, (100,) * n), order(card)).clear


@pytest.mark.parametrize(("heights", "card"), [
    ((100, 3, 100, 100), 6), ((100, 3, 100, 100), 3), ((100, 2, 100, 100, 1, 100, 100, 100), 6),
])
def test_a_wrong_card_for_a_dead_cylinder_is_found_out(heights, card, trace_of):
    better = better_count(humps(trace_of, heights), order(card))
    assert better is not None
    assert better.clear
    assert better.humps == len(heights)
    assert better.rpm == pytest.approx(180.0, rel=0.02)


def test_too_little_to_count(trace_of):
    assert better_count(trace_of(seconds=0.2), order(4)) is None
