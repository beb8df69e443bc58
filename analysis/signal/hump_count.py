"""How many humps an engine cycle has, asked of the trace alone, to set against the engine card.

Each number of evenly firing cylinders has its best cycle rate: cycles that repeat, with their power on the firing line.
Where another number scores far better than the card's, the card is of another engine. An even engine looks the same
whatever its card says, and its verdict is the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.signal.cycle_rate import (
    FASTEST_RPM,
    LINE_WEIGHT,
    RECORD_SHARE,
    SLOWEST_RPM,
    autocorrelation,
    detrended,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.signal.trace import CrankingTrace

COUNTS = (2, 3, 4, 5, 6, 8, 10, 12)
USUAL_RPM = (80.0, 330.0)  # a count is only believed at a speed that starters reach
CLEAR_EVEN = 0.25  # score by which another count is better; with the right card of an even engine at most 0.18 was seen
CLEAR_ODD = 0.35  # uneven firing looks like other counts by itself: at most 0.26
GRID_HZ = 500.0  # sixteen samples a hump of a twelve at 300 rpm
LOOKED_AT_S = 4.0  # as much as the fit judges
SHORTEST = 16  # samples
FINER = 8  # lines finer than the record's length gives
SAME_HUMPS = 0.05  # of their spacing
ALIKE = 0.03  # scores nearer than this are alike
DOUBTFUL = 0.4  # of that, where the fit has failed already


@dataclass(frozen=True)
class Better:
    """Another number of humps a cycle, the speed it means, and by how much of the needed score it is better."""

    humps: int
    rpm: float
    share: float

    @property
    def clear(self) -> bool:
        """Whether that alone is reason enough."""
        return self.share >= 1.0

    @property
    def likely(self) -> bool:
        """Whether it is the likely reason that nothing else fits."""
        return self.share >= DOUBTFUL


def better_count(trace: CrankingTrace, engine: Engine) -> Better | None:
    """Return the number of humps that fits the trace best if it fits better than the card's, else None."""
    x, rate_hz = _pooled(trace)
    turns = engine.cycle_deg / 360.0
    shortest, longest = (turns * 60.0 / rpm for rpm in (FASTEST_RPM, SLOWEST_RPM))
    stop = min(int(longest * rate_hz) + 2, int(RECORD_SHARE * len(x)))
    first = max(2, int(shortest * rate_hz))
    if stop <= first + 2:
        return None
    repeat = autocorrelation(x, stop)
    inner = repeat[first:stop]
    crest = (inner >= repeat[first - 1 : stop - 1]) & (inner > repeat[first + 1 : stop + 1]) & (inner > 0)
    at = first + np.flatnonzero(crest)
    bend = repeat[at - 1] - 2.0 * repeat[at] + repeat[at + 1]
    lags = at + 0.5 * (repeat[at - 1] - repeat[at + 1]) / np.minimum(bend, -1e-12)
    lines = _Lines.of(x, rate_hz)
    if not len(lags):
        return None
    period_s = lags / rate_hz
    scores = {n: repeat[at] + LINE_WEIGHT * np.log10(lines.at(n / period_s)) for n in COUNTS}
    own = np.max([repeat[at] + LINE_WEIGHT * np.log10(lines.at(n / period_s)) for n in _card_lines(engine)], axis=0)
    return _fewest(scores, period_s, own, engine)


def _card_lines(engine: Engine) -> tuple[float, ...]:
    return (engine.cylinders, engine.cylinders / engine.pattern_length)


def _fewest(scores: Mapping[int, NDArray[np.float64]], period_s: NDArray[np.float64], own: NDArray[np.float64],
            engine: Engine) -> Better | None:
    """Return the fewest humps that do nearly as well as the best count: two cycles repeat as well as one."""
    needed = CLEAR_EVEN if engine.even_firing else CLEAR_ODD
    card = int(np.argmax(own))
    hump_s = float(period_s[card]) / engine.cylinders
    found = []
    for humps, score in scores.items():
        best = int(np.argmax(score))
        rpm = engine.cycle_deg / 6.0 / float(period_s[best])
        # equal humps repeat after a part of the cycle already, and better than after all of it when the speed drifts
        part = engine.cylinders % humps == 0 and abs(float(period_s[best]) / humps / hump_s - 1.0) < SAME_HUMPS
        if not part and USUAL_RPM[0] <= rpm <= USUAL_RPM[1]:
            found.append(Better(humps, rpm, float(score[best] - own[card]) / needed))
    highest = max((b.share for b in found), default=0.0)
    return next((b for b in found if b.share > 0.0 and b.share >= highest - ALIKE / needed), None)


def _pooled(trace: CrankingTrace) -> tuple[NDArray[np.float64], float]:
    """Return the first seconds of the steady cranking, its trend off, and their samples a second."""
    block = max(1, round(trace.rate_hz / GRID_HZ))
    y = trace.smooth[trace.steady][: round(LOOKED_AT_S * trace.rate_hz)]
    y = y[: len(y) // block * block].reshape(-1, block).mean(axis=1)
    return (detrended(y) if len(y) >= SHORTEST and np.isfinite(y).all() else np.empty(0)), trace.rate_hz / block


@dataclass(frozen=True, eq=False)
class _Lines:
    """Power by frequency, relative to the strongest line."""

    power: NDArray[np.float64]
    step_hz: float
    width_hz: float

    @classmethod
    def of(cls, x: NDArray[np.float64], rate_hz: float) -> _Lines:
        size = 1 << (FINER * len(x)).bit_length()
        power = np.abs(np.fft.rfft(x * np.hanning(len(x)), size)) ** 2
        return cls(power / max(float(power.max()), 1e-30), rate_hz / size, 0.5 * rate_hz / len(x))

    def at(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the largest power near each frequency; never 0."""
        reach = max(1, int(self.width_hz / self.step_hz))
        near = np.rint(frequency_hz / self.step_hz).astype(np.int64)[:, None] + np.arange(-reach, reach + 1)
        out: NDArray[np.float64] = np.maximum(self.power[np.clip(near, 0, len(self.power) - 1)].max(axis=1), 1e-6)
        return out
