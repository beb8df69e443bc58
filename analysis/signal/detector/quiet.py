"""From samples to the means of frames, and while nothing happens their zero and noise, followed as they drift."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import Channel

MEMORY_FRAMES = 128  # about half a second: longer than any ripple, short enough to follow a warming clamp
NEEDED_FRAMES = 12  # about 50 ms; recordings that begin a quarter of a second before the crank must do
REFRESH_FRAMES = 16
EVENED = (1, 4, 5)
"""Frames of 4 ms that are taken together: one, or as many as one turn of 60 or 50 Hz lasts, where there is hum."""
EVENS_OUT = 0.3  # of the noise of single frames: noise without a rhythm leaves nearly a half of itself
HELD_BACK_FRAMES = 8  # about 30 ms not yet used, so that the foot of a slow rise does not count as quiet
MAD_TO_SD = 1.482602218505602


def frame_means(whole: NDArray[Any], channel: Channel, before: float) -> NDArray[np.float64]:
    """Return the frame means in the channel's unit, lost samples left out; a lost frame repeats the one before it.

    Parameters
    ----------
    whole : ndarray, shape (frames, samples)
        Codes or values.
    channel
        Their scale and offset.
    before
        Mean of the frame before the first.
    """
    kind, size = whole.dtype.kind, whole.shape[1]
    narrow = kind in "iu" and whole.itemsize <= 2 and size < 2**15
    sums = np.add.reduce(whole, axis=1, dtype=np.int32 if narrow else (np.int64 if kind in "iu" else np.float64))
    means: NDArray[np.float64] = sums * (channel.scale / size) + channel.offset
    if kind in "iu" or np.isfinite(means).all():
        return means
    for at in np.flatnonzero(~np.isfinite(means)).tolist():
        good = whole[at][np.isfinite(whole[at])]
        last = means[at - 1] if at else before
        means[at] = good.mean() * channel.scale + channel.offset if len(good) else last
    return means


def first_departure(departure: NDArray[np.float64], allowance: float) -> int:
    """Return the place where a run of samples leaves zero for good.

    The place where the cumulative sum of the departure, less an allowance for noise, is at its lowest.

    Parameters
    ----------
    departure : ndarray, shape (n,)
        Samples less the zero; the last ones have departed upwards.
    allowance
        Departure that is still noise.
    """
    return int(np.argmin(np.concatenate(([0.0], np.cumsum(departure - allowance)))))


class Quiet:
    """The running zero and noise of frame means.

    Attributes
    ----------
    zero
        Median, in the samples' unit.
    known
        Whether there has been enough quiet to say so.
    waiting
        The last frames, not used yet.
    least_noise
        What the noise cannot be below, such as half a step of the converter.
    evened
        How many frames to take the mean of: more than one where mains hum is most of the noise.
    """

    def __init__(self, least_noise: float, *, harmless: float = float("inf")) -> None:
        self.evened = 1
        self._harmless = harmless
        self.zero = 0.0
        self._spread = 0.0
        self.known = False
        self.least_noise = least_noise
        self._frames: deque[float] = deque(maxlen=MEMORY_FRAMES)
        self.waiting: deque[float] = deque()
        self._since_refresh = 0

    @property
    def noise(self) -> float:
        """Standard deviation of frame means, found from their median deviation."""
        return max(self.least_noise, self._spread)

    def add(self, mean: float) -> None:
        """Take one more frame that is quiet."""
        self.waiting.append(mean)
        if len(self.waiting) <= HELD_BACK_FRAMES:
            return
        self._frames.append(self.waiting.popleft())
        self._since_refresh += 1
        if (not self.known and len(self._frames) >= NEEDED_FRAMES) or self._since_refresh >= REFRESH_FRAMES:
            self._refresh()

    def forget_waiting(self) -> None:
        """Drop the frames not used yet: they turned out to belong to something that happened."""
        self.waiting.clear()

    def anew(self) -> Quiet:
        """Return one that has yet to learn."""
        return Quiet(self.least_noise, harmless=self._harmless)

    def restart(self, frames: list[float]) -> None:
        """Begin anew from frames, `NEEDED_FRAMES` or more, that are now what counts as quiet."""
        self.waiting.clear()
        self._frames.clear()
        self._frames.extend(frames)
        self._refresh()

    def _refresh(self) -> None:
        self._since_refresh = 0
        frames = np.fromiter(self._frames, np.float64)
        self.evened, (self.zero, self._spread) = 1, _rest(frames)
        if self._spread > self._harmless:  # noise that does no harm may be hum or not
            total = np.concatenate(([0.0], np.cumsum(frames)))
            evens = {count: _rest((total[count:] - total[:-count]) / count) for count in EVENED[1:]}
            best = min(evens, key=lambda count: evens[count][1])
            if evens[best][1] < EVENS_OUT * self._spread:
                self.evened, (self.zero, self._spread) = best, evens[best]
        self.known = True


def _rest(values: NDArray[np.float64]) -> tuple[float, float]:
    """Return the median, and the standard deviation as the median deviation from it says it."""
    zero = float(np.median(values))
    return zero, MAD_TO_SD * float(np.median(np.abs(values - zero)))
