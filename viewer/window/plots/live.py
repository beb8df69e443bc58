"""The last seconds of a stream, kept as lowest and highest value of short equal stretches, ready to be drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import RingOverrunError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.acquire import RingBuffer
    from crankfold.analysis import Channel

SHOWN_S = 8.0  # pre-trigger, a crank of five seconds, and what follows
STRETCHES = 1600  # of them over what is shown: about one a pixel on a large screen
MOST_AT_ONCE = 4_000_000  # samples taken in one look; more than that behind, the oldest are left out


@dataclass(frozen=True, eq=False)
class LiveLine:
    """One channel's line.

    Parameters
    ----------
    time_s : ndarray, shape (2 n,)
        Since the first sample; each stretch twice.
    value : ndarray, shape (2 n,)
        Lowest and highest of each stretch in turn, in the channel's unit.
    """

    time_s: NDArray[np.float64]
    value: NDArray[np.float64]


class LiveTrace:
    """Follows a ring and keeps the last `SHOWN_S` seconds of each channel.

    Parameters
    ----------
    ring
        To follow.
    channels
        Row in the ring and scale of each channel to be followed.
    rate_hz
        Samples a second.
    """

    def __init__(self, ring: RingBuffer, channels: tuple[tuple[int, Channel], ...], rate_hz: float) -> None:
        self._ring, self._rate_hz = ring, rate_hz
        self._rows, self._channels = [row for row, _ in channels], [channel for _, channel in channels]
        self._step = max(1, round(rate_hz * SHOWN_S / STRETCHES))
        self._count = max(2, round(rate_hz * SHOWN_S / self._step))
        self._reader = ring.reader(max(ring.oldest_index, ring.next_index - self._step * self._count))
        self._low = np.zeros((len(channels), self._count))
        self._high = np.zeros_like(self._low)
        self._filled = 0  # stretches ever written
        self._rest: NDArray[Any] | None = None
        self._start = self._reader.next_index  # absolute index of the first stretch

    @property
    def end_s(self) -> float:
        """Time of the newest whole stretch."""
        return (self._start + self._filled * self._step) / self._rate_hz

    def look(self) -> bool:
        """Take what is new, and return whether there was anything."""
        if self._reader.behind > MOST_AT_ONCE:
            self._leap()
        try:
            piece = self._reader.read(0.0)
        except RingOverrunError:
            self._leap()
            return False
        except Exception:  # why the ring was closed; whoever records is told that too
            return False
        if piece is None:
            return False
        codes = piece.codes[self._rows]
        if self._rest is not None:
            codes = np.concatenate([self._rest, codes], axis=1)
        whole = codes.shape[1] // self._step
        if whole:
            cut = codes[:, : whole * self._step].reshape(codes.shape[0], whole, self._step)
            self._add(cut.min(axis=2), cut.max(axis=2))
        self._rest = codes[:, whole * self._step :]
        return bool(whole)

    def line(self, channel: int) -> LiveLine:
        """Return one channel's line."""
        count = min(self._filled, self._count)
        places = np.arange(self._filled - count, self._filled)
        time_s = (self._start + (places + 0.5) * self._step) / self._rate_hz
        scale = self._channels[channel]
        pair = np.stack([self._low[channel, places % self._count], self._high[channel, places % self._count]], axis=1)
        return LiveLine(np.repeat(time_s, 2), pair.ravel() * scale.scale + scale.offset)

    def _add(self, low: NDArray[Any], high: NDArray[Any]) -> None:
        count = low.shape[1]
        kept = min(count, self._count)
        places = np.arange(self._filled + count - kept, self._filled + count) % self._count
        self._low[:, places], self._high[:, places] = low[:, -kept:], high[:, -kept:]
        self._filled += count

    def _leap(self) -> None:
        """Begin anew near the end of the stream: too much was missed to be caught up with."""
        self._reader = self._ring.reader(max(self._ring.oldest_index, self._ring.next_index - self._step))
        self._rest, self._filled, self._start = None, 0, self._reader.next_index
