"""How a text file writes its table, found from its first lines: delimiter, decimal mark, columns, where rows begin."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from itertools import islice
from typing import TYPE_CHECKING

from crankfold.acquire import FileFormatError
from crankfold.plugins.tables.csv_fields import Kind, is_certainly_grouped, kind_of, split_line

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

STYLES = ((",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", "."), ("|", ","), (" ", "."),
          (" ", ","), (",", ","), ("", ","))
"""Delimiter and decimal mark, in the order in which a tie is decided: the commoner first."""

LOOKED_AT_LINES = 120
"""Enough to tell the style of the rows; taken from the end of the head, past any preamble."""

PREAMBLE_LIMIT_LINES = 2000
"""A longer introduction means that the file holds no table."""

FEW_ROWS = 0.3
"""Below this share of clean rows, rows that also hold text columns are looked for."""

GOOD = frozenset({Kind.NUMBER, Kind.MISSING, Kind.OVERLOAD, Kind.CLOCK, Kind.DATE})
TELLING = frozenset({Kind.NUMBER, Kind.CLOCK})
EXPECTED = "rows of numbers: time, current and, if there is one, sync"


@dataclass(frozen=True)
class Dialect:
    """How the rows are written.

    Parameters
    ----------
    delimiter
        Between fields; a blank means any run of blanks, empty means one field a line.
    decimal
        ``"."`` or ``","``.
    fields
        Number of fields in a row, an empty one behind a trailing delimiter included.
    kinds
        What each field mostly is.
    first_row
        Index of the first line of the head that is a row.
    """

    delimiter: str
    decimal: str
    fields: int
    kinds: tuple[Kind, ...]
    first_row: int

    def split(self, line: str) -> list[str]:
        """Return the fields of a line."""
        return split_line(line, self.delimiter)

    def is_row(self, line: str) -> bool:
        """Return whether a line has the right number of fields and numbers where numbers belong."""
        fields = self.split(line)
        if len(fields) != self.fields:
            return False
        return all(want is Kind.TEXT or kind_of(field, self.decimal) in GOOD
                   for field, want in zip(fields, self.kinds, strict=True)) and _telling(fields, self.decimal) > 0


def find_dialect(lines: Sequence[str], path: Path) -> Dialect:
    """Return how the table in these whole lines, the first of the file, is written.

    Raises
    ------
    FileFormatError
        No rows of numbers, or digits grouped by thousands.
    """
    sample = _sample(lines)
    text = [line for _, line in sample]
    best = _best(text, mixed=False)
    if best[0] < FEW_ROWS * len(text):
        _refuse_grouped_style(sample, path)
        mixed = _best(text, mixed=True)
        best = mixed if mixed[0] > max(2, 2 * best[0]) else best
    count, fields, delimiter, decimal = best
    if count == 0:
        raise _no_rows(lines, path)
    _refuse_grouped(sample, delimiter, decimal, path)
    dialect = Dialect(delimiter, decimal, fields, _column_kinds(text, delimiter, decimal, fields), 0)
    first = _first_row(lines, dialect)
    if first is None:
        raise _no_rows(lines, path)
    return replace(dialect, first_row=first)


def _sample(lines: Sequence[str]) -> list[tuple[int, str]]:
    """Return the last telling lines with their numbers, in order."""
    sample: list[tuple[int, str]] = []
    for i in range(len(lines) - 1, -1, -1):
        if lines[i].strip() and not lines[i].lstrip().startswith("#"):
            sample.append((i + 1, lines[i]))
            if len(sample) == LOOKED_AT_LINES:
                break
    return sample[::-1]


def _best(sample: Sequence[str], *, mixed: bool) -> tuple[int, int, str, str]:
    return max((_score(sample, delimiter, decimal, mixed=mixed) for delimiter, decimal in STYLES),
               key=lambda found: found[:2])


def _telling(fields: Sequence[str], decimal: str) -> int:
    return sum(kind_of(field, decimal) in TELLING for field in fields)


def _score(sample: Sequence[str], delimiter: str, decimal: str, *, mixed: bool) -> tuple[int, int, str, str]:
    """Return how many lines are rows in this style, and how many fields most of those have."""
    counts: Counter[int] = Counter()
    split_decimals = 0
    for line in sample:
        fields = split_line(line, delimiter)
        kinds = [kind_of(field, decimal) for field in fields]
        telling = sum(kind in TELLING for kind in kinds)
        good = all(kind in GOOD for kind in kinds)
        if telling and (good or (mixed and telling >= 2 and 2 * telling >= len(kinds))):
            counts[len(fields)] += 1
            split_decimals += delimiter == "," and decimal == "." and _looks_split(fields)
    if not counts or split_decimals > 0.1 * counts.total():
        return 0, 0, delimiter, decimal
    if delimiter == decimal == "," and not any('"' in line for line in sample):
        return 0, 0, delimiter, decimal
    fields_most, count = counts.most_common(1)[0]
    return count, fields_most, delimiter, decimal


def _looks_split(fields: Sequence[str]) -> bool:
    """Return whether commas seem to have cut decimal numbers in two: ``0,0123`` leaves whole numbers like ``0123``."""
    digits = [field.strip().lstrip("+-") for field in fields]
    return all(d.isdigit() for d in digits) and any(len(d) > 1 and d[0] == "0" for d in digits)


def _column_kinds(sample: Sequence[str], delimiter: str, decimal: str, fields: int) -> tuple[Kind, ...]:
    rows = [row for row in (split_line(line, delimiter) for line in sample) if len(row) == fields]
    rows = [row for row in rows if _telling(row, decimal)] or rows
    kinds = []
    for column in range(fields):
        counts = Counter(kind_of(row[column], decimal) for row in rows)
        text = counts[Kind.TEXT] + counts[Kind.GROUPED]
        if 2 * text > len(rows):
            kinds.append(Kind.TEXT)
            continue
        filled = [(n, kind) for kind, n in counts.items() if kind in GOOD and kind is not Kind.MISSING]
        kinds.append(max(filled, key=lambda pair: pair[0])[1] if filled else Kind.MISSING)
    return tuple(kinds)


def _first_row(lines: Sequence[str], dialect: Dialect) -> int | None:
    """Return the index of the first row that further rows follow, and no header."""
    for i, line in enumerate(lines[:PREAMBLE_LIMIT_LINES]):
        if not dialect.is_row(line):
            continue
        following = [later for later in lines[i + 1 : i + 24] if later.strip()][:12]
        heading = any(_is_heading(later, dialect) for later in following[:3])
        if not heading and sum(map(dialect.is_row, following)) >= 0.5 * len(following):
            return i
    return None


def _is_heading(line: str, dialect: Dialect) -> bool:
    fields = dialect.split(line)
    return len(fields) == dialect.fields > 1 and all(
        kind_of(field, dialect.decimal) in {Kind.TEXT, Kind.MISSING} for field in fields) and any(
        map(str.strip, fields))


def _refuse_grouped_style(sample: Sequence[tuple[int, str]], path: Path) -> None:
    """Refuse a table that only makes sense with digits grouped by thousands."""
    for delimiter, decimal in STYLES:
        found = None
        rows = 0
        for number, line in sample:
            fields = split_line(line, delimiter)
            kinds = [kind_of(field, decimal) for field in fields]
            grouped = [i for i, kind in enumerate(kinds) if kind is Kind.GROUPED]
            if len(fields) > 1 and grouped and all(kind in GOOD or kind is Kind.GROUPED for kind in kinds):
                rows += 1
                found = found or (fields[grouped[0]], number, grouped[0] + 1)
        if found is not None and 2 * rows > len(sample):
            raise grouped_error(path, *found)


def _refuse_grouped(sample: Sequence[tuple[int, str]], delimiter: str, decimal: str, path: Path) -> None:
    """Refuse digits grouped by thousands: read as decimals they would be wrong by a factor of a thousand."""
    suspect = None
    small = decimals = False
    for number, line in sample:
        for column, field in enumerate(split_line(line, delimiter), 1):
            grouped = kind_of(field, ".") is Kind.GROUPED
            if is_certainly_grouped(field) or kind_of(field, decimal) is Kind.GROUPED:
                raise grouped_error(path, field, number, column)
            plain = field.strip().lstrip("+-")
            small = small or (plain.isdigit() and plain.strip("0") != "" and len(plain) <= 3)
            if decimal == "," and "," in field:
                decimals = decimals or not grouped
                suspect = suspect or ((field, number, column) if grouped else None)
    if suspect is not None and small and not decimals:
        raise grouped_error(path, *suspect)


def grouped_error(path: Path, field: str, line: int, column: int) -> FileFormatError:
    """Return the error for digits grouped by thousands."""
    return FileFormatError(path, f"{field.strip()!r} seems to have thousands separators, expected plain digits",
                           "export the table without thousands separators", line=line, column=column)


def _no_rows(lines: Sequence[str], path: Path) -> FileFormatError:
    filled = list(islice(((i, line) for i, line in enumerate(lines, 1) if line.strip()), LOOKED_AT_LINES))
    if not filled:
        return FileFormatError(path, "the file holds no text but blank lines", "record again, or give another file")
    for number, line in filled:
        if line.lstrip().startswith("#"):
            continue
        for delimiter, decimal in STYLES[:-2]:
            fields = split_line(line, delimiter)
            kinds = [kind_of(field, decimal) for field in fields]
            if len(fields) > 1 and Kind.NUMBER in kinds and Kind.TEXT in kinds:
                if delimiter == "," and _looks_split([f for f in fields if f]):
                    break
                column = kinds.index(Kind.TEXT)
                return FileFormatError(path, f"{_short(fields[column])} stands where a number was expected",
                                       f"give {EXPECTED}", line=number, column=column + 1)
    if any(_looks_split(line.split(",")) for _, line in filled):
        return FileFormatError(path, "decimal commas and comma separators cannot be told apart",
                               "export with semicolons between the columns, or with decimal points", line=filled[-1][0])
    if len(filled) <= 3:
        return FileFormatError(path, f"no numbers below the header {_short(filled[-1][1])}",
                               f"give a file with {EXPECTED}", line=filled[-1][0])
    number, line = filled[1]
    return FileFormatError(path, f"{_short(line)} stands where numbers were expected", f"give {EXPECTED}",
                           line=number, column=1)


def _short(text: str) -> str:
    text = text.strip()
    return repr(text if len(text) <= 40 else text[:37] + "...")
