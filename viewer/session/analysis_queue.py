"""Caught cranks that wait for their analysis, on a thread of its own; each is a file before it comes here."""

from __future__ import annotations

import contextlib
import threading
from queue import Queue
from typing import TYPE_CHECKING

from crankfold.acquire import AcquireError
from crankfold.analysis import CrankfoldError
from crankfold.viewer.session.news import Answered, Ended, Kept, Rescued, Unjudged, Unkept
from crankfold.viewer.session.particulars import NOTHING_GIVEN
from crankfold.viewer.session.problem import clauses, said
from crankfold.viewer.words import worded

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.viewer.session.custody import Custody, Pending
    from crankfold.viewer.session.judgement import Judged
    from crankfold.viewer.session.news import News
    from crankfold.viewer.session.question import Question
    from crankfold.viewer.session.session_plan import SessionPlan

MOST_WAITING = 4  # captures in memory; whoever brings the next one waits, and the recorder's own queue fills


class AnalysisQueue:
    """Analyses what is put into it, in order, and tells what comes of it.

    Parameters
    ----------
    plan
        Of the session: the question, and what is analysed is called.
    custody
        Keeps what is analysed.
    tell
        Takes the news.
    """

    def __init__(self, plan: SessionPlan, custody: Custody, tell: Callable[[News], None]) -> None:
        self._plan, self._custody, self._tell = plan, custody, tell
        self._waiting: Queue[Pending | None] = Queue(MOST_WAITING)
        self._given_up = threading.Event()
        self._thread = threading.Thread(target=self._run, name="analysis", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def put(self, pending: Pending) -> None:
        """Hand over a crank; waits while too many wait."""
        self._waiting.put(pending)

    def end(self) -> None:
        """Tell `Ended` once everything before is told."""
        self._waiting.put(None)

    def close(self, finish_s: float) -> None:
        """Wait so long for what is pending; what then still waits stays on disk as it is."""
        if self._thread.ident is not None:
            self._thread.join(finish_s)
        self._given_up.set()

    def _run(self) -> None:
        while (pending := self._waiting.get()) is not None:
            if self._given_up.is_set():
                self._custody.leave(pending)
            else:
                self._analyse(pending)
        self._tell(Ended())

    def _analyse(self, pending: Pending) -> None:
        from crankfold.viewer.session.judgement import judge

        try:
            if pending.journal is not None:
                with contextlib.suppress(AcquireError):  # a disk that is full is told where the capture is kept
                    pending.journal.begin_analysis()
            judged = judge(pending.capture, self._question(pending), pending.capture.notices)
        except CrankfoldError as error:
            self._custody.done(pending)
            self._failed(pending, worded(error), error)
        except Exception as error:  # a thread that dies quietly would leave everybody waiting for ever
            self._custody.leave(pending)  # perhaps the next version can
            self._failed(pending, said(error), error)
        else:
            if pending.number:
                self._tell(Answered(pending.number, judged))
            self._keep(pending, judged)

    def _question(self, pending: Pending) -> Question:
        """Return what is asked: of a capture that an earlier run left, what that run asked."""
        from crankfold.viewer.session.particulars import question_for, told_about

        about = None if pending.number else told_about(pending.capture)
        if about is None or about.engine is None:
            return self._plan.question
        return question_for(pending.capture, NOTHING_GIVEN)[0]

    def _failed(self, pending: Pending, text: str, error: BaseException) -> None:
        if not pending.number:
            self._tell(Rescued(pending.path, problem=text))
            return
        self._tell(Unjudged(pending.number, text, error))
        if pending.path is not None:
            self._tell(Kept(pending.number, (pending.path,)))

    def _keep(self, pending: Pending, judged: Judged) -> None:
        if self._plan.folder is None:
            return
        try:
            paths = self._custody.keep(pending, judged, self._plan.title)
        except Exception as error:  # a thread that dies quietly would leave everybody waiting for ever
            self._custody.leave(pending)
            known = isinstance(error, CrankfoldError | OSError)
            if pending.number:
                self._tell(Unkept(pending.number, *(clauses(error) if known else (said(error), ""))))
            else:
                self._tell(Rescued(pending.path, judged, worded(error) if known else said(error)))
            return
        self._tell(Kept(pending.number, paths) if pending.number else Rescued(paths[0], judged))
