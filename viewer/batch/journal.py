"""Rows of a batch under way, appended to a file beside the table, so that a run that was cut off goes on from there."""

from __future__ import annotations

import json
import os
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from crankfold.analysis import InputError
from crankfold.viewer.session import unwritable
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Iterable

    from crankfold.viewer.batch.work import Row

FORMAT = "crankfold.batch/1"
SUFFIX = ".journal"


def journal_path(table: Path) -> Path:
    """Return where the journal of a table is."""
    return table.with_name(table.name + SUFFIX)


class Journal:
    """A file of one line a row: ``{"key": ..., "row": {...}}``; a last line that was cut off does not count.

    Parameters
    ----------
    path
        Made if it is not there.

    Raises
    ------
    InputError
        It cannot be written, or is something else.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rows: dict[str, Row] = {}
        try:
            whole = self._read() if path.exists() else 0
            self._file = path.open("ab")
            self._file.truncate(whole)
        except OSError as error:
            raise unwritable(path, error) from error
        if not whole:
            self._append([{"format": FORMAT}])

    @classmethod
    def beside(cls, table: Path) -> Journal:
        """Return the journal of a table."""
        return cls(journal_path(table))

    def _read(self) -> int:
        """Take in what is there and return how many bytes of it are whole lines."""
        content = self.path.read_bytes()
        lines = content[: content.rfind(b"\n") + 1].split(b"\n")[:-1]
        for number, line in enumerate(lines):
            try:
                entry = json.loads(line)
                if number == 0:
                    whole = entry["format"] == FORMAT
                else:
                    self.rows[entry["key"]] = entry["row"]
            except (ValueError, KeyError, TypeError, RecursionError):
                whole = False
            if not whole:
                raise InputError(say("batch.foreign_journal", path=str(self.path)))
        return sum(len(line) + 1 for line in lines)

    def add(self, entries: Iterable[tuple[str, Row]]) -> None:
        """Append rows by their keys, flushed to the disk.

        Raises
        ------
        InputError
            The disk is full.
        """
        added = dict(entries)
        self.rows |= added
        self._append([{"key": key, "row": row} for key, row in added.items()])

    def _append(self, lines: list[dict[str, object]]) -> None:
        text = "".join(json.dumps(line, ensure_ascii=True, allow_nan=False) + "\n" for line in lines)
        try:
            self._file.write(text.encode("ascii"))
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError as error:
            raise unwritable(self.path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._file.close()
        if not self.rows:
            self.path.unlink(missing_ok=True)  # nothing to go on from
