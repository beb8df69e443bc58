"""How fast the engine turns: candidates for the cycle rate from the current alone, and the cycle count through time.

The rate is settled before anything is fitted, by how well whole cycles repeat (autocorrelation) and by how much of the
current lies on the firing line; a fit explains half or two thirds of the true period nearly as well, so it cannot tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine

SLOWEST_RPM = 60.0  # a cold diesel on a weak battery
FASTEST_RPM = 450.0  # a free-spinning engine with dead cylinders on a strong starter
RECORD_SHARE = 0.7  # longest period looked for: beyond it too little overlaps
LINE_WEIGHT = 0.25  # one tenth of the firing line's power costs this much autocorrelation
DISTINCT = 0.03  # candidates nearer than this in period are one
CANDIDATES = 6
ZERO_PAD = 8  # finer lines than the record's length gives
SEARCH_HUMPS = 0.42  # of a hump: how far the next cycle may shift from where the last one says
SEARCH_CYCLE = 0.2  # of a cycle: no crank changes speed more from one cycle to the next
STEP_RANGE = (0.6, 1.6)  # of the mean period: the shortest and longest cycle that is believed
RIVAL_RATIOS = (0.5, 2.0, 1.0 / 3.0, 3.0)  # every other cylinder dead looks like half as many at another speed
RIVAL_REPEAT = 0.06  # a rival repeats nearly as well as the best candidate
RIVAL_LINE = 0.25  # and has this much of its power on its own firing lines
LIKELIER_TWICE_RPM = 120.0  # starters turn few engines so slowly, and most at twice of it
TRACK_SHARE = 0.98  # of a cycle compared with the next


@dataclass(frozen=True)
class RateCandidate:
    """A cycle rate in cycles a second, its score, and the two parts of it."""

    rate_hz: float
    score: float
    repeat: float
    line: float


@dataclass(frozen=True, eq=False)
class CycleTrack:
    """Cycle count against time: `cycle` engine cycles have passed at `time_s`, both shape (k,), increasing."""

    time_s: NDArray[np.float64]
    cycle: NDArray[np.float64]

    def at(self, time_s: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Return the cycle count at times, carried on at the end rates outside the track."""
        t = np.asarray(time_s, dtype=np.float64)
        inside = np.interp(t, self.time_s, self.cycle)
        first = (self.cycle[1] - self.cycle[0]) / (self.time_s[1] - self.time_s[0])
        last = (self.cycle[-1] - self.cycle[-2]) / (self.time_s[-1] - self.time_s[-2])
        early, late = np.minimum(t - self.time_s[0], 0.0), np.maximum(t - self.time_s[-1], 0.0)
        out: NDArray[np.float64] = inside + early * first + late * last
        return out


def detrended(y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return `y`, shape (m,), less its cubic trend: sag and warming up are no cycle."""
    t = np.linspace(-1.0, 1.0, len(y))
    basis = np.polynomial.legendre.legvander(t, 3)
    out: NDArray[np.float64] = y - basis @ np.linalg.lstsq(basis, y, rcond=None)[0]
    return out


def autocorrelation(x: NDArray[np.float64], longest: int) -> NDArray[np.float64]:
    """Return the correlation of `x` with itself at lags 0..longest, each normalised by the energy that overlaps."""
    m = len(x)
    size = 1 << (m + longest).bit_length()
    spectrum = np.fft.rfft(x, size)
    product = np.fft.irfft(np.abs(spectrum) ** 2, size)[: longest + 1]
    energy = np.concatenate(([0.0], np.cumsum(x * x)))
    lags = np.arange(longest + 1)
    early, late = energy[m - lags], energy[m] - energy[lags]
    out: NDArray[np.float64] = product / np.sqrt(np.maximum(early * late, 1e-30))
    return out


def rate_candidates(y: NDArray[np.float64], rate_hz: float, engine: Engine) -> list[RateCandidate]:
    """Return cycle-rate candidates, best first; empty when nothing repeats.

    Parameters
    ----------
    y : ndarray, shape (m,)
        Low-passed current over the steady cranking.
    rate_hz
        Samples a second of `y`.
    """
    turns = engine.cycle_deg / 360.0
    shortest = max(3, int(rate_hz * 60.0 * turns / FASTEST_RPM))
    longest = min(int(np.ceil(rate_hz * 60.0 * turns / SLOWEST_RPM)) + 2, int(RECORD_SHARE * len(y)))
    if longest <= shortest + 2 or len(y) < 16:
        return []
    x = detrended(y)
    repeat = autocorrelation(x, longest)
    line = _line_power(x, rate_hz)
    found = []
    for lag in range(shortest, longest):
        if not (repeat[lag] >= repeat[lag - 1] and repeat[lag] > repeat[lag + 1]) or repeat[lag] <= 0:
            continue
        period_s = _refined_peak(repeat, lag) / rate_hz
        power = max(line.at(k / period_s) for k in _firing_lines(engine))
        found.append(RateCandidate(1.0 / period_s, float(repeat[lag] + LINE_WEIGHT * np.log10(power)),
                                   float(repeat[lag]), power))
    found.sort(key=lambda c: -c.score)
    kept: list[RateCandidate] = []
    for c in found:
        if all(abs(c.rate_hz / k.rate_hz - 1.0) > DISTINCT for k in kept):
            kept.append(c)
    return kept[:CANDIDATES]


def rivals(candidates: list[RateCandidate], cycle_deg: float) -> list[RateCandidate]:
    """Return the candidates that the current alone cannot tell from the first: at simple ratios, repeating as well.

    At a speed so low that twice of it is likelier, twice of it is one whatever its firing line: small humps between
    large ones add little to it.
    """
    best = candidates[0]
    slow = best.rate_hz * cycle_deg / 6.0 < LIKELIER_TWICE_RPM

    def near(c: RateCandidate, ratio: float) -> bool:
        return abs(c.rate_hz / best.rate_hz / ratio - 1.0) < DISTINCT

    return [c for c in candidates[1:]
            if any(near(c, ratio) for ratio in RIVAL_RATIOS) and c.repeat > best.repeat - RIVAL_REPEAT
            and (c.line > RIVAL_LINE or (slow and near(c, 2.0)))]


def _firing_lines(engine: Engine) -> tuple[float, ...]:
    """Return the orders on which the firings show: the hump order; with uneven firing also those of its pattern."""
    n = engine.cylinders
    return (float(n),) if engine.even_firing else tuple(float(k) for k in range(n // engine.pattern_length, n + 1,
                                                                                n // engine.pattern_length))


def _refined_peak(values: NDArray[np.float64], at: int) -> float:
    """Return where a parabola through three samples has its top."""
    left, middle, right = (float(x) for x in values[at - 1 : at + 2])
    bend = float(left - 2.0 * middle + right)
    return at + (0.5 * float(left - right) / bend if bend < 0 else 0.0)


@dataclass(frozen=True, eq=False)
class _Lines:
    power: NDArray[np.float64]
    step_hz: float
    width_hz: float

    def at(self, frequency_hz: float) -> float:
        """Return the largest power near a frequency, relative to the strongest line; never 0."""
        low = max(0, int((frequency_hz - self.width_hz) / self.step_hz))
        high = int((frequency_hz + self.width_hz) / self.step_hz) + 2
        part = self.power[low:high]
        return max(float(part.max()) if len(part) else 0.0, 1e-6)


def _line_power(x: NDArray[np.float64], rate_hz: float) -> _Lines:
    size = 1 << (ZERO_PAD * len(x)).bit_length()
    power = np.abs(np.fft.rfft(x * np.hanning(len(x)), size)) ** 2
    return _Lines(power / max(float(power.max()), 1e-30), rate_hz / size, 0.5 * rate_hz / len(x))


def track_cycles(y: NDArray[np.float64], rate_hz: float, cycle_hz: float, cylinders: int) -> CycleTrack:
    """Return the cycle count through the trace, each cycle matched with the next from the middle outward.

    Parameters
    ----------
    y : ndarray, shape (m,)
        Low-passed current over the steady cranking.
    rate_hz
        Samples a second of `y`.
    cycle_hz
        Mean cycle rate.
    cylinders
        Humps a cycle: a shift of half a hump or more would be a slip.
    """
    x = detrended(y)
    period = rate_hz / cycle_hz
    reach = min(SEARCH_HUMPS / cylinders, SEARCH_CYCLE) * period
    marks = _matched(x, period, reach)
    time = np.array(marks) / rate_hz
    return CycleTrack(time, np.arange(len(time), dtype=np.float64))


def _matched(x: NDArray[np.float64], period: float, reach: float) -> list[float]:
    """Return positions one matched cycle apart, at least two."""
    middle = 0.5 * len(x) - 0.5 * period
    forward = [middle]
    step = period
    while forward[-1] + step < len(x):
        step = _match(x, forward[-1], step, period, reach)
        forward.append(forward[-1] + step)
    backward = [middle]
    step = (forward[1] - forward[0]) if len(forward) > 1 else period
    while backward[-1] - step >= 0:
        step = -_match(x, backward[-1], -step, period, reach)
        backward.append(backward[-1] - step)
    marks = backward[:0:-1] + forward
    return marks if len(marks) > 1 else [middle, middle + period]


def _match(x: NDArray[np.float64], here: float, step: float, period: float, reach: float) -> float:
    """Return the step near `step` at which the cycle centred `here` is most like the one a step away."""
    length = int(TRACK_SHARE * period)
    first = round(here - 0.5 * length)
    size = float(np.clip(abs(step), STEP_RANGE[0] * period, STEP_RANGE[1] * period))
    step = size if step > 0 else -size
    low, high = round(step - reach), round(step + reach)
    score = np.full(high - low + 1, -np.inf)
    for k in range(len(score)):
        shift = low + k
        a, b = max(0, -first, -(first + shift)), min(length, len(x) - first, len(x) - first - shift)
        if b - a < 0.4 * period:
            continue
        p, q = x[first + a : first + b], x[first + shift + a : first + shift + b]
        score[k] = float(p @ q) / max(np.sqrt(float(p @ p) * float(q @ q)), 1e-30)
    best = int(np.argmax(score))
    if not 0 < best < len(score) - 1 or not np.isfinite(score[best]):
        return step
    if not np.isfinite(score[best - 1 : best + 2]).all():
        return float(low + best)
    return low + _refined_peak(score, best)
