"""Humps one by one, and their spacing."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.signal.humps import Humps, find_humps, hump_period_s

RATE_HZ = 1000.0


def time_s(seconds):
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def steady(seconds=3.0, hump_hz=6.0):
    return np.maximum(150.0 + 120.0 * np.sin(2 * np.pi * hump_hz * time_s(seconds)), 60.0)


@pytest.mark.parametrize("seconds", [2.0, 3.0, 4.05])
@pytest.mark.parametrize("hump_hz", [2.0, 6.0, 20.0])
def test_the_hump_spacing_is_the_autocorrelation_s_first_peak(hump_hz, seconds):
    assert hump_period_s(steady(seconds, hump_hz=hump_hz), RATE_HZ) == pytest.approx(1 / hump_hz, rel=0.05)


def test_no_hump_spacing_in_noise_or_in_too_little():
    assert np.isnan(hump_period_s(np.random.default_rng(0).normal(0, 1, 3000), RATE_HZ))
    assert np.isnan(hump_period_s(np.ones(10), RATE_HZ))


def test_every_hump_once_with_its_height_its_level_and_its_length():
    t = time_s(2.0)
    humps = find_humps(100.0 - 50.0 * np.cos(2 * np.pi * 5.0 * t), t, 0.1)
    assert humps.time_s == pytest.approx(np.arange(10) * 0.2 + 0.1, abs=0.002)
    assert humps.length_s[:9] == pytest.approx(0.2, abs=0.002)
    assert humps.rate_hz[:9] == pytest.approx(5.0, rel=0.02)
    assert humps.level == pytest.approx(100.0, rel=0.01)
    assert humps.swing == pytest.approx(100.0, rel=0.01)
    assert humps.within(0.45, 0.75).count == 2


def test_slower_humps_at_a_higher_level_are_told_as_they_are():
    """A run-up: the first humps come at half the rate of the later ones and on twice the level."""
    t = time_s(3.0)
    rate = np.where(t < 1.0, 3.0, 6.0)
    level = np.where(t < 1.0, 200.0, 100.0)
    humps = find_humps(level - 40.0 * np.cos(2 * np.pi * np.cumsum(rate) / RATE_HZ), t, 0.1)
    assert humps.within(0.0, 0.9).rate_hz[:2] == pytest.approx(3.0, rel=0.05)
    assert humps.within(1.2, 2.8).rate_hz == pytest.approx(6.0, rel=0.05)
    assert humps.within(0.0, 0.6).level == pytest.approx(200.0, rel=0.02)


def test_noise_and_a_decay_have_no_humps():
    t = time_s(2.0)
    assert find_humps(100.0 * np.exp(-t), t, 0.1).count == 0
    noisy = 100.0 + np.random.default_rng(1).normal(0, 2.0, len(t))
    assert find_humps(noisy, t, 2.0).count == 0
    assert find_humps(np.ones(4), t[:4], 0.1).count == 0
    assert Humps().count == 0
