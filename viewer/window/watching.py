"""A source watched on threads of its own: opened, recorded, judged, tried again; everything told as news in a queue.

The window takes the news when it draws. Nothing here waits for it, so a slow screen costs no sample.
"""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field, replace
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from crankfold.acquire.errors import AcquireError, ShutdownTimeoutError
from crankfold.acquire.recorder import Recorder
from crankfold.acquire.recording import Event, Happening, RecordingPlan
from crankfold.analysis.errors import InputError
from crankfold.viewer.window.news import Answered, Broke, Caught, NoBoard, Opened, Over, Readying, Retrying, Unjudged

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire.source import Source
    from crankfold.analysis.capture import Capture
    from crankfold.viewer.questions import Question
    from crankfold.viewer.window.news import News

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
    """

    open: Callable[[], Source]
    question: Question
    live: bool = True
    title: str = ""


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
    source: Source | None = field(default=None, init=False)

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
        self.prepare()
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
        with Recorder(source, self._plan(source), on_event=self._hear) as recorder:
            self.source, self.recorder = source, recorder
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
        question = self.wanted.question
        plan = RecordingPlan(each_crank=True if self.wanted.live else None)
        if question.probe is not None:
            plan = replace(plan, current=question.probe.channel(source.info.channels[0]))
        rig = question.rig
        return plan if rig is None else replace(plan, pre_trigger_s=rig.pre_trigger_s, max_crank_s=rig.max_crank_s)

    def _judged(self, number: int, capture: Capture) -> None:
        from crankfold.viewer.judging import judge
        from crankfold.viewer.reading import warnings_of

        try:
            judged = judge(capture, self.wanted.question, warnings_of(capture))
        except (AcquireError, InputError) as error:
            self._tell(Unjudged(number, str(error)))
        except Exception as error:  # a thread that dies quietly would leave the window judging for ever
            self._tell(Unjudged(number, " ".join(f"{type(error).__name__}: {error}".split())))
        else:
            self._tell(Answered(number, judged))

    def _hear(self, event: Event) -> None:
        self._cranked = self._cranked or event.what is Happening.CRANKING
        self._tell(event)

    def _tell(self, news: News) -> None:
        self._news.put(news)


def clauses(error: BaseException) -> tuple[str, str]:
    """Return what happened and what to do, of an error that knows both or of any other."""
    if isinstance(error, AcquireError):
        return error.what, error.remedy
    return str(error) or type(error).__name__, ""
