"""Humps told from switching: a hump of the cranking current swells over many milliseconds, a switched load jumps."""

from __future__ import annotations

GRADUAL_SHARE = 0.45  # of a rise, in one 4 ms frame: humps stay below 0.4 even at 30 Hz, switched edges exceed 0.5
SMOOTHED_FRAMES = 3  # 12 ms: takes off commutator hash and most of the mains hum, leaves humps up to 30 Hz


class SwellCounter:
    """Counts the gradual rises in a row of frame means, each followed by a fall of the same least height.

    Parameters
    ----------
    longest_apart
        Frames after which a hump no longer belongs to those before it.
    """

    def __init__(self, longest_apart: int) -> None:
        self.humps = 0
        self._longest_apart, self._since_hump = longest_apart, 0
        self._last: list[float] = []
        self._steps: list[float] = []
        self._rising = False
        self._trough = self._peak = 0.0
        self._steepest = 0.0
        self._begun = False

    def add(self, value: float, least_height: float) -> None:
        """Take one more frame mean; only rises and falls of `least_height` count."""
        step = value - self._last[-1] if self._last else 0.0
        self._steps = [*self._steps[1 - SMOOTHED_FRAMES :], step]
        self._last = [*self._last[1 - SMOOTHED_FRAMES :], value]
        smooth = sum(self._last) / len(self._last)
        self._since_hump += 1
        if self._since_hump > self._longest_apart:
            self.humps = 0
        if not self._begun:
            self._begun, self._peak, self._rising = True, smooth, True
            self._trough, self._steepest = smooth, float("inf")  # the in-rush is a rise, but no hump
        elif self._rising:
            self._climb(smooth, step, least_height)
        else:
            self._descend(smooth, least_height)

    @property
    def swelling(self) -> bool:
        """Whether the rise under way would count if it ended now."""
        return self._rising and self._steepest <= GRADUAL_SHARE * (self._peak - self._trough)

    def _climb(self, smooth: float, step: float, least_height: float) -> None:
        self._steepest = max(self._steepest, step)
        if smooth > self._peak:
            self._peak = smooth
        elif smooth < self._peak - least_height:
            if self.swelling:
                self.humps, self._since_hump = self.humps + 1, 0
            self._rising, self._trough, self._steepest = False, smooth, 0.0

    def _descend(self, smooth: float, least_height: float) -> None:
        if smooth <= self._trough:  # the mean lags: a jump may already be among the last steps
            self._trough, self._steepest = smooth, 0.0
        self._steepest = max(self._steepest, *self._steps)
        if smooth > self._trough + least_height:
            self._rising, self._peak = True, smooth
