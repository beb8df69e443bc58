"""The last samples of a stream in memory of a fixed size, under indices that count from the start of the stream.

One thread writes, any number of readers follow, each at its own place. A sample known to be lost keeps its index: its
place is filled with the sample before it and listed as a gap. Where an unknown number was lost, the stream breaks:
no reader is given samples from both sides of a break in one piece.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire.errors import RingOverrunError
from crankfold.analysis import Gap, find_gaps

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import DTypeLike, NDArray

LOST, BREAK = 1, 2  # flags of a sample: it is filler; an unknown number is missing before it
MARK_BYTES = 1  # a sample, besides the codes, so that any number of gaps and breaks is remembered exactly


@dataclass(frozen=True, eq=False)
class Piece:
    """Samples copied out of the ring, none of them from beyond a break.

    Parameters
    ----------
    codes : ndarray, shape (channels, samples)
        In the ring's dtype.
    first_index
        Absolute index of the first of them.
    gaps
        Where they are filler, as absolute indices.
    after_break
        Whether an unknown number of samples was lost just before the first of them.
    """

    codes: NDArray[Any]
    first_index: int
    gaps: tuple[Gap, ...] = ()
    after_break: bool = False

    @property
    def next_index(self) -> int:
        """Absolute index of the sample that follows."""
        return self.first_index + int(self.codes.shape[1])


class RingBuffer:
    """A ring of samples, one contiguous row a channel.

    Parameters
    ----------
    capacity
        Samples kept of each channel.
    channels
        Rows.
    dtype
        Of the codes.
    """

    def __init__(self, capacity: int, *, channels: int, dtype: DTypeLike) -> None:
        if capacity < 1 or channels < 1:
            raise ValueError(f"a ring of {capacity} samples and {channels} channels cannot be")
        self._rows = np.zeros((channels, capacity), dtype=dtype)  # zeros costs nothing until a page is written
        self._capacity, self._channels = capacity, channels
        self._changed = threading.Condition()
        self._next = 0
        self._oldest = 0
        self._marks = np.zeros(capacity, np.uint8)  # costs nothing, too, until something is lost
        self._marked_to = 0  # absolute index after the last sample with a mark
        self._break_next = False
        self._closed = False
        self._cause: BaseException | None = None

    @property
    def capacity(self) -> int:
        """Samples kept of each channel."""
        return self._capacity

    @property
    def channels(self) -> int:
        """Number of channels."""
        return self._channels

    @property
    def next_index(self) -> int:
        """Absolute index that the next sample will have."""
        return self._next

    @property
    def oldest_index(self) -> int:
        """Absolute index of the oldest sample still there."""
        return self._oldest

    @property
    def closed(self) -> bool:
        """Whether nothing more will be written."""
        return self._closed

    def append(self, codes: NDArray[Any], *, lost_before: int | None = 0) -> None:
        """Write samples, and before them filler for those known to be lost.

        Parameters
        ----------
        codes : ndarray, shape (samples, channels)
            What arrived.
        lost_before
            Samples lost before them; None: some, the number is unknown.
        """
        if codes.ndim != 2 or codes.shape[1] != self.channels:
            raise ValueError(f"codes of shape {codes.shape} do not fit {self.channels} channels")
        with self._changed:
            if self._closed:
                raise RuntimeError("the ring is closed")
            if lost_before is None:
                self._break_next = True
            elif lost_before > 0:
                self._fill(lost_before)
            self._write(codes.T, 0)
            self._changed.notify_all()

    def close(self, cause: BaseException | None = None) -> None:
        """Say that nothing more will come; every reader that has read all it could then gets `cause` raised.

        Parameters
        ----------
        cause
            Why, None for an ordinary end. The first close counts.
        """
        with self._changed:
            if not self._closed:
                self._closed, self._cause = True, cause
            self._changed.notify_all()

    def reader(self, start: int | None = None) -> RingReader:
        """Return a reader that begins at the absolute index `start`, by default with the next sample to come."""
        return RingReader(self, self._next if start is None else start)

    def copy(self, start: int, stop: int) -> Piece:
        """Return the samples from absolute index `start` up to, not including, `stop`.

        Raises
        ------
        RingOverrunError
            Some are overwritten.
        ValueError
            Some have not come yet, or lie on both sides of a break.
        """
        with self._changed:
            return self._copy(start, stop)

    def present(self, start: int, stop: int) -> Iterator[tuple[int, NDArray[Any]]]:
        """Yield what is really there of the samples from `start` up to `stop`: index of the first, and codes.

        Codes have the shape (channels, samples); filler is left out.

        Raises
        ------
        RingOverrunError, ValueError
            As `copy`.
        """
        piece = self.copy(start, stop)
        at = start
        for gap in (*piece.gaps, Gap(stop, 0)):
            if gap.start > at:
                yield at, piece.codes[:, at - start : gap.start - start]
            at = gap.stop

    def gap_count(self, start: int, stop: int) -> int:
        """Return how many gaps there are between the absolute indices `start` and `stop`."""
        with self._changed:
            marks = self._marked(start, stop)
            return 0 if marks is None else int(np.count_nonzero(np.diff((marks & LOST).astype(np.int8), prepend=0) > 0))

    def views(self, channel: int, start: int, stop: int) -> tuple[NDArray[Any], ...]:
        """Return one channel's samples as one or two views, without copying; for the writing thread only.

        Raises
        ------
        RingOverrunError, ValueError
            As `copy`.
        """
        self._check(start, stop)
        row, begin = self._rows[channel], start % self.capacity
        head = row[begin : begin + stop - start]
        rest = stop - start - len(head)
        return (head, row[:rest]) if rest else (head,)

    def _write(self, rows: NDArray[Any], mark: int) -> None:
        count = rows.shape[1]
        begins = self._next
        if count > self.capacity:
            self._next += count - self.capacity
            rows, count = rows[:, -self.capacity :], self.capacity
        begin = self._next % self.capacity
        room = min(count, self.capacity - begin)
        self._rows[:, begin : begin + room] = rows[:, :room]
        self._rows[:, : count - room] = rows[:, room:]
        outdated = self._marked_to <= self._next - self.capacity  # all marks are of samples that are overwritten
        if outdated and (mark or self._break_next):
            self._marks[:] = 0
        if mark or not outdated:
            self._marks[begin : begin + room] = mark
            self._marks[: count - room] = mark
        if mark:
            self._marked_to = self._next + count
        if self._break_next and rows.shape[1]:
            self._break_next = False
            if begins == self._next:  # else the sample after the break is overwritten already
                self._marks[begin] |= BREAK
                self._marked_to = max(self._marked_to, begins + 1)
        self._next += count
        self._oldest = max(self._oldest, self._next - self.capacity)

    def _fill(self, lost: int) -> None:
        """Repeat the sample before a gap; no more than the ring holds, however many were lost."""
        last = self._rows[:, [(self._next - 1) % self.capacity]]
        filled = min(lost, self.capacity)
        if lost > filled and self._break_next:
            self._break_next = False  # it lies further back than the ring reaches
        self._next += lost - filled
        self._write(np.broadcast_to(last, (self.channels, filled)), LOST)

    def _marked(self, start: int, stop: int) -> NDArray[np.uint8] | None:
        """Return the marks of the samples from `start` up to `stop`, shape (samples,); None where there are none."""
        if stop <= start or self._marked_to <= start:
            return None
        begin = start % self.capacity
        head = self._marks[begin : begin + stop - start]
        return np.concatenate((head, self._marks[: stop - start - len(head)]))

    def _gaps_in(self, start: int, stop: int) -> tuple[Gap, ...]:
        marks = self._marked(start, stop)
        if marks is None:
            return ()
        return tuple(Gap(start + gap.start, gap.length) for gap in find_gaps((marks & LOST).astype(bool)))

    def _breaks_in(self, start: int, stop: int) -> NDArray[np.intp]:
        """Return the absolute indices of samples before which an unknown number is missing, in order."""
        marks = self._marked(start, stop)
        if marks is None:
            return np.zeros(0, np.intp)
        return np.flatnonzero(marks & BREAK) + start

    def _check(self, start: int, stop: int) -> None:
        if not start <= stop <= self._next:
            raise ValueError(f"samples {start} to {stop} are not in the ring, it ends at {self._next}")
        if start < self._oldest:
            raise RingOverrunError(start, self._oldest)

    def _copy(self, start: int, stop: int) -> Piece:
        self._check(start, stop)
        if len(self._breaks_in(start + 1, stop)):
            raise ValueError(f"an unknown number of samples is missing between {start} and {stop}")
        codes = np.empty((self.channels, stop - start), self._rows.dtype)
        begin = start % self.capacity
        room = min(stop - start, self.capacity - begin)
        codes[:, :room] = self._rows[:, begin : begin + room]
        codes[:, room:] = self._rows[:, : stop - start - room]
        return Piece(codes, start, self._gaps_in(start, stop), self._after_break(start))

    def _after_break(self, start: int) -> bool:
        if start == self._next:
            return self._break_next
        return bool(len(self._breaks_in(start, start + 1)))

    def _read(self, start: int, most: int | None, timeout_s: float) -> Piece | None:
        """Return what is there from `start` on, up to the next break; waits for it if need be."""
        until = time.monotonic() + timeout_s
        with self._changed:
            while self._next <= start and not self._closed:
                left = until - time.monotonic()
                if left <= 0 or not self._changed.wait(left):
                    break
            if self._next <= start:
                if self._closed and self._cause is not None:
                    raise self._cause
                return None
            stop = self._next if most is None else min(self._next, start + most)
            stop = next(iter(self._breaks_in(start + 1, stop).tolist()), stop)
            return self._copy(start, stop)


class RingReader:
    """A place in the ring that moves on as one reads; other readers do not notice."""

    def __init__(self, ring: RingBuffer, start: int) -> None:
        self._ring = ring
        self.next_index = start

    @property
    def behind(self) -> int:
        """Samples that wait to be read."""
        return self._ring.next_index - self.next_index

    def read(self, timeout_s: float, *, most: int | None = None) -> Piece | None:
        """Return the next samples, or None when none came in time or the ring is closed and all has been read.

        Parameters
        ----------
        timeout_s
            Seconds to wait.
        most
            Samples at most.

        Raises
        ------
        RingOverrunError
            The next sample is overwritten; `skip` goes on from the oldest one kept.
        BaseException
            The cause with which the ring was closed, once everything before it has been read.
        """
        piece = self._ring._read(self.next_index, most, timeout_s)
        if piece is not None:
            self.next_index = piece.next_index
        return piece

    def skip(self) -> int:
        """Go on from the oldest sample kept and return how many were missed."""
        oldest = self._ring.oldest_index
        missed = max(0, oldest - self.next_index)
        self.next_index += missed
        return missed
