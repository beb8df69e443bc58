"""Tables of numbers in text files, in whatever dialect a logger or a spreadsheet wrote them."""

from __future__ import annotations

import zlib
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire import (
    EndOfStream,
    FileFormatError,
    ReaderDeclaration,
    Samples,
    Setting,
    Source,
    SourceInfo,
    hookimpl,
)
from crankfold.analysis import InputError, Notice, quoted
from crankfold.plugins.tables.columns import NUMERIC, channels_of, choose_columns
from crankfold.plugins.tables.csv_dialect import PREAMBLE_LIMIT_LINES, Dialect, find_dialect
from crankfold.plugins.tables.csv_fields import Kind, value_of
from crankfold.plugins.tables.csv_intake import Intake
from crankfold.plugins.tables.csv_rows import RowParser
from crankfold.plugins.tables.csv_text import GZIP_MAGIC, LineReader, text_of, wide_encoding
from crankfold.plugins.tables.headings import read_headings
from crankfold.plugins.tables.side_columns import LEAST_FILLED
from crankfold.plugins.tables.timing import TimedSource, Timing, rate_setting, refuse_unknown

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from crankfold.plugins.tables.headings import Headings

crankfold_contract = 1

BLOCK_ROWS = 1 << 16
"""Rows handed on at a time."""

HEAD_ROWS = 4096
"""Rows wanted before the cadence of the time column is judged."""

LOOKED_AT = 256
"""Rows in which a column beside current and sync must show that it holds numbers."""

HEAD_LIMIT_BYTES = 4 << 20
"""A file whose first so many bytes hold no table holds none."""

SETTINGS = (
    Setting("columns", "which are time, current, sync: by name, pattern, unit or number from 1; '-' for none", "1,3,2"),
    Setting("rate", "samples a second, for a file without a time column", "5000"),
    Setting("time-unit", "unit of the time column: s, ms, us or samples", "ms"),
    Setting("current-unit", "unit of the current column", "mV"),
    Setting("sync-unit", "unit of the sync column", "kV"),
)


class CsvSource(TimedSource):
    """A text file as a source of samples.

    Parameters
    ----------
    path
        The file, gzipped or not.
    settings
        See `SETTINGS`.

    Raises
    ------
    FileFormatError, SettingError
        The file holds no table, or a setting makes no sense.
    """

    def __init__(self, path: Path, settings: Mapping[str, str]) -> None:
        super().__init__()
        self._path = path
        refuse_unknown(settings, SETTINGS, "CSV")
        rate_hz = rate_setting(settings)
        self._pending: list[Samples] = []
        self._text = LineReader(path)
        try:
            self._open(settings, rate_hz)
        except BaseException:
            self._text.close()
            raise

    @property
    def notices(self) -> tuple[Notice, ...]:
        """What was survived, so far."""
        left_out = [Notice("column-left-out", {"column": quoted(name)}) for name in self._left_out]
        return (*super().notices, *self._text.notices, *self._intake.notices(), *self._timing.notices(), *left_out)

    def _open(self, settings: Mapping[str, str], rate_hz: float | None) -> None:
        data, lines = self._find_table()
        dialect = find_dialect(lines, self._path)
        trailing = dialect.kinds[-1] is Kind.MISSING and dialect.fields > 1
        headings = read_headings(lines[: dialect.first_row], dialect, trailing=trailing)
        sparse = _sparse(lines, dialect)
        columns = choose_columns(headings, dialect, settings, self._path, sparse=sparse,
                                 positional_time=rate_hz is None or _rises(lines, dialect))
        self._left_out = [headings.columns[i].name or f"column {i + 1}" for i in sparse if i not in columns.used]
        self._columns = columns
        self._timing = Timing(self._path, columns, rate_hz, first_row=dialect.first_row + 1,
                              clock_time=columns.time is not None and dialect.kinds[columns.time] is Kind.CLOCK)
        parser = RowParser(self._path, dialect, columns.used, [other.index for other in columns.others])
        self._intake = Intake(self._path, parser, columns, self._timing.clock)
        above = _offset_of_line(data, dialect.first_row)
        self._absorb(data[above:], dialect.first_row + 1)
        self._timing.settle()
        self._info = self._describe(headings)

    def _find_table(self) -> tuple[bytes, list[str]]:
        """Return the head of the file: enough rows to judge the cadence, or the whole of it."""
        data = b""
        while not self._text.ended and data.count(b"\n") < HEAD_ROWS + PREAMBLE_LIMIT_LINES and len(
                data) < HEAD_LIMIT_BYTES:
            data += self._text.read()
        return data, text_of(data).split("\n")[:-1]

    def _describe(self, headings: Headings) -> SourceInfo:
        columns = self._columns
        channels = channels_of(columns)
        notes = {"preamble": "\n".join(headings.preamble)} if headings.preamble else {}
        for role, index in (("current", columns.current), ("sync", columns.sync),
                            *((other.name, other.index) for other in columns.others)):
            if index is not None and headings.columns[index].name:
                notes[f"{role} column"] = headings.columns[index].name
        return SourceInfo(self._timing.rate_hz, channels, np.dtype(np.float64), self._path.name, str(self._path),
                          finite=True, live=False, notes=notes)

    def _read(self, timeout_s: float) -> Samples | None:
        if not self._pending:
            if self._text.ended:
                raise EndOfStream
            first_line = self._text.next_line
            self._absorb(self._text.read(), first_line)
        if not self._pending:
            return None
        samples = self._pending.pop(0)
        if len(samples.codes) > BLOCK_ROWS:
            self._pending.insert(0, Samples(samples.codes[BLOCK_ROWS:]))
            samples = Samples(samples.codes[:BLOCK_ROWS], samples.lost_before)
        return samples

    def _close(self) -> None:
        self._text.close()

    def _absorb(self, data: bytes, first_line: int) -> None:
        unfinished = self._text.ended and self._text.unterminated
        self._pending += self._intake.take(data, first_line, unfinished=unfinished)
        if self._text.ended:
            self._pending += self._timing.clock.finish()


def _rises(lines: Sequence[str], dialect: Dialect) -> bool:
    """Return whether the first column rises over the first rows, as a time would."""
    rows = [dialect.split(line) for line in lines[dialect.first_row : dialect.first_row + 64] if dialect.is_row(line)]
    values = [value for row in rows if (value := value_of(row[0], dialect.decimal)) is not None]
    return len(values) >= 3 and all(a < b for a, b in pairwise(values))


def _sparse(lines: Sequence[str], dialect: Dialect) -> tuple[int, ...]:
    """Return the fields that hold a number in too few of the first rows."""
    rows = [fields for line in lines[dialect.first_row : dialect.first_row + LOOKED_AT] if dialect.is_row(line)
            and len(fields := dialect.split(line)) == dialect.fields]
    numeric = [i for i, kind in enumerate(dialect.kinds) if kind in NUMERIC]
    return tuple(i for i in numeric
                 if sum(value_of(row[i], dialect.decimal) is not None and bool(row[i].strip()) for row in rows)
                 < LEAST_FILLED * len(rows))


def _offset_of_line(data: bytes, index: int) -> int:
    offset = 0
    for _ in range(index):
        offset = data.find(b"\n", offset) + 1
    return offset


def recognises(head: bytes) -> bool:
    """Return whether these first bytes of a file look like a table of numbers."""
    if head.startswith(GZIP_MAGIC):
        try:
            head = zlib.decompressobj(wbits=31).decompress(head, 1 << 16)
        except zlib.error:
            return False
    encoding = wide_encoding(head)
    text = head.decode(encoding, "replace") if encoding else text_of(head)
    if "\0" in text:
        return False
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    try:
        find_dialect(lines[:-1] if len(lines) > 1 else lines, Path("head"))
    except FileFormatError:
        return False
    return True


def open_csv(path: Path, settings: Mapping[str, str]) -> Source:
    """Return the file as a source.

    Raises
    ------
    FileFormatError, SettingError
        It holds no table that can be read, or a setting makes no sense.
    """
    try:
        return CsvSource(Path(path), settings)
    except InputError as error:
        raise FileFormatError(path, str(error), "give another file") from error


@hookimpl
def crankfold_readers() -> Sequence[ReaderDeclaration]:
    """Return the one kind of file: text with a table of numbers."""
    return (ReaderDeclaration("csv", "text files with columns (CSV, TSV), also gzipped",
                              (".csv.gz", ".tsv.gz", ".txt.gz", ".csv", ".tsv", ".txt", ".dat", ".asc", ".prn"),
                              open_csv, recognises, SETTINGS),)
