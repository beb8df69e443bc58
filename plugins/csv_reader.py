"""Tables of numbers in text files, in whatever dialect a logger or a spreadsheet wrote them."""

from __future__ import annotations

import math
import zlib
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire.declarations import ReaderDeclaration, Setting
from crankfold.acquire.errors import FileFormatError, SettingError
from crankfold.acquire.hooks import hookimpl
from crankfold.acquire.source import EndOfStream, Samples, Source, SourceInfo
from crankfold.analysis.capture import CURRENT, SYNC, Channel
from crankfold.analysis.errors import InputError
from crankfold.plugins.csv_blocks import RowParser
from crankfold.plugins.csv_clock import COUNTER_WRAPS, DAY_S, RowClock, TimedClock
from crankfold.plugins.csv_columns import Columns, choose_columns
from crankfold.plugins.csv_dialect import PREAMBLE_LIMIT_LINES, Dialect, find_dialect
from crankfold.plugins.csv_fields import Kind, value_of
from crankfold.plugins.csv_headers import NUMBERING, Unit, read_headings
from crankfold.plugins.csv_intake import Intake
from crankfold.plugins.csv_text import GZIP_MAGIC, LineReader, text_of, wide_encoding

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from crankfold.plugins.csv_headers import Headings

crankfold_contract = 1

BLOCK_ROWS = 1 << 16
"""Rows handed on at a time."""

HEAD_ROWS = 4096
"""Rows wanted before the cadence of the time column is judged."""

HEAD_LIMIT_BYTES = 4 << 20
"""A file whose first so many bytes hold no table holds none."""

PLAUSIBLE_RATE_HZ = (50.0, 2e7)
"""Sample rates between which a time column without a unit is taken at its word: humps need the lower, no
logger that writes text reaches the upper."""

SETTINGS = (
    Setting("columns", "which columns are time, current and sync, by name or by number from 1; '-' for none", "1,3,2"),
    Setting("rate", "samples a second, for a file without a time column", "5000"),
    Setting("time-unit", "unit of the time column: s, ms, us or samples", "ms"),
    Setting("current-unit", "unit of the current column", "mV"),
    Setting("sync-unit", "unit of the sync column", "kV"),
)


class CsvSource(Source):
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
        self._rate = _rate_setting(settings)
        self._warnings: list[str] = []
        self._pending: list[Samples] = []
        self._text = LineReader(path)
        try:
            self._open(settings)
        except BaseException:
            self._text.close()
            raise

    @property
    def info(self) -> SourceInfo:
        """Rate from the time column, channels from the headings."""
        return self._info

    @property
    def measured_rate_hz(self) -> float | None:
        """Samples a second by the time column so far; None when there is none or it only counts."""
        interval = self._clock.measured_interval
        if interval is None or self._counts:
            return None
        return 1.0 / (interval * self._seconds_per_unit)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What was survived, so far."""
        return (*self._warnings, *self._text.warnings, *self._intake.warnings())

    def _open(self, settings: Mapping[str, str]) -> None:
        data, lines = self._find_table()
        dialect = find_dialect(lines, self._path)
        trailing = dialect.kinds[-1] is Kind.MISSING and dialect.fields > 1
        headings = read_headings(lines[: dialect.first_row], dialect, trailing=trailing)
        columns = choose_columns(headings, dialect, settings, self._path, first_rises=_rises(lines, dialect))
        if columns.time is None and self._rate is None:
            raise FileFormatError(self._path, "there is no time column", "say the sample rate with the setting rate, "
                                  "as in rate=5000", line=dialect.first_row + 1)
        self._columns = columns
        self._set_clock(columns, dialect)
        self._intake = Intake(self._path, RowParser(self._path, dialect, columns.used), columns, self._clock)
        above = _offset_of_line(data, dialect.first_row)
        self._absorb(data[above:], dialect.first_row + 1)
        self._unit_unsaid()
        self._info = self._describe(headings)

    def _find_table(self) -> tuple[bytes, list[str]]:
        """Return the head of the file: enough rows to judge the cadence, or the whole of it."""
        data = b""
        while not self._text.ended and data.count(b"\n") < HEAD_ROWS + PREAMBLE_LIMIT_LINES and len(
                data) < HEAD_LIMIT_BYTES:
            data += self._text.read()
        return data, text_of(data).split("\n")[:-1]

    def _set_clock(self, columns: Columns, dialect: Dialect) -> None:
        values = 1 + (columns.sync is not None)
        self._counts = columns.time_unit is not None and columns.time_unit.measures == NUMBERING
        if columns.time is None:
            self._seconds_per_unit = 1.0
            self._clock: RowClock = RowClock(values)
            return
        clock_time = dialect.kinds[columns.time] is Kind.CLOCK
        if self._counts and self._rate is None:
            raise FileFormatError(self._path, "the first column counts samples and nothing says how fast", "say the "
                                  "sample rate with the setting rate, as in rate=5000", column=columns.time + 1)
        if self._counts:
            self._seconds_per_unit = 1.0 / (self._rate or 1.0)
        else:
            unit = columns.time_unit
            self._seconds_per_unit = unit.factor if unit is not None and not clock_time else 1.0
        wraps = (DAY_S,) if clock_time else COUNTER_WRAPS if self._counts else COUNTER_WRAPS[2:]
        self._clock = TimedClock(self._path, columns.time, values, self._seconds_per_unit, wraps)
        self._unit_known = columns.time_unit is not None or clock_time

    def _unit_unsaid(self) -> None:
        """Settle the unit of a time column whose heading says none."""
        clock = self._clock
        if not isinstance(clock, TimedClock) or clock.cadence is None:
            return
        interval = clock.cadence.interval
        if not self._unit_known:
            low, high = PLAUSIBLE_RATE_HZ
            if interval == 1.0 and self._rate is not None:
                self._counts, self._seconds_per_unit = True, 1.0 / self._rate
            elif interval == 1.0:
                raise FileFormatError(self._path, "the first column counts by one and has no unit", "say time-unit=ms "
                                      "or time-unit=us, or the sample rate as in rate=5000", column=clock.column + 1)
            else:
                fits = [(name, factor) for name, factor in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6))
                        if low <= 1.0 / (interval * factor) <= high]
                if not fits:
                    raise FileFormatError(self._path, f"the time column rises by {interval:g} a row and has no unit",
                                          "say its unit, as in time-unit=ms", column=clock.column + 1)
                name, self._seconds_per_unit = fits[0]
                if name != "s":
                    self._warnings.append(f"the time column has no unit and is read as {name}, which makes "
                                          f"{1 / (interval * self._seconds_per_unit):.6g} samples a second")
            clock.seconds_per_unit = self._seconds_per_unit
        if not clock.cadence.even:
            rate = 1.0 / (interval * self._seconds_per_unit)
            self._warnings.append(f"the time column is uneven; samples are put on an even grid of {rate:.6g} samples a "
                                  "second by straight lines between the rows")

    def _describe(self, headings: Headings) -> SourceInfo:
        columns = self._columns
        if self._counts or not isinstance(self._clock, TimedClock):
            rate_hz = self._rate or math.nan
        else:
            assert self._clock.cadence is not None
            rate_hz = 1.0 / (self._clock.cadence.interval * self._seconds_per_unit)
            if self._rate is not None and abs(self._rate / rate_hz - 1) > 0.01:
                self._warnings.append(f"the time column says {rate_hz:.6g} samples a second, not {self._rate:g}; it is "
                                      "believed")
        channels = [_channel(CURRENT, columns.current_unit)]
        if columns.sync is not None:
            channels.append(_channel(SYNC, columns.sync_unit))
        notes = {"preamble": "\n".join(headings.preamble)} if headings.preamble else {}
        for role, index in (("current", columns.current), ("sync", columns.sync)):
            if index is not None and headings.columns[index].name:
                notes[f"{role} column"] = headings.columns[index].name
        return SourceInfo(rate_hz, tuple(channels), np.dtype(np.float64), self._path.name, str(self._path), finite=True,
                          live=False, notes=notes)

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
            self._pending += self._clock.finish()


def _channel(name: str, unit: Unit | None) -> Channel:
    return Channel(name) if unit is None else Channel(name, unit.becomes, scale=unit.factor)


def _rate_setting(settings: Mapping[str, str]) -> float | None:
    unknown = set(settings) - {setting.name for setting in SETTINGS}
    if unknown:
        raise SettingError(f"the CSV reader has no setting {sorted(unknown)[0]!r}",
                           "it knows " + ", ".join(setting.name for setting in SETTINGS))
    text = settings.get("rate", "")
    if not text:
        return None
    try:
        rate_hz = float(text)
    except ValueError:
        rate_hz = math.nan
    if not (math.isfinite(rate_hz) and rate_hz > 0):
        raise SettingError(f"rate={text!r} is not a sample rate", "give samples a second, as in rate=5000")
    return rate_hz


def _rises(lines: Sequence[str], dialect: Dialect) -> bool:
    """Return whether the first column rises over the first rows, as a time would."""
    rows = [dialect.split(line) for line in lines[dialect.first_row : dialect.first_row + 64] if dialect.is_row(line)]
    values = [value for row in rows if (value := value_of(row[0], dialect.decimal)) is not None]
    return len(values) >= 3 and all(a < b for a, b in pairwise(values))


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
