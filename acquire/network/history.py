"""The last seconds of a board, in frames ready to send: whoever was away or slow goes on where it was, or is told."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

from crankfold.acquire.network.frames import frame

if TYPE_CHECKING:
    from typing import Any

    from crankfold.acquire.contract import Block

KEEP_S = 30.0  # a cable that was pulled is back by then, or nobody is waiting for it
MOST_BYTES = 1 << 27  # kept at most: 30 s of two channels at 500,000 samples a second take half of it
MOST_AT_ONCE = 1 << 18  # bytes handed out together


@dataclass(frozen=True, eq=False)
class Kept:
    """A block as it is sent.

    Parameters
    ----------
    first, next_index
        Its samples, lost ones counted.
    data
        The frame.
    """

    first: int
    next_index: int
    data: bytes


class History:
    """Blocks of one run of a board, numbered from 0; the oldest go when there are too many.

    Parameters
    ----------
    rate_hz
        Of the board.
    keep_s, most_bytes
        What is kept.
    """

    def __init__(self, rate_hz: float, keep_s: float = KEEP_S, most_bytes: int = MOST_BYTES) -> None:
        self._most_samples, self._most_bytes = keep_s * rate_hz, most_bytes
        self._kept: deque[Kept] = deque()
        self._base = self._bytes = 0
        self._breaks = 0
        self._over: dict[str, Any] | None = None
        self._changed = threading.Condition()
        self.next_index = 0

    def add(self, block: Block) -> None:
        """Take a block in and wake whoever waits."""
        self._breaks += block.lost_before is None
        header: dict[str, Any] = {"first": block.first_index, "count": len(block.codes), "lost": block.lost_before,
                                  "breaks": self._breaks, "clock": block.arrived_s}
        if block.device_s is not None:
            header["device"] = block.device_s
        if block.ends_record:
            header["ends_record"] = True
        if block.trigger_index is not None:
            header["trigger"] = block.trigger_index
        codes = block.codes.astype(block.codes.dtype.newbyteorder("<"), copy=False)
        kept = Kept(block.first_index, block.next_index, frame(header, codes.tobytes()))
        with self._changed:
            self._kept.append(kept)
            self._bytes += len(kept.data)
            self.next_index = kept.next_index
            while len(self._kept) > 1 and (self._bytes > self._most_bytes
                                           or kept.next_index - self._kept[0].next_index > self._most_samples):
                self._bytes -= len(self._kept.popleft().data)
                self._base += 1
            self._changed.notify_all()

    def end(self, header: dict[str, Any]) -> None:
        """Say that nothing more comes; `header` is sent after the last block."""
        with self._changed:
            self._over = header
            self._changed.notify_all()

    @property
    def over(self) -> dict[str, Any] | None:
        """How it ended, None while it goes on."""
        return self._over

    def now(self) -> int:
        """Return the number of the block that comes next."""
        with self._changed:
            return self._base + len(self._kept)

    def holding(self, index: int) -> int:
        """Return the number of the first block that has samples at or after an index."""
        with self._changed:
            older = sum(kept.next_index <= index for kept in self._kept)
            return self._base + older

    def take(self, number: int, timeout_s: float) -> tuple[list[Kept], int]:
        """Return blocks from a number on, or from the oldest that is kept, and the number after them.

        Nothing comes back when nothing came in time, or nothing more will.
        """
        with self._changed:
            if number >= self._base + len(self._kept) and self._over is None:
                self._changed.wait(timeout_s)
            start = max(0, number - self._base)
            taken: list[Kept] = []
            size = 0
            for kept in islice(self._kept, start, None):
                taken.append(kept)
                size += len(kept.data)
                if size >= MOST_AT_ONCE:
                    break
            return taken, (self._base + start + len(taken)) if taken else number
