"""The run-up: the first turns of a crank, taken while starter, oil and battery are still settling.

Measured crank motion of real engines (tooth times of five engines' crank wheels): the first hump comes at 0.45 to 0.7
of the speed reached later, and it takes four to six humps, or 0.4 to 0.9 s, to reach it; the current comes down
meanwhile. Such a beginning is no engine that fires and no part of a steady crank.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.signal.pool import moving_mean

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.signal.trace import CrankingTrace

INRUSH_S = 0.25  # the stall current alone: no run-up ends earlier
FITTED_FROM_S = 0.5  # after the onset: nothing is fitted from earlier
SETTLED_SHARE = 0.10  # of the late median: a mean over one hump this near to it has settled
STAYS_HUMPS = 1.5  # and stays so for so many humps
LATE = (0.4, 0.9)  # share of the cranking in which it is as late as it gets, before a release or an engine that helps
LONGEST_S = 1.3  # after the onset: what has not settled by then changes for another reason, as an engine that starts
STALLED_S, STALLED_SHARE = 0.15, 0.9  # so long near the highest current: held, a hump's top is shorter
STALLED_WITHIN_S = 1.5  # after the onset
LEAST_LEFT_S = 1.3  # of cranking after it; else it is judged from earlier
LEAST_CYCLES = 2.3  # after it, likewise: two are needed, and none is read off to the last degree


@dataclass(frozen=True)
class RunUp:
    """How a crank came up to speed.

    Parameters
    ----------
    end_s
        Where it had settled, seconds from the start of the capture.
    settled
        Whether it did within what was recorded; `end_s` is else the end of the in-rush.
    level
        Mean current of the run-up over the late one; 1 when there was none.
    """

    end_s: float
    settled: bool
    level: float


def find_run_up(smooth: NDArray[np.float64], time_s: NDArray[np.float64], span: tuple[int, int], rate_hz: float,
                hump_s: float) -> RunUp:
    """Return where the mean over one hump has come within a tenth of its late median.

    Parameters
    ----------
    smooth : ndarray, shape (m,)
        Low-passed current, zero off, finite.
    span
        Onset, and the end of what may be judged, in samples.
    hump_s
        Spacing of the humps.
    """
    first, stop = span
    body = smooth[first:stop]
    begin = min(round(INRUSH_S * rate_hz), max(len(body) - 1, 0))
    inrush = RunUp(float(time_s[min(first + begin, len(time_s) - 1)]), settled=False, level=1.0)
    width = max(1, round(hump_s * rate_hz))
    if len(body) < begin + 3 * width:
        return inrush
    mean = moving_mean(body, width)[: len(body) - width // 2]
    late = float(np.median(mean[int(LATE[0] * len(mean)) : max(int(LATE[1] * len(mean)), 1)]))
    near = np.abs(mean / max(late, 1e-12) - 1.0) <= SETTLED_SHARE
    stays = round(STAYS_HUMPS * width)
    for at in range(begin, min(len(near) - stays, round(LONGEST_S * rate_hz) + _stalled_to(body, rate_hz))):
        if near[at] and near[at : at + stays].all():
            level = float(body[begin : at + 1].mean()) / max(late, 1e-12)
            return RunUp(float(time_s[first + at]), settled=True, level=level)
    return inrush


def _stalled_to(body: NDArray[np.float64], rate_hz: float) -> int:
    """Return the sample up to which a first compression held the starter, 0 where none did.

    Then the current stays near its highest for far longer than the top of a hump lasts.
    """
    early = body[: round(STALLED_WITHIN_S * rate_hz)]
    stop, length = 0, 0
    for at, high in enumerate((early >= STALLED_SHARE * early.max()).tolist()):
        length = length + 1 if high else 0
        if length >= STALLED_S * rate_hz:
            stop = at
    return stop


def with_enough_cycles(trace: CrankingTrace, cycle_hz: float | None) -> CrankingTrace:
    """Return the trace judged from so much earlier that enough cycles are left, but never from inside the in-rush.

    Parameters
    ----------
    cycle_hz
        Engine cycles a second of the judged stretch; None where nothing repeats in it.
    """
    if trace.run_up is None:
        return trace
    earliest_s = trace.crank.start_s + FITTED_FROM_S
    wanted_s = earliest_s if cycle_hz is None else trace.steady_to_s - LEAST_CYCLES / cycle_hz
    if wanted_s >= trace.steady_from_s or earliest_s >= trace.steady_from_s or trace.cut_by_gap:
        return trace
    return replace(trace, steady_from_s=max(earliest_s, wanted_s))
