"""Where the cranking is: every cranking in a trace, the longest, its in-rush, its end, and where the engine catches.

Works on a pooled current whose zero is taken off and whose cranking is positive.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.signal.trace import Span

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

MIN_CRANK_A = 12.0  # a small two-stroke takes little more; a solenoid does so for moments only
CRANK_SHARE = 0.15  # of the 99th percentile: above the dips of a weak crank, far below any hump
HOLD_SHARE = 0.015  # of the 99th percentile: a starter that overruns still draws this much, a released one nothing
IDLE_SHARE = 0.018  # of the 99th percentile: a starter that idles beside a running engine draws more
NOISE_TIMES = 6.0  # standard deviations of the quiet that no noise reaches for long
BRIDGE_S = 0.15  # shorter drop-outs of the current are inside one cranking
MIN_CRANK_S = 0.2  # a solenoid's click or a slipped key is shorter
MIN_ABOVE_S = 0.1  # of which the current must be truly high
INRUSH_S = 0.5  # stall current, then the first humps, taken while accelerating
RELEASE_S = 0.06  # the end's edge and what the low-pass smears of it
CATCH_LEVEL = 0.3  # of the hump tops: an engine running by itself leaves the starter idling below this
CATCH_HUMPS = 2.5  # idling for longer than this many humps is no gap between two humps
CATCH_MIN_S = 0.3
CATCH_BACK_HUMPS = 1.5  # the firing began before the current stayed low
HUMP_S = (0.02, 1.0)  # hump spacings that cranking can have: 12 cylinders at 300 rpm to one at 120
FLAT_TOP = 0.02  # of the range: samples this near to the top of a clipped trace
FLAT_RUN_S = 0.012  # a flat top lasts; a natural crest is within 2 % of the top only where humps are equal


class NoCrankingError(Exception):
    """Nothing in the capture is a cranking; `facts` says what was seen (``peak``, ``noise``, ``longest_s``)."""

    def __init__(self, facts: Mapping[str, float]) -> None:
        super().__init__("no cranking in this capture")
        self.facts = dict(facts)


NoCranking = NoCrankingError


@dataclass(frozen=True)
class Levels:
    """Current levels, in the trace's unit: a cranking starts above `high` and lasts while above `hold`."""

    high: float
    hold: float


def levels(smooth: NDArray[np.float64], noise: float, *, amperes: bool) -> Levels:
    """Return the levels at which a cranking starts and ends.

    Parameters
    ----------
    smooth : ndarray, shape (m,)
        Low-passed current, zero off, positive while cranking.
    noise
        Standard deviation of the quiet stretch of `smooth`; 0 when there is none.
    amperes
        Whether the unit is amperes, so that absolute limits apply.
    """
    tall = float(np.nanpercentile(smooth, 99))
    floor = NOISE_TIMES * noise
    high = max(CRANK_SHARE * tall, floor, MIN_CRANK_A if amperes else 0.0)
    return Levels(high, min(high, max(HOLD_SHARE * tall, floor)))


def find_crankings(smooth: NDArray[np.float64], rate_hz: float, level: Levels) -> list[tuple[int, int]]:
    """Return first and past-the-end sample of every cranking, in order.

    Parameters
    ----------
    smooth : ndarray, shape (m,)
        Low-passed current, zero off, positive while cranking.
    """
    holding = np.nan_to_num(smooth) > level.hold
    out = []
    for start, stop in join_runs(runs(holding), round(BRIDGE_S * rate_hz)):
        high = np.flatnonzero(np.nan_to_num(smooth[start:stop]) > level.high)
        if len(high) < max(2, MIN_ABOVE_S * rate_hz):
            continue
        first = start + int(high[0])
        until = _released(smooth, start + int(high[-1]) + 1, stop, level, rate_hz)
        if until - first >= MIN_CRANK_S * rate_hz:
            out.append((first, until))
    return out


def _released(smooth: NDArray[np.float64], loud: int, stop: int, level: Levels, rate_hz: float) -> int:
    """Return where the starter was let go, when what follows its last hump is only a probe's drifted zero."""
    tail = smooth[loud:stop]
    if len(tail) <= BRIDGE_S * rate_hz or np.median(tail) >= IDLE_SHARE * level.high / CRANK_SHARE:
        return stop
    return loud + int(np.argmax(tail <= level.hold + 0.2 * (level.high - level.hold)))


def runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and past-the-end index of every run of True in `flags`, shape (m,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def join_runs(spans: list[tuple[int, int]], gap: int) -> list[tuple[int, int]]:
    """Return the spans with those less than `gap` samples apart made one."""
    joined: list[tuple[int, int]] = []
    for start, stop in spans:
        if joined and start - joined[-1][1] <= gap:
            joined[-1] = (joined[-1][0], stop)
        else:
            joined.append((start, stop))
    return joined


def hump_period_s(smooth: NDArray[np.float64], rate_hz: float) -> float:
    """Return the spacing of the humps in seconds, the first strong peak of the autocorrelation; NaN when there is none.

    With unequal humps it may be a multiple of the true spacing, never less.
    """
    m = len(smooth)
    longest = min(round(HUMP_S[1] * rate_hz), m // 2)
    if longest < 8:
        return float("nan")
    x = np.nan_to_num(smooth - _trend(smooth))
    size = 1 << (m + longest - 1).bit_length()
    power = np.abs(np.fft.rfft(x, size)) ** 2
    corr = np.fft.irfft(power, size)[: longest + 1] / np.arange(m, m - longest - 1, -1)
    if corr[0] <= 0:
        return float("nan")
    corr = corr / corr[0]
    inner = np.flatnonzero((corr[1:-1] >= corr[:-2]) & (corr[1:-1] > corr[2:])) + 1
    inner = inner[inner >= HUMP_S[0] * rate_hz]
    if not len(inner) or corr[inner].max() < 0.2:
        return float("nan")
    return float(inner[np.flatnonzero(corr[inner] > 0.8 * corr[inner].max())[0]] / rate_hz)


def _trend(x: NDArray[np.float64]) -> NDArray[np.float64]:
    t = np.linspace(-1.0, 1.0, len(x))
    good = np.isfinite(x)
    if good.sum() <= 3:
        return np.zeros_like(x)
    out: NDArray[np.float64] = np.polyval(np.polyfit(t[good], x[good], 2), t).astype(np.float64)
    return out


def caught_at(smooth: NDArray[np.float64], first: int, stop: int, rate_hz: float) -> int | None:
    """Return the sample from which the engine ran by itself, None if it did not.

    It did when the current falls to the starter's idling and stays there until the key is let go. The sample returned
    lies before the fall by `CATCH_BACK_HUMPS`, since the first firing spoils the humps before it.
    """
    after = first + round(0.1 * rate_hz)
    body = smooth[after:stop]
    if len(body) < CATCH_MIN_S * rate_hz:
        return None
    skip = round(0.15 * rate_hz)
    tops = float(np.nanpercentile(body[skip:] if len(body) > 2 * skip else body, 95))
    loud = np.flatnonzero(np.nan_to_num(body) > CATCH_LEVEL * tops)
    if not len(loud):
        return None
    last = int(loud[-1])
    idle_s = (len(body) - 1 - last) / rate_hz
    hump_s = hump_period_s(body[min(skip, last // 2) : last + 1], rate_hz)
    hump_s = 0.15 if np.isnan(hump_s) else hump_s
    if idle_s < max(CATCH_HUMPS * hump_s, CATCH_MIN_S):
        return None
    return max(first, after + last - round(CATCH_BACK_HUMPS * hump_s * rate_hz))


def flat_share(raw: NDArray[np.float64], rate_hz: float, ceiling: float | None = None) -> float:
    """Return the share of samples that sit at a flat top, 0 to 1.

    Parameters
    ----------
    raw : ndarray, shape (m,)
        Current before any filter, over the steady cranking.
    ceiling
        The highest value the converter or probe can give, when known.
    """
    x = raw[np.isfinite(raw)]
    if len(x) < 8:
        return 0.0
    top, low = float(x.max()), float(np.percentile(x, 1))
    near = x >= top - FLAT_TOP * (top - low)
    if ceiling is not None and top >= ceiling:
        near |= x >= ceiling
    least = max(2, round(FLAT_RUN_S * rate_hz))
    return sum(b - a for a, b in runs(near) if b - a >= least) / len(x)


def longest_whole(good: NDArray[np.bool_], first: int, stop: int) -> tuple[int, int]:
    """Return the longest run of good samples within first..stop; an empty run when there is none."""
    found = [(first + a, first + b) for a, b in runs(good[first:stop])]
    return max(found, key=lambda s: s[1] - s[0], default=(first, first))


def as_span(bounds: tuple[int, int], time_s: NDArray[np.float64], rate_hz: float) -> Span:
    """Return sample bounds as a span of time."""
    return Span(float(time_s[bounds[0]]), float(time_s[bounds[1] - 1] + 1.0 / rate_hz))
