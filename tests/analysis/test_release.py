"""What follows the end of a cranking: a rest, something left on the cable, or a starter that idles."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.signal.rest import after_release

RATE_HZ = 1000.0
MEAN_A = 200.0


def after(*parts, noise=0.3):
    """What follows a second of cranking, as levels in amperes and for how long."""
    tail = np.concatenate([np.full(round(seconds * RATE_HZ), level) for level, seconds in parts])
    x = np.concatenate((np.full(1000, MEAN_A), tail + np.random.default_rng(3).normal(0, noise, len(tail))))
    return after_release(x, 1000, len(x), RATE_HZ, MEAN_A, noise)


@pytest.mark.parametrize("left_a", [0.0, 5.0, 20.0, 40.0])
def test_what_stays_is_measured_and_is_no_idling(left_a):
    found = after((left_a, 0.6))
    assert found.idles_to is None
    assert found.left == pytest.approx(left_a, abs=0.3)


@pytest.mark.parametrize(("idle_a", "lasting_s", "idles"), [
    (60.0, 1.0, True), (60.0, 0.3, True), (7.0, 1.0, True),
    (7.0, 0.4, False),   # a pump that is switched off with the key
    (60.0, 0.1, False),  # too short for either
])
def test_a_level_that_falls_once_more_is_an_idling_starter_s(idle_a, lasting_s, idles):
    found = after((idle_a, lasting_s), (0.0, 0.5))
    assert (found.idles_to is not None) is idles
    if idles:
        assert found.idles_to == pytest.approx(1000 + 1000 * lasting_s, abs=30)
    assert found.left == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize(("left_a", "idles"), [(20.0, False), (70.0, True)])
def test_so_high_for_so_long_is_a_starter_s_even_if_nobody_saw_it_fall(left_a, idles):
    assert (after((left_a, 1.2)).idles_to is not None) is idles


def test_too_little_after_it_says_nothing():
    found = after((10.0, 0.05))
    assert found.idles_to is None
    assert np.isnan(found.left)
