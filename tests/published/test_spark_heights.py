"""Tall and short sparks of a waste-spark coil.

Source: Halderman, automotive engine performance textbook: 2-3 kV on the exhaust stroke, 8-12 kV on compression. Spark
while cranking comes 5-10 degrees before TDC (service texts).
"""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis import Engine, Estimate, SyncSpec
from crankfold.analysis.sync import Marks, name_by_marks

FOUR = Engine((1, 3, 4, 2))


@pytest.mark.parametrize("compression_kv", [8.0, 12.0])
@pytest.mark.parametrize("exhaust_kv", [2.0, 3.0])
@pytest.mark.parametrize("lead_deg", [5.0, 10.0])
def test_the_published_sparks_name_the_cylinder(compression_kv, exhaust_kv, lead_deg):
    time = np.arange(0.0, 4.0, 0.001)
    angle = 1080.0 * time - 50.0  # 180 rpm
    hundred = np.full(4, 100.0)
    estimate = Estimate(
        relative_percent=hundred, interval_percent=np.column_stack((hundred, hundred)), time_s=time, angle_deg=angle,
        model=np.full(len(time), np.nan), cycles=6.0, rpm=180.0, explained=0.999, heights_percent=hundred,
        chances=np.eye(101)[[100] * 4], lowest=np.eye(101)[100], right=1.0, fires=0.0, compresses=1.0, placed=1.0)
    at = 540.0 - lead_deg + 360.0 * np.arange(10)  # position 4, that is cylinder 2, and every turn
    heights = np.where(np.arange(10) % 2, exhaust_kv, compression_kv)
    marks = Marks((at + 50.0) / 1080.0, heights, np.ones(10, dtype=np.int64), "kV", False, 0.0)
    naming = name_by_marks(marks, SyncSpec("waste-spark", 2), FOUR, [estimate])
    assert naming.first == 0
    assert naming.sync is not None
    assert naming.sync.confidence > 0.95
