"""What the lines above the table say: the name and the unit of each column."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.plugins.tables.csv_fields import Kind, kind_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.plugins.tables.csv_dialect import Dialect


@dataclass(frozen=True)
class Unit:
    """A unit: what it measures, what the values become after ``value * factor``."""

    measures: str
    becomes: str
    factor: float


TIME, AMPERAGE, VOLTAGE, PRESSURE, COUNTS, NUMBERING = "time", "current", "voltage", "pressure", "counts", "numbering"

# Pascal and bar are SI; pound-force per square inch is exactly 4.4482216152605 N over (0.0254 m)^2.
_PSI_BAR = 4.4482216152605 / 0.0254**2 / 1e5
UNITS: dict[str, Unit] = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), Unit(TIME, "s", 1.0)),
    **dict.fromkeys(("ms", "msec", "msecs", "millis", "millisecond", "milliseconds"), Unit(TIME, "s", 1e-3)),
    **dict.fromkeys(("us", "usec", "usecs", "micros", "microsecond", "microseconds"), Unit(TIME, "s", 1e-6)),
    **dict.fromkeys(("ns", "nsec", "nanosecond", "nanoseconds"), Unit(TIME, "s", 1e-9)),
    **dict.fromkeys(("A", "amp", "amps", "ampere", "amperes"), Unit(AMPERAGE, "A", 1.0)),
    "mA": Unit(AMPERAGE, "A", 1e-3), "uA": Unit(AMPERAGE, "A", 1e-6), "kA": Unit(AMPERAGE, "A", 1e3),
    **dict.fromkeys(("V", "volt", "volts"), Unit(VOLTAGE, "V", 1.0)),
    "mV": Unit(VOLTAGE, "V", 1e-3), "uV": Unit(VOLTAGE, "V", 1e-6), "nV": Unit(VOLTAGE, "V", 1e-9),
    "kV": Unit(VOLTAGE, "kV", 1.0), "millivolts": Unit(VOLTAGE, "V", 1e-3), "kilovolts": Unit(VOLTAGE, "kV", 1.0),
    "milliamps": Unit(AMPERAGE, "A", 1e-3),
    "bar": Unit(PRESSURE, "bar", 1.0), "mbar": Unit(PRESSURE, "bar", 1e-3), "Pa": Unit(PRESSURE, "bar", 1e-5),
    "hPa": Unit(PRESSURE, "bar", 1e-3), "kPa": Unit(PRESSURE, "bar", 1e-2), "MPa": Unit(PRESSURE, "bar", 10.0),
    "psi": Unit(PRESSURE, "bar", _PSI_BAR), "psig": Unit(PRESSURE, "bar", _PSI_BAR),
    "psia": Unit(PRESSURE, "bar", _PSI_BAR), "atm": Unit(PRESSURE, "bar", 1.01325),
    **dict.fromkeys(("counts", "count", "lsb", "adc", "raw", "codes", "code", "digits"), Unit(COUNTS, "counts", 1.0)),
    **dict.fromkeys(("samples", "sample", "#"), Unit(NUMBERING, "", 1.0)),
}
_ANY_CASE = {name.lower(): unit for name, unit in reversed(UNITS.items())}
_CLOCK_PATTERNS = re.compile(r"[hms:.,]+[sfx0:.,]*\Z", re.IGNORECASE)
_BRACKETED = re.compile(r"(?P<name>.*?)\s*[\[({<]\s*(?P<unit>[^\])}>]*?)\s*[\])}>]\s*\Z", re.DOTALL)
_DIVIDED = re.compile(r"(?P<name>.+?)\s*(?:/|,|\bin\b|:)\s*(?P<unit>\S+)\s*\Z", re.DOTALL)
_SUFFIXED = re.compile(r"(?P<name>.+?)[ _\-.](?P<unit>[A-Za-zµμ]+)\Z", re.DOTALL)
_LETTER_MEANS_UNIT_AFTER = frozenset({"current", "i", "time", "t", "voltage", "v", "u", "volts", "amps"})
"""In ``current_A`` the letter is the unit; in ``channel_A`` it is the channel's name."""


@dataclass(frozen=True)
class Heading:
    """Name and unit of one column, both empty where nothing is said; `unit_text` as written."""

    name: str = ""
    unit: Unit | None = None
    unit_text: str = ""


@dataclass(frozen=True)
class Headings:
    """What stands above the table: one `Heading` a column, and the other lines."""

    columns: tuple[Heading, ...]
    preamble: tuple[str, ...] = ()

    @property
    def said(self) -> bool:
        """Whether any column has a name."""
        return any(column.name for column in self.columns)


def find_unit(text: str) -> Unit | None:
    """Return the unit that `text` names, brackets or not, None when it names none."""
    text = text.strip().strip("[](){}<>").strip().replace("µ", "u").replace("μ", "u").rstrip(".")
    return UNITS.get(text) or _ANY_CASE.get(text.lower())


def read_cell(cell: str) -> Heading:
    """Return name and unit from one cell of a header: ``Time (ms)``, ``current_mA``, ``I / A``, ``Clamp``."""
    cell = " ".join(cell.replace('"', " ").split()).strip("\ufeff ")
    bracketed = _BRACKETED.match(cell)
    if bracketed:
        return Heading(bracketed["name"].strip(), find_unit(bracketed["unit"]), bracketed["unit"])
    for pattern in (_DIVIDED, _SUFFIXED):
        match = pattern.match(cell)
        if match is None or (unit := find_unit(match["unit"])) is None:
            continue
        bare_letter = pattern is _SUFFIXED and len(match["unit"]) == 1 and match["unit"] != "V"
        word = re.split(r"[ _\-.]", match["name"].lower())[-1]
        if not bare_letter or word in _LETTER_MEANS_UNIT_AFTER:
            return Heading(match["name"].strip(), unit, match["unit"])
    unit = find_unit(cell)
    if unit is not None and unit.measures not in {COUNTS, NUMBERING}:
        return Heading("", unit, cell)
    return Heading(cell)


def read_headings(lines: Sequence[str], dialect: Dialect, *, trailing: bool) -> Headings:
    """Return what the lines above the first row say.

    Parameters
    ----------
    lines
        Everything above the first row.
    dialect
        How the rows are written.
    trailing
        Whether each row ends with a delimiter, so that the header may have one field less.
    """
    records = _records(lines, dialect)
    names: list[str] = []
    units: list[str] = []
    rest: list[str] = []
    for cells, text in reversed(records):
        fits = not names and any(map(str.strip, cells)) and _fits(cells, dialect, trailing=trailing)
        if fits and not units and _is_unit_row(cells):
            units = cells
        elif fits and not (rest and text.lstrip().startswith("#")):
            names = cells
        else:
            rest.insert(0, text.strip().lstrip("#").strip())
    return Headings(tuple(_combine(names, units, dialect.fields)), tuple(text for text in rest if text))


def _fits(cells: Sequence[str], dialect: Dialect, *, trailing: bool) -> bool:
    """Return whether these cells can head the columns: as many, or a few less, and words rather than numbers."""
    count = len(cells)
    if count == dialect.fields + 1 and not cells[-1].strip():
        return True
    words = all(kind_of(cell, dialect.decimal) in {Kind.TEXT, Kind.MISSING} for cell in cells)
    return count == dialect.fields or (trailing and count == dialect.fields - 1) or (
        1 < count < dialect.fields and words)


def _combine(names: Sequence[str], units: Sequence[str], fields: int) -> list[Heading]:
    found = [read_cell(cell) for cell in [*names, *[""] * fields][:fields]]
    named = any(heading.name for heading in found)
    columns = []
    for i, heading in enumerate(found):
        below = units[i].strip().strip("[](){}<>").strip() if i < len(units) else ""
        if below:
            columns.append(Heading(heading.name, find_unit(below), below))
        elif named and not heading.name and len(heading.unit_text) == 1:  # in `t,i,s` the last is a name, not seconds
            columns.append(Heading(heading.unit_text))
        else:
            columns.append(heading)
    return columns


def _records(lines: Sequence[str], dialect: Dialect) -> list[tuple[list[str], str]]:
    """Return each record with its text; a quoted field may hold line breaks. A comment mark does not count."""
    if any('"' in line for line in lines) and dialect.delimiter.strip():
        try:
            found = list(csv.reader([line + "\n" for line in lines], delimiter=dialect.delimiter,
                                    skipinitialspace=True))
        except csv.Error:
            found = []
        return [(_uncommented(cells), dialect.delimiter.join(cells)) for cells in found if cells]
    return [(_uncommented(dialect.split(line.strip().lstrip("#").strip() if line.lstrip().startswith("#")
                                        else line.strip("\r\n"))), line) for line in lines if line.strip()]


def _uncommented(cells: list[str]) -> list[str]:
    return [cells[0].lstrip("# ") if cells[0].strip() != "#" else cells[0], *cells[1:]] if cells else cells


def _is_unit_row(cells: Sequence[str]) -> bool:
    filled = [cell.strip() for cell in cells if cell.strip(" ()[]{}<>")]
    return bool(filled) and all(
        find_unit(cell) is not None or _CLOCK_PATTERNS.match(cell.strip("()[]{}<> ")) is not None for cell in filled)
