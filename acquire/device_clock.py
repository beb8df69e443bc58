"""The board's own time stamps: the true rate from them, and how many samples a loss that nobody counted took."""

from __future__ import annotations

LEAST_S = 1.0  # between two stamps that tell a rate: microseconds of a stamp are then a part in a million
LONGEST_HOLE_S = 2.0  # a rate known to a part in ten thousand counts the samples of a longer hole wrongly
CERTAIN = 0.25  # of a sample: a hole that is further from a whole number of samples is not counted


class DeviceClock:
    """Takes stamps of first samples, gives the rate.

    Parameters
    ----------
    rate_hz
        Samples a second as the board says it.
    """

    def __init__(self, rate_hz: float) -> None:
        self._said_hz = rate_hz
        self._anchor: tuple[int, float] | None = None
        self._last: tuple[int, float] | None = None
        self._next_index = 0
        self.rate_hz: float | None = None

    def missing(self, device_s: float) -> int | None:
        """Return how many samples are missing before one stamped `device_s`, None when that cannot be told."""
        if self._last is None:
            return None
        index, stamped_s = self._last
        rate_hz = self.rate_hz or self._said_hz
        samples = (device_s - stamped_s) * rate_hz
        count = samples - (self._next_index - index)
        certain = abs(count - round(count)) <= CERTAIN and count >= -CERTAIN
        known = self.rate_hz is not None and 0.0 <= device_s - stamped_s <= LONGEST_HOLE_S
        return max(0, round(count)) if known and certain else None

    def note(self, first_index: int, next_index: int, device_s: float | None, *, broken: bool) -> None:
        """Take in a block.

        Parameters
        ----------
        first_index, next_index
            Of the block, lost samples counted.
        device_s
            Stamp of its first sample by the board's clock, seconds; None: it has none.
        broken
            Whether an unknown number of samples was lost before it.
        """
        self._next_index = next_index
        if broken:
            self._anchor = None
        if device_s is None:
            return
        if self._anchor is None or (self._last is not None and device_s < self._last[1]):
            self._anchor = first_index, device_s  # a clock that goes back has begun anew
        self._last = first_index, device_s
        index, began_s = self._anchor
        if device_s - began_s >= LEAST_S:
            self.rate_hz = (first_index - index) / (device_s - began_s)
