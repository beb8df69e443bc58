"""A source watched on threads of its own: opened, recorded, judged, tried again; everything told as news in a queue.

The window takes the news when it draws. Nothing here waits for it, so a slow screen costs no sample.
"""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass, field, replace
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from crankfold.acquire import AcquireError, Event, Happening, Recorder, RecordingPlan, ShutdownTimeoutError
from crankfold.analysis import InputError
from crankfold.viewer.session import (
    Answered,
    Broke,
    Caught,
    NoBoard,
    Opened,
    Over,
    Readying,
    Retrying,
    Told,
    Unjudged,
    sentence,
)
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from crankfold.acquire import RingBuffer, Source
    from crankfold.analysis import Capture, Channel
    from crankfold.viewer.session import Judged, News, Question

RETRY_S = 3.0  # a board that was plugged in again is there within a second or two


@dataclass(frozen=True)
class Wanted:
    """What to watch.

    Parameters
    ----------
    open
        Opens the source; raises `AcquireError` or `InputError`.
    question
        Asked of each capture.
    live
        Whether it is a board, to be tried again when it is lost.
    title
        Until the source says its own.
    folder
        Where each crank is kept: samples, result, sheet and pictures; None: nowhere.
    """

    open: Callable[[], Source]
    question: Question
    live: bool = True
    title: str = ""
    folder: Path | None = None


@dataclass(frozen=True, eq=False)
class Followed:
    """A stream to be drawn live.

    Parameters
    ----------
    ring
        Where its samples are.
    channels
        Row in the ring and scale of what is drawn: the current first, then the second channel if there is one.
    rate_hz
        Samples a second.
    """

    ring: RingBuffer
    channels: tuple[tuple[int, Channel], ...]
    rate_hz: float


@dataclass
class Watching:
    """Watches one source until `close`.

    Parameters
    ----------
    wanted
        What to watch.
    prepare
        Loads what judging needs, before the board streams.
    retry_s
        How long to wait before a lost board is tried again by itself.
    """

    wanted: Wanted
    prepare: Callable[[], None]
    retry_s: float = RETRY_S
    recorder: Recorder | None = field(default=None, init=False)
    followed: Followed | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        self._news: SimpleQueue[News] = SimpleQueue()
        self._closing, self._again = threading.Event(), threading.Event()
        self._judge = ThreadPoolExecutor(1, thread_name_prefix="judge")
        self._thread = threading.Thread(target=self._run, name="window's watch", daemon=True)
        self._caught, self._cranked = 0, False

    def start(self) -> None:
        """Begin to watch."""
        self._thread.start()

    def news(self) -> list[News]:
        """Return what has happened since the last call."""
        found: list[News] = []
        with suppress(Empty):
            while True:
                found.append(self._news.get_nowait())
        return found

    def retry(self) -> None:
        """Try a lost board again now."""
        self._again.set()

    def close(self) -> None:
        """Let go of the source and end the threads."""
        self._closing.set()
        self._again.set()
        recorder = self.recorder
        if recorder is not None:
            recorder.stop()
        if self._thread.ident is not None:
            self._thread.join(RecordingPlan().shutdown_s + 1.0)
        self._judge.shutdown(wait=True, cancel_futures=True)

    def _run(self) -> None:
        self._tell(Readying(self.wanted.live))
        try:
            self.prepare()
            with self._journals():
                self._watch()
        except Exception as error:  # a thread that dies quietly would leave the window waiting for ever
            self._tell(Broke(said(error), say("window.own_fault")))

    def _journals(self) -> AbstractContextManager[None]:
        """Return the care for what is written while a crank lasts."""
        from crankfold.viewer.session import journals_cared_for

        folder = self.wanted.folder
        return nullcontext() if folder is None else journals_cared_for(folder, lambda text: self._tell(Told(text)))

    def _watch(self) -> None:
        while not self._closing.is_set():
            over = self._watch_once()
            self._again.wait(self.retry_s if self.wanted.live and not over else None)
            self._again.clear()
            if not self._closing.is_set():
                self._tell(Retrying())

    def _watch_once(self) -> bool:
        """Return whether the source has come to its end; False when it could not be opened or was lost."""
        try:
            source = self.wanted.open()
        except (AcquireError, InputError) as error:
            self._tell(NoBoard(*clauses(error)))
            return False
        self._tell(Opened(source.info.title or self.wanted.title))
        try:
            self._record(source)
        except ShutdownTimeoutError as error:
            self._tell(Broke(*clauses(error)))
        except (AcquireError, InputError, MemoryError) as error:
            self._tell(Broke(*clauses(error)))
            return False
        finally:
            self.recorder = None
        self._tell(Over())
        return True

    def _record(self, source: Source) -> None:
        plan = self._plan(source)
        with Recorder(source, plan, on_event=self._hear) as recorder:
            self.followed = Followed(recorder.ring, _channels(source, plan), source.info.rate_hz)
            self.recorder = recorder
            if self._closing.is_set():
                recorder.stop()
            for capture in recorder:
                if self.wanted.live and not self._cranked:
                    continue  # what a board sent until it ended, with nothing in it
                self._cranked = False
                self._caught += 1
                self._tell(Caught(self._caught))
                self._judge.submit(self._judged, self._caught, capture)

    def _plan(self, source: Source) -> RecordingPlan:
        from crankfold.viewer.session import plan_of

        question = self.wanted.question
        plan = plan_of(source.info, rig=question.rig, probe=question.probe, journal_folder=self.wanted.folder)
        return replace(plan, each_crank=True if self.wanted.live else None)

    def _judged(self, number: int, capture: Capture) -> None:
        from crankfold.viewer.session import judge, warnings_of

        try:
            judged = judge(capture, self.wanted.question, warnings_of(capture))
        except (AcquireError, InputError) as error:
            self._tell(Unjudged(number, str(error)))
            return
        except Exception as error:  # a thread that dies quietly would leave the window judging for ever
            self._tell(Unjudged(number, said(error)))
            return
        self._tell(Answered(number, judged))
        if self.wanted.folder is not None:
            self._keep(number, judged, capture, self.wanted.folder)

    def _keep(self, number: int, judged: Judged, capture: Capture, folder: Path) -> None:
        from crankfold.viewer.session import keep, stem_of

        stem = stem_of(capture.started_utc, number, folder)
        try:
            paths = keep(judged, capture, folder, stem, name=f"{self.wanted.title}, {stem}")
        except (AcquireError, InputError, OSError) as error:
            self._tell(Told(sentence(*clauses(error))))
        else:
            self._tell(Told(say("window.kept", path=str(paths[0].with_suffix("")))))

    def _hear(self, event: Event) -> None:
        self._cranked = self._cranked or event.what is Happening.CRANKING
        self._tell(event)

    def _tell(self, news: News) -> None:
        self._news.put(news)


def _channels(source: Source, plan: RecordingPlan) -> tuple[tuple[int, Channel], ...]:
    """Return row and scale of the current, in amperes where they are known, and of one other channel."""
    channels, at = source.info.channels, plan.current_column
    others = [(k, channel) for k, channel in enumerate(channels) if k != at]
    return ((at, plan.current or channels[at]), *others[:1])


def said(error: BaseException) -> str:
    """Return an error that nobody expected, on one line."""
    return " ".join(f"{type(error).__name__}: {error}".split())


def clauses(error: BaseException) -> tuple[str, str]:
    """Return what happened and what to do, of an error that knows both or of any other."""
    if isinstance(error, AcquireError):
        return error.what, error.remedy
    return str(error) or type(error).__name__, ""
