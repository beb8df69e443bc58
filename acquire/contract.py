"""What every board and every file looks like from inside: a source of numbered blocks of codes.

The rules, each proved by a function of `crankfold.acquire.testing`:

1. Opening gives an `info` that stays the same; opening does not start the stream.
2. `read` returns a `Block`, or None when nothing came within the time-out; it never waits much longer than that.
3. The end of the stream is not an error: `read` returns None and `finished` is True from then on.
4. Codes are two-dimensional, (samples, channels), of the dtype and channel count that `info` promised.
5. Samples that were lost are counted in `lost_before`; None means: some, nobody knows how many. Never silently.
6. Anything that breaks the stream is raised as an `AcquireError`; after that the source can still be closed.
7. `stop` and `close` may be called at any time, twice too, from the thread that reads.
8. One thread owns every call from `start` to `close`; it need not be the one that opened.
9. A block keeps its content when more is read, its codes lie in the code range of their channel, and one without
   samples only tells of a loss.
10. Samples come at the rate that `info` says, losses counted; a file gives the same samples each time.
11. Closing lets go: no thread stays, and the same board or file opens again at once.
12. A board with a clock of its own may stamp its samples (`device_s`); one whose hardware triggers says so (`records`)
    and where a record ends.
13. One that takes a lost connection up again by itself says how long it tries (`resumes_s`), and counts what is gone.
"""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from crankfold.acquire.device_clock import DeviceClock
from crankfold.acquire.notices import SAID
from crankfold.analysis import CURRENT, SYNC, Channel, Notice

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from types import TracebackType

    from numpy.typing import NDArray

    from crankfold.acquire.channel_names import ColumnSeen

# Offered here too, so that a driver needs one import: it names its channels.
__all__ = ["CURRENT", "SYNC", "Block", "Channel", "EndOfStream", "Notice", "Samples", "Source", "SourceInfo"]


class EndOfStream(Exception):  # noqa: N818 - an end is not an error
    """Raised by a driver's `_read` when a finite source has given everything."""


@dataclass(frozen=True)
class SourceInfo:
    """What a source says of itself once it is open.

    Parameters
    ----------
    rate_hz
        The *actual* samples a second of each channel, as near as the driver knows it.
    channels
        Scale, offset, unit and code range of each column; the current first.
    dtype
        numpy dtype of the codes.
    title
        For people: which board or file this is.
    address
        What opens the same board again: a serial number rather than a port name.
    finite
        Whether the stream ends by itself (a file).
    live
        Whether samples come in real time, so that arrival times mean something.
    captured
        Whether this is a capture that was triggered before; it is then handed on whole and not triggered again.
    trigger_index
        Of a captured source.
    started_utc, notes, about, notices
        Of a file that knows them, as in `Capture`.
    columns
        What each column of a line or table held while the source was opened; empty: the source knows its channels.
    guessed
        Whether it had to be guessed which column is which; whoever uses the source then asks.
    records
        Whether the hardware triggers: samples come as records of their own, with an unknown pause between two. Each
        is handed on whole as soon as it ends.
    skew_s
        Time from the sampling of the first channel to that of each channel, seconds, one a channel; empty: none.
    resumes_s
        How long a source that lost touch with its board tries by itself to go on, with its sample clock intact; a
        silence of so long is no fault of it. 0.0: it does not.
    """

    rate_hz: float
    channels: tuple[Channel, ...]
    dtype: np.dtype[Any]
    title: str
    address: str = ""
    finite: bool = False
    live: bool = True
    captured: bool = False
    trigger_index: int | None = None
    started_utc: datetime | None = None
    notes: Mapping[str, str] = field(default_factory=dict)
    about: Mapping[str, Any] = field(default_factory=dict)
    notices: tuple[Notice, ...] = ()
    skew_s: tuple[float, ...] = ()
    columns: tuple[ColumnSeen, ...] = ()
    guessed: bool = False
    records: bool = False
    resumes_s: float = 0.0


@dataclass(frozen=True, eq=False)
class Block:
    """Consecutive samples as they came.

    Parameters
    ----------
    codes : ndarray, shape (samples, channels)
        Raw codes in the source's own dtype, read-only.
    first_index
        Absolute index of the first of them, lost samples counted.
    lost_before
        Samples known to be lost since the block before; None: some were lost, the number is unknown.
    arrived_s
        Host monotonic time of arrival, seconds.
    device_s
        Time of the first of them by the board's own clock, seconds; None where the board does not say.
    ends_record
        Whether a record that the hardware triggered ends with them.
    trigger_index
        Absolute index of the hardware's trigger, None where it is not among them.
    """

    codes: NDArray[Any]
    first_index: int
    lost_before: int | None
    arrived_s: float
    device_s: float | None = None
    ends_record: bool = False
    trigger_index: int | None = None

    @property
    def next_index(self) -> int:
        """Absolute index of the sample that follows the block."""
        return self.first_index + len(self.codes)


@dataclass(frozen=True, eq=False)
class Samples:
    """What a driver's `_read` returns.

    Parameters
    ----------
    codes : ndarray, shape (samples, channels)
        In the dtype that `info` promised.
    lost_before
        Samples lost before them; None: some, nobody knows how many.
    device_s
        Time of the first of them by the board's own clock, seconds. The base makes the true rate of such stamps, and
        counts with them what nobody else could.
    ends_record
        Whether a record that the hardware triggered ends with them; see `SourceInfo.records`.
    trigger_at
        Which of them the hardware triggered on, None: none.
    """

    codes: NDArray[Any]
    lost_before: int | None = 0
    device_s: float | None = None
    ends_record: bool = False
    trigger_at: int | None = None


class Source(ABC):
    """Base of all drivers and readers: they write `info`, `_read` and, where needed, `_start`, `_stop`, `_close`."""

    def __init__(self) -> None:
        self._next_index = 0
        self._running = False
        self._closed = False
        self._finished = False
        self._device_clock: DeviceClock | None = None

    @property
    @abstractmethod
    def info(self) -> SourceInfo:
        """What the source says of itself."""

    @property
    def finished(self) -> bool:
        """Whether the stream has ended by itself."""
        return self._finished

    @property
    def measured_rate_hz(self) -> float | None:
        """Samples a second found from time stamps the source itself carries, None where it carries none."""
        return None if self._device_clock is None else self._device_clock.rate_hz

    @property
    def warnings(self) -> tuple[str, ...]:
        """Plain sentences about what was survived so far (damaged lines, a cut file), for people."""
        return ()

    @property
    def notices(self) -> tuple[Notice, ...]:
        """What was survived so far, as codes and numbers; a plugin that has sentences only gives `warnings`."""
        return (*self.info.notices, *(Notice(SAID, {"text": text}) for text in self.warnings))

    def start(self) -> None:
        """Begin streaming.

        Raises
        ------
        AcquireError
            The board cannot start.
        """
        if self._closed:
            raise RuntimeError("the source is closed")
        if not self._running:
            self._start()
            self._running = True

    def read(self, timeout_s: float) -> Block | None:
        """Return the next block, or None when nothing came in `timeout_s` seconds or the stream has ended.

        Raises
        ------
        AcquireError
            The stream is broken.
        """
        if not self._running:
            raise RuntimeError("read before start or after stop")
        if self._finished:
            return None
        try:
            samples = self._read(timeout_s)
        except EndOfStream:
            self._finished = True
            return None
        return None if samples is None else self._number(samples)

    def stop(self) -> None:
        """End streaming; calling it again does nothing."""
        if self._running:
            self._running = False
            self._stop()

    def close(self) -> None:
        """Stop and let go of the board or file; calling it again does nothing."""
        if self._closed:
            return
        self._closed = True
        try:
            self.stop()
        finally:
            self._close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()

    def _number(self, samples: Samples) -> Block:
        codes, info = samples.codes, self.info
        if codes.ndim != 2 or codes.shape[1] != len(info.channels) or codes.dtype != info.dtype:
            raise TypeError(f"driver of {info.title!r} gave codes of shape {codes.shape} and dtype {codes.dtype}; "
                            f"it promised {len(info.channels)} channels of {info.dtype}")
        if samples.lost_before is not None and samples.lost_before < 0:
            raise TypeError(f"driver of {info.title!r} counted {samples.lost_before} samples lost")
        codes = codes.view()
        codes.flags.writeable = False
        lost = self._counted(samples)
        first = self._next_index + (lost or 0)
        self._next_index = first + len(codes)
        if self._device_clock is not None:
            self._device_clock.note(first, self._next_index, samples.device_s, broken=lost is None)
        trigger = None if samples.trigger_at is None else first + samples.trigger_at
        return Block(codes, first, lost, time.monotonic(), samples.device_s, samples.ends_record, trigger)

    def _counted(self, samples: Samples) -> int | None:
        """Return what was lost before the samples: as the driver says, or by the board's own time stamps."""
        if samples.device_s is None:
            return samples.lost_before
        if self._device_clock is None:
            self._device_clock = DeviceClock(self.info.rate_hz)
        lost = samples.lost_before
        return self._device_clock.missing(samples.device_s) if lost is None and not self.info.records else lost

    def _start(self) -> None:  # noqa: B027 - most files have nothing to start
        """Begin streaming (driver)."""

    @abstractmethod
    def _read(self, timeout_s: float) -> Samples | None:
        """Return samples, None when nothing came in time; raise EndOfStream at the end (driver)."""

    def _stop(self) -> None:  # noqa: B027
        """End streaming (driver)."""

    def _close(self) -> None:  # noqa: B027
        """Let go of the board or file (driver)."""
