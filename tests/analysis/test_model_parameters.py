"""Priors, bounds and steps of the unknowns."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.model import parameters as at
from crankfold.analysis.model.gas import RATIOS


def test_what_each_unknown_may_do_by_hand():
    """Stall current from 0.8 to 3.1 of the in-rush; loads from none to twenty; phases 90 degrees about their place."""
    box = at.make_box(3, np.array([-12.0, 708.0]), 800.0, 250.0, prior_scale=0.003, phase_weight=0.0003)
    assert {len(part) for part in vars(box).values()} == {at.GLOBALS + 3 + 2}
    assert np.exp([p[at.LOG_STALL] for p in (box.low, box.prior, box.high)]) == pytest.approx([640.0, 920.0, 2480.0])
    load, phase = slice(at.GLOBALS, at.GLOBALS + 3), slice(at.GLOBALS + 3, None)
    assert (box.prior[load].tolist(), box.weight[load].tolist()) == ([250.0] * 3, [0.0] * 3)
    assert (box.low[load].tolist(), box.high[load].tolist(), box.step[load].tolist()) == (
        [0.0] * 3, [5000.0] * 3, [100.0] * 3)
    assert (box.prior[phase].tolist(), box.weight[phase].tolist()) == ([-12.0, 708.0], [0.0003] * 2)
    assert (box.low[phase].tolist(), box.high[phase].tolist()) == ([-102.0, 618.0], [78.0, 798.0])
    assert box.step[phase].tolist() == [12.0, 12.0]
    assert box.weight[at.RATIO] == pytest.approx(0.001)  # its spread is 3
    assert box.weight[at.FRICTION] == 0.0  # nobody knows it beforehand
    assert box.step[at.HOLD_IN] == 15.0


def test_every_start_is_a_value_that_is_allowed_and_can_be_left():
    for rule in at.RULES:
        assert rule.low <= rule.start <= rule.high
        assert 0.0 < rule.step < rule.high - rule.low
        assert rule.spread > 0.0
    assert len(at.RULES) == at.GLOBALS


def test_the_compression_ratio_stays_within_the_gas_tables():
    assert (at.RULES[at.RATIO].low, at.RULES[at.RATIO].high) == (RATIOS[0], RATIOS[-1])
