"""Marks of a known cylinder on the sync channel: sparks, cam edges, pressure peaks, found at the full sample rate.

A mark is a moment and a height. Which cylinder's stroke it belongs to is decided elsewhere, by crank angle.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.capture import Capture
    from crankfold.analysis.engine import SyncSpec
    from crankfold.analysis.signal import Span


REDUCED_HZ = 20_000.0  # 50 us is a tenth of a degree at 300 rpm; block extremes keep needles shorter than that
SURVEY_SAMPLES = 20_000  # enough for a median and a spread, whatever the rate
NOISE_TIMES = 8.0  # deviations of the quiet that no noise reaches in a few seconds
DEAD_TIME_S = 0.012  # coils that fire many times an event do so 5 ms apart; two missed ones are still one event
LONGEST_BURST_S = 0.2  # 60 degrees of repeated sparks at 50 rpm; longer is no spark but hash
MARKS_PER_S = 12.0  # one a turn at 500 rpm is 8.3; more are no marks
TOP_SHARES = {"waste-spark": (0.1, 0.2, 0.35, 0.6), "single-spark": (0.3, 0.45, 0.6)}
# shares of the tall sparks a pulse must reach; the first that gives a plausible number of marks is taken: the exhaust
# spark of a waste-spark coil may be a sixth of the other, and alternator hash on the lead stays below half
EDGE_LOW, EDGE_HIGH = 0.35, 0.65  # of the swing: a cam signal rises from below the one to above the other
PRESSURE_SHARE = 0.4  # of the range: the compression peak of a cylinder stands above, exhaust and intake far below
PRESSURE_APART_S = 0.08  # two peaks of one cylinder are a cycle apart, 0.12 s on a two stroke at 500 rpm
PRESSURE_LOW_PASS_S = 0.002


@dataclass(frozen=True, eq=False)
class Marks:
    """The marks on a sync channel.

    Parameters
    ----------
    time_s : ndarray, shape (m,)
        When, seconds from the start of the capture, increasing: a spark's beginning (the first of a burst), a rising
        edge, a pressure peak.
    height : ndarray, shape (m,)
        How far it stands off the channel's rest, in `unit`, 0 and up.
    pulses : ndarray, shape (m,), int
        Pulses that were taken as this one mark (a coil may fire every 5 ms).
    unit
        Unit of the channel.
    inverted
        Whether the marks point downwards.
    rest
        The channel's level between marks.
    """

    time_s: NDArray[np.float64]
    height: NDArray[np.float64]
    pulses: NDArray[np.int64]
    unit: str
    inverted: bool
    rest: float

    @property
    def count(self) -> int:
        """Number of marks."""
        return len(self.time_s)

    def within(self, start_s: float, end_s: float) -> Marks:
        """Return the marks from `start_s` up to and with `end_s`."""
        keep = (self.time_s >= start_s) & (self.time_s <= end_s)
        return Marks(self.time_s[keep], self.height[keep], self.pulses[keep], self.unit, self.inverted, self.rest)


def find_marks(capture: Capture, spec: SyncSpec, within: Span) -> Marks | None:
    """Return the marks that `spec` describes within a stretch of the capture, None if there is no such channel.

    Parameters
    ----------
    capture
        The channel is used at its full rate.
    spec
        What the channel marks; a ``plug-out`` has no channel.
    within
        The cranking.
    """
    column = capture.column(spec.channel)
    if column is None or spec.kind == "plug-out":
        return None
    first = max(0, int(within.start_s * capture.rate_hz))
    stop = min(len(column), int(within.end_s * capture.rate_hz) + 1)
    signal = column[first:stop]
    unit = capture.channels[capture.index_of(spec.channel) or 0].unit
    if len(signal) < 4 or not np.isfinite(signal[:: max(1, len(signal) // SURVEY_SAMPLES)]).any():
        return _none(unit)
    if spec.kind == "cam":
        found = _rising_edges(signal, capture.rate_hz, unit)
    elif spec.kind == "pressure":
        found = _pressure_peaks(signal, capture.rate_hz, unit)
    else:
        found = _sparks(signal, capture.rate_hz, unit, TOP_SHARES[spec.kind])
    return Marks(found.time_s + first / capture.rate_hz, found.height, found.pulses, unit, found.inverted, found.rest)


def _none(unit: str, rest: float = 0.0) -> Marks:
    empty = np.empty(0)
    return Marks(empty, empty, np.empty(0, dtype=np.int64), unit, False, rest)


def _survey(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return finite samples, evenly taken, about 20 000 at most."""
    some = signal[:: max(1, len(signal) // SURVEY_SAMPLES)]
    return some[np.isfinite(some)]


def _sparks(signal: NDArray[np.float64], rate_hz: float, unit: str, shares: tuple[float, ...]) -> Marks:
    rest = float(np.median(_survey(signal)))
    block = max(1, int(rate_hz / REDUCED_HZ))
    low, high = block_extremes(signal, block, rest)
    up, down = high - rest, rest - low
    away = np.maximum(up, down)
    step_s = block / rate_hz
    middle = float(np.median(away))
    spread = 1.4826 * float(np.median(np.abs(away - middle)))
    floor = middle + NOISE_TIMES * max(spread, 0.5 * middle / NOISE_TIMES)
    groups = _bursts(away, floor, step_s)
    if not groups:
        return _none(unit, rest)
    tall = np.sort([away[a:b].max() for a, b, _ in groups])[::-1]
    top = float(tall[min(len(tall) - 1, 2 if len(tall) >= 6 else 1 if len(tall) >= 3 else 0)])
    for share in shares:
        groups = _bursts(away, max(floor, share * top), step_s)
        longest_s = max((b - a for a, b, _ in groups), default=0) * step_s
        if len(groups) <= max(3.0, MARKS_PER_S * len(away) * step_s) and longest_s <= LONGEST_BURST_S:
            break
    heights = np.array([away[a:b].max() for a, b, _ in groups])
    falls = sum(down[a:b].max() > up[a:b].max() for a, b, _ in groups)
    return Marks(np.array([a * step_s for a, _, _ in groups]), heights,
                 np.array([pulses for _, _, pulses in groups], dtype=np.int64), unit, falls > len(groups) / 2, rest)


def _bursts(away: NDArray[np.float64], level: float, step_s: float) -> list[tuple[int, int, int]]:
    """Return first, past-the-end and number of pulses of every burst above `level`."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (away > level).astype(np.int8), [0]))))
    groups: list[tuple[int, int, int]] = []
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if groups and (start - groups[-1][1]) * step_s <= DEAD_TIME_S:
            groups[-1] = (groups[-1][0], stop, groups[-1][2] + 1)
        else:
            groups.append((start, stop, 1))
    return groups


def _rising_edges(signal: NDArray[np.float64], rate_hz: float, unit: str) -> Marks:
    some = _survey(signal)
    low, high = float(np.percentile(some, 2)), float(np.percentile(some, 98))
    if high - low < 0.5 * float(some.max() - some.min()):  # a pulse shorter than a fiftieth of the time
        low, high = float(some.min()), float(some.max())
    noise = 1.4826 * float(np.median(np.abs(some - np.median(some))))
    swing = high - low
    if not swing > NOISE_TIMES * min(noise, 0.05 * swing) or swing <= 6.0 * _step_noise(some):
        return _none(unit, low)
    state = np.zeros(len(signal), dtype=np.int8)
    with np.errstate(invalid="ignore"):
        state[signal > low + EDGE_HIGH * swing] = 1
        state[signal < low + EDGE_LOW * swing] = -1
    told = np.flatnonzero(state)
    turns = np.flatnonzero((state[told[:-1]] < 0) & (state[told[1:]] > 0))
    # a step across lost samples has no moment
    at = np.array([_crossing(signal, told[k], told[k + 1], low + 0.5 * swing) for k in turns], dtype=np.float64)
    at = at[np.isfinite(at)]
    return Marks(at / rate_hz, np.full(len(at), swing), np.ones(len(at), dtype=np.int64), unit, False, low)


def _step_noise(some: NDArray[np.float64]) -> float:
    """Return the noise as the usual step from one sample to the next, which a square wave hardly has."""
    return float(1.4826 * np.median(np.abs(np.diff(some)))) / np.sqrt(2.0) if len(some) > 2 else 0.0


def _crossing(signal: NDArray[np.float64], before: int, after: int, level: float) -> float:
    part = signal[before : after + 1]
    if not np.isfinite(part).all():
        return float("nan")
    k = int(np.flatnonzero(part >= level)[0])
    rise = part[k] - part[k - 1]
    return float(before + k - (part[k] - level) / rise)


def _pressure_peaks(signal: NDArray[np.float64], rate_hz: float, unit: str) -> Marks:
    block = max(1, int(PRESSURE_LOW_PASS_S * rate_hz))
    blocks = len(signal) // block
    x = signal[: blocks * block].reshape(blocks, block).mean(axis=1)
    step_s = block / rate_hz
    x = np.where(np.isfinite(x), x, np.nanmin(x) if np.isfinite(x).any() else 0.0)
    rest = float(np.median(x))
    upright = x.max() - rest >= rest - x.min()
    y = x - rest if upright else rest - x
    level = PRESSURE_SHARE * float(y.max())
    if level <= NOISE_TIMES / 2 * _step_noise(x):
        return _none(unit, rest)
    peaks: list[int] = []
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (y > level).astype(np.int8), [0]))))
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        k = start + int(np.argmax(y[start:stop]))
        if peaks and (k - peaks[-1]) * step_s < PRESSURE_APART_S:
            peaks[-1] = max(peaks[-1], k, key=lambda i: y[i])
        elif start > 0 and stop < len(y):
            peaks.append(k)
    fine = [_top(y, k) for k in peaks]
    return Marks(np.array([(k + 0.5) * step_s - 0.5 / rate_hz for k, _ in fine]), np.array([h for _, h in fine]),
                 np.ones(len(fine), dtype=np.int64), unit, not upright, rest)


def _top(y: NDArray[np.float64], k: int) -> tuple[float, float]:
    """Return place and height of the crest at `k`: a parabola through the samples above nine tenths of it."""
    first, stop = k, k + 1
    while first > 0 and y[first - 1] > 0.9 * y[k]:
        first -= 1
    while stop < len(y) and y[stop] > 0.9 * y[k]:
        stop += 1
    if stop - first < 5:
        return float(k), float(y[k])
    at = np.arange(first, stop) - k
    a, b, c = np.polyfit(at, y[first:stop], 2)
    if a >= 0 or abs(b / (2 * a)) > stop - first:
        return float(k), float(y[k])
    return float(k - b / (2 * a)), float(c - b * b / (4 * a))


def block_extremes(signal: NDArray[np.float64], block: int,
                   rest: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the lowest and highest value of each block, both shape (blocks,).

    Parameters
    ----------
    signal : ndarray, shape (n,)
        May be a column of a table; lost samples are NaN and count as `rest`.
    block
        Samples a block; the last one may be shorter.
    rest
        Taken for blocks without any sample.
    """
    if not len(signal):
        return np.empty(0), np.empty(0)
    starts = np.arange(0, len(signal), block)
    low, high = np.fmin.reduceat(signal, starts), np.fmax.reduceat(signal, starts)
    return np.where(np.isnan(low), rest, low), np.where(np.isnan(high), rest, high)
