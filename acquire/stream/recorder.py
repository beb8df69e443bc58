"""A source on a thread of its own, and the captures it gives, one after the other.

The reader thread alone calls the source, from start to close. Whatever it finds is handed over through a queue, so that
a caller who analyses, draws or sleeps costs no sample. Errors come out where the captures come out, after everything
that was caught before them.
"""

from __future__ import annotations

import threading
import time
import weakref
from collections import deque
from typing import TYPE_CHECKING, Self

from crankfold.acquire.errors import AcquireError, ShutdownTimeoutError
from crankfold.acquire.stream.caught import CaughtCrank, read_captured
from crankfold.acquire.stream.pipeline import Stream
from crankfold.acquire.stream.plan import Event, Happening, RecordingPlan, Stage
from crankfold.acquire.stream.silence import Silence
from crankfold.analysis import CrankfoldError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import TracebackType

    from crankfold.acquire.contract import Source
    from crankfold.acquire.stream.ring import RingBuffer
    from crankfold.analysis import Capture

READ_S = 0.1
MOST_LISTENED_S = 2 * READ_S  # in one read; one that took longer slept with the computer, or waited for its turn
LOOK_S = 0.1  # how often the waiting side looks whether the reader is alive
MAX_WAITING = 16  # captures nobody has taken; a live stream then gives up the oldest, a file waits


def record(source: Source, plan: RecordingPlan | None = None, *,
           on_event: Callable[[Event], None] | None = None) -> Iterator[Capture]:
    """Yield a capture for each crank of a source, or the whole of a file that is not too long; closes the source.

    Parameters
    ----------
    source
        Open, not started.
    plan
        How to record.
    on_event
        Called between captures, in the caller's own thread.

    Raises
    ------
    AcquireError
        The stream broke; everything up to then has been yielded.
    """
    with Recorder(source, plan, on_event=on_event) as recorder:
        yield from recorder


class Recorder:
    """Records a source; iterate over it for captures, `stop` it from any thread.

    Parameters
    ----------
    source, plan, on_event
        As for `record`.
    """

    def __init__(self, source: Source, plan: RecordingPlan | None = None, *,
                 on_event: Callable[[Event], None] | None = None) -> None:
        self._source, self._plan = source, plan or RecordingPlan()
        self._on_event = on_event
        self._live = source.info.live or not source.info.finite
        own = weakref.ref(self)  # a ring may be large: no cycle is to keep it until somebody collects

        def put(item: CaughtCrank | Event) -> None:
            recorder = own()
            if recorder is not None:
                recorder._put(item)

        self._stream = Stream(source, self._plan, put)
        self._lock = threading.Lock()
        self._changed = threading.Condition()
        self._waiting: deque[CaughtCrank | Capture | Event] = deque()
        self._given: CaughtCrank | Capture | None = None
        self._stop, self._abandoned, self._done = threading.Event(), False, False
        self._error: BaseException | None = None
        self._silence, self._out_of_touch = Silence(source.info, self._plan), False
        self._thread = threading.Thread(target=self._run, name=f"reader of {source.info.title}", daemon=True)

    @property
    def ring(self) -> RingBuffer:
        """The ring, for whoever wants to follow the stream live."""
        return self._stream.ring

    @property
    def stage(self) -> Stage:
        """Where the recording stands."""
        return self._stream.stage

    @property
    def broken_by(self) -> BaseException | None:
        """What broke the stream, known before the last capture is handed on; None while it runs or ended by itself."""
        return self._error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        try:
            self.close()
        except ShutdownTimeoutError as late:
            if error is None:
                raise
            error.add_note(str(late))

    def stop(self) -> None:
        """End the recording; a crank under way is still handed on."""
        self._stop.set()
        with self._changed:
            self._changed.notify_all()

    def close(self) -> None:
        """Stop, and wait for the reader thread to end.

        Raises
        ------
        ShutdownTimeoutError
            It does not.
        """
        self.stop()
        if self._thread.ident is None:
            self._source.close()
            return
        self._thread.join(self._plan.shutdown_s)
        self._leave_waiting()
        if self._thread.is_alive():
            raise ShutdownTimeoutError(f"the reader of {self._source.info.title} has not ended within "
                                       f"{self._plan.shutdown_s:g} s", "end this program to release the board")

    def __iter__(self) -> Iterator[Capture]:
        for item in self.caught():
            self._given = item
            try:
                yield item.capture() if isinstance(item, CaughtCrank) else item
            except KeyboardInterrupt:  # it comes as the caller comes back for the next one
                self.settle()
                raise
            except GeneratorExit:  # the caller leaves, and may not have dealt with it
                _leave(item)
                raise
            self.settle()

    def caught(self) -> Iterator[CaughtCrank | Capture]:
        """Yield each crank as it was caught, or the capture that a file holds; journals are left to the caller.

        Raises
        ------
        AcquireError
            The stream broke; everything up to then has been yielded.
        """
        if self._thread.ident is None:
            self._silence.begin()
            self._thread.start()
        while True:
            item = self._get()
            if isinstance(item, Event):
                if self._on_event is not None:
                    self._on_event(item)
            elif item is not None:
                yield item
            elif self._done and not self._waiting:
                break
        if self._error is not None:
            raise self._error

    def settle(self) -> None:
        """Take away the journal of the capture that was handed out last: whoever took it has dealt with it."""
        if self._given is not None:
            _settle(self._given)
            self._given = None

    def _get(self) -> CaughtCrank | Capture | Event | None:
        """Return the next item, or None after a while without one."""
        with self._changed:
            if not self._waiting and not self._done:
                self._changed.wait(LOOK_S)
            if self._waiting:
                item = self._waiting.popleft()
                self._changed.notify_all()
                return item
        if not self._done:
            self._look_after_reader()
        return None

    def _look_after_reader(self) -> None:
        """Give up on a reader thread that hangs inside the source, and hand on what it had."""
        if not self._silence.reader_hangs(self._thread):
            return
        with self._lock:
            if self._silence.length_s >= self._silence.patience_s:
                self._abandoned = True
                self._end(self._silence.error())

    def _leave_waiting(self) -> None:
        """Leave on disk what nobody has taken."""
        with self._changed:
            left = [item for item in self._waiting if not isinstance(item, Event)]
        for item in (*left, self._given):
            _leave(item)

    def _run(self) -> None:
        """Run the reader thread."""
        error: BaseException | None = None
        try:
            self._read_all()
        except (CrankfoldError, MemoryError) as known:
            error = known
        except BaseException as unknown:  # a thread that dies quietly would leave the caller waiting for ever
            error = AcquireError(f"the driver of {self._source.info.title} failed ({_said(unknown)})",
                                 "report this to whoever wrote the plugin")
            error.__cause__ = unknown
        finally:
            error = self._close_source(error)
            with self._lock:
                if not self._abandoned:
                    self._end(error)

    def _read_all(self) -> None:
        self._source.start()
        if self._source.info.captured:
            self._put(read_captured(self._source))
            return
        listened_s = 0.0
        while not self._stop.is_set() and not self._abandoned:
            began_s = time.monotonic()
            block = self._source.read(READ_S)
            listened_s += min(self._silence.returned() - began_s, MOST_LISTENED_S)
            if block is None:
                if self._source.finished:
                    return
                if self._silence.watched and listened_s >= self._silence.patience_s:
                    self._fell_silent(listened_s)
                continue
            self._touch(Happening.RESUMED)
            listened_s = 0.0
            with self._lock:
                if not self._abandoned:
                    self._stream.take(block)
                self._silence.heard()  # before anybody can look: taking may last

    def _fell_silent(self, listened_s: float) -> None:
        """Give up on a source that sends nothing, unless it is still trying to go on by itself."""
        silence = self._silence
        if not silence.heard_any or listened_s >= self._source.info.resumes_s + silence.patience_s:
            raise silence.error()
        self._touch(Happening.SILENT)

    def _touch(self, what: Happening) -> None:
        """Tell once that touch with the board is lost, and once that it is back."""
        if (what is Happening.SILENT) != self._out_of_touch:
            self._out_of_touch = what is Happening.SILENT
            at = self._stream.ring.next_index
            self._put(Event(what, at, at / self._source.info.rate_hz))

    def _close_source(self, error: BaseException | None) -> BaseException | None:
        try:
            self._source.close()
        except Exception as late:
            if error is None:
                return AcquireError(f"{self._source.info.title} could not be closed ({_said(late)})",
                                    "unplug it before using it again")
            error.add_note(f"closing it failed too: {_said(late)}")
        return error

    def _end(self, error: BaseException | None) -> None:
        """Hand on what was being captured, and then the end; called with the lock held."""
        if self._done:
            return
        self._error = error
        try:
            if not self._source.info.captured:
                self._stream.finish(error)
        except Exception as unknown:
            error = error or unknown
        self._stream.ring.close(error)
        with self._changed:
            self._error, self._done = error, True
            self._changed.notify_all()

    def _put(self, item: CaughtCrank | Capture | Event) -> None:
        with self._changed:
            if not isinstance(item, Event):
                self._keep_short(item)
            self._waiting.append(item)
            self._changed.notify_all()

    def _keep_short(self, item: CaughtCrank | Capture) -> None:
        while sum(not isinstance(x, Event) for x in self._waiting) >= MAX_WAITING and not self._stop.is_set():
            if not self._live:
                self._changed.wait(LOOK_S)
                continue
            oldest = next(x for x in self._waiting if not isinstance(x, Event))
            self._waiting.remove(oldest)
            _leave(oldest)
            self._waiting.append(Event(Happening.DROPPED, 0, 0.0, count=1))


def _leave(item: CaughtCrank | Capture | None) -> None:
    """Leave a crank on disk, to whoever takes it up later."""
    if isinstance(item, CaughtCrank) and item.journal is not None:
        item.journal.close()


def _settle(item: CaughtCrank | Capture) -> None:
    """Take away the journal of a crank that the caller has dealt with."""
    if isinstance(item, CaughtCrank) and item.journal is not None:
        item.journal.remove()


def _said(error: BaseException) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split())
