"""From runs of lines to samples: what is damaged is counted and said, what makes no sense is refused with its place."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire import FileFormatError
from crankfold.analysis import Notice
from crankfold.plugins.tables.csv_rows import Damage, Overloads, RowParser, Rows
from crankfold.plugins.tables.row_clock import RowClock
from crankfold.plugins.tables.side_columns import SideColumns

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from crankfold.acquire import Samples
    from crankfold.plugins.tables.columns import Columns

DAMAGED_ROWS, DAMAGED_SHARE = 10, 0.02
"""More damaged lines than both of these are not damage but another format."""

EMPTY_SHARE = 0.5
"""A column with more empty cells than this was not recorded at the rate of the file."""

LATEST = 1e19
"""No time is larger, not even nanoseconds since 1970."""


class Intake:
    """Takes lines in, gives samples out.

    Parameters
    ----------
    path
        For messages.
    parser
        Reads the lines.
    columns
        Which field is which.
    clock
        Numbers the rows.
    """

    def __init__(self, path: Path, parser: RowParser, columns: Columns, clock: RowClock) -> None:
        self._path = path
        self._parser = parser
        self._columns = columns
        self._clock = clock
        self._overloads = Overloads(len(columns.chief))
        self._side = SideColumns(len(columns.others))
        self._damages = 0
        self._first_damage: Damage | None = None
        self._cut_line: int | None = None
        self._rows = 0
        self._empty = 0

    def take(self, data: bytes, first_line: int, *, unfinished: bool) -> list[Samples]:
        """Return the samples of these whole lines.

        Parameters
        ----------
        data
            The lines.
        first_line
            Number of the first.
        unfinished
            Whether the last of them is the file's last and lacks its end: then it may be cut.

        Raises
        ------
        FileFormatError
            Too many damaged lines, a time that is missing, stands still or runs backwards, a column without numbers.
        """
        rows = self._parser.parse(data, first_line)
        if unfinished and rows.damages and rows.damaged[-1]:
            self._cut_line = rows.damages[-1].line
            rows = Rows(rows.values[:-1], rows.damaged[:-1], rows.damages[:-1])
        self._count_damage(rows)
        times, values = None, rows.values
        if self._columns.time is not None:
            times, values = np.ascontiguousarray(values[:, 0]), values[:, 1:]
            self._refuse_timeless(times, rows.damaged, data, first_line)
        beside = values[:, len(self._columns.chief) :]
        values = self._overloads.settle(np.ascontiguousarray(values[:, : len(self._columns.chief)]))
        whole = self._overloads.whole
        if not whole:
            self._empty += int(np.isnan(values[~rows.damaged]).any(axis=1).sum())
        if not self._rows:
            self._refuse_empty(values[~rows.damaged], first_line)
        self._rows += len(values)
        if beside.shape[1]:
            values = np.hstack((values, self._side.settle(beside)))
        return self._clock.take(times, values, lambda row: self._parser.line_of(data, first_line, row), whole=whole)

    def notices(self) -> list[Notice]:
        """Return what was survived so far."""
        said = []
        if self._cut_line is not None:
            said.append(Notice("line-cut", {"line": self._cut_line}))
        if self._first_damage is not None:
            said.append(Notice("damaged-lines", {"count": self._damages, "line": self._first_damage.line}))
        counts = {"empty-cells": self._empty, "values-held": self._side.filled, "overloads": self._overloads.count}
        return said + [Notice(code, {"count": count}) for code, count in counts.items() if count]

    def _count_damage(self, rows: Rows) -> None:
        self._damages += len(rows.damages)
        if rows.damages and self._first_damage is None:
            self._first_damage = rows.damages[0]
        damage = self._first_damage
        if damage is not None and self._damages > max(DAMAGED_ROWS, DAMAGED_SHARE * (self._rows + len(rows.values))):
            found = damage.text.strip()
            raise FileFormatError(
                self._path, f"{found if len(found) <= 40 else found[:37] + '...'!r} stands where "
                f"{self._parser.dialect.fields} {_plural(self._parser.dialect.fields, 'field')} with numbers were "
                f"expected, and {self._damages - 1} more lines are damaged", "record or export again",
                line=damage.line, column=damage.column)

    def _refuse_timeless(self, times: NDArray[np.float64], damaged: NDArray[np.bool_], data: bytes,
                         first_line: int) -> None:
        fine = np.abs(times) < LATEST
        if fine.all() or (fine | damaged).all():
            return
        row = int(np.flatnonzero(~(fine | damaged))[0])
        raise FileFormatError(self._path, "the time is missing or no number here, expected it on every line",
                              "repair the line, or leave the time out with the settings rate and columns",
                              line=self._parser.line_of(data, first_line, row), column=(self._columns.time or 0) + 1)

    def _refuse_empty(self, values: NDArray[np.float64], first_line: int) -> None:
        if not len(values):
            return
        shares = np.isnan(values).mean(axis=0)
        for index, share in zip(self._columns.chief, shares.tolist(), strict=True):
            if share > EMPTY_SHARE:
                raise FileFormatError(self._path, f"{share:.0%} of this column is empty, expected a number in every "
                                      "row", "choose other columns with the setting columns", line=first_line,
                                      column=index + 1)


def _plural(count: int, word: str) -> str:
    return word if count == 1 else word + "s"
