"""From a caught crank to a file of its own, and on to a file with its result; its journal owns it until then."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace
from datetime import UTC, datetime
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
from crankfold.viewer.session.news import LeftElsewhere, Rescued, Saved, Unkept
from crankfold.viewer.session.problem import clauses
from crankfold.viewer.words import say, worded

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from crankfold.acquire import JournalWriter, TakenUp
    from crankfold.analysis import Capture
    from crankfold.viewer.session.judgement import Judged
    from crankfold.viewer.session.news import News

MOST_TRIES = 2  # an analysis that ended its program so often is not begun again; the capture stays


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
