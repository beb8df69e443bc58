"""Trough-referred heights: exact on humps that do not touch, and independent of the fit."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis import Engine
from crankfold.analysis.signal import trough_heights
from crankfold.analysis.signal.heights import raw_heights


@pytest.mark.parametrize("engine", [
    Engine((1, 3, 4, 2)), Engine((1, 6, 5, 4, 3, 2), (90, 150)), Engine((1, 2), strokes=2)])
def test_heights_of_separate_humps(engine):
    relative = np.array([1.0, 0.5, 0.8, 0.05, 0.9, 0.7])[: engine.cylinders]
    angle = np.arange(0, 4 * engine.cycle_deg, 0.5)
    current = np.full_like(angle, 90.0)
    for fire, r in zip(engine.firing_deg, relative, strict=True):
        off = (angle - fire + 10 + engine.cycle_deg / 2) % engine.cycle_deg - engine.cycle_deg / 2
        current += 120.0 * r * np.exp(-0.5 * (off / 14.0) ** 2)
    np.testing.assert_allclose(trough_heights(angle, current, engine), 100 * relative, atol=2.0)
    raw = raw_heights(angle, current, engine)
    np.testing.assert_allclose(raw, 100 * (90 + 120 * relative) / 210, atol=2.0)


def test_less_than_a_cycle_gives_zeros_not_nothing():
    engine = Engine((1, 3, 4, 2))
    assert trough_heights(np.arange(50.0), np.ones(50), engine).tolist() == [0.0] * 4


def test_one_cycle_out_of_line_moves_no_height():
    """The median over cycles: a hump twice as tall in the last one, or none in the first, changes nothing."""
    engine = Engine((1, 3, 2))
    angle = np.arange(0, 5 * 720.0, 0.5)
    current = 200.0 + 100.0 * np.cos(np.radians(3.0 * (angle + 10.0) / 2.0))
    odd = current + np.where(np.abs(angle - 3350.0) < 60, 100.0, 0.0)
    odd = np.where(np.abs(angle - 470.0) < 80, 100.0, odd)
    np.testing.assert_allclose(trough_heights(angle, current, engine), 100.0, atol=0.1)
    np.testing.assert_allclose(trough_heights(angle, odd, engine), 100.0, atol=0.1)
    np.testing.assert_allclose(raw_heights(angle, odd, engine), 100.0, atol=0.1)
