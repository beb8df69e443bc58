"""Whether the engine helped to turn itself: told by level, hump rate and shape of the current together.

The plain case, where the starter is left idling, is found with the cranking itself. This is for engines that fire
weakly or not on all cylinders, so that the starter goes on working. Only what follows the run-up is looked at, where
the level falls and the humps come faster by themselves. A battery that recovers changes the level alone, a leak that
changes from cycle to cycle the shape alone and from the first cycle
on; an engine that fires takes load off, so that the level falls together with rate or shape, or it kicks: the humps
grow and lose their rhythm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.signal.humps import hump_period_s

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.signal.trace import CrankingTrace

SETTLED_S = 0.5  # after the onset, where the run-up's end is not known
RELEASE_S = 0.06  # before the end
LEAST_S = 0.6  # a shorter stretch has no early and late
LOCAL_S = 0.5  # humps are counted about the local mean over this long
SWING_SHARE = 0.15  # of the range: smaller swings are no humps
SWING_PERCENTILES = (5.0, 95.0)
FALLEN = 0.85  # late level over early: of 230 crankings that did not fire, eight fell as far, none with its shape
FALLEN_TOO = 0.72  # and none fell so far; a settled level sinks by a quarter where oil and battery warm up
FASTER = 1.4  # late number of humps over early, and they no longer come where the early ones would: none of those
FASTER_TOO = 1.1
CHANGED = (0.65, 1.3)  # late swing over early: beyond it the shape has changed
FALLEN_FAR = 0.6  # no battery sags so far: the load itself has gone
WILDER = 1.35  # late swing over early: humps that are kicked
DRIFT = 0.06  # of the spacing: humps of a steady crank drift no further
OUT_OF_STEP = 0.5  # late correlation at the early humps' spacing over the early one
CLOSER = 1.18  # early spacing over late; a whole multiple is another reading of the same humps
WHOLE = 0.12


@dataclass(frozen=True)
class Trend:
    """What changed through the settled part of a cranking, and from when on.

    Parameters
    ----------
    level
        Mean current of the last third over that of the first.
    rate
        Number of humps in the second half over that in the first.
    since_s
        Where the current changed most, seconds from the onset.
    swing
        Height of the humps in the last third over that in the first.
    step
        How well the humps of the second half repeat at the spacing of those of the first, over how well those do.
    closer
        Spacing of the humps of the first half over that of the second's; 1 where either has none.
    """

    level: float
    rate: float
    since_s: float
    swing: float = 1.0
    step: float = 1.0
    closer: float = 1.0

    @property
    def suspicious(self) -> bool:
        """Whether the engine may have fired: reason enough when nothing else explains a trace."""
        shape = not CHANGED[0] < self.swing < CHANGED[1]
        whole = abs(self.closer - round(self.closer)) < WHOLE
        faster = self.rate > FASTER and self.closer > CLOSER and not whole
        return self.level < FALLEN_TOO or (self.level < FALLEN and shape) or faster or self.kicked

    @property
    def kicked(self) -> bool:
        """Whether the humps have grown and lost their rhythm: single cylinders that fire while the starter turns."""
        return self.swing > WILDER and self.step < OUT_OF_STEP

    @property
    def certain(self) -> bool:
        """Whether no ordinary cranking does this, even one that the model explains."""
        return (self.level < FALLEN_FAR and self.rate > FASTER_TOO) or self.kicked


def trend(trace: CrankingTrace) -> Trend | None:
    """Return how level, hump rate and shape changed through the cranking, None when it is too short to say."""
    settled = trace.run_up is not None and trace.run_up.settled
    from_s = trace.run_up.end_s if trace.run_up is not None and settled else trace.crank.start_s + SETTLED_S
    body = trace.smooth[trace.between(from_s, trace.crank.end_s - RELEASE_S)]
    body = body[np.isfinite(body)]
    if len(body) < LEAST_S * trace.rate_hz:
        return None
    third, half = len(body) // 3, len(body) // 2
    level = float(body[-third:].mean() / max(float(body[:third].mean()), 1e-12))
    early, late = _swings(body[:half], trace.rate_hz), _swings(body[-half:], trace.rate_hz)
    swing = _height(body[-third:]) / max(_height(body[:third]), 1e-12)
    off = body - body.mean()
    bend = int(np.argmax(np.abs(np.cumsum(off if level < FALLEN else off**2 - np.mean(off**2)))))
    return Trend(level, late / early if early else float(late > 0) + 1.0,
                 from_s - trace.crank.start_s + bend / trace.rate_hz, swing,
                 *_in_step(body[:half], body[-half:], trace.rate_hz))


def _height(x: NDArray[np.float64]) -> float:
    low, high = np.percentile(x, SWING_PERCENTILES)
    return float(high - low)


def _in_step(early: NDArray[np.float64], late: NDArray[np.float64], rate_hz: float) -> tuple[float, float]:
    """Return the correlation of the late humps at the early ones' spacing over theirs, and early spacing over late."""
    spacing_s, late_s = hump_period_s(early, rate_hz), hump_period_s(late, rate_hz)
    if np.isnan(spacing_s):
        return 1.0, 1.0
    lag = round(spacing_s * rate_hz)
    step = _repeats(late, lag) / max(_repeats(early, lag), 1e-12)
    return step, 1.0 if np.isnan(late_s) else spacing_s / late_s


def _repeats(x: NDArray[np.float64], lag: int) -> float:
    """Return the best correlation of `x`, its trend off, with itself about a lag."""
    t = np.linspace(-1.0, 1.0, len(x))
    off = x - np.polynomial.polynomial.polyval(t, np.polynomial.polynomial.polyfit(t, x, 2))
    best = 0.0
    for shift in range(max(1, lag - round(DRIFT * lag)), lag + round(DRIFT * lag) + 1):
        a, b = off[:-shift], off[shift:]
        best = max(best, float(a @ b) / max(float(np.sqrt((a @ a) * (b @ b))), 1e-30))
    return best


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
