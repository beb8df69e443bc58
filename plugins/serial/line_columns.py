"""Which number of a line is which channel, which is the time, and what its codes mean."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import (
    BATTERY,
    COUNTER,
    CURRENT,
    LEFT_OUT,
    PRESSURE,
    SYNC,
    TIME,
    Channel,
    ColumnSeen,
    SettingError,
    free_name,
    role_of,
)
from crankfold.plugins.serial.grammar import Kind
from crankfold.plugins.serial.line_timing import MIDNIGHT_S, TimeColumn, find_time_column
from crankfold.plugins.serial.port import number_setting

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from crankfold.plugins.serial.line_opening import Heard

MOST_BITS = 31
HIGHEST_CODE = 2**31 - 1
CLOCK_RANGE = (0.0, 2.0**32 - 1)
PLAIN_COLUMNS = 2
"""So many numbers without labels are the current and the sync mark, in this order; of more, nobody can know."""

GENERIC = re.compile(r"(ch|channel|adc?|ain|in|input|sensor|probe|val|value|raw|data|reading|signal|counts?|level|"
                     r"[a-dsvxyz])[ _]*\d*", re.IGNORECASE)
"""Labels that say nothing; any other word names a channel of its own, and no sync mark."""

_FULL_SCALE = re.compile(r"([0-9.]+(?:e[+-]?[0-9]+)?)\s*(mV|V|mA|A|kV|bar)", re.IGNORECASE)
_UNITS = {"mv": (1e-3, "V"), "v": (1.0, "V"), "ma": (1e-3, "A"), "a": (1.0, "A"), "kv": (1.0, "kV"),
          "bar": (1.0, "bar")}
_COLUMN = re.compile(r"(-|[^\W_][\w .%/#-]{0,39}?)(?:\(([A-Za-z%]{1,6})\))?")


@dataclass(frozen=True, eq=False)
class ColumnPlan:
    """What becomes of the numbers of a line.

    Parameters
    ----------
    picked
        Columns that are handed on, the current first.
    channels
        One for each.
    dtype
        Of the codes handed on.
    time
        The time column, None if there is none.
    limits
        For each column of a line, the lowest and highest number it may hold, None for any.
    rate_hz
        Lines a second, by the board's own time where it prints one.
    seen
        Every column as it came.
    guessed
        Whether nobody and nothing said which is which.
    """

    picked: tuple[int, ...]
    channels: tuple[Channel, ...]
    dtype: np.dtype[Any]
    time: TimeColumn | None
    limits: tuple[tuple[float, float] | None, ...]
    rate_hz: float
    seen: tuple[ColumnSeen, ...]
    guessed: bool

    def codes(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return the codes of lines, shape (lines, channels)."""
        return values[:, list(self.picked)].astype(self.dtype)


def plan_columns(heard: Heard, settings: Mapping[str, str]) -> ColumnPlan:
    """Return what to do with each column, from the settings, the labels, or the numbers themselves.

    Raises
    ------
    SettingError
        The settings do not fit the lines.
    """
    style = heard.style
    time = _with_midnight(find_time_column(heard.values, heard.rate_hz, style.steps), heard)
    text = settings.get("columns", "") or ",".join(style.names)
    names, units = _names_from_setting(text, style.columns)
    guessed = False
    if not names:
        names, guessed = _names_from_lines(heard, time)
    units = [given or written for given, written in zip(units or [""] * len(names), style.units, strict=True)]
    if TIME in names:
        time = _time_at(names.index(TIME), heard, time)
    elif time is not None and names[time.column] != LEFT_OUT:
        time = None  # the setting says that this number is a measured one
    picked = sorted((at for at, name in enumerate(names) if name not in {LEFT_OUT, TIME}),
                    key=lambda at: (names[at] != CURRENT, names[at] != SYNC, at))
    decimals = any(style.kinds[at] in {Kind.DECIMAL, Kind.COMMA} for at in picked)  # of a clock in front nobody asks
    common, limit = _scale(settings, decimals=decimals, units=[units[at] for at in picked])
    channels = tuple(_channel(names[at], units[at], common) for at in picked)
    limits: list[tuple[float, float] | None] = [None] * style.columns
    for column in picked:
        limits[column] = limit if not units[column] else None
    if time is not None and style.kinds[time.column] in {Kind.WHOLE, Kind.HEX}:
        limits[time.column] = CLOCK_RANGE
    rate_hz = heard.rate_hz if time is None else 1.0 / (time.period * time.unit_s)
    dtype = np.dtype(np.float64 if decimals else np.int32)
    return ColumnPlan(tuple(picked), channels, dtype, time, tuple(limits), rate_hz,
                      _seen(heard, names, units, time), guessed)


def _with_midnight(time: TimeColumn | None, heard: Heard) -> TimeColumn | None:
    if time is None or heard.style.kinds[time.column] is not Kind.CLOCK:
        return time
    return replace(time, wraps=MIDNIGHT_S)


def _names_from_setting(text: str, columns: int) -> tuple[list[str], list[str]]:
    """Return name and unit of each number, as ``current(A),battery(V),-`` says them; empty lists without a setting."""
    if not text.strip():
        return [], []
    found = [_COLUMN.fullmatch(part.strip()) for part in text.split(",")]
    parts = [match for match in found if match is not None]
    names = [" ".join(match[1].lower().split()) for match in parts]
    real = [name for name in names if name != LEFT_OUT]
    if len(parts) != len(found) or len(set(real)) != len(real) or CURRENT not in names:
        raise SettingError(f"columns={text} cannot be used",
                           "name each number of a line: current once, sync, battery, pressure, time or a name of your "
                           "own, with its unit as in battery(V), or - for one to leave out")
    if len(names) != columns:
        raise SettingError(f"columns={text} names {len(names)} numbers but a line holds {columns}",
                           "name each number of a line, - for one to leave out")
    return names, [match[2] or "" for match in parts]


def _names_from_lines(heard: Heard, time: TimeColumn | None) -> tuple[list[str], bool]:
    """Return a name for each number of a line, and whether they are guessed."""
    style = heard.style
    roles = [role_of(label, unit) for label, unit in zip(style.labels, style.units, strict=True)]
    names = [LEFT_OUT] * style.columns
    values = [at for at in range(style.columns)
              if (time is None or at != time.column) and style.kinds[at] is not Kind.CLOCK
              and roles[at] not in {COUNTER, TIME}]
    for role in (CURRENT, SYNC, BATTERY, PRESSURE):
        at = next((at for at in values if roles[at] == role), None)
        if at is not None:
            names[at] = role
    free = [at for at in values if names[at] == LEFT_OUT and not roles[at]]
    guessed = CURRENT not in names and len(free) > (1 if SYNC in names else PLAIN_COLUMNS)
    if guessed:
        free.sort(key=lambda at: float(np.ptp(heard.values[:, at])) == 0.0)  # what never moves is hardly measured
    for name in (CURRENT, SYNC):
        label = style.labels[free[0]] if free else ""
        if name not in names and free and (name == CURRENT or guessed or not label or GENERIC.fullmatch(label)):
            guessed = guessed or (name == CURRENT and bool(label) and not GENERIC.fullmatch(label))
            names[free.pop(0)] = name
    if CURRENT not in names:
        raise SettingError(f"the lines from {heard.device} hold nothing but the time",
                           "have the sketch print the current after it, or name the columns")
    for at in values:
        if names[at] == LEFT_OUT:
            names[at] = free_name(style.labels[at], at + 1, frozenset(names))
    return names, guessed


def _time_at(column: int, heard: Heard, found: TimeColumn | None) -> TimeColumn:
    if found is None or found.column != column:
        found = find_time_column(heard.values[:, [column]], heard.rate_hz, heard.style.steps[column : column + 1])
        found = _with_midnight(replace(found, column=column), heard) if found else None
    if found is None:
        raise SettingError(f"number {column + 1} of a line, named time, does not run like a clock in s, ms or us",
                           "name another column time, or leave it out with -")
    return found


def _seen(heard: Heard, names: list[str], units: list[str], time: TimeColumn | None) -> tuple[ColumnSeen, ...]:
    rows = []
    for at, name in enumerate(names):
        column = heard.values[:, at]
        if time is not None and at == time.column:
            seems = COUNTER if time.period == 1.0 and time.unit_s == 1.0 / heard.rate_hz else TIME
        elif heard.style.kinds[at] is Kind.CLOCK:
            seems = TIME
        elif float(np.ptp(column)) == 0.0:
            seems = "constant"
        else:
            seems = role_of(heard.style.labels[at], units[at]) or "signal"
        rows.append(ColumnSeen(at + 1, heard.style.labels[at], float(column.min()), float(column.max()), units[at],
                               seems, name))
    return tuple(rows)


def _channel(name: str, unit: str, common: dict[str, Any]) -> Channel:
    return Channel(name, unit) if unit else Channel(name, **common)


def _scale(settings: Mapping[str, str], *, decimals: bool,
           units: list[str]) -> tuple[dict[str, Any], tuple[float, float] | None]:
    """Return what all channels without a unit of their own share, and the lowest and highest number that can be."""
    bits = number_setting(settings, "bits", None, lowest=1, highest=MOST_BITS)
    text = settings.get("full-scale", "").strip()
    found = _FULL_SCALE.fullmatch(text)
    if text and (found is None or float(found[1]) <= 0):
        raise SettingError(f"full-scale={text} cannot be used", "give a number with its unit, such as 5V or 3300mV")
    factor, unit = _UNITS[found[2].lower()] if found else (1.0, "counts")
    if (bits is not None or text) and all(units):
        raise SettingError(f"the board prints its numbers in {units[0]}, so they aren't converter codes",
                           "leave bits and full-scale out")
    if decimals:
        if bits is not None:
            raise SettingError(f"bits={bits:g} does not fit a board that prints decimals", "leave it out")
        return {"unit": unit if found else ""}, None
    if bits is None:
        if found:
            raise SettingError(f"full-scale={text} says nothing without the converter's bits", "add bits=10, or "
                               "whatever the board's converter has")
        return {"unit": "counts", "code_dtype": "int32"}, (-HIGHEST_CODE - 1.0, float(HIGHEST_CODE))
    codes = 2 ** int(bits)
    scale = float(found[1]) * factor / codes if found else 1.0
    return ({"unit": unit, "scale": scale, "code_range": (0, codes - 1), "code_dtype": "int32"},
            (0.0, float(codes - 1)))
