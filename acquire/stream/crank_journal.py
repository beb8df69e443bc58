"""The journal of the crank under way: begun at its onset, gone on with while it lasts, whatever the disk does."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from crankfold.acquire.errors import SaveError
from crankfold.acquire.stream.leftovers import new_journal
from crankfold.acquire.stream.plan import Event, Happening

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from crankfold.acquire.contract import SourceInfo
    from crankfold.acquire.stream.journal import JournalWriter
    from crankfold.acquire.stream.ring import RingBuffer
    from crankfold.analysis import Notice

AGAIN_S = 1.0  # between two tries to begin a journal on a disk that had no room


@dataclass(frozen=True)
class _Wanted:
    """A journal that is to be begun."""

    start: int
    onset: int
    onset_utc: datetime | None
    about: Mapping[str, Any]


class CrankJournal:
    """Keeps a journal for one crank after the other; that the disk fails is told once a crank and costs no capture.

    Parameters
    ----------
    folder
        Where; None: nowhere.
    info, rate_hz
        Of the source.
    ring
        Holds what came before.
    tell
        Takes the event that the disk fails.
    """

    def __init__(self, folder: Path | None, info: SourceInfo, rate_hz: float, ring: RingBuffer,
                 tell: Callable[[Event], None]) -> None:
        self._folder, self._info, self._rate_hz, self._ring, self._tell = folder, info, rate_hz, ring, tell
        self._writer: JournalWriter | None = None
        self._wanted: _Wanted | None = None
        self._told, self._next_try = False, 0

    def begin(self, start: int, onset: int, onset_utc: datetime | None, about: Mapping[str, Any]) -> None:
        """Begin with the samples from absolute index `start` on, of a crank whose onset is at `onset`."""
        if self._folder is not None:
            self._wanted, self._told = _Wanted(start, onset, onset_utc, about), False
            self._try(self._wanted)

    def add(self, first_index: int, codes: NDArray[Any]) -> None:
        """Go on with a block that is in the ring, too."""
        if self._writer is not None:
            self._append(self._writer, first_index, codes)
        elif self._wanted is not None and first_index >= self._next_try:
            self._try(self._wanted)

    def finish(self, start: int, stop: int, *, rate_hz: float, notes: Mapping[str, str],
               notices: tuple[Notice, ...] = ()) -> JournalWriter | None:
        """Note that the capture is whole, and return its journal, still owned by this program; None: there is none."""
        writer, self._writer, self._wanted = self._writer, None, None
        if writer is not None:
            try:
                writer.finish(start, stop, rate_hz=rate_hz, notes=notes, notices=notices)
            except SaveError as error:
                self._failed(error, stop)
        return writer

    def _try(self, wanted: _Wanted) -> None:
        assert self._folder is not None
        start = max(wanted.start, self._ring.oldest_index)
        try:
            self._writer = new_journal(self._folder, wanted.onset_utc or datetime.now(UTC), self._info,
                                       rate_hz=self._rate_hz, trigger_index=wanted.onset,
                                       onset_utc=wanted.onset_utc, about=wanted.about)
        except SaveError as error:
            self._failed(error, self._ring.next_index)
            self._next_try = self._ring.next_index + round(AGAIN_S * self._rate_hz)
            return
        for first, codes in self._ring.present(start, self._ring.next_index):
            self._append(self._writer, first, codes.T)

    def _append(self, writer: JournalWriter, first_index: int, codes: NDArray[Any]) -> None:
        try:
            writer.append(first_index, codes)
        except SaveError as error:
            self._failed(error, first_index)

    def _failed(self, error: SaveError, index: int) -> None:
        if not self._told:
            self._told = True
            self._tell(Event(Happening.JOURNAL, index, index / self._rate_hz, text=str(error)))
