"""From whole lines to numbers, fast where the lines are clean and line by line where they are not."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.plugins.tables.csv_dialect import grouped_error
from crankfold.plugins.tables.csv_fields import (
    CLOCK,
    OVERLOAD,
    UNSIGNED_OVERLOAD,
    Kind,
    clock_text,
    is_certainly_grouped,
    kind_of,
    overload_value,
    value_of,
)
from crankfold.plugins.tables.csv_text import lines_of, text_of

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from crankfold.plugins.tables.csv_dialect import Dialect

LINE_BY_LINE = 48
"""Lines in a stretch below which halving it again costs more than looking at each."""

_CLOCK_TIME = re.compile(CLOCK)
_QUOTED = re.compile(r'"([^"\n]*)"')


@dataclass(frozen=True)
class Damage:
    """A line that could not be read: where, what stood there."""

    line: int
    column: int
    text: str


@dataclass(frozen=True, eq=False)
class Rows:
    """Numbers of consecutive rows.

    Parameters
    ----------
    values : ndarray, shape (rows, used columns), float64
        As written; NaN where missing or damaged, infinite (or `UNSIGNED_OVERLOAD`) where overloaded.
    damaged : ndarray, shape (rows,), bool
        Rows that could not be read.
    damages
        The same with their places.
    """

    values: NDArray[np.float64]
    damaged: NDArray[np.bool_]
    damages: tuple[Damage, ...] = ()


class RowParser:
    """Reads runs of lines in one dialect.

    Parameters
    ----------
    path
        For messages.
    dialect
        How rows are written.
    used
        Indices of the fields wanted, in the order wanted.
    side
        Those of them that may hold anything: what is no number there does no damage.
    """

    def __init__(self, path: Path, dialect: Dialect, used: Sequence[int], side: Collection[int] = ()) -> None:
        self._side = frozenset(side)
        self.path = path
        self.dialect = dialect
        self.used = tuple(used)
        self._all = self.used == tuple(range(dialect.fields))
        self._clock = any(dialect.kinds[i] is Kind.CLOCK for i in used)
        mark = re.escape(dialect.delimiter) if dialect.delimiter not in {"", " "} else r"\s"
        begin, end = rf"(?<![^{mark}\n])[ ]*", rf"[ ]*(?![^{mark}\n])"
        self._marks = re.compile(rf"{begin}([+-]?[ ]*(?:{OVERLOAD})){end}", re.IGNORECASE)
        self._empty = re.compile(rf"(?<={mark})[ ]*(?={mark}|$)|^[ ]*(?={mark})", re.MULTILINE)

    def parse(self, data: bytes, first_line: int) -> Rows:
        """Return the numbers of these whole lines; blank lines and comments are no rows.

        Raises
        ------
        FileFormatError
            Digits grouped by thousands.
        """
        strict = self.dialect.decimal == "," and b"." in data and not self._clock
        if not strict:
            values = self._fast(self._clean(data))
            if values is not None:
                return Rows(values, np.zeros(len(values), dtype=np.bool_))
        return self._careful(data, first_line, strict=strict)

    def line_of(self, data: bytes, first_line: int, row: int) -> int:
        """Return the line number of a row of `parse(data, first_line)`."""
        numbers = [number for number, line in lines_of(data, first_line) if not self._is_no_row(text_of(line))]
        return numbers[row] if row < len(numbers) else first_line

    def _careful(self, data: bytes, first_line: int, *, strict: bool = False) -> Rows:
        count = data.count(b"\n")
        if strict or count <= LINE_BY_LINE:
            return self._line_by_line(data, first_line)
        values = self._fast(self._mend(self._clean(data)))
        if values is not None and not np.isnan(values).all(axis=1).any():
            return Rows(values, np.zeros(len(values), dtype=np.bool_))
        middle = data.find(b"\n", len(data) // 2) + 1 or data.rfind(b"\n", 0, len(data) - 1) + 1
        if middle in {0, len(data)}:
            middle = data.rfind(b"\n", 0, len(data) - 1) + 1
        first = self._careful(data[:middle], first_line)
        second = self._careful(data[middle:], first_line + data.count(b"\n", 0, middle))
        return Rows(np.concatenate([first.values, second.values]), np.concatenate([first.damaged, second.damaged]),
                    first.damages + second.damages)

    def _clean(self, data: bytes) -> str:
        """Return the lines with decimal points, plain minus signs, and clock times as seconds."""
        text = data.decode("latin-1") if data.isascii() else text_of(data).replace("\u2212", "-").replace("\u00a0", " ")
        if self._clock:
            text = _CLOCK_TIME.sub(clock_text, text)
        if self.dialect.decimal == ",":
            if self.dialect.delimiter == ",":
                return _QUOTED.sub(lambda match: match[1].replace(",", "."), text)
            return text.replace(",", ".")
        return text

    def _mend(self, text: str) -> str:
        """Return the lines with overload marks and empty fields as numbers; used when the plain way failed."""
        text = self._marks.sub(lambda match: repr(overload_value(match[1])), text)
        return text if self.dialect.delimiter in {"", " "} else self._empty.sub("nan", text)

    def _fast(self, text: str) -> NDArray[np.float64] | None:
        """Return the wanted columns, None when any line is not a clean row."""
        dialect = self.dialect
        if not text or text.isspace():
            return np.empty((0, len(self.used)))
        quoted = '"' in text
        if not self._all and not quoted and dialect.delimiter.strip() and not self._is_regular(text):
            return None
        try:
            values: NDArray[np.float64] = np.loadtxt(
                io.StringIO(text), dtype=np.float64, comments=None, ndmin=2,
                delimiter=dialect.delimiter if dialect.delimiter not in {" ", ""} else None,
                quotechar='"' if quoted else None, usecols=None if self._all else self.used)
        except (ValueError, IndexError):
            return None
        return values if values.shape[1] == len(self.used) else None

    def _is_regular(self, text: str) -> bool:
        """Return whether every line has the same number of delimiters: with some columns unread nobody else checks."""
        codes = np.frombuffer(text.encode("utf-8"), dtype=np.uint8)
        marks = codes[(codes == ord(self.dialect.delimiter)) | (codes == ord("\n"))]
        if len(marks) % self.dialect.fields:
            return False
        table = marks.reshape(-1, self.dialect.fields)
        return bool((table[:, -1] == ord("\n")).all() and (table[:, :-1] == ord(self.dialect.delimiter)).all())

    def _is_no_row(self, line: str) -> bool:
        return not line.strip(f" \t\ufeff\"{self.dialect.delimiter}") or line.lstrip().startswith("#")

    def _line_by_line(self, data: bytes, first_line: int) -> Rows:
        rows: list[list[float]] = []
        damages: list[Damage] = []
        damaged: list[bool] = []
        for number, line in lines_of(data, first_line):
            text = text_of(line)
            if self._is_no_row(text):
                continue
            found = self._one_line(text, number)
            broken = isinstance(found, Damage)
            damaged.append(broken)
            if isinstance(found, Damage):
                damages.append(found)
                rows.append([float("nan")] * len(self.used))
            else:
                rows.append(found)
        values = np.array(rows, dtype=np.float64).reshape(len(rows), len(self.used))
        return Rows(values, np.array(damaged, dtype=np.bool_), tuple(damages))

    def _one_line(self, text: str, number: int) -> list[float] | Damage:
        dialect = self.dialect
        fields = dialect.split(text)
        if len(fields) != dialect.fields:
            return Damage(number, min(len(fields), dialect.fields), text)
        values = []
        for index in self.used:
            value = value_of(fields[index], dialect.decimal)
            if value is None and index in self._side:
                value = float("nan")
            if value is None:
                if is_certainly_grouped(fields[index]) or kind_of(fields[index], dialect.decimal) is Kind.GROUPED:
                    raise grouped_error(self.path, fields[index], number, index + 1)
                return Damage(number, index + 1, fields[index])
            values.append(value)
        return values


class Overloads:
    """Turns overload marks into the largest and smallest value seen, so that a clipped hump keeps a flat top.

    Parameters
    ----------
    channels
        Number of value columns.
    """

    def __init__(self, channels: int) -> None:
        self.count = 0
        self.whole = True
        self._low = np.full(channels, np.inf)
        self._high = np.full(channels, -np.inf)
        self._last = np.zeros(channels)

    def settle(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the values, shape (rows, channels), with every overload mark replaced.

        `whole` says afterwards whether not one of them was missing.
        """
        columns = np.ascontiguousarray(values.T)
        if not len(values):
            self.whole = True
            return values
        low, high = columns.min(axis=1), columns.max(axis=1)
        if np.isfinite(low).all() and (np.maximum(-low, high) < UNSIGNED_OVERLOAD).all():
            self._remember(columns, low, high)
            self.whole = True
            return values
        self.whole = False
        over = ~(np.abs(columns) < UNSIGNED_OVERLOAD) & ~np.isnan(columns)
        good = np.where(over, np.nan, columns)
        nothing = np.isnan(good).all(axis=1)
        self._remember(good, np.where(nothing, np.inf, np.fmin.reduce(good, axis=1)),
                       np.where(nothing, -np.inf, np.fmax.reduce(good, axis=1)))
        for channel in np.flatnonzero(over.any(axis=1)).tolist():
            good[channel] = self._settle_column(columns[channel], over[channel], channel)
        self.count += int(over.any(axis=0).sum())
        return np.ascontiguousarray(good.T)

    def _remember(self, columns: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]) -> None:
        self._low, self._high = np.minimum(self._low, low), np.maximum(self._high, high)
        self._last = np.where(np.isnan(columns[:, -1]), self._last, columns[:, -1])

    def _settle_column(self, column: NDArray[np.float64], over: NDArray[np.bool_],
                       channel: int) -> NDArray[np.float64]:
        low, high = self._low[channel], self._high[channel]
        if low > high:  # nothing but marks so far: no value to lean on
            return np.where(over, np.nan, column)
        usable = ~over & ~np.isnan(column)
        before = np.where(usable, np.arange(len(column)), -1)
        before = np.maximum.accumulate(before)
        neighbour = np.where(before >= 0, column[before], self._last[channel])
        upper = np.where(np.isinf(column), column > 0, neighbour >= (low + high) / 2)
        return np.where(over, np.where(upper, high, low), column)
