"""The table of a batch as a folder of Parquet files, to which rows go as they come: for a million captures.

Rows wait in a journal in the folder until there are enough for a file of their own; each file is written whole and
then renamed. A row's column ``key`` says what was asked of which file; a run that goes on judges what has no such row.
It is empty where a capture could not be judged for now.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from crankfold.acquire import flush_folder, write_beside
from crankfold.analysis import MAX_CYLINDERS, InputError
from crankfold.viewer.batch.journal import Journal
from crankfold.viewer.batch.places import scratch_database
from crankfold.viewer.batch.table import AT_ONCE, MARK, PARQUET, columns_of, pyarrow_for, write_table
from crankfold.viewer.session import unwritable
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.viewer.batch.plan import Plan
    from crankfold.viewer.batch.work import Answer, Row

PARTITION = 4096  # rows a file: about a megabyte, and 250 files for a million rows
JOURNAL = "_rows.journal"  # readers of data sets leave out names that begin so
PART = "part-"
KEY = "key"
COLUMNS = (*columns_of(MAX_CYLINDERS), KEY)
"""The same in every file, so that any reader takes the folder as one table."""


class DataSet:
    """A folder of Parquet files that grows; rows of captures that are not part of this run stay as they are.

    Parameters
    ----------
    folder
        Made if it is not there.

    Raises
    ------
    InputError
        It cannot be written, holds something else, or another program is at it.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        pyarrow_for("formats")
        try:
            folder.mkdir(exist_ok=True)
            self._before = self._parts()
        except OSError as error:
            raise unwritable(folder, error) from error
        self._next = 1 + max((_number(path) for path in self._before), default=-1)
        self._keys = scratch_database(self)
        self._keys.execute("CREATE TABLE kept (key TEXT PRIMARY KEY) WITHOUT ROWID")
        for path in self._before:
            self._take_in(path)
        self._journal = Journal(folder / JOURNAL)

    @property
    def path(self) -> Path:
        """Where what was done is kept."""
        return self.folder

    def _parts(self) -> list[Path]:
        """Return the files of rows.

        Raises
        ------
        InputError
            The folder holds anything else.
        """
        found = sorted(path for path in self.folder.iterdir() if not path.name.startswith((".", "_")))
        for path in found:
            if _number(path) < 0:
                raise InputError(say("batch.foreign_folder", path=str(self.folder), name=path.name))
        return found

    def _take_in(self, path: Path) -> None:
        file = self._open(path)
        for piece in file.iter_batches(columns=[KEY]):
            self._keys.executemany("INSERT OR IGNORE INTO kept VALUES (?)",
                                   ((key,) for key in piece.column(0).to_pylist() if key is not None))

    def _open(self, path: Path) -> Any:
        from pyarrow import ArrowException, parquet

        try:
            file = parquet.ParquetFile(path)
            known = (file.schema_arrow.metadata or {}).get(b"crankfold") == MARK and KEY in file.schema_arrow.names
        except (ArrowException, OSError) as error:
            raise InputError(say("batch.foreign_folder", path=str(self.folder), name=path.name)) from error
        if not known:
            raise InputError(say("batch.foreign_folder", path=str(self.folder), name=path.name))
        return file

    def holds(self, key: str) -> bool:
        """Return whether the final row of a key is there."""
        return (self._keys.execute("SELECT 1 FROM kept WHERE key = ?", (key,)).fetchone() is not None
                or self._journal.holds(key))

    def add(self, entries: Iterable[tuple[str, Answer]]) -> None:
        """Take rows in by their keys; they are on the disk when this returns.

        Raises
        ------
        InputError
            The disk is full.
        """
        self._journal.add(entries)
        if len(self._journal) >= PARTITION:
            self._close_part()

    def _close_part(self) -> None:
        rows = [{**row, KEY: key if final else None} for key, row, final in self._journal.rows()
                if not self._is_kept(key)]
        if rows:
            self._write(self.folder / f"{PART}{self._next:06d}{PARQUET}", rows)
            self._next += 1
            self._keys.executemany("INSERT OR IGNORE INTO kept VALUES (?)",
                                   ((row[KEY],) for row in rows if row[KEY] is not None))
        self._journal.start_again()

    def _is_kept(self, key: str) -> bool:
        """Return whether a row of the journal is in a file: a run was cut off between the two."""
        return self._keys.execute("SELECT 1 FROM kept WHERE key = ?", (key,)).fetchone() is not None

    def _write(self, path: Path, rows: Iterable[Row]) -> None:
        try:
            write_beside(path, lambda file: write_table(file, rows, COLUMNS, PARQUET)).replace(path)
            flush_folder(self.folder)
        except OSError as error:
            raise unwritable(path, error) from error

    def finish(self, plan: Plan) -> Iterator[Row]:
        """Yield the rows of the captures of a run when all were judged; rows that they replace are taken out."""
        self._close_part()
        for path in self._parts():
            old = path in self._before
            stale = 0
            for row in self._rows(path):
                key = plan.key_of(str(row["file"]))
                if key is None:
                    continue
                if row[KEY] == key or (row[KEY] is None and not old):
                    yield row
                else:
                    stale += 1
            if stale:
                self._take_out(path, plan)
        self._journal.remove()

    def _take_out(self, path: Path, plan: Plan) -> None:
        """Write a file anew without the rows that others have replaced."""
        left = [row for row in self._rows(path) if plan.key_of(str(row["file"])) in (None, row[KEY])]
        if left:
            self._write(path, left)
        else:
            path.unlink()

    def _rows(self, path: Path) -> Iterator[Row]:
        for piece in self._open(path).iter_batches(AT_ONCE):
            yield from piece.to_pylist()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._journal.close()


def _number(path: Path) -> int:
    """Return the number of a file of rows, -1 of anything else."""
    digits = path.name.removeprefix(PART).removesuffix(PARQUET)
    return int(digits) if path.name == f"{PART}{digits}{PARQUET}" and digits.isdecimal() else -1
