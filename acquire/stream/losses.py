"""Lost samples, told once a second at most: a line that loses every hundredth would fill the screen otherwise."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

TELL_EVERY_S = 1.0
UNKNOWN = -1


class LossTeller:
    """Tells the first loss at once, and what follows within a second as one sum.

    Parameters
    ----------
    rate_hz
        Samples a second.
    tell
        Called with absolute index and number of samples, `UNKNOWN` where nobody knows it.
    """

    def __init__(self, rate_hz: float, tell: Callable[[int, int], None]) -> None:
        self._every, self._tell = max(1, round(TELL_EVERY_S * rate_hz)), tell
        self._known, self._unknown = 0, False
        self._next = 0

    def lost(self, index: int, count: int | None) -> None:
        """Take note of a loss before the sample at absolute `index`; None: nobody knows how many."""
        self._known += count or 0
        self._unknown = self._unknown or count is None
        self.look(index)

    def look(self, index: int) -> None:
        """Tell what is due, now that the stream has come to absolute `index`."""
        if index >= self._next and (self._known or self._unknown):
            self.finish(index)
            self._next = index + self._every

    def finish(self, index: int) -> None:
        """Tell everything that is left."""
        known, unknown = self._known, self._unknown
        self._known, self._unknown = 0, False
        if known:
            self._tell(index, known)
        if unknown:
            self._tell(index, UNKNOWN)
