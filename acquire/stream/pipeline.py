"""What becomes of the blocks of one source: ring, trigger, and one capture a crank, or the whole of a short file.

Everything here runs in the thread that reads the source; it hands captures and events on through `emit`.
"""

from __future__ import annotations

import platform
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from crankfold.acquire.stream.caught import CaughtCrank
from crankfold.acquire.stream.clock import ClockFit
from crankfold.acquire.stream.crank_journal import CrankJournal
from crankfold.acquire.stream.plan import Event, Happening, LossTeller, Stage
from crankfold.acquire.stream.ring import MARK_BYTES, RingBuffer
from crankfold.analysis import CUT_SHORT, CrankingDetector, End, Onset

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire.contract import Block, Source
    from crankfold.acquire.stream.plan import RecordingPlan

MAX_RING_BYTES = 512 * 2**20  # touched only as far as samples come
MAX_FINITE_BYTES = 256 * 2**20
RING_SPARE_S = 2.0
MOST_GAPS = 1_000_000  # of one capture; each costs some 200 bytes, and nothing can be read from such a recording
LEAST_LOAD_S = 0.5  # nobody takes a shorter load for cranking
LOADS_APART_S = 5.0  # lamps and pumps may come and go all the time


class Stream:
    """Takes blocks in, gives captures and events out.

    Parameters
    ----------
    source
        Open; only its `info` and rate are used here.
    plan
        How to record.
    emit
        Takes each crank and event.
    """

    def __init__(self, source: Source, plan: RecordingPlan, emit: Callable[[CaughtCrank | Event], None]) -> None:
        self._source, self._plan, self._emit = source, plan, emit
        self.info = info = source.info
        finite_only = info.finite and not info.live  # a live board may end too, and is a stream until then
        self._each = not info.finite or (not finite_only if plan.each_crank is None else plan.each_crank)
        self._rate_hz = info.rate_hz
        self.ring = RingBuffer(self._capacity(), channels=len(info.channels), dtype=info.dtype)
        self._pre = round(plan.pre_trigger_s * self._rate_hz)
        room_s = self.ring.capacity / self._rate_hz - plan.pre_trigger_s - RING_SPARE_S
        self._current = plan.current or info.channels[plan.current_column]
        self._next_load = 0
        self._trigger = CrankingDetector(self._rate_hz, self._current,
                                        max_crank_s=max(1.0, min(plan.max_crank_s, room_s)))
        self._clock = ClockFit(self._rate_hz) if info.live else None
        self._rate_told, self._looked_s = False, 0
        self.stage = Stage.STARTING
        self._onset: Onset | None = None
        self._rested = False
        self._found: list[tuple[Onset, int]] = []
        self._whole, self._given = not self._each or info.records, 0
        self._hardware_trigger: int | None = None
        self._between_records = info.records
        self._from = 0
        self._trigger_at = 0
        self._stamp: tuple[int, datetime] | None = None if info.started_utc is None else (0, info.started_utc)
        self._journal = CrankJournal(plan.journal_folder, info, self._rate_hz, self.ring, emit)
        self._cut_short = ""
        rate_hz = self._rate_hz  # no way back to the stream from here: a ring may be large
        self._losses = LossTeller(rate_hz, lambda index, count: emit(
            Event(Happening.LOST, index, index / rate_hz, count)))

    def take(self, block: Block) -> None:
        """Take the next block."""
        if self.stage is Stage.STARTING:
            self._begin(block)
        if block.lost_before is None:
            self._break()
            self._between_records = False
        elif block.lost_before:
            self._losses.lost(block.first_index, block.lost_before)
        self._make_room(len(block.codes) + (block.lost_before or 0))
        self.ring.append(block.codes, lost_before=block.lost_before)
        if self._clock is not None:
            self._clock.add(block.next_index, block.arrived_s)
            self._watch_rate()
            self._look_at_the_wall(block)
        self._journal.add(block.first_index, block.codes)
        self._look()
        self._watch_length()
        self._losses.look(block.next_index)
        if block.trigger_index is not None:
            self._hardware_trigger = block.trigger_index
        if self.info.records and block.ends_record:
            self._end_record()

    def _end_record(self) -> None:
        """Hand on a record that the hardware triggered, whole, and begin the next."""
        self._act(self._trigger.forget())
        self._from = max(self._from, self.ring.oldest_index)
        self._hand_on_whole()
        self._found.clear()
        self._hardware_trigger = None
        self._from = self._trigger_at = self.ring.next_index
        self._whole, self._between_records = True, True

    def finish(self, broken_by: BaseException | None = None) -> None:
        """Hand on what is left at the end of the stream, or at an error that ended it.

        Parameters
        ----------
        broken_by
            What broke the stream; a crank under way then was cut short.
        """
        if self.stage is Stage.ENDED:
            return
        self._losses.finish(self.ring.next_index)
        if broken_by is not None and self._onset is not None:
            self._cut_short = str(broken_by)
        self._act(self._trigger.finish())
        if self._whole or (self.info.finite and not self._given):
            self._from = max(self._from, self.ring.oldest_index)
            self._hand_on_whole()
        self.stage = Stage.ENDED
        self._tell(Happening.ENDED, self.ring.next_index)

    def _capacity(self) -> int:
        sample_bytes = len(self.info.channels) * self.info.dtype.itemsize + MARK_BYTES
        if not self._each:
            return max(1024, min(round(self._plan.finite_s * self._rate_hz), MAX_FINITE_BYTES // sample_bytes))
        seconds = self._plan.pre_trigger_s + self._plan.max_crank_s + self._plan.post_s + RING_SPARE_S
        return max(1024, min(round(seconds * self._rate_hz), MAX_RING_BYTES // sample_bytes))

    def _begin(self, block: Block) -> None:
        self.stage = Stage.FILLING
        if self._each:
            self._tell(Happening.FILLING, block.first_index)

    def _look_at_the_wall(self, block: Block) -> None:
        """Note what the clock on the wall shows; a board's own may be minutes away from it after some hours."""
        if self._onset is None and self.info.started_utc is None:
            self._stamp = block.next_index, datetime.now(UTC)

    def _label(self, index: int) -> datetime | None:
        """Return when a sample was taken, as the clock on the wall showed last before the crank."""
        if self._stamp is None:
            return None
        at, showed = self._stamp
        return showed + timedelta(seconds=(index - at) / self._rate_hz)

    def _break(self) -> None:
        """End everything at a place where an unknown number of samples was lost."""
        at = self.ring.next_index
        self._act(self._trigger.forget())
        if self._whole:
            self._hand_on_whole()
            self._found.clear()
        if not self._between_records:
            self._losses.lost(at, None)
        self._from = self._trigger_at = at

    def _make_room(self, coming: int) -> None:
        """Stop hoping that a file fits the ring as soon as it does not."""
        if self._whole and self.ring.next_index + coming - self._from > self.ring.capacity:
            self._whole = False
            for onset, end in self._found:
                self._hand_on(onset, end)
            self._found.clear()

    def _look(self) -> None:
        """Run the trigger over what is new."""
        start, stop = max(self._trigger_at, self.ring.oldest_index), self.ring.next_index
        self._trigger_at = stop
        for piece in self.ring.views(self._plan.current_column, start, stop):
            if len(piece):
                self._act(self._trigger.feed(start, piece))
                start += len(piece)
        self._tell_passed()
        if self.stage is Stage.FILLING and stop - self._from >= self._pre:
            self.stage = Stage.ARMED
            self._tell(Happening.ARMED, stop)

    def _tell_passed(self) -> None:
        """Tell of a load that was not taken for the starter: it may have been, on a wrong scale."""
        while self._trigger.passed:
            load = self._trigger.passed.popleft()
            lasted_s = (load.end - load.index) / self._rate_hz
            if self._each and lasted_s >= LEAST_LOAD_S and load.end >= self._next_load:
                self._next_load = load.end + round(LOADS_APART_S * self._rate_hz)
                self._emit(Event(Happening.PASSED, load.end, load.end / self._rate_hz, lasted_s=lasted_s,
                                 mean=abs(load.mean), unit=self._current.unit))

    def _act(self, found: list[Onset | End]) -> None:
        for event in found:
            if isinstance(event, Onset):
                self._onset, self._rested, self.stage = event, False, Stage.CRANKING
                self._tell(Happening.CRANKING, event.index)
                self._open_journal(event)
            elif self._onset is not None:
                onset, self._onset = self._onset, None
                if event.too_long:
                    self._tell(Happening.REST, event.index)
                self._crank_over(onset, event.index)

    def _crank_over(self, onset: Onset, end: int) -> None:
        if self._whole:
            self._found.append((onset, end))
        else:
            self._hand_on(onset, end)
        full = self.ring.next_index - self._from >= self._pre
        self.stage = Stage.ARMED if full else Stage.FILLING
        if self._each:
            self._tell(Happening.ARMED if full else Happening.FILLING, self.ring.next_index)

    def _watch_length(self) -> None:
        if self._onset is not None and not self._rested and self._each:
            lasted_s = (self.ring.next_index - self._onset.index) / self._rate_hz
            if lasted_s >= self._plan.rest_after_s:
                self._rested = True
                self._tell(Happening.REST, self.ring.next_index)

    def _watch_rate(self) -> None:
        """Say once that the board samples at another rate than it says; looked at when little else goes on."""
        if self._clock is None or self._rate_told or self._onset is not None:
            return
        second = int(self.ring.next_index / self._rate_hz)
        if second == self._looked_s:
            return
        self._looked_s = second
        fitted = self._clock.fitted()
        if fitted is not None and fitted.beyond():
            self._rate_told = True
            self._emit(Event(Happening.RATE, self.ring.next_index, self.ring.next_index / self._rate_hz,
                             rate_hz=fitted.rate_hz, nominal_hz=fitted.nominal_hz))

    def _hand_on(self, onset: Onset, end: int) -> None:
        """Give out one crank with what came before and after it, none of it twice."""
        start = max(onset.index - self._pre, self._from, self.ring.oldest_index)
        stop = min(end + round(self._plan.post_s * self._rate_hz), self.ring.next_index)
        self._from = stop
        self._give(start, stop, onset.index if onset.index >= start else None)

    def _hand_on_whole(self) -> None:
        """Give out all there is since the beginning or the last break; the longest crank's onset is its trigger."""
        stop = self.ring.next_index
        longest = max(self._found, key=lambda crank: crank[1] - crank[0].index, default=None)
        if stop > self._from:
            self._give(self._from, stop, self._hardware_trigger if longest is None else longest[0].index)

    def _open_journal(self, onset: Onset) -> None:
        """Begin a journal with what came before the onset and since."""
        if not self._whole:
            start = max(onset.index - self._pre, self._from, self.ring.oldest_index)
            self._journal.begin(start, onset.index, self._label(onset.index), self._about("crank"))

    def _give(self, start: int, stop: int, trigger: int | None) -> None:
        rate_hz, notes = self._rate()
        notices = self._source.notices
        if self._cut_short:
            notes[CUT_SHORT] = self._cut_short
        self._given += 1
        journal = self._journal.finish(start, stop, rate_hz=rate_hz, notes=notes, notices=notices)
        torn = self.ring.gap_count(start, stop)
        if torn > MOST_GAPS:
            if journal is not None:
                journal.remove()
            self._tell(Happening.TORN, stop, count=torn)
            return
        piece = self.ring.copy(start, stop)
        self._emit(CaughtCrank(piece, self.info, rate_hz, trigger, self._label(start), notes, journal,
                               self._about("whole" if trigger is None else "crank"), notices))
        self._tell(Happening.CAPTURED, stop)

    def _about(self, how: str) -> dict[str, Any]:
        """Return what the capture is to know of itself."""
        known = {**self.info.about, **self._plan.about}
        caught = {"how": how, "board": self.info.title,
                  "address": self.info.address, "host": platform.node(), **known.get("caught", {})}
        return {**known, "caught": {name: fact for name, fact in caught.items() if fact}}

    def _rate(self) -> tuple[float, dict[str, str]]:
        """Return the best known rate, and notes that say where it is not the nominal one."""
        measured = self._source.measured_rate_hz
        if measured is not None:
            return measured, {}
        fitted = self._clock.fitted() if self._clock is not None else None
        if fitted is None:
            return self._rate_hz, {}
        notes = {"fitted_rate_hz": f"{fitted.rate_hz:.6g}"}
        if not fitted.beyond():
            return self._rate_hz, notes
        return fitted.rate_hz, {**notes, "nominal_rate_hz": f"{fitted.nominal_hz:.6g}"}

    def _tell(self, what: Happening, index: int, *, count: int = 0) -> None:
        self._emit(Event(what, index, index / self._rate_hz, count))
