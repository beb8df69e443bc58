"""Regular marks as a clock."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.engine import Engine, SyncSpec
from crankfold.analysis.mark_rhythm import rhythm_against
from crankfold.analysis.marks import Marks

FOUR, SIX = Engine((1, 3, 4, 2)), Engine((1, 5, 3, 6, 2, 4))


def every(degrees, estimate, *, jitter=0.0):
    at = np.arange(estimate.angle_deg[0] + 30.0, estimate.angle_deg[-1], degrees)
    times = np.interp(at, estimate.angle_deg, estimate.time_s)
    times += jitter * np.random.default_rng(1).standard_normal(len(times))
    return Marks(times, np.full(len(times), 5.0), np.ones(len(times), dtype=np.int64), "V", False, 0.0)


@pytest.mark.parametrize(("engine", "kind", "degrees", "humps"), [
    (SIX, "cam", 720.0, None), (SIX, "single-spark", 360.0, None), (SIX, "waste-spark", 360.0, None),
    (SIX, "cam", 480.0, 4), (SIX, "waste-spark", 240.0, 4), (FOUR, "cam", 1080.0, 6), (FOUR, "pressure", 540.0, 3),
    (SIX, "cam", 240.0, None), (SIX, "cam", 6.0, None),
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
