"""Which column is which: time, current, sync and others, by heading where it says so, otherwise by position."""

from __future__ import annotations

from dataclasses import dataclass
from fnmatch import fnmatch
from typing import TYPE_CHECKING

from crankfold.acquire import (
    COUNTER_WORDS,
    CURRENT_WORDS,
    OTHER_WORDS,
    SYNC_WORDS,
    TIME_WORDS,
    FileFormatError,
    SettingError,
    free_name,
    role_of,
    words_of,
)
from crankfold.analysis import BATTERY, CURRENT, SYNC, Channel, quoted
from crankfold.analysis import PRESSURE as PRESSURE_CHANNEL
from crankfold.plugins.tables.csv_fields import Kind
from crankfold.plugins.tables.headings import AMPERAGE, COUNTS, NUMBERING, PRESSURE, TIME, VOLTAGE, Unit, find_unit

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from pathlib import Path

    from crankfold.plugins.tables.csv_dialect import Dialect
    from crankfold.plugins.tables.headings import Heading, Headings

ROLES = ("time", "current", "sync")
NUMERIC = frozenset({Kind.NUMBER, Kind.OVERLOAD, Kind.CLOCK})


@dataclass(frozen=True)
class Other:
    """A column that is neither time, current nor sync: its field index, its channel's name, its unit if said."""

    index: int
    name: str
    unit: Unit | None


@dataclass(frozen=True)
class Columns:
    """Field index of each role, and the units: None where there is no such column or nobody said the unit.

    `others` are further columns with numbers; they become channels under their own names. `rivals` are the headings of
    those that could as well be the current.
    """

    time: int | None
    current: int
    sync: int | None
    time_unit: Unit | None
    current_unit: Unit | None
    sync_unit: Unit | None
    others: tuple[Other, ...] = ()
    rivals: tuple[str, ...] = ()

    @property
    def used(self) -> tuple[int, ...]:
        """Field indices in the order time, current, sync, others."""
        return (*(() if self.time is None else (self.time,)), *self.values)

    @property
    def values(self) -> tuple[int, ...]:
        """Field indices of the channels, the current first."""
        return (*self.chief, *(other.index for other in self.others))

    @property
    def chief(self) -> tuple[int, ...]:
        """Field indices of current and sync: where one of them is missing, the sample is lost."""
        return tuple(i for i in (self.current, self.sync) if i is not None)


def choose_columns(headings: Headings, dialect: Dialect, settings: Mapping[str, str], path: Path, *,
                   positional_time: bool, sparse: Collection[int] = ()) -> Columns:
    """Return which field is which.

    Parameters
    ----------
    settings
        ``columns``, ``rate`` and the units, where given.
    positional_time
        Whether the first column is the time when no heading says which is.
    sparse
        Fields with too few numbers to be a channel, unless they are asked for.

    Raises
    ------
    FileFormatError, SettingError
        There is no column for the current, or a setting names a column that is not there.
    """
    others: tuple[Other, ...]
    rivals: tuple[str, ...] = ()
    if settings.get("columns"):
        chosen, extra = _by_setting(settings["columns"], headings, dialect, path, positional_time=positional_time)
        others = tuple(Other(index, name, headings.columns[index].unit) for name, index in extra.items())
    else:
        usable = [i for i, kind in enumerate(dialect.kinds) if kind in NUMERIC]
        chosen = _by_heading(headings.columns, dialect.kinds, usable, positional_time=positional_time)
        others = _others(headings.columns, [i for i in usable if i not in chosen.values() and i not in sparse])
        rivals = tuple(headings.columns[i].name for i in usable
                       if i != chosen.get("current") and _is_current(headings.columns[i]))
    if "current" not in chosen:
        raise _no_current(headings, dialect, path)
    units = {role: _unit(role, chosen.get(role), headings.columns, settings) for role in ROLES}
    _check_unit(units["current"], headings.columns[chosen["current"]], chosen["current"], path)
    return Columns(chosen.get("time"), chosen["current"], chosen.get("sync"), units["time"], units["current"],
                   units["sync"], others, rivals if _is_current(headings.columns[chosen["current"]]) else ())


def _others(columns: Sequence[Heading], free: Sequence[int]) -> tuple[Other, ...]:
    """Return the further columns under the names of their headings; counters and second times are no channels."""
    found: list[Other] = []
    for index in free:
        heading = columns[index]
        measures = heading.unit.measures if heading.unit else ""
        role = role_of(heading.name, heading.unit.becomes if heading.unit else "")
        if measures in {TIME, NUMBERING} or role in {"time", "counter"} or "date" in _words(heading):
            continue
        taken = frozenset({CURRENT, SYNC} | {other.name for other in found})
        known = role in {BATTERY, PRESSURE_CHANNEL} and role not in taken
        name = role if known else free_name(heading.name, index + 1, taken)
        found.append(Other(index, name, heading.unit))
    return tuple(found)


def channels_of(columns: Columns) -> tuple[Channel, ...]:
    """Return the channels: values as written, with the factor to the unit as their scale."""
    units = [(CURRENT, columns.current_unit)] + ([(SYNC, columns.sync_unit)] if columns.sync is not None else [])
    units += [(other.name, other.unit) for other in columns.others]
    return tuple(Channel(name) if unit is None else Channel(name, unit.becomes, scale=unit.factor)
                 for name, unit in units)


def _is_current(heading: Heading) -> bool:
    return bool(_words(heading) & CURRENT_WORDS) or (heading.unit is not None and heading.unit.measures == AMPERAGE)


def _words(heading: Heading) -> frozenset[str]:
    return words_of(heading.name)


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
        time = next((i for i in usable if measures[i] == NUMBERING or words[i] & (COUNTER_WORDS | {"#"})), None)
    first = usable[0] if len(usable) > 1 and positional_time else None
    if time is None and first is not None and _may_be_time(words[first], measures[first]):
        time = first
    if time is not None:
        chosen["time"] = time
    rest = [i for i in usable if i != time]
    current = next((i for i in rest if _is_current(columns[i])), None)
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
                positional_time: bool) -> tuple[dict[str, int], dict[str, int]]:
    """Return the field of each role, and of each further channel by the name it is given."""
    items = [item.strip() for item in text.split(",")]
    named = {name.strip().lower(): item for name, equals, item in (item.partition("=") for item in items) if equals}
    plain = [item for item in items if "=" not in item]
    if len(plain) > len(ROLES) or (plain and set(named) & set(ROLES)):
        raise SettingError(f"columns={quoted(text)} cannot be understood",
                           "give time,current,sync in that order, or current=NAME,sync=NAME, and any others as "
                           "battery=NAME; '-' means none")
    wanted = dict(zip(ROLES, plain, strict=False)) | named
    found = {role: _find(item, role, headings, dialect, path) for role, item in wanted.items()
             if item not in {"", "-"}}
    if len(set(found.values())) < len(found):
        raise SettingError(f"columns={quoted(text)} gives one column two meanings", "name a different column for each")
    chosen = {role: index for role, index in found.items() if role in ROLES}
    if not plain:
        usable = [i for i, kind in enumerate(dialect.kinds) if kind in NUMERIC and i not in found.values()]
        others = _by_heading(headings.columns, dialect.kinds, usable, positional_time=positional_time)
        if "current" not in wanted and "current" in others:
            chosen["current"] = others["current"]
        elif "time" not in wanted and others and positional_time:
            chosen["time"] = others.get("time", min(others.values()))
        if "time" not in wanted and "time" in others:
            chosen["time"] = others["time"]
    return chosen, {name: index for name, index in found.items() if name not in ROLES}


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
    if role == "time" and heading.unit is None and _words(heading) & (COUNTER_WORDS | {"#"}):
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
