"""What of a cranking may be judged: flat tops, an engine that catches, stretches without a long gap."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.signal.cranking import caught_at, facts_of, flat_tops, longest_whole, runs
from crankfold.analysis.signal.detector import Passed

RATE_HZ = 1000.0


def steady(seconds=3.0, hump_hz=6.0, floor=60.0):
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return np.maximum(150.0 + 120.0 * np.sin(2 * np.pi * hump_hz * t), floor)


def test_runs_by_hand():
    assert runs(np.array([0, 1, 1, 0, 1], dtype=bool)) == [(1, 3), (4, 5)]
    assert longest_whole(np.array([1, 1, 0, 1, 1, 1], dtype=bool), 0, 6) == (3, 6)
    assert longest_whole(np.zeros(6, dtype=bool), 0, 6) == (0, 0)


@pytest.mark.parametrize("idle_a", [15.0, 25.0, 80.0])
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
    assert flat_tops(np.minimum(steady() + noise, 200.0), RATE_HZ).mean() > 0.2
    assert flat_tops(steady() + noise, RATE_HZ).mean() < 0.06
    assert flat_tops(np.array([1.0, 2.0]), RATE_HZ).sum() == 0


def test_flat_tops_by_hand():
    """Of a thousand samples fifty and thirty stand at the top; six more do so for too short a time, some are lost."""
    x = 100.0 + np.arange(1000) % 100 / 2
    x[200:250] = x[600:630] = x[800:806] = 200.0
    found = flat_tops(x, RATE_HZ)
    assert found.sum() == 80
    assert found[200:250].all()
    assert found[600:630].all()
    lost = np.concatenate((x[:210], np.full(5, np.nan), x[210:]))
    assert flat_tops(lost, RATE_HZ).sum() == 80
    assert not flat_tops(lost, RATE_HZ)[210:215].any()


def test_what_is_said_where_there_is_no_cranking_names_the_longest_load():
    loads = [Passed(100, 400, 8.0, 9.0), Passed(1000, 3000, 70.0, 120.0)]
    assert facts_of(np.array([1.0, 125.0]), RATE_HZ, 0.5, loads) == {
        "peak": 125.0, "noise": 0.5, "longest_s": 2.0, "load_mean": 70.0, "load_peak": 120.0}
    assert facts_of(np.array([1.0, 2.0]), RATE_HZ, 0.5, []) == {"peak": 2.0, "noise": 0.5, "longest_s": 0.0}
