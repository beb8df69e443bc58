"""The humps of a cranking one by one, as they are seen, whatever engine makes them: when, how high, how far apart."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

HUMP_S = (0.02, 1.0)  # hump spacings that cranking can have: 12 cylinders at 300 rpm to one at 120
LEAST_SHARE = 0.15  # of the usual swing about the local mean: what turns back by less is no hump
LEAST_NOISES = 8.0  # and of the quiet's standard deviation: noise does not reach so far from crest to trough
USUAL_PERCENTILES = (10.0, 90.0)
LEAST_PEAK, NEARLY_PEAK = 0.2, 0.8  # of the autocorrelation: the least that counts, and what is as good as the best


def _empty() -> NDArray[np.float64]:
    return np.empty(0)


@dataclass(frozen=True, eq=False)
class Humps:
    """One entry a hump, from the trough before it to the trough after it; all arrays of shape (n,).

    Parameters
    ----------
    time_s
        When the crest is, seconds from the start of the capture, increasing.
    length_s
        From trough to trough.
    level
        Mean of the current from trough to trough, in the trace's unit.
    swing
        Crest over the mean of the two troughs, in the trace's unit.
    """

    time_s: NDArray[np.float64] = field(default_factory=_empty)
    length_s: NDArray[np.float64] = field(default_factory=_empty)
    level: NDArray[np.float64] = field(default_factory=_empty)
    swing: NDArray[np.float64] = field(default_factory=_empty)

    @property
    def count(self) -> int:
        """Number of humps."""
        return len(self.time_s)

    @property
    def rate_hz(self) -> NDArray[np.float64]:
        """Humps a second at each: the inverse of its length."""
        out: NDArray[np.float64] = 1.0 / np.maximum(self.length_s, 1e-9)
        return out

    def within(self, start_s: float, end_s: float) -> Humps:
        """Return the humps whose crests lie from `start_s` up to `end_s`."""
        keep = (self.time_s >= start_s) & (self.time_s < end_s)
        return Humps(self.time_s[keep], self.length_s[keep], self.level[keep], self.swing[keep])


def find_humps(smooth: NDArray[np.float64], time_s: NDArray[np.float64], noise: float) -> Humps:
    """Return the humps of a stretch of cranking.

    Parameters
    ----------
    smooth : ndarray, shape (m,)
        Low-passed current, finite.
    time_s : ndarray, shape (m,)
    noise
        Standard deviation of the quiet in `smooth`.
    """
    if len(smooth) < 8:
        return Humps()
    late = smooth[len(smooth) // 2 :]
    low, high = np.percentile(late, USUAL_PERCENTILES)
    least = max(LEAST_SHARE * float(high - low), LEAST_NOISES * noise, 1e-12)
    troughs, crests = _turns(smooth, least)
    total = np.concatenate(([0.0], np.cumsum(smooth)))
    rows = []
    for crest in crests:
        k = int(np.searchsorted(troughs, crest))
        if 0 < k < len(troughs):
            a, b = troughs[k - 1], troughs[k]
            rows.append((time_s[crest], time_s[b] - time_s[a], (total[b] - total[a]) / (b - a),
                         smooth[crest] - 0.5 * (smooth[a] + smooth[b])))
    return Humps(*np.array(rows, dtype=np.float64).reshape(-1, 4).T)


def _turns(x: NDArray[np.float64], least: float) -> tuple[list[int], list[int]]:
    """Return the places of troughs and crests in turn, each `least` off the one before it."""
    troughs: list[int] = []
    crests: list[int] = []
    low = high = 0
    rising = False
    values = x.tolist()
    for at, value in enumerate(values):
        if rising:
            if value > values[high]:
                high = at
            elif value < values[high] - least:
                crests.append(high)
                rising, low = False, at
        elif value < values[low]:
            low = at
        elif value > values[low] + least:
            troughs.append(low)
            rising, high = True, at
    if not rising:
        troughs.append(low)
    return troughs, crests


def hump_period_s(smooth: NDArray[np.float64], rate_hz: float) -> float:
    """Return the spacing of the humps in seconds, the first strong peak of the autocorrelation; NaN when there is none.

    With unequal humps it may be a multiple of the true spacing, never less.

    Parameters
    ----------
    smooth : ndarray, shape (m,)
        Low-passed current; NaN where there is none.
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
    if not len(inner) or corr[inner].max() < LEAST_PEAK:
        return float("nan")
    return float(inner[np.flatnonzero(corr[inner] > NEARLY_PEAK * corr[inner].max())[0]] / rate_hz)


def _trend(x: NDArray[np.float64]) -> NDArray[np.float64]:
    t = np.linspace(-1.0, 1.0, len(x))
    good = np.isfinite(x)
    if good.sum() <= 3:
        return np.zeros_like(x)
    out: NDArray[np.float64] = np.polyval(np.polyfit(t[good], x[good], 2), t).astype(np.float64)
    return out
