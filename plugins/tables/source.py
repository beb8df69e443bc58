"""Tables that a library has opened, as a source: columns chosen, units converted, rate found, losses counted."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire import AcquireError, EndOfStream, FileFormatError, Samples, Setting, Source, SourceInfo
from crankfold.analysis import Notice
from crankfold.plugins.tables.columns import Columns, channels_of, choose_columns
from crankfold.plugins.tables.csv_dialect import Dialect
from crankfold.plugins.tables.csv_fields import Kind
from crankfold.plugins.tables.csv_rows import Overloads
from crankfold.plugins.tables.headings import UNITS, Heading, Headings, find_unit, read_cell
from crankfold.plugins.tables.side_columns import SideColumns
from crankfold.plugins.tables.timing import TimedSource, Timing, rate_setting, refuse_unknown

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import datetime
    from pathlib import Path

    from numpy.typing import NDArray

    from crankfold.analysis import Channel

CHUNK_ROWS = 1 << 16
"""Rows handed on at a time."""

LEAST_ROWS = 4096
"""And at least so many, but for the last."""

COLUMNS = Setting("columns", "which columns are time, current and sync: by name, pattern, unit or number from 1",
                  "current=*clamp*,sync=unit:kV")
RATE = Setting("rate", "samples a second, for a file that does not say", "5000")
TIME_UNIT = Setting("time-unit", "unit of the time column: s, ms, us or samples", "ms")
CURRENT_UNIT = Setting("current-unit", "unit of the current column", "mV")
SYNC_UNIT = Setting("sync-unit", "unit of the sync column", "kV")
TABLE_SETTINGS = (COLUMNS, RATE, TIME_UNIT, CURRENT_UNIT, SYNC_UNIT)


@dataclass(frozen=True)
class Column:
    """One column: its name, its unit as written, whether it holds numbers, and the factor and range of its codes."""

    name: str
    unit: str = ""
    numeric: bool = True
    scale: float = 1.0
    code_range: tuple[int, int] | None = None


@dataclass(frozen=True)
class Table:
    """A file that is open.

    Parameters
    ----------
    columns
        What there is.
    rows
        ``rows(used)`` gives arrays of shape (rows, used columns), float64, one after the other; a time in seconds
        stands in front when `own_times` is set.
    rate_hz
        What the file says, None when it has a time column or says nothing.
    own_times
        Whether each channel has times of its own, which `rows` brings along.
    started_utc, notes
        Where the file knows them.
    notices
        What was done to the samples.
    close
        Lets go of the file.
    """

    columns: tuple[Column, ...]
    rows: Callable[[Sequence[int]], Iterator[NDArray[np.float64]]]
    rate_hz: float | None = None
    own_times: bool = False
    started_utc: datetime | None = None
    notes: Mapping[str, str] = field(default_factory=dict)
    notices: list[Notice] = field(default_factory=list)
    close: Callable[[], None] = lambda: None


class TableSource(TimedSource):
    """A table as a source of samples.

    Parameters
    ----------
    path
        The file.
    table
        What is in it.
    settings
        See `TABLE_SETTINGS`.

    Raises
    ------
    FileFormatError, SettingError
        No current can be found in it, nothing says the rate, or a setting makes no sense.
    """

    def __init__(self, path: Path, table: Table, settings: Mapping[str, str]) -> None:
        super().__init__()
        self._path, self._table = path, table
        self._pending: list[Samples] = []
        self._row_count = 0
        try:
            self._begin(settings)
        except BaseException:
            table.close()
            raise

    def _begin(self, settings: Mapping[str, str]) -> None:
        table, rate_hz = self._table, rate_setting(settings) or self._table.rate_hz
        headings = Headings(tuple(_heading(column) for column in table.columns))
        kinds = tuple(Kind.NUMBER if column.numeric else Kind.TEXT for column in table.columns)
        columns = choose_columns(headings, Dialect("", ".", len(kinds), kinds, 0), settings, self._path,
                                 positional_time=rate_hz is None and not table.own_times)
        self._values, self._chief = columns.values, len(columns.chief)
        self._side = SideColumns(len(columns.others))
        timed = replace(columns, time=0, time_unit=UNITS["s"]) if table.own_times else columns
        self._timing = Timing(self._path, timed, None if table.own_times else rate_hz)
        self._overloads = Overloads(self._chief)
        self._rows = _gathered(table.rows(columns.used))
        self._has_time = timed.time is not None
        while not self._absorb() and self._row_count == 0:
            pass
        if self._row_count == 0:
            raise FileFormatError(self._path, "there are no samples in it", "record again, or give another file")
        self._timing.settle()
        self._info = SourceInfo(
            self._timing.rate_hz, self._channels(columns), np.dtype(np.float64), self._path.name, str(self._path),
            finite=True, live=False, started_utc=table.started_utc, notes=table.notes)

    def _channels(self, columns: Columns) -> tuple[Channel, ...]:
        said = channels_of(columns)
        found = [self._table.columns[i] for i in self._values]
        return tuple(replace(channel, scale=channel.scale * column.scale, code_range=column.code_range)
                     for channel, column in zip(said, found, strict=True))

    @property
    def notices(self) -> tuple[Notice, ...]:
        """What was survived or done, so far."""
        over = [Notice("overloads", {"count": self._overloads.count})] if self._overloads.count else []
        return (*super().notices, *self._table.notices, *self._timing.notices(), *over)

    def _absorb(self) -> bool:
        """Turn the next rows into pending samples; return whether the end was reached."""
        try:
            rows = next(self._rows, None)
        except AcquireError:
            raise
        except Exception as error:
            raise FileFormatError(self._path, f"the file is damaged ({_reason(error)})",
                                  "copy it again from its source") from error
        clock = self._timing.clock
        if rows is None:
            self._pending += clock.finish()
            return True
        first = self._row_count
        self._row_count += len(rows)
        times, values = (np.ascontiguousarray(rows[:, 0]), rows[:, 1:]) if self._has_time else (None, rows)
        if times is not None and not np.isfinite(times).all():
            row = first + int(np.flatnonzero(~np.isfinite(times))[0]) + 1
            raise FileFormatError(self._path, "the time is missing here, expected it in every row",
                                  "repair the file, or leave the time out with the settings rate and columns", line=row)
        beside = self._side.settle(values[:, self._chief :])
        values = self._overloads.settle(np.ascontiguousarray(values[:, : self._chief]))
        if beside.shape[1]:
            values = np.hstack((values, beside))
        self._pending += clock.take(times, values, lambda row: first + row + 1)
        return False

    def _read(self, timeout_s: float) -> Samples | None:
        if not self._pending and self._absorb() and not self._pending:
            raise EndOfStream
        return self._pending.pop(0) if self._pending else None

    def _close(self) -> None:
        self._table.close()


def open_table(path: Path, settings: Mapping[str, str], known: Sequence[Setting], reader: str,
               load: Callable[[Path], Table]) -> Source:
    """Return the source of a file that `load` opens.

    Raises
    ------
    FileFormatError, SettingError
        It cannot be read, whatever the library's own error was, or a setting makes no sense.
    """
    refuse_unknown(settings, known, reader)
    try:
        path.open("rb").close()
        table = load(path)
    except AcquireError:
        raise
    except ModuleNotFoundError as error:
        raise FileFormatError(path, f"reading it needs the package {error.name}",
                              "install crankfold[formats]") from error
    except FileNotFoundError as error:
        raise FileFormatError(path, "there is no such file", "check the name and the folder") from error
    except MemoryError as error:
        raise FileFormatError(path, "the file needs more memory than there is", "cut it into shorter ones") from error
    except Exception as error:  # libraries raise what they like on files that are not theirs
        raise FileFormatError(path, f"this isn't a {reader} file, or it is damaged ({_reason(error)})",
                              "check its name, or copy it again from its source") from error
    return TableSource(path, table, settings)


def in_chunks(columns: Sequence[NDArray[np.generic]]) -> Iterator[NDArray[np.float64]]:
    """Yield equally long columns as arrays of shape (rows, columns)."""
    for start in range(0, len(columns[0]), CHUNK_ROWS):
        yield np.column_stack([np.asarray(column[start : start + CHUNK_ROWS], dtype=np.float64) for column in columns])


def _gathered(rows: Iterator[NDArray[np.float64]]) -> Iterator[NDArray[np.float64]]:
    """Yield the same rows in no tiny pieces: the first has to show how the times go."""
    held: list[NDArray[np.float64]] = []
    for piece in rows:
        held.append(piece)
        if sum(map(len, held)) >= LEAST_ROWS:
            yield held[0] if len(held) == 1 else np.concatenate(held)
            held = []
    if held:
        yield np.concatenate(held)


def _heading(column: Column) -> Heading:
    read = read_cell(column.name) if column.name else Heading()
    return Heading(read.name or column.name, find_unit(column.unit), column.unit) if column.unit else read


def _reason(error: Exception) -> str:
    return (str(error).strip().split("\n")[0] or type(error).__name__)[:120]
