"""From a caught crank to a file of its own, and on to a file with its result; its journal owns it until then.

Cranks that wait for their analysis do so on a thread of its own.
"""

from __future__ import annotations

import contextlib
import threading
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from queue import Queue
from typing import TYPE_CHECKING

from crankfold.acquire import (
    AcquireError,
    capture_image,
    left_behind,
    read_stored,
    stem_of,
    take_up,
    write_named,
    write_new,
)
from crankfold.analysis import CrankfoldError
from crankfold.viewer.session.kept_files import SUFFIX, keep_results
from crankfold.viewer.session.news import Answered, Ended, Kept, LeftElsewhere, Rescued, Saved, Unjudged, Unkept
from crankfold.viewer.session.particulars import NOTHING_GIVEN
from crankfold.viewer.session.problem import clauses, said
from crankfold.viewer.words import say, worded

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from crankfold.acquire import JournalWriter, TakenUp
    from crankfold.analysis import Capture
    from crankfold.viewer.session.judgement import Judged
    from crankfold.viewer.session.news import News
    from crankfold.viewer.session.question import Question
    from crankfold.viewer.session.session_plan import SessionPlan

MOST_TRIES = 2  # an analysis that ended its program so often is not begun again; the capture stays
MOST_WAITING = 4  # captures in memory; whoever brings the next one waits, and the recorder's own queue fills


@dataclass(frozen=True, eq=False)
class Pending:
    """A crank on its way.

    Parameters
    ----------
    number
        Of the crank, 0 for one that an earlier run left.
    capture
        As it came, before the probe's scale.
    journal
        Owns it on disk, None: nothing does.
    path
        Its file, None where it has none yet.
    """

    number: int
    capture: Capture
    journal: JournalWriter | None = None
    path: Path | None = None


class Custody:
    """Keeps the cranks of one session in a folder.

    Parameters
    ----------
    folder
        None: nowhere.
    tell
        Takes the news.
    """

    def __init__(self, folder: Path | None, tell: Callable[[News], None]) -> None:
        self._folder, self._tell = folder, tell

    def save(self, pending: Pending) -> Pending:
        """Return a crank with its samples in a file; where that fails it is told, and its journal goes on owning it."""
        if self._folder is None:
            return pending
        try:
            saved = self._saved(pending, self._folder)
        except (AcquireError, OSError, MemoryError) as error:
            self._tell(Unkept(pending.number, *clauses(error)))
            return pending
        assert saved.path is not None
        self._tell(Saved(pending.number, saved.path))
        return saved

    def left(self) -> Iterator[Pending]:
        """Yield what earlier runs left in the folder, each a whole file now, or told where it cannot be."""
        for left in () if self._folder is None else left_behind(self._folder):
            if left.machine:
                self._tell(LeftElsewhere(left.path, left.machine))
                continue
            try:
                taken = take_up(left)
                if taken is not None:
                    yield from self._taken(taken)
            except (CrankfoldError, OSError, MemoryError, ValueError) as error:  # one that was spoilt harms no other
                self._tell(Rescued(None, problem=worded(error)))

    def keep(self, pending: Pending, judged: Judged, title: str) -> tuple[Path, ...]:
        """Write what the analysis says beside and into the crank's file; return the files, the crank's first.

        Raises
        ------
        AcquireError, InputError, OSError
            They cannot be written; the crank is as safe as it was.
        """
        if self._folder is None:
            return ()
        saved = pending if pending.path is not None else self._saved(pending, self._folder)
        assert saved.path is not None
        files = keep_results(judged, pending.capture, saved.path, name=f"{title}, {saved.path.stem}")
        self.done(saved)
        return saved.path, *files

    def done(self, pending: Pending) -> None:
        """Let a crank go that is whole in its file, and of which there is no more to come."""
        if pending.journal is not None:
            (pending.journal.remove if pending.path is not None else pending.journal.close)()

    def leave(self, pending: Pending) -> None:
        """Leave a crank on disk as it is, to whoever takes it up."""
        if pending.journal is not None:
            pending.journal.close()

    def _saved(self, pending: Pending, folder: Path) -> Pending:
        journal = pending.journal
        if journal is None or not journal.ours:  # nothing of it is on disk, or another program has taken it up
            when = pending.capture.started_utc or datetime.now(UTC)
            path = write_named(folder, when, SUFFIX, capture_image(pending.capture))
            return replace(pending, path=path)
        path = self._own_file(journal, pending.capture)
        with contextlib.suppress(AcquireError):  # then it is made once more of the journal, if need be
            journal.keep(path.name)
        return replace(pending, path=path)

    def _own_file(self, journal: JournalWriter, capture: Capture) -> Path:
        """Write a capture under its journal's name, or, should there be one of that name, under another."""
        path = journal.path.with_name(f"{stem_of(journal.path)}{SUFFIX}")
        image = capture_image(capture)
        try:
            return write_new(path, image)
        except FileExistsError:
            return write_named(path.parent, capture.started_utc or datetime.now(UTC), SUFFIX, image)

    def _taken(self, taken: TakenUp) -> Iterator[Pending]:
        journal, found = taken.journal, taken.recovered
        path = journal.path.with_name(found.kept_as or f"{stem_of(journal.path)}{SUFFIX}")
        capture = found.capture
        with contextlib.suppress(AcquireError):
            there = read_stored(path).capture()
            if (there.started_utc, there.samples.shape) == (capture.started_utc, capture.samples.shape):
                capture = there  # its program ended after it had saved it
        try:
            if capture is found.capture:
                path = self._own_file(journal, capture)
                journal.keep(path.name)
        except AcquireError:
            journal.close()
            raise
        pending = Pending(0, capture, journal, path)
        if found.tries >= MOST_TRIES:
            self._tell(Rescued(path, problem=say("problem.analysis_ends_program", path=str(path))))
            self.done(pending)
            return
        yield pending


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
