"""How fast the engine may be turning: candidates of the cycle rate of a conditioned trace, and its cycles counted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.signal import CycleTrack, rate_candidates, track_cycles

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.signal import CrankingTrace, RateCandidate

JUDGED_S = 4.0  # more cycles than this holds add nothing
JUDGED_CYCLES = 5.0  # but as many as this of a slow engine
GRID_HZ = 500.0  # a hump holds thirty samples even at a twelve's fastest


def find_rates(trace: CrankingTrace, engine: Engine) -> list[RateCandidate]:
    """Return cycle-rate candidates of a trace's judged stretch, best first; empty when nothing repeats."""
    y = trace.smooth[trace.steady]
    if len(y) < 16 or not np.isfinite(y).all() or float(np.ptp(y)) <= 0:
        return []
    pooled, rate_hz = _pooled(y, trace.rate_hz)
    found = rate_candidates(pooled[: round(JUDGED_S * rate_hz)], rate_hz, engine)
    if found and JUDGED_CYCLES / found[0].rate_hz > JUDGED_S < len(pooled) / rate_hz:
        found = rate_candidates(pooled[: round(JUDGED_CYCLES / found[0].rate_hz * rate_hz)], rate_hz, engine)
    return found


def count_cycles(trace: CrankingTrace, rate: RateCandidate, engine: Engine) -> CycleTrack:
    """Return the cycles of the judged stretch against seconds from the start of the capture, at one rate."""
    pooled, rate_hz = _pooled(trace.smooth[trace.steady], trace.rate_hz)
    track = track_cycles(pooled, rate_hz, rate.rate_hz, engine.cylinders)
    return CycleTrack(track.time_s + float(trace.time_s[trace.steady.start]), track.cycle)


def _pooled(y: NDArray[np.float64], rate_hz: float) -> tuple[NDArray[np.float64], float]:
    block = max(1, round(rate_hz / GRID_HZ))
    return y[: len(y) // block * block].reshape(-1, block).mean(axis=1), rate_hz / block
