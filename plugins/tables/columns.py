"""Which column is which: time, current and sync, by heading where it says so, otherwise by position."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fnmatch import fnmatch
from typing import TYPE_CHECKING

from crankfold.acquire import FileFormatError, SettingError
from crankfold.analysis import CURRENT, SYNC, Channel, quoted
from crankfold.plugins.tables.csv_fields import Kind
from crankfold.plugins.tables.headings import AMPERAGE, COUNTS, NUMBERING, PRESSURE, TIME, VOLTAGE, Unit, find_unit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from crankfold.plugins.tables.csv_dialect import Dialect
    from crankfold.plugins.tables.headings import Heading, Headings

TIME_WORDS = frozenset({"time", "t", "timestamp", "clock", "elapsed", "seconds", "zeit", "temps", "tempo", "tiempo"})
NUMBERING_WORDS = frozenset({"sample", "samples", "index", "idx", "n", "no", "nr", "number", "row", "counter", "seq",
                             "sequence"})
CURRENT_WORDS = frozenset({"current", "clamp", "amp", "amps", "ampere", "amperes", "starter", "shunt", "cranking", "i"})
SYNC_WORDS = frozenset({"sync", "spark", "ignition", "cam", "trigger", "trig", "mark", "coil", "plug", "pressure",
                        "cylinder", "cyl", "tdc", "phase", "reference", "ref"})
OTHER_WORDS = frozenset({"battery", "supply", "vbat", "temp", "temperature", "rpm", "speed", "status", "flag", "note",
                         "comment", "date", "gap", "overload"})
ROLES = ("time", "current", "sync")
NUMERIC = frozenset({Kind.NUMBER, Kind.OVERLOAD, Kind.CLOCK})


@dataclass(frozen=True)
class Columns:
    """Field index of each role, and the units: None where there is no such column or nobody said the unit."""

    time: int | None
    current: int
    sync: int | None
    time_unit: Unit | None
    current_unit: Unit | None
    sync_unit: Unit | None

    @property
    def used(self) -> tuple[int, ...]:
        """Field indices in the order time, current, sync."""
        return tuple(i for i in (self.time, self.current, self.sync) if i is not None)


def choose_columns(headings: Headings, dialect: Dialect, settings: Mapping[str, str], path: Path, *,
                   positional_time: bool) -> Columns:
    """Return which field is which.

    Parameters
    ----------
    settings
        ``columns``, ``rate`` and the units, where given.
    positional_time
        Whether the first column is the time when no heading says which is.

    Raises
    ------
    FileFormatError, SettingError
        There is no column for the current, or a setting names a column that is not there.
    """
    if settings.get("columns"):
        chosen = _by_setting(settings["columns"], headings, dialect, path, positional_time=positional_time)
    else:
        usable = [i for i, kind in enumerate(dialect.kinds) if kind in NUMERIC]
        chosen = _by_heading(headings.columns, dialect.kinds, usable, positional_time=positional_time)
    if "current" not in chosen:
        raise _no_current(headings, dialect, path)
    units = {role: _unit(role, chosen.get(role), headings.columns, settings) for role in ROLES}
    _check_unit(units["current"], headings.columns[chosen["current"]], chosen["current"], path)
    return Columns(chosen.get("time"), chosen["current"], chosen.get("sync"), units["time"], units["current"],
                   units["sync"])


def channels_of(columns: Columns) -> tuple[Channel, ...]:
    """Return the channels: values as written, with the factor to the unit as their scale."""
    units = [(CURRENT, columns.current_unit)] + ([(SYNC, columns.sync_unit)] if columns.sync is not None else [])
    return tuple(Channel(name) if unit is None else Channel(name, unit.becomes, scale=unit.factor)
                 for name, unit in units)


def _words(heading: Heading) -> frozenset[str]:
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", heading.name)
    return frozenset(re.findall(r"[^\W\d_]+", spaced.lower())) | ({"#"} if "#" in heading.name else frozenset())


def _by_heading(columns: Sequence[Heading], kinds: Sequence[Kind], usable: Sequence[int],
                *, positional_time: bool) -> dict[str, int]:
    words = {i: _words(columns[i]) for i in usable}
    measures = {i: unit.measures if (unit := columns[i].unit) else "" for i in usable}
    chosen: dict[str, int] = {}
    time = next((i for i in usable if kinds[i] is Kind.CLOCK), None)
    if time is None:
        time = next((i for i in usable if words[i] & TIME_WORDS and measures[i] in {"", TIME}), None)
    if time is None:
        time = next((i for i in usable if measures[i] == TIME), None)
    if time is None:
        time = next((i for i in usable if measures[i] == NUMBERING or words[i] & (NUMBERING_WORDS | {"#"})), None)
    first = usable[0] if len(usable) > 1 and positional_time else None
    if time is None and first is not None and _may_be_time(words[first], measures[first]):
        time = first
    if time is not None:
        chosen["time"] = time
    rest = [i for i in usable if i != time]
    current = next((i for i in rest if words[i] & CURRENT_WORDS or measures[i] == AMPERAGE), None)
    if current is None:
        current = next((i for i in rest if not words[i] & (SYNC_WORDS | OTHER_WORDS) and measures[i] != PRESSURE), None)
    if current is not None:
        chosen["current"] = current
    rest = [i for i in rest if i != current]
    sync = next((i for i in rest if words[i] & SYNC_WORDS), None)
    if sync is None:
        sync = next((i for i in rest if not words[i] & OTHER_WORDS and measures[i] not in {TIME, NUMBERING}), None)
    if sync is not None:
        chosen["sync"] = sync
    return chosen


def _may_be_time(words: frozenset[str], measures: str) -> bool:
    return measures not in {AMPERAGE, VOLTAGE, PRESSURE, COUNTS} and not words & (CURRENT_WORDS | SYNC_WORDS)


def _by_setting(text: str, headings: Headings, dialect: Dialect, path: Path, *,
                positional_time: bool) -> dict[str, int]:
    items = [item.strip() for item in text.split(",")]
    named = dict(item.split("=", 1) for item in items if "=" in item and item.split("=", 1)[0] in ROLES)
    plain = [item for item in items if "=" not in item or item.split("=", 1)[0] not in ROLES]
    if len(plain) > len(ROLES) or (named and plain):
        raise SettingError(f"columns={quoted(text)} cannot be understood",
                           "give time,current,sync in that order, or current=NAME,sync=NAME; '-' means none")
    wanted = named or dict(zip(ROLES, plain, strict=False))
    chosen = {role: _find(item, role, headings, dialect, path) for role, item in wanted.items()
              if item not in {"", "-"}}
    if len(set(chosen.values())) < len(chosen):
        raise SettingError(f"columns={quoted(text)} gives one column two meanings", "name a different column for each")
    if named:
        usable = [i for i, kind in enumerate(dialect.kinds) if kind in NUMERIC and i not in chosen.values()]
        others = _by_heading(headings.columns, dialect.kinds, usable, positional_time=positional_time)
        if "current" not in wanted and "current" in others:
            chosen["current"] = others["current"]
        elif "time" not in wanted and others and positional_time:
            chosen["time"] = others.get("time", min(others.values()))
        if "time" not in wanted and "time" in others:
            chosen["time"] = others["time"]
    return chosen


def _find(item: str, role: str, headings: Headings, dialect: Dialect, path: Path) -> int:
    names = [(heading.name or heading.unit_text).lower() for heading in headings.columns]
    if item.lower() in names:
        index = names.index(item.lower())
    elif (found := _matching(item, headings)) is not None:
        index = found
    elif item.isdigit() and 1 <= int(item) <= dialect.fields:
        index = int(item) - 1
    else:
        listed = ", ".join(repr(name) for name in names if name) or f"1 to {dialect.fields}"
        raise SettingError(f"{path} has no column {quoted(item)} for the {role}", f"choose one of {listed}")
    if dialect.kinds[index] not in {Kind.NUMBER, Kind.OVERLOAD} and not (
            role == "time" and dialect.kinds[index] is Kind.CLOCK):
        raise FileFormatError(path, f"the {role} column {item!r} holds {dialect.kinds[index].value}, expected numbers",
                              "choose another column", column=index + 1)
    return index


def _matching(item: str, headings: Headings) -> int | None:
    """Return the one column that a pattern (``*clamp*``) or a unit (``unit:kV``) points to, None when not just one."""
    columns = headings.columns
    if item.lower().startswith("unit:"):
        wanted = find_unit(item[5:])
        found = [i for i, column in enumerate(columns) if wanted is not None and column.unit == wanted]
    elif any(mark in item for mark in "*?["):
        found = [i for i, column in enumerate(columns) if fnmatch(column.name.lower(), item.lower())]
    else:
        found = []
    return found[0] if len(found) == 1 else None


def _unit(role: str, index: int | None, columns: Sequence[Heading], settings: Mapping[str, str]) -> Unit | None:
    given = settings.get(f"{role}-unit", "")
    if given:
        unit = find_unit(given)
        allowed = {"time": {TIME, NUMBERING}, "current": {AMPERAGE, VOLTAGE, COUNTS}}.get(role)
        if unit is None or (allowed is not None and unit.measures not in allowed):
            raise SettingError(f"{role}-unit={quoted(given)} is not a unit of a {role} column",
                               "give s, ms, us or samples" if role == "time"
                               else "give a unit such as A, mV, V or counts")
        return unit
    if index is None:
        return None
    heading = columns[index]
    if role == "time" and heading.unit is None and _words(heading) & (NUMBERING_WORDS | {"#"}):
        return find_unit("samples")
    return heading.unit


def _check_unit(unit: Unit | None, heading: Heading, index: int, path: Path) -> None:
    if unit is not None and unit.measures not in {AMPERAGE, VOLTAGE, COUNTS}:
        raise FileFormatError(path, f"the current column is in {heading.unit_text or unit.becomes}, expected amperes "
                              "or volts", "name the right column with the setting columns", column=index + 1)


def _no_current(headings: Headings, dialect: Dialect, path: Path) -> FileFormatError:
    if sum(kind in NUMERIC for kind in dialect.kinds) == 1:
        return FileFormatError(path, "there is one column only and it counts time or samples, expected a current "
                               "beside it", "export the current as well")
    listed = ", ".join(heading.name or str(i) for i, heading in enumerate(headings.columns, 1))
    return FileFormatError(path, f"no column for the current among {listed}",
                           "name it with the setting columns, as in columns=1,3")
