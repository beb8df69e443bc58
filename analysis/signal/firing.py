"""Whether the engine helped to turn itself: the current's level falls and the humps come faster while it is cranked.

The plain case, where the starter is left idling, is found with the cranking itself. This is for engines that fire
weakly or not on all cylinders, so that the starter goes on working.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.signal.trace import CrankingTrace

SETTLED_S = 0.25  # after the onset: the stall current is over, the first humps come
RELEASE_S = 0.06  # before the end
LEAST_S = 0.6  # a shorter stretch has no early and late
LOCAL_S = 0.5  # humps are counted about the local mean over this long
SWING_SHARE = 0.15  # of the range: smaller swings are no humps
FALLEN = 0.85  # late level over early: ordinary crankings stay above 0.9, one in twenty falls lower
FASTER = 1.25  # late hump rate over early; ordinary crankings stay below in 49 of 50
FALLEN_FAR = 0.6  # no battery sags so far: the load itself has gone
FASTER_TOO = 1.1


@dataclass(frozen=True)
class Trend:
    """Late third over early third: mean current, and number of humps in the second half over the first; from when on.

    `since_s` is counted from the onset of cranking: where the level changed most.
    """

    level: float
    rate: float
    since_s: float

    @property
    def suspicious(self) -> bool:
        """Whether the engine may have fired: reason enough when nothing else explains a trace."""
        return self.level < FALLEN or self.rate > FASTER

    @property
    def certain(self) -> bool:
        """Whether no ordinary cranking does this, even one that the model explains."""
        return self.level < FALLEN_FAR and self.rate > FASTER_TOO


def trend(trace: CrankingTrace) -> Trend | None:
    """Return how level and hump rate changed through the cranking, None when it is too short to say."""
    first = int(np.searchsorted(trace.time_s, trace.crank.start_s + SETTLED_S))
    stop = int(np.searchsorted(trace.time_s, trace.crank.end_s - RELEASE_S))
    body = trace.smooth[first:stop]
    body = body[np.isfinite(body)]
    if len(body) < LEAST_S * trace.rate_hz:
        return None
    third, half = len(body) // 3, len(body) // 2
    level = float(body[-third:].mean() / max(float(body[:third].mean()), 1e-12))
    early, late = _swings(body[:half], trace.rate_hz), _swings(body[-half:], trace.rate_hz)
    bend = int(np.argmax(np.abs(np.cumsum(body - body.mean()))))
    return Trend(level, late / early if early else float(late > 0) + 1.0, float(SETTLED_S + bend / trace.rate_hz))


def _swings(x: NDArray[np.float64], rate_hz: float) -> int:
    """Return how often `x` swings up through its local mean, small swings not counted."""
    width = min(len(x) // 2, max(1, round(LOCAL_S * rate_hz / 2)))
    total = np.concatenate(([0.0], np.cumsum(x)))
    at = np.arange(len(x))
    low, high = np.maximum(at - width, 0), np.minimum(at + width + 1, len(x))
    off = x - (total[high] - total[low]) / (high - low)
    least = SWING_SHARE * float(np.ptp(off))
    state = np.where(off > least, 1, np.where(off < -least, -1, 0))
    told = state[state != 0]
    return int(np.count_nonzero(np.diff(told) > 0))
