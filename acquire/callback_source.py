"""The base of boards whose library calls back on a thread of its own: a queue that counts what it cannot hold."""

from __future__ import annotations

import threading
import time
from abc import abstractmethod
from collections import deque
from typing import TYPE_CHECKING

from crankfold.acquire.contract import EndOfStream, Samples, Source

if TYPE_CHECKING:
    from typing import Any

    from numpy.typing import NDArray

    from crankfold.acquire.errors import AcquireError

HELD_S = 2.0  # samples held for a reader that is busy; a computer that makes a picture is busy for less


class CallbackSource(Source):
    """A source that is pushed: a driver writes `info`, `_begin`, `_end` and, where needed, `_close`.

    Its callback calls `push` with each buffer, from whatever thread; the buffer may be used again at once. What does
    not fit the queue is counted and told before the next samples, never dropped in silence. ::

        class Board(CallbackSource):
            def _begin(self) -> None:
                self._library.start(callback=lambda buffer, overrun: self.push(buffer, lost_before=overrun))
    """

    def __init__(self, *, held_s: float = HELD_S) -> None:
        super().__init__()
        self._held_s = held_s
        self._changed = threading.Condition()
        self._queue: deque[Samples] = deque()
        self._waiting = 0
        self._lost: int | None = 0
        self._failure: AcquireError | None = None
        self._ended = self._accepting = False

    def push(self, codes: NDArray[Any], *, lost_before: int | None = 0, device_s: float | None = None,
             ends_record: bool = False) -> None:
        """Take samples in, from any thread; never waits and never raises but for a shape that cannot be.

        Parameters
        ----------
        codes : ndarray, shape (samples, channels)
            Copied.
        lost_before
            Samples that the library says were lost before them; None: some.
        device_s, ends_record
            As for `Samples`.
        """
        with self._changed:
            if not self._accepting:
                return
            self._count(lost_before)
            if self._queue and self._waiting + len(codes) > self._held_s * self.info.rate_hz:
                self._count(len(codes))
                return
            self._queue.append(Samples(codes.copy(), self._lost, device_s, ends_record))
            self._waiting += len(codes)
            self._lost = 0
            self._changed.notify()

    def lose(self, count: int | None) -> None:
        """Say from any thread that samples were lost; None: nobody knows how many."""
        with self._changed:
            self._count(count)

    def fail(self, error: AcquireError) -> None:
        """Break the stream from any thread: what came before is still read, then `error` is raised."""
        with self._changed:
            self._failure = error
            self._changed.notify()

    def finish(self) -> None:
        """End a finite stream from any thread."""
        with self._changed:
            self._ended = True
            self._changed.notify()

    @abstractmethod
    def _begin(self) -> None:
        """Begin calling back (driver)."""

    def _end(self) -> None:
        """Stop calling back (driver); a callback that comes late does no harm."""

    def _start(self) -> None:
        with self._changed:
            self._queue.clear()
            self._waiting, self._lost, self._failure = 0, 0, None
            self._ended, self._accepting = False, True
        self._begin()

    def _read(self, timeout_s: float) -> Samples | None:
        until = time.monotonic() + timeout_s
        with self._changed:
            while not self._queue:
                if self._failure is not None:
                    raise self._failure
                if self._ended:
                    raise EndOfStream
                left = until - time.monotonic()
                if left <= 0 or not self._changed.wait(left):
                    return None
            samples = self._queue.popleft()
            self._waiting -= len(samples.codes)
            return samples

    def _stop(self) -> None:
        with self._changed:
            self._accepting = False
        self._end()

    def _count(self, lost: int | None) -> None:
        self._lost = None if lost is None or self._lost is None else self._lost + lost
