"""What one recording is: samples in units, their rate, and where samples are missing."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from numbers import Real
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.analysis.arrays import numbers
from crankfold.analysis.errors import InputError, quoted

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from numpy.typing import ArrayLike, NDArray

    from crankfold.analysis.result import Notice

CURRENT = "current"
SYNC = "sync"
BATTERY = "battery"
PRESSURE = "pressure"
CUT_SHORT = "cut_short"  # name of the note of a capture that ended because its board was lost, with the reason
BATTERY_VOLTAGE = "battery-voltage"
"""Measured in place of the current: its dips mirror the humps."""


@dataclass(frozen=True)
class Channel:
    """One column of a capture.

    Parameters
    ----------
    name
        What the channel carries: ``"current"``, ``"sync"``, ``"battery"`` (the battery's voltage), ``"pressure"`` (in a
        cylinder), or any other name; the analysis leaves alone what nobody names to it.
    unit
        ``"A"``, ``"V"``, ``"kV"``, ``"bar"``, ``"counts"``, or ``""`` when nobody said.
    scale, offset
        ``value = code * scale + offset``, in `unit`. 1 and 0 when the samples never were integer codes.
    code_range
        Lowest and highest code the converter can give, or None when unknown. A value at either end is clipped.
    code_dtype
        Name of the numpy dtype the codes came in (``"int16"``), ``"float64"`` when there were none.
    stands_in
        What is measured in place of what the name says: `BATTERY_VOLTAGE`, or empty.
    """

    name: str
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0
    code_range: tuple[int, int] | None = None
    code_dtype: str = "float64"
    stands_in: str = ""

    def __post_init__(self) -> None:
        if not (np.isfinite(self.scale) and self.scale != 0.0 and np.isfinite(self.offset)):
            raise InputError(f"channel {quoted(self.name)}: scale {self.scale!r} and offset {self.offset!r} must be "
                             "finite and the scale not zero; give the scale of the board or probe")

    def value_range(self) -> tuple[float, float] | None:
        """Return the lowest and highest value the converter can give, in `unit`, or None when unknown."""
        if self.code_range is None:
            return None
        ends = sorted(code * self.scale + self.offset for code in self.code_range)
        return ends[0], ends[1]

    def rescaled(self, factor: float, unit: str, offset: float = 0.0) -> Channel:
        """Return the channel after ``new = old * factor + offset`` into another unit."""
        return replace(self, unit=unit, scale=self.scale * factor, offset=self.offset * factor + offset)


@dataclass(frozen=True)
class Gap:
    """Samples known to be lost: `length` of them, the first at sample index `start`."""

    start: int
    length: int

    @property
    def stop(self) -> int:
        """Index of the first good sample after the gap."""
        return self.start + self.length


@dataclass(frozen=True, eq=False)
class Capture:
    """A recording of the cranking current and, if there is one, of a sync mark.

    Parameters
    ----------
    samples : ndarray, shape (samples, channels), float64
        In the units of `channels`, C order, read-only. Lost samples are present as NaN, so that the sample index
        remains the clock.
    rate_hz
        Samples a second, as measured where it was measured.
    channels
        One `Channel` a column; the current first.
    trigger_index
        Sample index of the onset of cranking, None if nothing triggered.
    gaps
        Where samples are missing, in order.
    started_utc
        A label; never used as a clock.
    origin
        Where it came from, for people: a file's path or a board's address.
    notes
        Free text by name, kept in the file.
    notices
        What its source survived, as codes and numbers; kept in the file.
    about
        What the capture knows of itself, as plain JSON data: engine, wiring, job, the last result. Kept in the file;
        the numbers do not depend on it.
    """

    samples: NDArray[np.float64]
    rate_hz: float
    channels: tuple[Channel, ...]
    trigger_index: int | None = None
    gaps: tuple[Gap, ...] = ()
    started_utc: datetime | None = None
    origin: str = ""
    notes: Mapping[str, str] = field(default_factory=dict)
    about: Mapping[str, Any] = field(default_factory=dict)
    notices: tuple[Notice, ...] = ()

    def __post_init__(self) -> None:
        samples = self.samples
        if not _sound(samples):
            samples = numbers(samples, "a capture's samples")
        samples = np.array(samples, dtype=np.float64, order="C", ndmin=2)
        _check_types(self)
        if samples.ndim != 2 or samples.shape[1] != len(self.channels) or not self.channels:
            raise InputError(f"samples of shape {np.shape(self.samples)} do not fit {len(self.channels)} channels; "
                             "give one row a sample and one column a channel")
        if not (np.isfinite(self.rate_hz) and self.rate_hz > 0):
            raise InputError(f"a sample rate of {self.rate_hz!r} Hz isn't possible; give samples a second")
        if self.trigger_index is not None and not 0 <= self.trigger_index < len(samples):
            raise InputError(f"trigger index {self.trigger_index} is outside the {len(samples)} samples")
        for gap in self.gaps:
            if gap.length <= 0 or gap.start < 0 or gap.stop > len(samples):
                raise InputError(f"gap of {gap.length} samples at {gap.start} is outside the {len(samples)} samples")
            samples[gap.start : gap.stop] = np.nan
        samples.flags.writeable = False
        object.__setattr__(self, "samples", samples)

    @classmethod
    def from_arrays(
        cls, current: ArrayLike, *, rate_hz: float, sync: ArrayLike | None = None,
        unit: str = "A", sync_unit: str = "V", origin: str = "arrays",
    ) -> Capture:
        """Return a capture of plain arrays.

        Parameters
        ----------
        current : array_like, shape (n,)
            In `unit`: amperes, or volts if a probe scale is applied later. Any numbers; masked and missing samples are
            taken as lost.
        rate_hz
            Samples a second.
        sync : array_like, shape (n,), optional
            The second channel, in `sync_unit`.

        Raises
        ------
        InputError
            The arrays differ in length or are not one-dimensional.

        >>> capture = Capture.from_arrays([0.0, 150.0, 148.0], rate_hz=1000.0)
        >>> capture.samples.shape, capture.duration_s, capture.channels[0].unit
        ((3, 1), 0.003, 'A')
        """
        columns = [numbers(current, "current")]
        channels = [Channel(CURRENT, unit)]
        if sync is not None:
            columns.append(numbers(sync, "sync"))
            channels.append(Channel(SYNC, sync_unit))
        if any(c.ndim != 1 for c in columns) or len({len(c) for c in columns}) != 1:
            raise InputError(f"current and sync must be one-dimensional and equally long, "
                             f"not {[c.shape for c in columns]}")
        lost = find_gaps(~np.isfinite(columns[0]))
        return cls(np.column_stack(columns), rate_hz, tuple(channels), gaps=lost, origin=origin)

    @property
    def duration_s(self) -> float:
        """Length of the recording in seconds."""
        return len(self.samples) / self.rate_hz

    def index_of(self, name: str) -> int | None:
        """Return the column of the channel called `name`, None if there is none."""
        return next((i for i, channel in enumerate(self.channels) if channel.name == name), None)

    def column(self, name: str) -> NDArray[np.float64] | None:
        """Return the samples of the channel called `name`, shape (samples,), or None if there is none."""
        index = self.index_of(name)
        return None if index is None else self.samples[:, index]

    def rescaled(self, name: str, factor: float, unit: str, offset: float = 0.0) -> Capture:
        """Return the capture with one channel converted by ``new = old * factor + offset`` into another unit.

        Raises
        ------
        InputError
            There is no such channel, or the factor is zero or not finite.

        >>> Capture.from_arrays([1.5], rate_hz=1000.0, unit="V").rescaled("current", 1 / 0.010, "A").samples.tolist()
        [[150.0]]
        """
        index = self.index_of(name)
        if index is None:
            raise InputError(f"the capture has no channel {name!r}; it has {[c.name for c in self.channels]}")
        samples = self.samples.copy()
        samples[:, index] = samples[:, index] * factor + offset
        channels = list(self.channels)
        channels[index] = channels[index].rescaled(factor, unit, offset)
        return replace(self, samples=samples, channels=tuple(channels))


def _sound(samples: object) -> bool:
    """Return whether samples are plain float64 already, as they are whenever a capture is changed."""
    return type(samples) is np.ndarray and samples.dtype == np.float64


def _check_types(capture: Capture) -> None:
    if isinstance(capture.rate_hz, bool) or not isinstance(capture.rate_hz, Real):
        raise InputError(f"a sample rate of {quoted(capture.rate_hz)} isn't possible; "
                         "give samples a second as a number")
    if not isinstance(capture.channels, tuple) or not all(isinstance(c, Channel) for c in capture.channels):
        raise InputError(f"channels are {quoted(capture.channels)}; give a tuple of Channel, one a column")
    if capture.trigger_index is not None and not isinstance(capture.trigger_index, int | np.integer):
        raise InputError(f"trigger index {quoted(capture.trigger_index)} isn't a whole number; give a sample's index")


def find_gaps(lost: Sequence[bool] | NDArray[np.bool_]) -> tuple[Gap, ...]:
    """Return the runs of True in `lost`, shape (samples,), as gaps in order.

    >>> find_gaps([False, True, True, False])
    (Gap(start=1, length=2),)
    """
    flags = np.concatenate(([0], np.asarray(lost, dtype=np.int8), [0]))
    edges = np.flatnonzero(np.diff(flags))
    return tuple(Gap(int(a), int(b - a)) for a, b in zip(edges[::2], edges[1::2], strict=True))
