"""From a capture to the conditioned trace: pooled, weighed, hum and zero off, cranking positive, and what is where."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.capture import CURRENT
from crankfold.analysis.errors import InputError
from crankfold.analysis.signal import cranking as window
from crankfold.analysis.signal.ac_coupling import coupled_span
from crankfold.analysis.signal.cranking import NoCranking
from crankfold.analysis.signal.firing import trend
from crankfold.analysis.signal.hum import without_hum
from crankfold.analysis.signal.humps import find_humps, hump_period_s
from crankfold.analysis.signal.pool import bridged, low_pass, pool, spikes
from crankfold.analysis.signal.rest import after_release, find_zero
from crankfold.analysis.signal.run_up import LEAST_LEFT_S, find_run_up
from crankfold.analysis.signal.trace import CrankingTrace
from crankfold.analysis.signal.whole import find_crankings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.capture import Capture
    from crankfold.analysis.signal.hum import Hum
    from crankfold.analysis.signal.pool import Pooled
    from crankfold.analysis.signal.rest import After, Zero
    from crankfold.analysis.signal.run_up import RunUp

__all__ = ["NoCranking", "condition"]

MIN_SAMPLES = 16
GAP_OF_HUMP = 0.5  # longest gap that is left out: what is left of such a hump still has its neighbours to go by
GAP_SHARE = 0.25  # of the judged stretch, in all
FALLBACK_HUMP_S = 0.1  # where nothing repeats
KICK_BACK_HUMPS = 3.0  # the humps changed most a little after the first kick, and that helped from before its top
LONGEST_HUMP_S = 0.25  # what is longer is a multiple of the true spacing, as nothing repeats once an engine fires
EDGE_S = 0.006  # the low-pass smears what was put into a gap so far round it
NOISE_RATIO = 8.0  # a cranking stands this far above the quiet
HAS_ONSET_S = 0.02  # of rest before it
ONSET_BEFORE_S, ONSET_AFTER_S = 0.05, 0.1  # of the detector's onset
ONSET_NOISES, ONSET_SHARE = 6.0, 0.02  # standard deviations of the rest, and of the tall samples: off its rest
TRIGGER_NEAR_S = 0.1  # the onset that the trigger found, to the full rate's sample, is this crank's


@dataclass(frozen=True, eq=False)
class _Current:
    """The whole current, conditioned, before it is known where the cranking is."""

    pooled: Pooled
    raw: NDArray[np.float64]
    current: NDArray[np.float64]
    smooth: NDArray[np.float64]
    weight: NDArray[np.float64]
    lost: NDArray[np.bool_]
    zero: Zero
    hum: Hum | None
    smooth_noise: float
    amperes: bool


@dataclass(frozen=True, eq=False)
class _Judged:
    """What of one crank is judged, in samples."""

    begin: int
    until: int
    caught: int | None
    run_up: RunUp | None
    hump_s: float


def condition(capture: Capture) -> CrankingTrace:
    """Return the conditioned current of the longest cranking in a capture.

    Raises
    ------
    NoCranking
        Nothing in it is a cranking.
    InputError
        There is no current channel, or it has no samples.
    """
    index = capture.index_of(CURRENT)
    index = 0 if index is None else index
    whole = _current(capture, index)
    rest = whole.current[whole.zero.rest]
    found = find_crankings(whole.current, whole.pooled.rate_hz, rest, amperes=whole.amperes)
    cranks = found.cranks or coupled_span(whole.smooth, whole.pooled.rate_hz)
    if not cranks or float(whole.smooth.max()) <= NOISE_RATIO * whole.smooth_noise:
        raise NoCranking(window.facts_of(whole.smooth, whole.pooled.rate_hz, whole.smooth_noise, found.loads,
                                         whole.hum))
    first, stop = max(cranks, key=lambda s: s[1] - s[0])
    until = min((a for a, _ in cranks if a > stop), default=len(whole.smooth))
    mean = float(whole.smooth[first:stop].mean())
    after = after_release(whole.smooth, stop, until, whole.pooled.rate_hz, mean, whole.smooth_noise)
    others = tuple(s for s in cranks if s != (first, stop))
    return _until_it_fires(_trace(capture, index, whole, (_onset(capture, whole, first), stop), after, others))


def _current(capture: Capture, index: int) -> _Current:
    pooled = pool(capture.samples, index, capture.rate_hz)
    lost = pooled.weight <= 0
    if len(pooled.value) < MIN_SAMPLES or lost.all():
        raise InputError(f"the current has only {int((~lost).sum())} usable samples; "
                         "record at least a second of cranking")
    weight = pooled.weight.copy()
    weight[spikes(bridged(pooled.value, weight))] = 0.0
    filled, hum = without_hum(bridged(pooled.value, weight), pooled.rate_hz)
    zero = find_zero(filled, pooled.rate_hz)
    current = zero.polarity * (filled - zero.value)
    smooth = low_pass(current, pooled.rate_hz)
    noise = 0.0 if np.isnan(zero.noise) else float(np.std(smooth[zero.rest][2:-2]))
    raw = zero.polarity * (pooled.value - zero.value)  # hum that is taken off would take the flatness off clipped tops
    return _Current(pooled, raw, current, smooth, weight, lost, zero, hum, noise,
                    capture.channels[index].unit == "A")


def _onset(capture: Capture, whole: _Current, first: int) -> int:
    """Return the onset that the trigger found, where the capture carries it, else the first sample off its rest.

    That is looked for about the detector's onset by shares of the current, so that it is the same in any unit.
    """
    rate_hz = whole.pooled.rate_hz
    if capture.trigger_index is not None:
        at = round(capture.trigger_index / capture.rate_hz * rate_hz)
        if abs(at - first) <= TRIGGER_NEAR_S * rate_hz:
            return at
    begin = max(0, first - round(ONSET_BEFORE_S * rate_hz))
    part = whole.current[begin : first + round(ONSET_AFTER_S * rate_hz)]
    noise = 0.0 if np.isnan(whole.zero.noise) else whole.zero.noise
    off = part - float(np.median(whole.current[max(0, begin - len(part)) : begin + 1]))
    away = off > max(ONSET_NOISES * noise, ONSET_SHARE * float(np.percentile(whole.smooth, 99)))
    return begin + int(np.argmax(away)) if away.any() and begin > 0 else first


def _stretch(whole: _Current, first: int, stop: int, idles_to: int | None) -> _Judged:
    """Return what of a crank may be judged: after its run-up, before its release or the engine's catching."""
    rate_hz, smooth = whole.pooled.rate_hz, whole.smooth
    has_onset = first > round(HAS_ONSET_S * rate_hz)
    caught = window.caught_at(smooth, first, stop if idles_to is None else idles_to, rate_hz)
    until = caught if caught is not None else stop - round(window.RELEASE_S * rate_hz)
    begin = min(first + round(window.INRUSH_S * rate_hz), stop) if has_onset else first
    until = max(begin, until)
    hump_s = hump_period_s(smooth[begin:until], rate_hz)
    if not has_onset:
        return _Judged(begin, until, caught, None, hump_s)
    run_up = find_run_up(smooth, whole.pooled.time_s, (first, until), rate_hz,
                         FALLBACK_HUMP_S if np.isnan(hump_s) else hump_s)
    settled = int(np.searchsorted(whole.pooled.time_s, run_up.end_s))
    if run_up.settled and until - settled >= LEAST_LEFT_S * rate_hz:
        begin = max(begin, settled)
    return _Judged(begin, until, caught, run_up, hump_s)


def _trace(capture: Capture, index: int, whole: _Current, crank: tuple[int, int], after: After,
           others: tuple[tuple[int, int], ...]) -> CrankingTrace:
    first, stop = crank
    rate_hz, time_s = whole.pooled.rate_hz, whole.pooled.time_s
    judged = _stretch(whole, first, stop, after.idles_to)
    end = stop if after.idles_to is None or judged.caught is None else after.idles_to
    short, long = _gaps(whole.lost, (first, end), judged, rate_hz)
    begin, until = window.longest_whole(~long, judged.begin, judged.until) if long.any() else (
        judged.begin, judged.until)
    ceiling = _ceiling(capture, index, whole.zero)
    flat = window.flat_tops(whole.raw[begin:until], rate_hz, ceiling)
    weight = _weight(whole, long, rate_hz)
    weight[begin:until][flat] = 0.0
    over = first + round(window.INRUSH_S * rate_hz)
    inrush = whole.current[first : min(stop, over)]
    has_onset = judged.run_up is not None
    smooth = np.where(long, np.nan, whole.smooth)
    return CrankingTrace(
        time_s=time_s, current=np.where(long, np.nan, whole.current), smooth=smooth, weight=weight,
        rate_hz=rate_hz, source_rate_hz=capture.rate_hz, unit=capture.channels[index].unit,
        polarity=whole.zero.polarity, zero=whole.zero.value, noise=whole.zero.noise, smooth_noise=whole.smooth_noise,
        crank=window.as_span((first, end), time_s, rate_hz),
        others=tuple(window.as_span(s, time_s, rate_hz) for s in others),
        steady_from_s=float(time_s[min(begin, len(time_s) - 1)]),
        steady_to_s=float(time_s[min(until, len(time_s) - 1)]),
        inrush=float(inrush.max()) if has_onset and len(inrush) else float("nan"),
        bridged=tuple(window.as_span(s, time_s, rate_hz) for s in short),
        clipped_humps=float(flat.mean()) if len(flat) else 0.0,
        clipped_inrush=has_onset and _flat_inrush(whole.raw[first : first + len(inrush)], rate_hz, ceiling),
        fired_at_s=None if judged.caught is None else float(time_s[judged.caught]), has_onset=has_onset,
        cut_by_gap=bool(long.any()), ac_sag=_sag(smooth[min(over, begin) : until]),
        zero_after=after.left, run_up=judged.run_up,
        hump_s=judged.hump_s, hum=whole.hum,
        humps=find_humps(whole.smooth[first:stop], time_s[first:stop], whole.smooth_noise),
    )


def _until_it_fires(trace: CrankingTrace) -> CrankingTrace:
    """Return the trace judged up to where the engine began to fire while its starter went on turning it."""
    change = trend(trace)
    if trace.fired_at_s is not None or change is None or not change.certain:
        return trace
    hump_s = FALLBACK_HUMP_S if np.isnan(trace.hump_s) else min(trace.hump_s, LONGEST_HUMP_S)
    fired_s = max(trace.steady_from_s, trace.crank.start_s + change.since_s - KICK_BACK_HUMPS * hump_s)
    return replace(trace, fired_at_s=fired_s, steady_to_s=min(trace.steady_to_s, fired_s))


def _gaps(lost: NDArray[np.bool_], crank: tuple[int, int], judged: _Judged,
          rate_hz: float) -> tuple[list[tuple[int, int]], NDArray[np.bool_]]:
    """Return the gaps in the cranking that are left out, and a mask of those too long for it."""
    hump_s = FALLBACK_HUMP_S if np.isnan(judged.hump_s) else judged.hump_s
    inside = [(a, b) for a, b in window.runs(lost) if b > crank[0] and a < crank[1]]
    short = [g for g in inside if g[1] - g[0] <= max(1.0, GAP_OF_HUMP * hump_s * rate_hz)]
    steady = [min(b, judged.until) - max(a, judged.begin) for a, b in short if b > judged.begin and a < judged.until]
    if sum(steady) > GAP_SHARE * max(judged.until - judged.begin, 1):
        short = []
    long = np.zeros(len(lost), dtype=np.bool_)
    for a, b in inside:
        if (a, b) not in short:
            long[a:b] = True
    return short, long


def _weight(whole: _Current, long: NDArray[np.bool_], rate_hz: float) -> NDArray[np.float64]:
    """Return the samples' weights, gaps with what the low-pass smears of them."""
    weight = np.where(long, 0.0, whole.weight)
    edge = round(EDGE_S * rate_hz)
    for a, b in window.runs(weight <= 0):
        if b - a > edge:
            weight[max(0, a - edge) : b + edge] = 0.0
    return weight


def _ceiling(capture: Capture, index: int, zero: Zero) -> float | None:
    ends = capture.channels[index].value_range()
    return None if ends is None else float(max(zero.polarity * (e - zero.value) for e in ends)) * 0.999


def _flat_inrush(part: NDArray[np.float64], rate_hz: float, ceiling: float | None) -> bool:
    good = part[np.isfinite(part)]
    if len(good) < 4:
        return False
    top = float(good.max())
    at_top = int((good >= top - 0.005 * top).sum())
    return at_top >= max(3, round(0.008 * rate_hz)) or (ceiling is not None and top >= ceiling)


def _sag(steady: NDArray[np.float64]) -> float:
    third = len(steady) // 3
    if third < 4:
        return 1.0
    early, late = np.nanmean(steady[:third]), np.nanmean(steady[-third:])
    return float(late / early) if np.isfinite(early) and np.isfinite(late) and early > 0 else 1.0
