"""What a notebook reads off the humps: their heights in slots of the cycle, and each against its neighbours."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from crankfold.analysis import CrankingTrace, Engine
from crankfold.analysis.posterior import find_rates
from crankfold.analysis.signal import track_cycles
from crankfold.analysis.signal.heights import raw_heights

Method = Callable[[CrankingTrace, Engine], NDArray[np.float64] | None]


def by_heights(height: Callable[..., NDArray[np.float64]], *, tracked: bool) -> Method:
    """Return a method that reads hump heights in slots of the cycle: followed from cycle to cycle, or all equal."""

    def method(trace: CrankingTrace, engine: Engine) -> NDArray[np.float64] | None:
        rates = find_rates(trace, engine)
        if not rates:
            return None
        y, t = trace.smooth[trace.steady], trace.time_s[trace.steady]
        cycles = rates[0].rate_hz * (t - t[0])
        if tracked:
            cycles = track_cycles(y, trace.rate_hz, rates[0].rate_hz, engine.cylinders).at(t - t[0])
        angle = engine.cycle_deg * cycles
        offsets = np.arange(0.0, engine.cycle_deg / engine.cylinders, 4.0) if engine.even_firing else \
            np.arange(0.0, engine.cycle_deg, 8.0)
        sharp = [float(np.mean(raw_heights(angle + o, y, engine))) for o in offsets]
        return height(angle + offsets[int(np.argmax(sharp))], y, engine)

    return method


def against_neighbours(trace: CrankingTrace, engine: Engine) -> NDArray[np.float64] | None:
    """Return each hump over the mean of its two neighbours in the firing order, percent, at most 100."""
    tops = by_heights(raw_heights, tracked=True)(trace, engine)
    if tops is None:
        return None
    beside = (np.roll(tops, 1) + np.roll(tops, -1)) / 2.0
    return np.minimum(100.0 * tops / np.maximum(beside, 1e-9), 100.0)
