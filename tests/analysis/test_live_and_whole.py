"""A live board and a whole recording find the same crank, on engines that crank as real ones do."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from crankfold.acquire import load_plugins, open_board, record
from crankfold.analysis import Capture, Channel, CrankingDetector, condition

KEY_S, CRANK_S = 1.0, 4.0
RIGS = [{}, {"battery": "weak"}, {"starter": "series"}, {"decompressor": "2"}]


@cache
def cranked(engine: str, extra: tuple[tuple[str, str], ...]) -> Capture:
    settings = {"engine": engine, "pace": "flat", "quiet": "1", "crank": "4", "after": "1", "rate": "2000"}
    settings |= dict(extra)
    (capture,) = record(open_board("virtual", settings, load_plugins()))
    return capture


@pytest.mark.parametrize("rig", RIGS, ids=lambda rig: "-".join(rig.values()) or "plain")
@pytest.mark.parametrize("engine", ["pump", "twin", "vee", "tug"])
def test_both_find_when_the_key_was_turned_and_let_go(engine, rig):
    capture = cranked(engine, tuple(rig.items()))
    current = capture.samples[:, 0]
    detector, found = CrankingDetector(capture.rate_hz, Channel("current", "A")), []
    cuts = np.unique(np.random.default_rng(len(rig)).integers(0, len(current), 40))
    for first, stop in pairwise([0, *cuts.tolist(), len(current)]):
        found += detector.feed(first, current[first:stop])
    live = [event.index / capture.rate_hz for event in [*found, *detector.finish()]]
    whole = condition(capture)
    assert live == [pytest.approx(KEY_S, abs=0.05), pytest.approx(KEY_S + CRANK_S, abs=0.03)]
    assert [whole.crank.start_s, whole.crank.end_s] == pytest.approx(live, abs=0.012)
    assert whole.others == ()
    assert whole.fired_at_s is None
