"""What the current channel reads while nothing happens: its zero and its noise, followed as they drift."""

from __future__ import annotations

from collections import deque

import numpy as np

MEMORY_FRAMES = 128  # about half a second: longer than any ripple, short enough to follow a warming clamp
NEEDED_FRAMES = 12  # about 50 ms; recordings that begin a quarter of a second before the crank must do
REFRESH_FRAMES = 16
HELD_BACK_FRAMES = 8  # about 30 ms not yet used, so that the foot of a slow rise does not count as quiet
MAD_TO_SD = 1.482602218505602


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
    """

    def __init__(self, least_noise: float) -> None:
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

    def restart(self, frames: list[float]) -> None:
        """Begin anew from frames, `NEEDED_FRAMES` or more, that are now what counts as quiet."""
        self.waiting.clear()
        self._frames.clear()
        self._frames.extend(frames)
        self._refresh()

    def _refresh(self) -> None:
        self._since_refresh = 0
        frames = np.fromiter(self._frames, np.float64)
        self.zero = float(np.median(frames))
        self._spread = MAD_TO_SD * float(np.median(np.abs(frames - self.zero)))
        self.known = True
