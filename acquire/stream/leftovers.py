"""Captures in a folder that several programs may share: new names that nobody else has, and what ended programs left.

A name is taken by making its journal, which only one program can do. A journal is taken up by renaming it, which only
one can do either: its new name says whose it is from then on, so that no moment is without an owner.
"""

from __future__ import annotations

import contextlib
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.acquire.atomic import write_new
from crankfold.acquire.errors import SaveError
from crankfold.acquire.stream.journal import SUFFIX, JournalWriter, held_here
from crankfold.acquire.stream.journal_reading import NothingWrittenError, Recovered, owner_text, recover
from crankfold.acquire.stream.owner import NAMELESS_S, STALE_S, Owner, changed_s, locked, this_program

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from crankfold.acquire.contract import SourceInfo

ENDINGS = (SUFFIX, ".h5", ".json", ".html", ".svg", ".png")
"""Of the files of one capture, its journal's first."""

MOST_NAMES = 10_000  # tried for one second before a folder is taken for broken
# names of ours, the second of an older program; a table of captures may have a journal of another kind there
_OURS = re.compile(r"(crank-\d{8}-\d{6}(?:-\d+)?|\d{8}T\d{6,12}(?:-\d+)?)(?:\.([^.]+))?" + re.escape(SUFFIX))


@dataclass(frozen=True)
class Left:
    """A journal whose program does not run any more, or cannot be known to run.

    Parameters
    ----------
    path
        The journal.
    machine
        Where its program may still run, empty where it does not: then it may be taken up.
    """

    path: Path
    machine: str = ""


@dataclass(frozen=True, eq=False)
class TakenUp:
    """A journal that this program owns now, and what it holds."""

    journal: JournalWriter
    recovered: Recovered


def new_journal(folder: Path, when_utc: datetime, info: SourceInfo, **facts: Any) -> JournalWriter:
    """Return a journal under a name that no capture in the folder has, after the time that is given.

    Parameters
    ----------
    facts
        As `JournalWriter` takes them.

    Raises
    ------
    SaveError
        It cannot be made.
    """
    for stem in _free_stems(folder, when_utc):
        try:
            made = JournalWriter(folder / f"{stem}{SUFFIX}", info, **facts)
        except SaveError as error:
            if isinstance(error.__cause__, FileExistsError) and folder.is_dir():
                continue
            raise
        if not _taken(folder, stem, ENDINGS[1:]):
            return made
        made.remove()  # another program was quicker with other files of that name
    raise _no_name(folder)


def write_named(folder: Path, when_utc: datetime, suffix: str, content: bytes) -> Path:
    """Write a file under a name that no capture in the folder has, whole or not at all, and return it.

    Raises
    ------
    SaveError
        It cannot be written.
    """
    for stem in _free_stems(folder, when_utc):
        with contextlib.suppress(FileExistsError):
            return write_new(folder / f"{stem}{suffix}", content)
    raise _no_name(folder)


def stem_of(journal: Path) -> str:
    """Return the name of a capture without any ending, from its journal's."""
    found = _OURS.fullmatch(journal.name)
    return found[1] if found else journal.stem


def left_behind(folder: Path) -> tuple[Left, ...]:
    """Return the journals in a folder that no running program is known to own, in the order of their names."""
    found = []
    for path in sorted(folder.glob(f"*{SUFFIX}")):
        named = _OURS.fullmatch(path.name)
        if named is not None:
            with contextlib.suppress(OSError):  # its program has just dealt with it, or the folder cannot be read now
                left = _left(path, named[2])
                if left is not None:
                    found.append(left)
    return tuple(found)


def take_up(left: Left) -> TakenUp | None:
    """Return a journal that was left, owned by this program from now on; None where another program was quicker.

    One that holds nothing is taken away.

    Raises
    ------
    FileFormatError
        It cannot be read; it stays where it is.
    """
    mine = left.path.with_name(f"{stem_of(left.path)}.{this_program()}{SUFFIX}")
    if left.machine or held_here(mine):
        return None
    try:
        left.path.rename(mine)
        os.utime(mine)
    except OSError:
        return None
    try:
        found = recover(mine)
    except NothingWrittenError:
        with contextlib.suppress(OSError):
            mine.unlink()
        return None
    return TakenUp(JournalWriter.taken_up(mine, found.end), found)


def _left(path: Path, in_name: str | None) -> Left | None:
    """Return the journal as one that was left, None where its program runs."""
    if held_here(path) or locked(path):
        return None
    owner = Owner.parse(in_name or "") or Owner.parse(owner_text(path))
    if owner is None:
        return Left(path) if path.is_dir() or changed_s(path) >= NAMELESS_S else None
    if owner == this_program():
        return Left(path)  # this very program let go of it
    if owner.runs is None:
        return Left(path, "" if changed_s(path) >= STALE_S else owner.machine)
    return None if owner.runs else Left(path)


def _free_stems(folder: Path, when_utc: datetime) -> Iterator[str]:
    """Yield names without endings that nothing in the folder has, after a time as the clock on the wall shows it."""
    first = f"crank-{when_utc.astimezone():%Y%m%d-%H%M%S}"
    names = (first if number == 1 else f"{first}-{number}" for number in range(1, MOST_NAMES))
    return (name for name in names if not _taken(folder, name, ENDINGS))


def _taken(folder: Path, stem: str, endings: tuple[str, ...]) -> bool:
    """Return whether there is a file of a capture of that name; a folder of ten thousand is not listed for it."""
    return any((folder / f"{stem}{ending}").exists() for ending in endings)


def _no_name(folder: Path) -> SaveError:
    return SaveError(f"no name for a capture could be found in {folder}", "check the folder, or use another")
