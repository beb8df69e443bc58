"""From samples at any rate to about two thousand a second, each with the weight of what it was made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

POOLED_HZ = 2000.0  # ten times what a hump contains, and little enough that the cost no longer depends on the rate
LOW_PASS_HZ = 60.0  # passes a twelve's humps at 300 rpm, stops commutator hash
LOW_PASS_ORDER = 3
SPIKE_STEPS = 12.0  # times the usual step from sample to sample: no hash jumps there and back so far
SPIKE_RANGE = 0.08  # and of the range: smaller ones do no harm
SPIKES_MOST = 0.02  # of the samples: more of them are the signal itself


@dataclass(frozen=True, eq=False)
class Pooled:
    """One channel averaged in blocks.

    Parameters
    ----------
    time_s : ndarray, shape (m,)
        Centres of the blocks, seconds from the start of the capture.
    value : ndarray, shape (m,)
        Mean of the good samples; NaN where there is none.
    weight : ndarray, shape (m,)
        Share of good samples, 0 to 1; 0 where `value` is NaN.
    rate_hz
        Blocks a second.
    """

    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    weight: NDArray[np.float64]
    rate_hz: float


def pool(samples: NDArray[np.float64], index: int, rate_hz: float) -> Pooled:
    """Return one channel averaged in blocks to about 2 kS/s, as one matrix product.

    Parameters
    ----------
    samples : ndarray, shape (samples, channels)
        NaN where samples are lost; a block with more than half of them is lost.
    index
        The column.
    rate_hz
        Samples a second.
    """
    block = max(1, int(rate_hz / POOLED_HZ + 0.5))
    blocks, channels = len(samples) // block, samples.shape[1]
    head = samples[: blocks * block]
    share = np.zeros(block * channels)
    share[index::channels] = 1.0 / block
    value = head.reshape(blocks, block * channels) @ share
    weight = np.ones(blocks)
    bad = np.flatnonzero(~np.isfinite(value))
    if len(bad):
        part = head[:, index].reshape(blocks, block)[bad]
        good = np.isfinite(part)
        count = good.sum(axis=1)
        enough = 2 * count > block
        mean = np.where(good, part, 0.0).sum(axis=1) / np.maximum(count, 1)
        value[bad], weight[bad] = np.where(enough, mean, np.nan), np.where(enough, count / block, 0.0)
    time_s = (np.arange(blocks, dtype=np.float64) * block + 0.5 * (block - 1)) / rate_hz
    return Pooled(time_s, value, weight, rate_hz / block)


def bridged(value: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return `value`, shape (m,), with straight lines where the weight is 0."""
    good = weight > 0
    if good.all():
        return value
    at = np.arange(len(value))
    return np.interp(at, at[good], value[good])


def spikes(value: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which samples, shape (m,), jump out of both their neighbours and back: a disturbed reading, no current.

    Parameters
    ----------
    value : ndarray, shape (m,)
        Finite samples.
    """
    out = np.zeros(len(value), dtype=np.bool_)
    if len(value) < 16:
        return out
    step = np.diff(value)
    usual = 1.4826 * float(np.median(np.abs(step)))
    least = max(SPIKE_STEPS * usual, SPIKE_RANGE * float(np.percentile(value, 99.5) - np.percentile(value, 0.5)))
    before, after = step[:-1], step[1:]
    out[1:-1] = (before * after < 0) & (np.minimum(np.abs(before), np.abs(after)) > least)
    return out if out.mean() <= SPIKES_MOST else np.zeros_like(out)


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


def moving_mean(x: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Return the mean of `width` samples round each, of fewer at the ends, shape as `x`."""
    total = np.concatenate(([0.0], np.cumsum(x)))
    at = np.arange(len(x))
    low, high = np.maximum(at - width // 2, 0), np.minimum(at - width // 2 + width, len(x))
    out: NDArray[np.float64] = (total[high] - total[low]) / (high - low)
    return out
