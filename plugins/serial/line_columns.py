"""Which number of a line is the current, the sync mark or the time, and what its codes mean."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import SettingError
from crankfold.analysis import CURRENT, SYNC, Channel
from crankfold.plugins.serial.line_timing import TimeColumn, find_time_column
from crankfold.plugins.serial.port import number_setting

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from crankfold.plugins.serial.line_opening import Heard

TIME = "time"
LEFT_OUT = "-"
MOST_BITS = 31
HIGHEST_CODE = 2**31 - 1
CLOCK_RANGE = (0.0, 2.0**32 - 1)

_FULL_SCALE = re.compile(r"([0-9.]+(?:e[+-]?[0-9]+)?)\s*(mV|V|mA|A|kV|bar)", re.IGNORECASE)
_UNITS = {"mv": (1e-3, "V"), "v": (1.0, "V"), "ma": (1e-3, "A"), "a": (1.0, "A"), "kv": (1.0, "kV"),
          "bar": (1.0, "bar")}


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
    note
        What a person should know, empty when nothing.
    """

    picked: tuple[int, ...]
    channels: tuple[Channel, ...]
    dtype: np.dtype[Any]
    time: TimeColumn | None
    limits: tuple[tuple[float, float] | None, ...]
    rate_hz: float
    note: str

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
    time = find_time_column(heard.values, heard.rate_hz)
    names = _names_from_setting(settings.get("columns", ""), style.columns) or _names_from_lines(heard, time)
    if TIME in names:
        time = _time_at(names.index(TIME), heard, time)
    elif time is not None and names[time.column] != LEFT_OUT:
        time = None  # the setting says that this number is a measured one
    picked = [names.index(CURRENT)] + ([names.index(SYNC)] if SYNC in names else [])
    channel, limit = _scale(settings, decimals=style.decimals)
    channels = tuple(Channel(names[column], **channel) for column in picked)
    limits: list[tuple[float, float] | None] = [None] * style.columns
    for column in picked:
        limits[column] = limit
    if time is not None and not style.decimals:
        limits[time.column] = CLOCK_RANGE
    extra = [name for column, name in enumerate(names) if name == LEFT_OUT and (time is None or column != time.column)]
    note = "" if "columns" in settings or not extra else (
        f"a line holds {style.columns} numbers; the first are taken as the current and the sync mark, "
        f"{len(extra)} left out; say which is which with the columns setting")
    rate_hz = heard.rate_hz if time is None else 1.0 / (time.period * time.unit_s)
    dtype = np.dtype(np.float64 if style.decimals else np.int32)
    return ColumnPlan(tuple(picked), channels, dtype, time, tuple(limits), rate_hz, note)


def _names_from_setting(text: str, columns: int) -> list[str]:
    if not text.strip():
        return []
    names = [name.strip().lower() for name in text.split(",")]
    allowed = {CURRENT, SYNC, TIME, LEFT_OUT}
    real = [name for name in names if name != LEFT_OUT]
    if set(names) - allowed or len(set(real)) != len(real) or CURRENT not in names:
        raise SettingError(f"columns={text} cannot be used",
                           "name each number of a line: current once, sync, time, or - for one to leave out")
    if len(names) != columns:
        raise SettingError(f"columns={text} names {len(names)} numbers but a line holds {columns}",
                           "name each number of a line, - for one to leave out")
    return names


def _names_from_lines(heard: Heard, time: TimeColumn | None) -> list[str]:
    labels = [label.decode("ascii", "replace").strip().lower() for label in heard.style.labels]
    names = [LEFT_OUT] * len(labels)
    for name in (CURRENT, SYNC):
        for column, label in enumerate(labels):
            if label.startswith(name) and name not in names:
                names[column] = name
    free = [column for column, name in enumerate(names)
            if name == LEFT_OUT and (time is None or column != time.column)]
    for name in (CURRENT, SYNC):
        if name not in names and free:
            names[free.pop(0)] = name
    if CURRENT not in names:
        raise SettingError(f"the lines from {heard.device} hold nothing but the time",
                           "let the sketch print the current after it, or name the columns")
    return names


def _time_at(column: int, heard: Heard, found: TimeColumn | None) -> TimeColumn:
    if found is None or found.column != column:
        found = find_time_column(heard.values[:, [column]], heard.rate_hz)
        found = TimeColumn(column, found.unit_s, found.period) if found else None
    if found is None:
        raise SettingError(f"number {column + 1} of a line, named time, does not run like a clock in s, ms or us",
                           "name another column time, or leave it out with -")
    return found


def _scale(settings: Mapping[str, str], *, decimals: bool) -> tuple[dict[str, Any], tuple[float, float] | None]:
    """Return what all channels share, and the lowest and highest number that can be."""
    bits = number_setting(settings, "bits", None, lowest=1, highest=MOST_BITS)
    text = settings.get("full-scale", "").strip()
    found = _FULL_SCALE.fullmatch(text)
    if text and (found is None or float(found[1]) <= 0):
        raise SettingError(f"full-scale={text} cannot be used", "give a number with its unit, such as 5V or 3300mV")
    factor, unit = _UNITS[found[2].lower()] if found else (1.0, "counts")
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
