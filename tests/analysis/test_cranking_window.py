"""Crankings, catching, flat tops."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.signal.cranking import (
    as_span,
    caught_at,
    find_crankings,
    flat_share,
    hump_period_s,
    join_runs,
    levels,
    longest_whole,
    runs,
)

RATE_HZ = 1000.0


def steady(seconds=3.0, hump_hz=6.0, floor=60.0):
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return np.maximum(150.0 + 120.0 * np.sin(2 * np.pi * hump_hz * t), floor)


def test_runs_and_joining():
    assert runs(np.array([0, 1, 1, 0, 1], dtype=bool)) == [(1, 3), (4, 5)]
    assert join_runs([(1, 3), (4, 5), (20, 30)], 5) == [(1, 5), (20, 30)]
    assert longest_whole(np.array([1, 1, 0, 1, 1, 1], dtype=bool), 0, 6) == (3, 6)
    assert longest_whole(np.zeros(6, dtype=bool), 0, 6) == (0, 0)


def test_dips_to_idling_between_humps_do_not_end_a_cranking():
    quiet = np.zeros(500)
    x = np.concatenate((quiet, steady(floor=12.0), quiet))
    found = find_crankings(x, RATE_HZ, levels(x, 0.5, amperes=True))
    assert len(found) == 1
    assert as_span(found[0], np.arange(len(x)) / RATE_HZ, RATE_HZ).length_s == pytest.approx(3.0, abs=0.05)


def test_two_crankings_stay_two():
    quiet = np.zeros(500)
    x = np.concatenate((quiet, steady(), quiet, steady(1.0), quiet))
    assert find_crankings(x, RATE_HZ, levels(x, 0.5, amperes=True)) == [(500, 3500), (4000, 5000)]


def test_a_cranking_begins_with_the_starter_not_with_its_solenoid():
    x = np.concatenate((np.zeros(500), np.full(40, 20.0), steady(1.0), np.zeros(500)))
    assert find_crankings(x, RATE_HZ, levels(x, 0.5, amperes=True)) == [(540, 1540)]


@pytest.mark.parametrize(("tall", "noise", "amperes", "high", "hold"), [
    (200.0, 0.1, True, 30.0, 3.0),    # 15 % and 1.5 % of the humps
    (200.0, 2.0, True, 30.0, 12.0),   # six times the noise is held for noise
    (200.0, 9.0, True, 54.0, 54.0),
    (40.0, 0.0, True, 12.0, 0.6),     # no starter takes less than 12 A
    (40.0, 0.0, False, 6.0, 0.6),     # but of an unknown scale nobody knows what 12 means
])
def test_levels_by_hand(tall, noise, amperes, high, hold):
    found = levels(np.full(1000, tall), noise, amperes=amperes)
    assert (found.high, found.hold) == (pytest.approx(high), pytest.approx(hold))


@pytest.mark.parametrize(("left_a", "left_s", "let_go"), [
    (4.2, 0.5, True),    # under 1.8 % of the humps: a probe's drifted zero
    (7.0, 0.5, False),   # a starter idling beside a running engine
    (4.2, 0.1, False),   # too short to tell
])
def test_a_probe_s_drifted_zero_is_no_cranking(left_a, left_s, let_go):
    """After the last hump the current falls by 5 A a sample; it is let go where it is nearly down."""
    quiet = np.zeros(500)
    fall = np.arange(100.0, left_a, -5.0)
    after = np.full(round(left_s * RATE_HZ) - len(fall), left_a)
    x = np.concatenate((quiet, steady(2.0), fall, after, quiet))
    ((first, stop),) = find_crankings(x, RATE_HZ, levels(x, 0.1, amperes=True))
    assert first == 500
    assert stop == pytest.approx(2500 + (18 if let_go else left_s * RATE_HZ), abs=3)


@pytest.mark.parametrize("seconds", [2.0, 3.0, 4.05])
@pytest.mark.parametrize("hump_hz", [2.0, 6.0, 20.0])
def test_the_hump_spacing_is_the_autocorrelation_s_first_peak(hump_hz, seconds):
    assert hump_period_s(steady(seconds, hump_hz=hump_hz), RATE_HZ) == pytest.approx(1 / hump_hz, rel=0.05)


def test_no_hump_spacing_in_noise_or_in_too_little():
    assert np.isnan(hump_period_s(np.random.default_rng(0).normal(0, 1, 3000), RATE_HZ))
    assert np.isnan(hump_period_s(np.ones(10), RATE_HZ))


@pytest.mark.parametrize("idle_a", [15.0, 25.0])
def test_an_engine_that_catches_is_seen_and_when(idle_a):
    x = np.concatenate((steady(2.0), np.full(1200, idle_a)))
    at = caught_at(x, 0, len(x), RATE_HZ)
    assert at is not None
    assert 1.6 < at / RATE_HZ < 2.0


def test_an_ordinary_end_and_a_dead_cylinder_s_floor_are_no_catching():
    assert caught_at(steady(3.0), 0, 3000, RATE_HZ) is None
    x = steady(3.0, floor=15.0)
    x[-170:] = 15.0
    assert caught_at(x, 0, len(x), RATE_HZ) is None


def test_flat_tops_are_found_by_shape_and_crests_are_not():
    noise = np.random.default_rng(0).normal(0, 2.0, 3000)
    assert flat_share(np.minimum(steady() + noise, 200.0), RATE_HZ) > 0.2
    assert flat_share(steady() + noise, RATE_HZ) < 0.06
    assert flat_share(np.array([1.0, 2.0]), RATE_HZ) == 0.0


def test_the_share_of_flat_tops_by_hand():
    """Of a thousand samples fifty and thirty stand at the top; six more do so for too short a time, some are lost."""
    x = 100.0 + np.arange(1000) % 100 / 2
    x[200:250] = x[600:630] = x[800:806] = 200.0
    assert flat_share(x, RATE_HZ) == 0.08
    assert flat_share(np.concatenate((x, np.full(500, np.nan))), RATE_HZ) == 0.08
    x[200:250:2] = 192.0  # a rail that is noisy, known to be at 190 A
    assert flat_share(x, RATE_HZ) == 0.03
    assert flat_share(x, RATE_HZ, ceiling=190.0) == 0.08
    assert flat_share(x, RATE_HZ, ceiling=201.0) == 0.03


def test_a_known_ceiling_counts():
    x = steady()
    assert flat_share(np.minimum(x, 262.0), RATE_HZ, ceiling=262.0) > flat_share(x, RATE_HZ, ceiling=400.0)
