"""From a capture to the conditioned trace: pooled, bridged, zero off, cranking positive, hash and hum low-passed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.capture import CURRENT
from crankfold.analysis.errors import InputError
from crankfold.analysis.signal import cranking as window
from crankfold.analysis.signal.cranking import NoCranking
from crankfold.analysis.signal.trace import CrankingTrace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.capture import Capture

__all__ = ["NoCranking", "condition"]

POOLED_HZ = 2000.0  # ten times what a hump contains, and little enough that the cost no longer depends on the rate
LOW_PASS_HZ = 60.0  # passes a twelve's humps at 300 rpm, stops commutator hash
LOW_PASS_ORDER = 3
QUIET_S = 0.1  # enough for a median; captures begin at least this long before the onset
QUIET_SHARE = 0.12  # of the whole range: a stretch whose short means vary less is quiet
QUIET_MEAN_S = 0.02  # one turn of 50 Hz hum, so that hum and hash do not count
MIN_SAMPLES = 16
GAP_OF_HUMP = 1.0 / 20.0  # longest gap that a straight line bridges without moving a hump
GAP_SHARE = 0.01  # of the steady cranking, in all
FALLBACK_HUMP_S = 0.1  # where nothing repeats
HUM_QUIET_S = 0.2  # ten turns of 50 Hz: captures begin with about so much quiet
MAINS_HZ = (50.0, 60.0)
HUM_BELOW_HZ = 25.0  # what lies below is humps, and is kept out of the search
HUM_SHARE = 0.25  # of the quiet stretch's power: a line this strong is hum, not noise
HUM_ALIKE = (0.5, 1.5)  # the whole trace's sine over the quiet stretch's
NOISE_RATIO = 8.0  # a cranking stands this far above the quiet


@dataclass(frozen=True, eq=False)
class _Pooled:
    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    rate_hz: float
    block: int


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
    pooled = pool(capture.samples, index, capture.rate_hz)
    lost = ~np.isfinite(pooled.value)
    if len(pooled.value) < MIN_SAMPLES or lost.all():
        raise InputError(f"the current has only {int((~lost).sum())} usable samples; "
                         "record at least a second of cranking")
    filled = without_hum(_bridge(pooled.value), pooled.rate_hz)
    zero, noise, polarity = find_zero(filled, pooled.rate_hz)
    current = polarity * (filled - zero)
    smooth = low_pass(current, pooled.rate_hz)
    spans, level = _crankings(smooth, _quiet_noise(smooth, noise, pooled.rate_hz), pooled.rate_hz,
                              amperes=capture.channels[index].unit == "A")
    return _judge(capture, index, pooled, lost, current, smooth, spans, level, (zero, noise, polarity))


def pool(samples: NDArray[np.float64], index: int, rate_hz: float) -> _Pooled:
    """Return one channel averaged in blocks to about 2 kS/s, as one matrix product.

    Parameters
    ----------
    samples : ndarray, shape (samples, channels)
        NaN where samples are lost; a block with more than half of them is NaN.
    index
        The column.
    rate_hz
        Samples a second.
    """
    block = max(1, int(rate_hz / POOLED_HZ + 0.5))
    blocks, channels = len(samples) // block, samples.shape[1]
    head = samples[: blocks * block]
    weight = np.zeros(block * channels)
    weight[index::channels] = 1.0 / block
    value = head.reshape(blocks, block * channels) @ weight
    for bad in np.flatnonzero(~np.isfinite(value)):
        part = head[bad * block : (bad + 1) * block, index]
        good = part[np.isfinite(part)]
        value[bad] = good.mean() if 2 * len(good) > block else np.nan
    time_s = (np.arange(blocks, dtype=np.float64) * block + 0.5 * (block - 1)) / rate_hz
    return _Pooled(time_s, value, rate_hz / block, block)


def _bridge(value: NDArray[np.float64]) -> NDArray[np.float64]:
    good = np.isfinite(value)
    if good.all():
        return value
    at = np.arange(len(value))
    return np.interp(at, at[good], value[good])


def low_pass(x: NDArray[np.float64], rate_hz: float, corner_hz: float = LOW_PASS_HZ) -> NDArray[np.float64]:
    """Return `x` after a zero-phase Butterworth low-pass, run forward and back in effect.

    Parameters
    ----------
    x : ndarray, shape (m,)
        Finite samples.
    """
    if rate_hz <= 2.0 * corner_hz:
        return x.copy()
    pad = min(len(x) - 1, int(rate_hz / corner_hz * 6))
    odd = np.concatenate((2 * x[0] - x[pad:0:-1], x, 2 * x[-1] - x[-2 : -pad - 2 : -1]))
    size = _fast_length(len(odd))
    frequency = np.fft.rfftfreq(size, 1.0 / rate_hz)
    gain = 1.0 / (1.0 + (frequency / corner_hz) ** (2 * LOW_PASS_ORDER))
    ramp = np.linspace(odd[0], odd[-1], len(odd))
    smooth: NDArray[np.float64] = np.fft.irfft(np.fft.rfft(odd - ramp, size) * gain, size)[: len(odd)] + ramp
    return smooth[pad : pad + len(x)]


def _fast_length(n: int) -> int:
    """Return the next length whose transform is fast: a power of two times 1, 3, 5, 9 or 15."""
    return min(k << max(0, (-(-n // k) - 1).bit_length()) for k in (1, 3, 5, 9, 15))


def without_hum(x: NDArray[np.float64], rate_hz: float) -> NDArray[np.float64]:
    """Return `x` less the mains hum that its quiet beginning shows: one steady sine at 50 or 60 Hz.

    The sine is fitted to the whole trace at the frequency, near the mains', that takes most off; it is taken off only
    if the quiet stretch alone shows a like one, so that no hump's harmonic is mistaken for it.
    """
    width = round(HUM_QUIET_S * rate_hz)
    if len(x) < 4 * width or width < 16:
        return x
    time = np.arange(len(x), dtype=np.float64) / rate_hz
    for mains in MAINS_HZ:
        quiet, _ = _sine(x[:width], time[:width], mains)
        rest = x[:width] - np.mean(x[:width])
        if 2.0 * float(np.mean(rest**2)) * HUM_SHARE > abs(quiet) ** 2 or abs(quiet) == 0.0:
            continue
        fast = x - low_pass(x, rate_hz, HUM_BELOW_HZ)
        tried = [_sine(fast, time, mains + off) for off in np.arange(-0.3, 0.31, 0.05)]
        whole, wave = max(tried, key=lambda item: abs(item[0]))
        if HUM_ALIKE[0] < abs(whole) / abs(quiet) < HUM_ALIKE[1]:
            x = x - wave
    return x


def _sine(x: NDArray[np.float64], time_s: NDArray[np.float64],
          frequency_hz: float) -> tuple[complex, NDArray[np.float64]]:
    """Return the complex amplitude and the samples of the sine at a frequency that fits `x` best."""
    turn = np.exp(2j * np.pi * frequency_hz * time_s)
    amplitude = complex(2.0 * np.mean((x - np.mean(x)) * np.conj(turn)))
    wave: NDArray[np.float64] = (amplitude * turn).real
    return amplitude, wave


def find_zero(x: NDArray[np.float64], rate_hz: float) -> tuple[float, float, int]:
    """Return the current's zero, its noise and its polarity.

    The zero is the median of the quiet before the cranking, or after it, the one further out; 0 where neither is quiet,
    and the noise is then not a number (0 is that of a rest within one code of the converter). The polarity is the side
    of it on which the cranking lies.
    """
    width = max(4, round(QUIET_S * rate_hz))
    short = max(1, round(QUIET_MEAN_S * rate_hz))
    means = np.convolve(x, np.full(short, 1.0 / short), mode="valid")
    spread = float(np.percentile(means, 99) - np.percentile(means, 1))
    calm = [float(np.ptp(part)) <= max(QUIET_SHARE * spread, 1e-12)
            for part in (means[: max(1, width - short + 1)], means[-max(1, width - short + 1) :])]
    quiet = [e for e, still in zip((x[:width], x[-width:]), calm, strict=True) if still]
    if quiet:
        medians = [float(np.median(e)) for e in quiet]
        middle = float(np.median(x))
        chosen = 0 if len(quiet) == 1 or abs(medians[0] - medians[1]) < 0.1 * spread else int(
            np.argmax([abs(m - middle) for m in medians]))
        zero = medians[chosen]
        noise = float(1.4826 * np.median(np.abs(quiet[chosen] - zero)))
    else:
        zero, noise = 0.0, float("nan")
    off = x - zero
    far = off[np.abs(off) > 0.3 * np.percentile(np.abs(off), 99)]
    return zero, noise, -1 if len(far) and far.mean() < 0 else 1


def _quiet_noise(smooth: NDArray[np.float64], noise: float, rate_hz: float) -> float:
    """Return the noise left after the low-pass, at the quieter end of the trace; 0 when no end is quiet."""
    width = max(4, round(QUIET_S * rate_hz))
    if np.isnan(noise):
        return 0.0
    return float(min(np.std(e[2:-2]) for e in (smooth[:width], smooth[-width:])))


def _crankings(smooth: NDArray[np.float64], noise: float, rate_hz: float, *,
               amperes: bool) -> tuple[list[tuple[int, int]], window.Levels]:
    level = window.levels(smooth, noise, amperes=amperes)
    spans = window.find_crankings(smooth, rate_hz, level)
    peak = float(smooth.max())
    if not spans or peak <= NOISE_RATIO * noise:
        above = window.runs(smooth > level.high)
        longest_s = max((b - a for a, b in above), default=0) / rate_hz
        raise NoCranking({"peak": peak, "noise": noise, "longest_s": longest_s})
    return spans, level


def _judge(capture: Capture, index: int, pooled: _Pooled, lost: NDArray[np.bool_], current: NDArray[np.float64],
           smooth: NDArray[np.float64], spans: list[tuple[int, int]], level: window.Levels,
           found: tuple[float, float, int]) -> CrankingTrace:
    zero, noise, polarity = found
    rate_hz, time_s = pooled.rate_hz, pooled.time_s
    first, stop = max(spans, key=lambda s: s[1] - s[0])
    has_onset = first > round(0.02 * rate_hz)
    begin = min(first + round(window.INRUSH_S * rate_hz), stop) if has_onset else first
    caught = window.caught_at(smooth, first, stop, rate_hz)
    until = caught if caught is not None else stop - round(window.RELEASE_S * rate_hz)
    until = max(begin, until)
    hump_s = window.hump_period_s(smooth[begin:until], rate_hz)
    bridged, long = _gaps(lost, (first, stop), begin, until, FALLBACK_HUMP_S if np.isnan(hump_s) else hump_s, rate_hz)
    whole = (begin, until)
    if long.any():
        whole = window.longest_whole(~long, begin, until)
        current = np.where(long, np.nan, current)
        smooth = np.where(long, np.nan, smooth)
    inrush_part = current[first : min(stop, first + round(window.INRUSH_S * rate_hz))]
    ceiling = _ceiling(capture, index, zero, polarity)
    raw = polarity * (pooled.value - zero)  # hum that is taken off would take the flatness off clipped tops
    return CrankingTrace(
        time_s=time_s, current=current, smooth=smooth, rate_hz=rate_hz, source_rate_hz=capture.rate_hz,
        unit=capture.channels[index].unit, polarity=polarity, zero=zero, noise=noise,
        crank=window.as_span((first, stop), time_s, rate_hz),
        others=tuple(window.as_span(s, time_s, rate_hz) for s in spans if s != (first, stop)),
        steady_from_s=float(time_s[min(whole[0], len(time_s) - 1)]),
        inrush=float(np.nanmax(inrush_part)) if has_onset and np.isfinite(inrush_part).any() else float("nan"),
        bridged=tuple(window.as_span(s, time_s, rate_hz) for s in bridged),
        clipped_humps=window.flat_share(raw[whole[0] : whole[1]], rate_hz, ceiling),
        clipped_inrush=has_onset and _flat_inrush(raw[first : first + len(inrush_part)], rate_hz, ceiling),
        steady_to_s=float(time_s[min(whole[1], len(time_s) - 1)]),
        fired_at_s=None if caught is None else float(time_s[caught]),
        has_onset=has_onset, cut_by_gap=bool(long.any()), ac_sag=_sag(smooth[whole[0] : whole[1]]),
    )


def _gaps(lost: NDArray[np.bool_], crank: tuple[int, int], begin: int, until: int, hump_s: float,
          rate_hz: float) -> tuple[list[tuple[int, int]], NDArray[np.bool_]]:
    """Return the gaps in the cranking that are bridged, and a mask of those too long for it."""
    inside = [(a, b) for a, b in window.runs(lost) if b > crank[0] and a < crank[1]]
    short = [g for g in inside if g[1] - g[0] <= max(1.0, GAP_OF_HUMP * hump_s * rate_hz)]
    steady = [min(b, until) - max(a, begin) for a, b in short if b > begin and a < until]
    if sum(steady) > GAP_SHARE * max(until - begin, 1):
        short = []
    long = np.zeros(len(lost), dtype=np.bool_)
    for a, b in window.runs(lost):
        if (a, b) not in short:
            long[a:b] = True
    return short, long


def _ceiling(capture: Capture, index: int, zero: float, polarity: int) -> float | None:
    ends = capture.channels[index].value_range()
    return None if ends is None else float(max(polarity * (e - zero) for e in ends)) * 0.999


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
