"""When the lines of a board that prints numbers were sampled: from a time column, or from when they arrive."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

UNITS_S = {"us": 1e-6, "ms": 1e-3, "s": 1.0}

UNIT_TOLERANCE = 1.3
"""A column is a clock when it runs within this factor of the computer's; a second of arrivals tells that to 2 %."""

CLOCK_WRAPS = (65536.0, 4294967296.0)
"""Where the clocks of micro-controllers begin again."""

MIDNIGHT_S = (86_400.0,)
"""Where a time of day does."""

LATE_STEP = 1.5
"""A step in time of more periods than this means a line is missing; loops of plain sketches vary by some tenths."""

TORN_S = 0.05
"""Lines that stay this much later than before were lost on the way; a serial driver holds back 16 ms at most."""

CONFIRM_S = 0.25
"""How long they must stay late: a computer that was busy elsewhere catches up sooner."""

BASELINE_S = 0.15
"""Stretch before, whose earliest arrival is the measure; short, so that a drifting rate is not taken for a loss."""


@dataclass(frozen=True)
class TimeColumn:
    """Which column is a clock or a counter, what it counts in, seconds, its steps from line to line, where it wraps."""

    column: int
    unit_s: float
    period: float
    wraps: tuple[float, ...] = CLOCK_WRAPS


def rate_of_arrivals(arrivals: Sequence[tuple[float, int]]) -> float:
    """Return lines a second, fitted to pairs of time, seconds, and lines that had come by then."""
    times, counts = np.array(arrivals, dtype=np.float64).T
    times -= times.mean()
    return float(np.sum(times * (counts - counts.mean())) / np.sum(times * times))


def find_time_column(values: NDArray[Any], rate_hz: float, digits: Sequence[float] = ()) -> TimeColumn | None:
    """Return the column that is a clock, or counts the lines; None when none does.

    Parameters
    ----------
    values : ndarray, shape (lines, columns)
        Sound lines in a row, broken ones left out.
    rate_hz
        Lines a second, from their arrival.
    digits
        The smallest difference that the digits of each column can show; 1 unless given.
    """
    for column in range(values.shape[1]):
        slack = digits[column] if column < len(digits) else 1.0
        steps = np.diff(values[:, column].astype(np.float64))
        usual = float(np.median(steps)) if len(steps) else 0.0
        back = steps[steps < 0]
        if len(steps) < 5 or not steps.any() or any(_unwrapped(float(step), usual) is None for step in back):
            continue
        steps = steps[steps >= 0]
        period = float(np.mean(steps[steps <= 2.0 * usual + slack]))
        if np.mean(np.abs(steps - usual) <= 0.5 * usual + slack) < 0.9:
            continue
        a_second = period * rate_hz
        for unit_s in UNITS_S.values():
            if 1.0 / UNIT_TOLERANCE < a_second * unit_s < UNIT_TOLERANCE:
                return TimeColumn(column, unit_s, period)
        if (steps == usual).mean() > 0.9 and usual == 1:
            return TimeColumn(column, 1.0 / rate_hz, 1.0)
    return None


class TimeLoss:
    """Finds missing lines from a time column.

    Parameters
    ----------
    time
        The column.
    step
        The smallest difference its digits can show: a step from line to line may be off by as much.
    """

    def __init__(self, time: TimeColumn, *, step: float) -> None:
        self._time = time
        self.column = time.column
        self._slack = step
        self._last: float | None = None
        self._index = 0
        self._elapsed = 0.0

    def restart(self) -> None:
        """Begin a new stream."""
        self._last, self._index, self._elapsed = None, 0, 0.0

    @property
    def rate_hz(self) -> float:
        """Lines a second by the board's own clock."""
        if self._index < 100 or self._elapsed <= 0:
            return 1.0 / (self._time.period * self._time.unit_s)
        return self._index / (self._elapsed * self._time.unit_s)

    def before(self, times: NDArray[Any]) -> list[tuple[int, int | None]]:
        """Return where lines are missing: row within `times`, and how many before it, None if that cannot be told."""
        first = float(times[0]) - self._time.period if self._last is None else self._last
        steps = np.diff(times.astype(np.float64), prepend=first)
        self._last = float(times[-1])
        period = 1.0 / (self.rate_hz * self._time.unit_s)
        lost: list[tuple[int, int | None]] = []
        late = max(LATE_STEP * period, period + self._slack)
        for row in np.flatnonzero((steps < 0) | (steps > late)).tolist():
            step = _unwrapped(float(steps[row]), period, self._time.wraps)
            steps[row] = 0.0 if step is None else step
            missing = None if step is None else max(0, round(step / period) - 1)
            if missing != 0:
                lost.append((row, missing))
        self._index += len(times) + sum(missing or 0 for _, missing in lost)
        self._elapsed += float(steps.sum())
        return lost


def _unwrapped(step: float, period: float, wraps: tuple[float, ...] = CLOCK_WRAPS) -> float | None:
    if step >= 0:
        return step
    for wrap in wraps:
        if 0 <= step + wrap < wrap / 4 and step + wrap < 1000 * max(period, 1.0):
            return step + wrap
    return None


class ArrivalWatch:
    """Notices that lines were lost on the way when those that come stay later than those before.

    Parameters
    ----------
    rate_hz
        Lines a second.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._late: deque[tuple[float, float]] = deque()
        self._since_s: float | None = None
        self._baseline_s = 0.0

    def restart(self) -> None:
        """Begin a new stream."""
        self._late.clear()
        self._since_s = None

    @property
    def suspicious(self) -> bool:
        """Whether lines are late and it is not known yet whether they are lost."""
        return self._since_s is not None

    def note(self, now_s: float, lines: int) -> bool:
        """Return whether it is certain now that lines were lost.

        Parameters
        ----------
        now_s
            Time when the port had been read empty, seconds.
        lines
            Lines since the start, known losses counted.
        """
        late_s = now_s - lines / self._rate_hz
        if self._since_s is None:
            while self._late and self._late[0][0] < now_s - BASELINE_S and len(self._late) > 1:
                self._late.popleft()
            self._baseline_s = min((late for _, late in self._late), default=late_s)
        if late_s - self._baseline_s <= TORN_S + 2.0 / self._rate_hz:
            self._since_s = None
            self._late.append((now_s, late_s))
            return False
        if self._since_s is None:
            self._since_s = now_s
        if now_s - self._since_s < CONFIRM_S:
            return False
        self.restart()
        return True
