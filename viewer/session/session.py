"""One session for everybody: a source opened, armed, recorded, kept, analysed, tried again, ended.

The command line, the window and any program without a screen stand on it. Everything runs on threads of its own and is
told as `News` in a queue, so that a slow reader costs no sample. A crank is first a file on disk, then analysed; what
is pending when the session is closed is finished, or stays on disk and is taken up by the next session in that folder.

>>> from crankfold.viewer.session import Session, SessionPlan
>>> def follow(plan: SessionPlan) -> None:
...     with Session(plan) as session:
...         for news in session.events():
...             print(news)
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING, Self

from crankfold.acquire import (
    CaughtCrank,
    Event,
    Happening,
    Recorder,
    RecordingPlan,
    SettingError,
    ShutdownTimeoutError,
)
from crankfold.analysis import Capture, CrankfoldError
from crankfold.viewer.session.columns import check_source
from crankfold.viewer.session.custody import AnalysisQueue, Custody, Pending
from crankfold.viewer.session.judgement import survived
from crankfold.viewer.session.news import (
    Broke,
    Caught,
    Ended,
    Found,
    NoBoard,
    Opened,
    Over,
    Readying,
    Resting,
    Retrying,
    Told,
)
from crankfold.viewer.session.outcome import LOST, Outcome
from crankfold.viewer.session.problem import clauses, said
from crankfold.viewer.session.session_plan import Followed, Patience, plan_of
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import TracebackType

    from crankfold.acquire import Source, SourceInfo
    from crankfold.viewer.session.news import News
    from crankfold.viewer.session.session_plan import SessionPlan

FINISH_S = 5.0  # for analyses under way when the session is closed; one takes a tenth of a second, the first ever more
WAIT_S = 0.2  # systems on which waiting cannot be interrupted look for Ctrl-C so often


class Session:
    """One source followed until it ends or is closed.

    Parameters
    ----------
    plan
        What to do.

    Attributes
    ----------
    followed
        The stream to be drawn live, None while there is none.
    """

    def __init__(self, plan: SessionPlan) -> None:
        self.plan = plan
        self.followed: Followed | None = None
        self._news: deque[News] = deque()
        self._changed = threading.Condition()
        self._ending, self._again, self._resting = threading.Event(), threading.Event(), threading.Event()
        self._custody = Custody(plan.folder, self._tell)
        self._analyses = AnalysisQueue(plan, self._custody, self._tell)
        self._thread = threading.Thread(target=self._run, name="session", daemon=True)
        self._recorder: Recorder | None = None
        self._caught, self._cranked, self._prepared, self._opened = 0, False, False, False
        self._broken = False

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close(FINISH_S if kind is None else 0.0)

    def start(self) -> None:
        """Begin; to be called once."""
        self._analyses.start()
        self._thread.start()

    def news(self) -> list[News]:
        """Return what has happened since the last call, without waiting."""
        with self._changed:
            found = list(self._news)
            self._news.clear()
        return found

    def events(self) -> Iterator[News]:
        """Yield what happens, as it happens, up to and with `Ended`.

        A piece of news counts as taken when the next is asked for: whoever is interrupted while dealing with it is
        given it again by the next call.
        """
        while True:
            with self._changed:
                while not self._news:
                    self._changed.wait(WAIT_S)
                news = self._news[0]
            yield news
            with self._changed:
                if self._news and self._news[0] is news:
                    self._news.popleft()
            if isinstance(news, Ended):
                return

    def retry(self) -> None:
        """Try a board that is not there at once; play a recording that is over again."""
        self._again.set()

    def rest(self) -> None:
        """Let go of the board until `arm`; a crank under way is still kept and analysed."""
        self._resting.set()
        self._stop_recorder()

    def arm(self) -> None:
        """Take the board up again after `rest`."""
        self._resting.clear()
        self._again.set()

    def stop(self) -> None:
        """End after what is under way: it is kept and analysed, and then `Ended` comes; does not wait for it."""
        self._ending.set()
        self._again.set()
        self._stop_recorder()

    def close(self, finish_s: float = FINISH_S) -> None:
        """End, let go of the source, and wait for it.

        Parameters
        ----------
        finish_s
            Seconds that pending analyses may take; those that take longer are left to the next session in the folder.
        """
        self.stop()
        if self._thread.ident is not None:
            self._thread.join(RecordingPlan().shutdown_s + 1.0)
        self._analyses.close(finish_s)

    def _stop_recorder(self) -> None:
        recorder = self._recorder
        if recorder is not None:
            recorder.stop()

    @property
    def _enough(self) -> bool:
        return self.plan.count is not None and self._caught >= self.plan.count

    def _run(self) -> None:
        self._tell(Readying(self.plan.live))
        try:
            for left in self._custody.left():
                self._analyses.put(left)
            self._follow()
        except Exception as error:  # a thread that dies quietly would leave everybody waiting for ever
            self._tell(Broke(said(error), say("window.own_fault"), error, waiting=False))
        finally:
            self._analyses.end()  # tells what is pending first

    def _follow(self) -> None:
        while not self._ending.is_set():
            outcome = self._once()
            if self._resting.is_set() and not self._ending.is_set():
                self._tell(Resting())
                self._again.wait()
            elif not self._goes_on(outcome):
                return
            else:
                self._again.wait(self.plan.retry_s if self.plan.live and outcome is not Outcome.OVER else None)
            self._again.clear()
            if not self._ending.is_set():
                self._tell(Retrying())

    def _goes_on(self, outcome: Outcome) -> bool:
        """Return whether there is another turn after one that ended so."""
        if self._enough or self._ending.is_set():
            return False
        patience = self.plan.patience
        if patience is Patience.ONCE_OPENED:
            return self._opened and outcome in (Outcome.ABSENT, Outcome.LOST)
        return patience is Patience.ALWAYS

    def _once(self) -> Outcome:
        """Follow the source from opening to its end."""
        try:
            source = self.plan.open()
        except CrankfoldError as error:
            self._tell(NoBoard(*clauses(error), error))
            final = isinstance(error, SettingError) and self.plan.patience is not Patience.ALWAYS
            return Outcome.BROKEN if final else Outcome.ABSENT
        self._broken = False
        try:
            self._record(source)
        except ShutdownTimeoutError as error:
            self._broke(error, Outcome.OVER)
        except (CrankfoldError, MemoryError) as error:
            return self._broke(error, Outcome.of(error, source))
        finally:
            self._recorder = self.followed = None
        self._tell(Over())
        return Outcome.OVER

    def _record(self, source: Source) -> None:
        """Record an open source to its end; it is closed then, whatever happens."""
        try:
            recording = self._recording_plan(source.info)
            self._tell(Found(source.info.title or self.plan.title, source.info.live))
            if not self._prepared:
                self.plan.prepare(source.info)
                self._prepared = True
        except BaseException:
            source.close()
            raise
        with Recorder(source, recording, on_event=self._hear) as recorder:
            self.followed = Followed.of(recorder.ring, source.info, recording)
            self._recorder = recorder
            if self._ending.is_set() or self._resting.is_set():
                recorder.stop()
            self._opened = True
            self._tell(Opened(source.info.title or self.plan.title))
            for said in survived(source):
                self._tell(Told(said))
            for item in recorder.caught():
                if isinstance(recorder.broken_by, LOST):  # before the torn crank is saved, which may take a while
                    self._broke(recorder.broken_by, Outcome.of(recorder.broken_by, source))
                self._take(item, source.info)
                if self._enough:
                    recorder.stop()

    def _recording_plan(self, info: SourceInfo) -> RecordingPlan:
        question = self.plan.question
        check_source(info, question.engine)
        plan = plan_of(info, rig=question.rig, probe=question.probe, journal_folder=self.plan.folder)
        return replace(plan, each_crank=self.plan.each_crank if self.plan.live else None, about=self.plan.about())

    def _take(self, item: CaughtCrank | Capture, info: SourceInfo) -> None:
        """Put a crank on disk and hand it to the analysis."""
        journal = item.journal if isinstance(item, CaughtCrank) else None
        nothing_in_it = item.trigger_index is None and not self._cranked
        cranks_only = info.live or self._ending.is_set() or bool(self.plan.live and self.plan.each_crank)
        if self._enough or (nothing_in_it and cranks_only):
            if journal is not None:
                journal.remove()
            return
        self._cranked = False
        self._caught += 1
        capture = item.capture() if isinstance(item, CaughtCrank) else item
        self._tell(Caught(self._caught, capture))
        self._analyses.put(self._custody.save(Pending(self._caught, capture, journal)))

    def _hear(self, event: Event) -> None:
        if self._enough:
            return
        self._cranked = self._cranked or event.what is Happening.CRANKING
        self._tell(event)

    def _broke(self, error: BaseException, outcome: Outcome) -> Outcome:
        """Tell once that the stream broke, unless nobody needs it any more; return the outcome."""
        if not (self._broken or self._enough or self._ending.is_set()):
            self._broken = True
            self._tell(Broke(*clauses(error), error, waiting=self._goes_on(outcome)))
        return outcome

    def _tell(self, news: News) -> None:
        with self._changed:
            self._news.append(news)
            self._changed.notify_all()
