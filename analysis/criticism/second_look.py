"""Another look where nothing explains the trace: at other cycle rates, and at the cranking without its beginning.

The first turn of a cold engine may nearly stall its starter and then run up to speed: no one cycle rate covers both.
And where one cylinder is dead, a third of the true rate may repeat better than the true one. What the first look made
of such a trace is refused as it does not explain it; a second one is believed only where it explains the trace nearly
wholly.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.criticism.doubts import windows_meet
from crankfold.analysis.model import estimate, find_rates
from crankfold.analysis.signal import FAINT_LINE, RIVAL_REPEAT

if TYPE_CHECKING:
    from collections.abc import Iterator

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.model import Estimate
    from crankfold.analysis.signal import CrankingTrace

WELL = 0.988  # explained; more than what a first look needs, as it is one of several
BEGINNING_S = (0.8, 1.6)  # left out: an engine is up to speed by then
INRUSH_S = 0.2  # after the onset its peak is over
STALLED, RUNNING, LATE_TOP_PERCENTILE = 1.15, 1.35, 98.0
"""Times the later tops: engines that fire weakly while they are cranked stay below 1.1; where the humps fall further
than a steady crank's do below a stalled one's, the engine runs."""
LEAST_REPEAT = 0.6  # correlation of a cycle with the next; rates that repeat less are chance
LEAST_CYCLES = 2.2  # of what is left
LEAST_LEFT_S = 1.0


def look_again(trace: CrankingTrace, engine: Engine,
               first: tuple[Estimate, ...]) -> tuple[CrankingTrace, tuple[Estimate, ...]]:
    """Return the trace as it was judged and its explanations: those of a second look, or else the first as they are.

    Parameters
    ----------
    first
        Explanations as from `estimate`, none of which holds.
    """
    for judged, found in _looks(trace, engine):
        if found and found[0].explained >= WELL and found[0].cycles >= LEAST_CYCLES and windows_meet(found[0]):
            return judged, found
    return trace, first


def _looks(trace: CrankingTrace, engine: Engine) -> Iterator[tuple[CrankingTrace, tuple[Estimate, ...]]]:
    rates = find_rates(trace, engine)
    for rate in rates[1:]:
        if rate.repeat < max(LEAST_REPEAT, rates[0].repeat - RIVAL_REPEAT) or rate.line < FAINT_LINE:
            continue
        yield trace, estimate(trace, engine, rates=[rate])
    for left_out_s in BEGINNING_S:
        later = replace(trace, steady_from_s=trace.steady_from_s + left_out_s)
        if min(later.steady_to_s, later.crank.end_s) - later.steady_from_s < LEAST_LEFT_S:
            return
        if _nearly_stalled(trace, later.steady_from_s):
            yield later, estimate(later, engine)


def _nearly_stalled(trace: CrankingTrace, until_s: float) -> bool:
    """Return whether the humps of a beginning stand above all later ones, yet no more than a stalled starter's do."""
    first, until = np.searchsorted(trace.time_s, (trace.crank.start_s + INRUSH_S, until_s))
    early, late = trace.smooth[first:until], trace.smooth[until : trace.steady.stop]
    later = float(np.percentile(late, LATE_TOP_PERCENTILE))
    return len(early) > 0 and STALLED * later < float(early.max()) < RUNNING * later
