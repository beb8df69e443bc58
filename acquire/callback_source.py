"""Bases of boards whose library calls back on a thread of its own, sound inputs among them: what is lost is counted.

A sound input has a high-pass: it blocks whatever stands still and lets a starter's mean current sink to nothing within
a tenth of a second. Current through it looks like humps round zero, of a height that means nothing. A spark or a cam
edge passes. So a channel that blocks steady voltage is refused for the current and taken for anything else.
"""

from __future__ import annotations

import threading
import time
from abc import abstractmethod
from collections import deque
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire.contract import EndOfStream, Samples, Source, SourceInfo
from crankfold.acquire.errors import SettingError
from crankfold.analysis import CURRENT, Channel

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from numpy.typing import NDArray

    from crankfold.acquire.errors import AcquireError

HELD_S = 2.0  # samples held for a reader that is busy; a computer that makes a picture is busy for less
AC, DC = "ac", "dc"
HALF = 1 << 15
MOST_CHANNELS = 8


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


class SoundSource(CallbackSource):
    """A sound input; a driver writes `_begin` and `_end`, and calls `take` from its callback.

    Parameters
    ----------
    title, address
        As in `SourceInfo`.
    rate_hz
        Samples a second.
    names
        What each input is, in the order of the inputs; ``current`` once.
    coupling
        ``dc`` or ``ac`` for each of them: whether it passes steady voltage.
    full_scale_v
        Volts at the highest code.

    Raises
    ------
    SettingError
        The current is on an input that blocks steady voltage, or there is none.
    """

    def __init__(self, title: str, address: str, *, rate_hz: float, names: Sequence[str], coupling: Sequence[str],
                 full_scale_v: float) -> None:
        super().__init__()
        if CURRENT not in names or len(set(names)) < len(names) or not 1 <= len(names) <= MOST_CHANNELS:
            raise SettingError(f"the channels {', '.join(names)} cannot be used",
                               "name each input once, one of them current")
        if len(coupling) != len(names) or set(coupling) - {AC, DC}:
            raise SettingError(f"the coupling {', '.join(coupling)} does not fit {len(names)} channels",
                               "say ac or dc for each of them")
        if coupling[list(names).index(CURRENT)] != DC:
            raise SettingError("an ordinary sound input blocks steady current, so what is left of it would be "
                               "analysed wrongly",
                               "use it for the sync signal only, or an input that passes direct current, and "
                               "say so with coupling=dc")
        self._order = sorted(range(len(names)), key=lambda at: (names[at] != CURRENT, at))
        channels = tuple(Channel(names[at], "V", full_scale_v / HALF, code_range=(-HALF, HALF - 1),
                                 code_dtype="int16") for at in self._order)
        self._info = SourceInfo(rate_hz, channels, np.dtype(np.int16), title, address)

    @property
    def info(self) -> SourceInfo:
        """What the input is set to."""
        return self._info

    def take(self, buffer: bytes, *, overflow: bool = False, device_s: float | None = None) -> None:
        """Take a buffer of the library in: 16-bit codes, the inputs side by side.

        Parameters
        ----------
        overflow
            Whether the library lost samples before it; it does not say how many, its clock may.
        device_s
            Time of the first sample by the sound clock, seconds.
        """
        codes = np.frombuffer(buffer, dtype=np.int16).reshape(-1, len(self._order))
        self.push(codes[:, self._order], lost_before=None if overflow else 0, device_s=device_s)
