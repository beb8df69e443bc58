"""At which rate the rows of a table come: by its time column, whose unit may need settling, or by what was said."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from crankfold.acquire import FileFormatError, SettingError, Source, SourceInfo
from crankfold.analysis import Notice, quoted
from crankfold.plugins.tables.headings import NUMBERING
from crankfold.plugins.tables.row_clock import COUNTER_WRAPS, DAY_S, RowClock, TimedClock

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from pathlib import Path

    from crankfold.acquire import Setting
    from crankfold.plugins.tables.columns import Columns

PLAUSIBLE_RATE_HZ = (50.0, 2e7)
"""Sample rates between which a time column without a unit is taken at its word: humps need the lower, no
logger that writes a table reaches the upper."""

SAY_RATE = "say the sample rate with the setting rate, as in rate=5000"

RATE_UNSURE = 0.02
"""A rate that may be further off than this is none: the model that judges the humps needs it to about a percent."""

RATES_AGREE = 0.01
"""A stated rate further from that of the time column is said to be wrong."""


class Timing:
    """The clock of a table, the unit of its time, and the rate.

    Parameters
    ----------
    path
        For messages.
    columns
        Which column is which.
    rate_hz
        What was said, None when nothing was.
    clock_time
        Whether the time column holds times of day.
    first_row
        Line of the first row, for messages.

    Raises
    ------
    FileFormatError
        There is no time column and no rate was said.
    """

    def __init__(self, path: Path, columns: Columns, rate_hz: float | None, *, clock_time: bool = False,
                 first_row: int | None = None) -> None:
        self._path, self._said_hz = path, rate_hz
        self._notices = [Notice("current-rivals", {"columns": ", ".join(map(quoted, columns.rivals))})
                         ] if columns.rivals else []
        values = 1 + (columns.sync is not None)
        unit = columns.time_unit
        self._counts = unit is not None and unit.measures == NUMBERING
        self._unit_known = unit is not None or clock_time
        self._seconds_per_unit = 1.0
        if columns.time is None:
            if rate_hz is None:
                raise FileFormatError(path, "there is no time column", SAY_RATE, line=first_row)
            self.clock: RowClock = RowClock(values)
            return
        if self._counts:
            if rate_hz is None:
                raise FileFormatError(path, "the first column counts samples and nothing says how fast", SAY_RATE,
                                      column=columns.time + 1)
            self._seconds_per_unit = 1.0 / rate_hz
        elif unit is not None and not clock_time:
            self._seconds_per_unit = unit.factor
        wraps = (DAY_S,) if clock_time else COUNTER_WRAPS if self._counts else COUNTER_WRAPS[2:]
        self.clock = TimedClock(path, columns.time, values, self._seconds_per_unit, wraps)

    def notices(self) -> list[Notice]:
        """Return what was survived or guessed so far."""
        if not isinstance(self.clock, TimedClock):
            return list(self._notices)
        counts = {"time-jumps": self.clock.lost, "time-holes": self.clock.holes}
        return self._notices + [Notice(code, {"count": count}) for code, count in counts.items() if count]

    def settle(self) -> None:
        """Settle, once the head has been read, the unit of a time column that says none.

        Raises
        ------
        FileFormatError
            No unit makes sense, or the column counts by one.
        """
        clock = self.clock
        if not isinstance(clock, TimedClock) or clock.cadence is None:
            return
        interval = clock.cadence.interval
        if not self._unit_known:
            self._guess_unit(interval, clock.column)
            clock.seconds_per_unit = self._seconds_per_unit
        if clock.cadence.unsure > RATE_UNSURE:
            self._take_said(clock.cadence.unsure, clock.column)
        rate_hz = self.rate_hz
        if not clock.cadence.even:
            self._notices.append(Notice("uneven-time", {"rate_hz": rate_hz}))
        if self._said_hz is not None and not self._counts and abs(self._said_hz / rate_hz - 1) > RATES_AGREE:
            self._notices.append(Notice("time-against-rate", {"rate_hz": rate_hz, "said_hz": self._said_hz}))

    def _take_said(self, unsure: float, column: int) -> None:
        if self._said_hz is None:
            raise FileFormatError(self._path, f"the time column has so few digits that it tells the sample rate to "
                                  f"{unsure:.0%} only", SAY_RATE, column=column + 1)
        self._counts = True

    def _guess_unit(self, interval: float, column: int) -> None:
        low, high = PLAUSIBLE_RATE_HZ
        if interval == 1.0:
            if self._said_hz is None:
                raise FileFormatError(self._path, "the first column counts by one and has no unit", "say time-unit=ms "
                                      "or time-unit=us, or the sample rate as in rate=5000", column=column + 1)
            self._counts, self._seconds_per_unit = True, 1.0 / self._said_hz
            return
        fits = [(name, factor) for name, factor in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6))
                if low <= 1.0 / (interval * factor) <= high]
        if not fits:
            raise FileFormatError(self._path, f"the time column rises by {interval:g} a row and has no unit",
                                  "say its unit, as in time-unit=ms", column=column + 1)
        name, self._seconds_per_unit = fits[0]
        if name != "s":
            rate_hz = 1.0 / (interval * self._seconds_per_unit)
            self._notices.append(Notice("time-unit", {"unit": name, "rate_hz": rate_hz}))

    @property
    def rate_hz(self) -> float:
        """Samples a second, by the head of the time column or as said."""
        cadence = self.clock.cadence if isinstance(self.clock, TimedClock) else None
        if self._counts or cadence is None:
            return self._said_hz or math.nan
        return 1.0 / (cadence.interval * self._seconds_per_unit)

    @property
    def measured_rate_hz(self) -> float | None:
        """Samples a second by the time column so far, None when there is none or it only counts."""
        interval = self.clock.measured_interval
        return None if interval is None or self._counts else 1.0 / (interval * self._seconds_per_unit)


def rate_setting(settings: Mapping[str, str]) -> float | None:
    """Return the setting `rate`, None when it is not given.

    Raises
    ------
    SettingError
        It is no rate.
    """
    text = settings.get("rate", "")
    if not text:
        return None
    try:
        rate_hz = float(text)
    except ValueError:
        rate_hz = math.nan
    if not (math.isfinite(rate_hz) and rate_hz > 0):
        raise SettingError(f"rate={quoted(text)} is not a sample rate", "give samples a second, as in rate=5000")
    return rate_hz


def refuse_unknown(settings: Collection[str], known: Collection[Setting], reader: str) -> None:
    """Refuse settings that are not among the known ones.

    Raises
    ------
    SettingError
        With the name of the first one.
    """
    names = [setting.name for setting in known]
    unknown = sorted(set(settings) - set(names))
    if unknown:
        raise SettingError(f"the {reader} reader has no setting {quoted(unknown[0])}", "it knows " + ", ".join(names))


class TimedSource(Source):
    """A file whose rows are timed: what the readers of text and of other tables have in common."""

    _info: SourceInfo
    _timing: Timing

    @property
    def info(self) -> SourceInfo:
        """Rate from the times in the file, channels from what it says of its columns."""
        return self._info

    @property
    def measured_rate_hz(self) -> float | None:
        """Samples a second by the times in the file so far; None when there are none or they only count."""
        return self._timing.measured_rate_hz
