"""Where a fit begins: hump tops, windows, angles and first values, by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from crankfold.analysis import Engine
from crankfold.analysis.model import parameters as at
from crankfold.analysis.model.options import FULL
from crankfold.analysis.model.problem import Data
from crankfold.analysis.model.starts import (
    PLAIN_STAGES,
    QUICK_STAGES,
    START_STAGES,
    Menu,
    expected_phases,
    first_values,
    hump_tops,
    polish_stages,
    windows_from,
)
from crankfold.analysis.signal import CycleTrack


def peaks(*tops, samples=1000):
    """Triangular humps of 40 samples at places and heights, on 100."""
    n = np.arange(samples)
    return 100.0 + np.max([height * np.maximum(1 - np.abs(n - k) / 20, 0) for k, height in tops], axis=0)


@pytest.mark.parametrize(("tops", "found"), [
    (((100, 50), (300, 60), (500, 40)), [100, 300, 500]),
    (((100, 50), (300, 60), (500, 10)), [100, 300]),             # a low bump
    (((100, 50), (300, 60), (400, 65)), [100, 400]),             # two within 110 samples: the taller one
    (((100, 50), (300, 60), (400, 55)), [100, 300]),
    (((100, 50), (300, 60), (415, 65)), [100, 300, 415]),
    (((0, 60), (300, 60), (999, 60)), [300]),                    # a trace's ends are no tops
])
def test_hump_tops_200_samples_apart(tops, found):
    got = hump_tops(peaks(*tops), 200.0)
    assert got.tolist() == found
    assert got.dtype == np.int64


def test_a_flat_trace_has_no_tops():
    assert hump_tops(np.full(500, 3.0), 100.0).tolist() == []


@pytest.mark.parametrize(("first", "spacing", "length", "count", "starts", "lengths"), [
    (100, 300.0, 300.0, 9, [100, 400, 700], [300, 300, 300]),
    (100, 300.0, 300.0, 2, [100, 400], [300, 300]),
    (101, 300.0, 300.0, 9, [200, 500, 800], [300, 300, 200]),  # the last is cut by the end, more than half is there
    (100, 250.0, 250.4, 9, [100, 400, 700], [250, 250, 250]),  # the next top after the last window
    (100, 400.0, 400.0, 9, [100, 500], [400, 400]),            # of the third less than half would be there
    (100, 100.0, 600.0, 9, [100, 200, 300, 400, 500, 600, 700], [600, 600, 600, 600, 500, 400, 300]),
    (950, 300.0, 300.0, 9, [], []),
])
def test_windows_on_tops(first, spacing, length, count, starts, lengths):
    tops = np.arange(0, 1000, 100)
    found = windows_from(tops, 1000, first=first, spacing=spacing, length=length, count=count)
    assert [part.tolist() for part in found] == [starts, lengths]


def test_angles_at_the_windows_before_the_nearest_tdc_of_the_counted_cycle():
    """Windows 0.3 s apart at 1.7 cycles a second turn by 367 degrees, to the TDC at 360; with firing at 0 and 270 by
    0.5 s, 612 degrees: from position 2 that is 882, nearest to the TDC at 990.
    """
    track = CycleTrack(np.array([0.0, 10.0]), np.array([0.0, 17.0]))
    four = expected_phases(track, np.array([0.2, 0.5, 2.3]), Engine((1, 3, 4, 2)), 0, 12.0)
    np.testing.assert_allclose(four, [-12.0, 348.0, 2508.0])  # 2.1 s are 2570 degrees, and TDCs 180 apart
    odd = expected_phases(track, np.array([0.2, 0.7]), Engine((1, 2), (270, 450)), 1, 4.0)
    np.testing.assert_allclose(odd, [266.0, 986.0])


@pytest.mark.parametrize("series", [False, True])
def test_first_values_by_hand(series):
    """Stall over the in-rush, half the mean load as friction, 1.2 of the swing as each cylinder's load."""
    y = np.linspace(100.0, 300.0, 101)
    p = first_values(Data(y, 0.001, 0.0, float(np.var(y))), Engine((1, 3, 2)), np.array([-12.0, 468.0]),
                     Menu(stall=1.5, lag_s=0.02), 800.0, series)
    flux = np.tanh(200.0 / 220.0) if series else 1.0
    assert np.exp(p[at.LOG_STALL]) == pytest.approx(1200.0)
    assert np.exp(p[[at.LOG_ARMATURE, at.LOG_ENGINE]]) == pytest.approx([0.02, 0.02])
    assert p[at.FRICTION] == pytest.approx(100.0 * flux)
    assert p[at.GLOBALS :] == pytest.approx([*[240.0 * flux] * 3, -12.0, 468.0])
    others = [k for k in range(at.GLOBALS) if k not in (at.LOG_STALL, at.LOG_ARMATURE, at.LOG_ENGINE, at.FRICTION)]
    assert p[others].tolist() == [at.RULES[k].start for k in others]


@pytest.mark.parametrize("stages", [START_STAGES, PLAIN_STAGES, QUICK_STAGES, polish_stages(FULL)])
def test_stages_let_go_of_the_measured_current_and_set_free_ever_more(stages):
    """The pull falls to nothing, what was free stays free, and the cylinders are tied together less and less."""
    for one, following in pairwise(stages):
        assert following.gain <= one.gain
        assert following.ridge <= one.ridge
        assert set(one.free) <= set(following.free)
    assert stages[-1].gain == 0.0
    assert all(stage.steps > 0 for stage in stages)


@pytest.mark.parametrize(("option", "unknown"), [
    ("free_ratio", at.RATIO), ("free_push", at.LOG_PUSH), ("free_hold_in", at.HOLD_IN), ("free_lag", at.LOG_LAG)])
def test_what_an_option_holds_fixed_is_never_set_free(option, unknown):
    assert set(polish_stages(FULL)[-1].free) == set(range(at.GLOBALS))
    held = polish_stages(replace(FULL, **{option: False}))
    assert set(range(at.GLOBALS)) - set(held[-1].free) == {unknown}
