"""Regular marks as a clock."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Engine, SyncSpec
from crankfold.analysis.criticism import rhythm_against
from crankfold.analysis.sync import Marks

FOUR, SIX = Engine((1, 3, 4, 2)), Engine((1, 5, 3, 6, 2, 4))
TWELVE = Engine((1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9))


def every(degrees, estimate, *, jitter=0.0):
    at = np.arange(estimate.angle_deg[0] + 30.0, estimate.angle_deg[-1], degrees)
    times = np.interp(at, estimate.angle_deg, estimate.time_s)
    times += jitter * np.random.default_rng(1).standard_normal(len(times))
    return Marks(times, np.full(len(times), 5.0), np.ones(len(times), dtype=np.int64), "V", False, 0.0)


@pytest.mark.parametrize(("engine", "kind", "degrees", "humps"), [
    (SIX, "cam", 720.0, None), (SIX, "single-spark", 360.0, None), (SIX, "waste-spark", 360.0, None),
    (SIX, "cam", 480.0, 4), (SIX, "waste-spark", 240.0, 4), (FOUR, "cam", 1080.0, 6), (FOUR, "pressure", 540.0, 3),
    (SIX, "cam", 240.0, None), (SIX, "cam", 6.0, None), (TWELVE, "cam", 960.0, 16), (SIX, "cam", 665.0, None),
])
def test_marks_count_the_humps_of_the_cycle(engine, kind, degrees, humps, estimate_of):
    estimate = estimate_of(engine, seconds=8.0)
    reason = rhythm_against(every(degrees, estimate), SyncSpec(kind, 1), engine, estimate)
    assert (reason and reason.facts["humps"]) == humps
    if humps:
        assert reason.code == "hump-count"
        assert reason.facts["rpm"] == pytest.approx(180.0 * engine.cylinders / humps)


def test_irregular_or_few_marks_count_nothing(estimate_of):
    estimate = estimate_of(SIX, seconds=8.0)
    assert rhythm_against(every(480.0, estimate, jitter=0.06), SyncSpec("cam", 1), SIX, estimate) is None
    assert rhythm_against(every(480.0, estimate).within(1.0, 2.2), SyncSpec("cam", 1), SIX, estimate) is None
    assert rhythm_against(None, None, SIX, estimate) is None


@pytest.mark.parametrize(("count", "found"), [(3, None), (4, 4)])
def test_three_intervals_are_enough(count, found, estimate_of):
    estimate = estimate_of(SIX, seconds=8.0)
    marks = every(480.0, estimate)
    reason = rhythm_against(marks.within(marks.time_s[0] - 0.01, marks.time_s[count - 1] + 0.01), SyncSpec("cam", 1),
                            SIX, estimate)
    assert (reason and reason.facts["humps"]) == found


def test_one_mark_out_of_place_among_many_counts_nothing(estimate_of):
    estimate = estimate_of(SIX, seconds=16.0)
    marks = every(480.0, estimate)
    assert len(marks.time_s) > 30
    time = marks.time_s.copy()
    time[10] += 0.2 * (time[11] - time[10])
    assert rhythm_against(marks, SyncSpec("cam", 1), SIX, estimate) is not None
    assert rhythm_against(replace(marks, time_s=time), SyncSpec("cam", 1), SIX, estimate) is None
