"""Rows with times become numbered samples: missing ones are counted, uneven ones interpolated, nonsense refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire import FileFormatError, Samples
from crankfold.plugins.tables.cadence import Cadence, find_cadence, find_losses, off_pace

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

HOLE_S = 10.0
"""A longer hole in the time column parts two recordings: how many samples are missing is then called unknown."""

RESAMPLED_HOLE = 6.0
"""In an uneven recording, steps beyond so many mean intervals are holes; no line is drawn across them."""

DAY_S = 86400.0
COUNTER_WRAPS = (2.0**8, 2.0**16, 2.0**32)
WRAP_SLACK = 0.05
"""A counter that starts anew lands within this share of its range of where it would have gone."""


class RowClock:
    """Base of the ways to number rows: without times they simply follow each other.

    Parameters
    ----------
    channels
        Number of value columns.
    """

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self._pending_loss: int | None = 0
        self.rows = 0

    def take(self, times: NDArray[np.float64] | None, values: NDArray[np.float64],
             line_of: Callable[[int], int], *, whole: bool = False) -> list[Samples]:
        """Return samples for these rows.

        Parameters
        ----------
        times : ndarray, shape (rows,), or None
            NaN on rows that could not be read.
        values : ndarray, shape (rows, channels)
            NaN where a sample is missing.
        line_of
            Gives the line number of a row, for messages.
        whole
            Whether it is known that nothing is NaN.
        """
        self.rows += len(values)
        return self._split(values, None, whole=whole)

    def finish(self) -> list[Samples]:
        """Return an empty block that tells of the loss at the very end, if there was one."""
        lost, self._pending_loss = self._pending_loss, 0
        return [] if lost == 0 else [Samples(np.empty((0, self._channels)), lost)]

    @property
    def measured_interval(self) -> float | None:
        """Mean interval between samples so far, in the column's unit, None without times."""
        return None

    def _split(self, values: NDArray[np.float64], lost_before: NDArray[np.int64] | None, *,
               whole: bool = False) -> list[Samples]:
        """Return runs of good rows; `lost_before` counts samples lost before each row, -1 for nobody knows."""
        missing = np.zeros((len(values), 1), dtype=np.bool_) if whole else np.isnan(values)
        if lost_before is None:
            lost_before = np.zeros(len(values), dtype=np.int64)
        if self._pending_loss == 0 and (whole or not missing.any()) and not lost_before.any():
            return [Samples(np.ascontiguousarray(values))] if len(values) else []
        bad: NDArray[np.bool_] = np.asarray(missing.any(axis=1))
        good = np.flatnonzero(~bad)
        starts = np.flatnonzero(np.diff(good, prepend=-2) > 1)
        starts = np.union1d(starts, np.flatnonzero(lost_before[good] != 0)).astype(np.int64)
        done, out = 0, []
        for begin, end in zip(starts.tolist(), [*starts[1:].tolist(), len(good)], strict=True):
            first, last = int(good[begin]), int(good[end - 1]) + 1
            self._lose(lost_before[done : first + 1], int(bad[done:first].sum()))
            out.append(Samples(np.ascontiguousarray(values[first:last]), self._pending_loss))
            self._pending_loss = 0
            done = last
        self._lose(lost_before[done:], int(bad[done:].sum()))
        return out

    def _lose(self, counted: NDArray[np.int64], rows: int) -> None:
        if self._pending_loss is None or (counted < 0).any():
            self._pending_loss = None
        else:
            self._pending_loss += int(counted.sum()) + rows


class TimedClock(RowClock):
    """Numbers rows by a time column.

    Parameters
    ----------
    path, column
        For messages: the file and the field index of the times.
    channels
        Number of value columns.
    seconds_per_unit
        Of the time column; None for a counter of samples.
    wraps
        At which values the column may start again.
    """

    def __init__(self, path: Path, column: int, channels: int, seconds_per_unit: float | None,
                 wraps: tuple[float, ...]) -> None:
        super().__init__(channels)
        self.path, self.column = path, column
        self.cadence: Cadence | None = None
        self.lost = 0
        self.holes = 0
        self.seconds_per_unit = seconds_per_unit
        self._wraps = wraps
        self._shift = 0.0
        self._origin: float | None = None
        self._last: tuple[float, int] | None = None
        self._span = 0.0
        self._steps = 0
        self._line: NDArray[np.float64] | None = None
        self._grid = 0

    @property
    def measured_interval(self) -> float | None:
        """Mean interval between samples so far, in the column's unit."""
        if self.cadence is not None and not self.cadence.even:
            return self.cadence.interval
        return self._span / self._steps if self._steps else None

    def take(self, times: NDArray[np.float64] | None, values: NDArray[np.float64],
             line_of: Callable[[int], int], *, whole: bool = False) -> list[Samples]:
        """Return samples for these rows; the first call also finds the cadence."""
        assert times is not None
        known = np.arange(len(times)) if whole else np.flatnonzero(~np.isnan(times))
        rows = self.rows + known
        straight = self._straighten(times if whole else times[known], lambda i: line_of(int(known[i])))
        self.rows += len(values)
        if self.cadence is None:
            self._begin(straight, rows, lambda i: line_of(int(known[i])))
        assert self.cadence is not None
        if not self.cadence.even:
            return self._resample(straight, values[known])
        counted = self._count(straight, rows, lambda i: line_of(int(known[i])))
        if not counted.any():
            return self._split(values, None, whole=whole)
        lost = np.zeros(len(values), dtype=np.int64)
        lost[known] = counted
        return self._split(values, lost, whole=whole)

    def _begin(self, times: NDArray[np.float64], rows: NDArray[np.int64], line_of: Callable[[int], int]) -> None:
        if len(times) < 2:
            raise FileFormatError(self.path, "a single row of numbers isn't a recording",
                                  "record a few seconds at least",
                                  line=line_of(0) if len(times) else None)
        if times[-1] == times[0]:
            raise FileFormatError(self.path, f"the time stands still at {times[0] + (self._origin or 0):g}, expected "
                                  "it to rise from row to row", "choose the time column with the setting columns, or "
                                  "give the setting rate", line=line_of(1), column=self.column + 1)
        self.cadence = find_cadence(times, rows)

    def _straighten(self, times: NDArray[np.float64], line_of: Callable[[int], int]) -> NDArray[np.float64]:
        """Return times since the first row, never falling; refuses what runs backwards."""
        if not len(times):
            return times
        if self._origin is None:
            self._origin = float(times[0])
        out = times - self._origin + self._shift
        last = self._last[0] if self._last is not None else float(out[0])
        for _ in range(1 + len(times)):
            falls = np.flatnonzero(np.diff(out, prepend=last) < 0)
            if not len(falls):
                return out
            place = int(falls[0])
            previous = float(out[place - 1]) if place else last
            shift = self._wrap(previous, float(out[place]))
            if shift is None:
                raise FileFormatError(
                    self.path, f"the time runs backwards, {times[place]:.10g} after "
                    f"{previous + self._origin - self._shift:.10g}", "sort the rows, or cut the file in two if it "
                    "holds two recordings", line=line_of(place), column=self.column + 1)
            out[place:] += shift
            self._shift += shift
        return out

    def _wrap(self, previous: float, now: float) -> float | None:
        near = [wrap for wrap in self._wraps if 0 <= now + wrap - previous < WRAP_SLACK * wrap]
        return near[0] if near else None

    def _count(self, times: NDArray[np.float64], rows: NDArray[np.int64],
               line_of: Callable[[int], int]) -> NDArray[np.int64]:
        assert self.cadence is not None
        if not len(times):
            return np.zeros(0, dtype=np.int64)
        joined = self._last is not None
        if self._last is not None:
            times, rows = np.concatenate([[self._last[0]], times]), np.concatenate([[self._last[1]], rows])
        cadence = self.cadence.here(times, rows)
        lost = find_losses(times, rows, cadence)
        indices = rows - rows[0]
        if lost.any():
            indices[1:] += np.cumsum(lost)
        if wrong := off_pace(times, indices, cadence):
            place, interval = wrong
            self._refuse_pace(interval, line_of(max(0, place - joined)))
        if not lost.any():
            self._span += float(times[-1] - times[0])
            self._steps += int(indices[-1])
            self._last = (float(times[-1]), int(rows[-1]))
            return np.zeros(len(times) - joined, dtype=np.int64)
        hole = lost * cadence.interval * (self.seconds_per_unit or 0.0) > HOLE_S
        self._span += float(times[-1] - times[0]) - float(np.diff(times)[hole].sum())
        self._steps += int(indices[-1]) - int((np.diff(indices)[hole]).sum())
        self.lost += int(lost[~hole].sum())
        self.holes += int(hole.sum())
        self._last = (float(times[-1]), int(rows[-1]))
        lost[hole] = -1
        return lost if joined else np.insert(lost, 0, 0)

    def _refuse_pace(self, interval: float, line: int) -> None:
        assert self.cadence is not None
        what = (f"the time column changes pace from {self.cadence.interval:.6g} to {interval:.6g} a row" if interval > 0
                else "the time stands still from here on")
        raise FileFormatError(self.path, f"{what}, expected one sample rate throughout", "cut the file there and use "
                              "one part", line=line, column=self.column + 1)

    def _resample(self, times: NDArray[np.float64], values: NDArray[np.float64]) -> list[Samples]:
        """Return samples on an even grid, by straight lines between the rows."""
        cadence = self.cadence
        assert cadence is not None
        good = ~np.isnan(values).any(axis=1)
        times, values = times[good], values[good]
        if not len(times):
            return []
        if self._line is not None:
            times, values = np.insert(times, 0, self._line[0]), np.vstack([self._line[1:], values])
        self._line = np.concatenate([times[-1:], values[-1]])
        self._last = (float(times[-1]), self.rows)
        holes = np.flatnonzero(np.diff(times) > RESAMPLED_HOLE * cadence.interval)
        out: list[Samples] = []
        for begin, end in zip([0, *(holes + 1).tolist()], [*(holes + 1).tolist(), len(times)], strict=True):
            self._skip_to(float(times[begin]))
            stop = int(np.floor(times[end - 1] / cadence.interval * (1 + 1e-12))) + 1
            grid = np.arange(self._grid, stop) * cadence.interval
            self._grid = max(self._grid, stop)
            if len(grid):
                columns = [np.interp(grid, times[begin:end], values[begin:end, k]) for k in range(self._channels)]
                out.append(Samples(np.column_stack(columns), self._pending_loss))
                self._pending_loss = 0
        return out

    def _skip_to(self, time: float) -> None:
        assert self.cadence is not None
        first = int(np.ceil(time / self.cadence.interval * (1 - 1e-12)))
        missing = first - self._grid
        if missing <= 0:
            return
        self._grid = first
        if missing * self.cadence.interval * (self.seconds_per_unit or 0.0) > HOLE_S or self._pending_loss is None:
            self._pending_loss = None
            self.holes += 1
        else:
            self._pending_loss += missing
            self.lost += missing
