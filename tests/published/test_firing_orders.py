"""Waste-spark companions and firing intervals of known layouts.

Companions stand half a firing order apart. Source of 1-6-5-4-3-2 giving 1+4, 6+3, 5+2: Halderman, automotive engine
performance textbook. 1-8-4-3-6-5-7-2 giving 1+6, 8+5, 4+7, 3+2 follows by the same rule.
"""

from __future__ import annotations

import pytest

from crankfold.analysis import Engine


@pytest.mark.parametrize(("order", "pairs"), [
    ("1-6-5-4-3-2", [(1, 4), (6, 3), (5, 2)]),
    ("1-8-4-3-6-5-7-2", [(1, 6), (8, 5), (4, 7), (3, 2)]),
    ("1-3-4-2", [(1, 4), (3, 2)]),  # common practice, no source
    ("1-5-3-6-2-4", [(1, 6), (5, 2), (3, 4)]),  # common practice, no source
])
def test_companions_share_a_coil(order, pairs):
    engine = Engine.parse(order)
    for a, b in pairs:
        assert engine.companion_of(a) == b
        assert engine.companion_of(b) == a


@pytest.mark.parametrize(("order", "intervals"), [
    ("1-6-5-4-3-2", "90-150"),  # 90 degree V6 on shared pins
    ("1-2", "315-405"),  # 45 degree V-twin
    ("1-2", "270-450"),  # 90 degree V-twin (value from memory)
    ("1-3-2-4", "270-180-90-180"),  # cross-plane four
    ("1-10-9-4-3-6-5-8-7-2", "90-54"),  # V10 on shared pins (value from memory)
    ("1-2-4-5-3", None), ("1-3-2", None),  # odd counts
])
def test_layouts_without_two_tdcs_a_turn_apart_have_no_companions(order, intervals):
    engine = Engine.parse(order, intervals)
    assert all(engine.companion_of(c) is None for c in engine.firing_order)


@pytest.mark.parametrize(("count", "interval"), [(4, 180.0), (5, 144.0), (6, 120.0), (8, 90.0), (12, 60.0)])
def test_even_intervals_share_two_turns(count, interval):
    assert set(Engine(tuple(range(1, count + 1))).intervals_deg) == {interval}
