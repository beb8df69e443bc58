"""Rows of a batch under way, appended to a file beside the table, so that a run that was cut off goes on from there.

Where each row begins is kept in a database on disk, so that a million rows take no more memory than a few.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from crankfold.acquire import Owner, lock, locked, this_program
from crankfold.analysis import InputError
from crankfold.viewer.batch.places import scratch_database
from crankfold.viewer.batch.table import cylinders_of
from crankfold.viewer.session import unwritable
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.viewer.batch.work import Answer, Row

FORMAT = "crankfold.batch/1"
SUFFIX = ".journal"


def journal_path(table: Path) -> Path:
    """Return where the journal of a table is."""
    return table.with_name(table.name + SUFFIX)


class Journal:
    """A file of one line a row: ``{"key": ..., "row": {...}}``; a last line that was cut off does not count.

    A row with ``"final": false`` says why a capture could not be judged for now: it is in the table of this run, and
    the next one tries again. A line ``{"owner": ...}`` says which program writes from there on.

    Parameters
    ----------
    path
        Made if it is not there.

    Raises
    ------
    InputError
        It cannot be written, is something else, or another program is at it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._index = scratch_database(self)
        self._index.execute("CREATE TABLE kept (key TEXT PRIMARY KEY, at INTEGER, final INTEGER, cylinders INTEGER)"
                            " WITHOUT ROWID")
        self._end = 0
        try:
            self._file = _opened(path)
            elsewhere = not lock(self._file.fileno()) and locked(path)
            while not elsewhere and not os.fstat(self._file.fileno()).st_nlink:  # its last owner has just deleted it
                self._file.close()
                self._file = _opened(path)
                elsewhere = not lock(self._file.fileno()) and locked(path)
        except OSError as error:
            raise unwritable(path, error) from error
        try:
            self._begin(elsewhere=elsewhere)
        except BaseException:
            self._file.close()
            raise

    def _begin(self, *, elsewhere: bool) -> None:
        owner = self._read()
        if elsewhere or (owner is not None and owner != this_program() and owner.runs):
            raise InputError(say("batch.in_use", path=str(self.path)))
        new: list[dict[str, Any]] = [] if self._end else [{"format": FORMAT}]
        self._append([*new, {"owner": str(this_program())}])

    @classmethod
    def beside(cls, table: Path) -> Journal:
        """Return the journal of a table."""
        return cls(journal_path(table))

    def _read(self) -> Owner | None:
        """Take in what is there up to the last whole line, and return who wrote last."""
        owner, number = None, 0
        self._file.seek(0)
        for number, line in enumerate(io.BufferedReader(_Unclosed(self._file))):
            if not line.endswith(b"\n"):
                break
            try:
                entry = json.loads(line)
                if number == 0:
                    known = entry["format"] == FORMAT
                elif "owner" in entry:
                    owner, known = Owner.parse(entry["owner"]), True
                else:
                    known = isinstance(entry["key"], str) and isinstance(entry["row"], dict)
                    if entry.get("final", True):
                        self._note(entry["key"], self._end, entry["row"], final=True)
            except (ValueError, KeyError, TypeError, RecursionError, AttributeError):
                known = False
            if not known:
                raise InputError(say("batch.foreign_journal", path=str(self.path)))
            self._end += len(line)
        return owner

    def _note(self, key: str, at: int, row: Row, *, final: bool) -> None:
        self._index.execute("INSERT OR REPLACE INTO kept VALUES (?, ?, ?, ?)", (key, at, final, cylinders_of(row)))

    def holds(self, key: str) -> bool:
        """Return whether the final row of a key is there."""
        found = self._index.execute("SELECT final FROM kept WHERE key = ?", (key,)).fetchone()
        return found is not None and bool(found[0])

    def __len__(self) -> int:
        return int(self._index.execute("SELECT count(*) FROM kept").fetchone()[0])

    def row(self, key: str) -> Row:
        """Return the row of a key, read from the file."""
        found = self._index.execute("SELECT at FROM kept WHERE key = ?", (key,)).fetchone()
        self._file.seek(found[0])
        row: Row = json.loads(_line(self._file))["row"]
        return row

    def rows(self) -> Iterator[tuple[str, Row, bool]]:
        """Yield the key and row of all, in the order in which they came, and whether each is final."""
        for key, final in self._index.execute("SELECT key, final FROM kept ORDER BY at").fetchall():
            yield key, self.row(key), bool(final)

    @property
    def most_cylinders(self) -> int:
        """How many cylinders the largest engine of its rows has."""
        return int(self._index.execute("SELECT coalesce(max(cylinders), 0) FROM kept").fetchone()[0])

    def add(self, entries: Iterable[tuple[str, Answer]]) -> None:
        """Append rows by their keys, flushed to the disk.

        Raises
        ------
        InputError
            The disk is full.
        """
        added = dict(entries)
        places = self._append([{"key": key, "row": answer.row, **({} if answer.final else {"final": False})}
                               for key, answer in added.items()])
        for (key, answer), at in zip(added.items(), places, strict=True):
            self._note(key, at, answer.row, final=answer.final)

    def _append(self, entries: list[dict[str, Any]]) -> list[int]:
        """Write lines behind the last whole one and return where each begins; what is cut short does not count."""
        lines = [(json.dumps(line, ensure_ascii=True, allow_nan=False) + "\n").encode("ascii") for line in entries]
        content = memoryview(b"".join(lines))
        try:
            self._file.seek(self._end)
            while content:
                content = content[self._file.write(content) or 0:]
            self._file.truncate()
            os.fsync(self._file.fileno())
        except OSError as error:
            raise unwritable(self.path, error) from error
        places = [self._end + sum(map(len, lines[:k])) for k in range(len(lines))]
        self._end += sum(map(len, lines))
        return places

    def start_again(self) -> None:
        """Forget all rows, which are safe elsewhere."""
        self._index.execute("DELETE FROM kept")
        self._end = 0
        self._append([{"format": FORMAT}, {"owner": str(this_program())}])

    def remove(self) -> None:
        """Delete the file: the table is written."""
        try:
            self.path.unlink(missing_ok=True)  # while its lock is held: nobody else's can be meant
        except PermissionError:  # some systems delete no open file
            self._file.close()
            self.path.unlink(missing_ok=True)
        self._file.close()

    def close(self) -> None:
        """Let go of the file; without rows there is nothing to go on from, and it is deleted."""
        if self._file.closed:
            return
        if not len(self):
            self.remove()
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()


def _opened(path: Path) -> io.FileIO:
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    return io.FileIO(path, "r+")


def _line(file: io.FileIO) -> bytes:
    return io.BufferedReader(_Unclosed(file)).readline()


class _Unclosed(io.RawIOBase):
    """A file that is read through a buffer and stays open when the buffer goes."""

    def __init__(self, file: io.FileIO) -> None:
        self._file = file

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int | None:
        return self._file.readinto(buffer)
