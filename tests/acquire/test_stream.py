"""What becomes of blocks: which samples each capture holds, what is told when, and what is written meanwhile."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest

import crankfold.acquire.stream.pipeline as stream_module
from crankfold.acquire import BoardDisconnectedError, Event, Happening, RecordingPlan, left_behind, recover
from crankfold.acquire.contract import Block
from crankfold.acquire.errors import SaveError
from crankfold.acquire.stream.caught import CaughtCrank
from crankfold.acquire.stream.journal import JournalWriter
from crankfold.acquire.stream.pipeline import Stream
from crankfold.acquire.stream.plan import Stage
from crankfold.analysis import Notice

RATE = 1000.0
SIZE = 100


@pytest.fixture
def stream_of(array_source, make_info):
    """A stream, and the list of what it emits."""
    def make(*, plan=None, source=array_source, rate=RATE, **info):
        emitted = []
        info = {"finite": False, "live": True, **info}
        return Stream(source([], make_info(rate, **info)), plan or RecordingPlan(), emitted.append), emitted

    return make


def feed(stream, rows, *, losses=None, begin=0, size=SIZE, true_rate=RATE):
    """Hand on rows, or the current alone, block by block; `losses` are before the block of a number."""
    first = begin
    for number, at in enumerate(range(0, len(rows), size)):
        lost = (losses or {}).get(number, 0)
        codes = np.asarray(rows[at : at + size]).reshape(-1, len(stream.info.channels))
        first += lost or 0
        stream.take(Block(codes, first, lost, 500.0 + (first + len(codes)) / true_rate))
        first += len(codes)
    return first


def caught(emitted) -> list[CaughtCrank]:
    return [one for one in emitted if isinstance(one, CaughtCrank)]


def told(emitted, *kinds) -> list[Event]:
    return [one for one in emitted if isinstance(one, Event) and (not kinds or one.what in kinds)]


# --- which samples

def test_a_crank_is_handed_on_with_what_came_before_and_after_and_no_sample_twice(stream_of, bench) -> None:
    made = bench(RATE, 14.0, noise_a=0.2).crank(3.0, 2.0).crank(6.0, 1.5).crank(12.0, 1.0)
    stream, emitted = stream_of(plan=RecordingPlan(pre_trigger_s=1.0, post_s=0.2))
    feed(stream, made.current_a)
    stream.finish()
    first, second, third = caught(emitted)
    for one, (onset, end) in zip((first, second, third), made.cranks, strict=True):
        start = one.piece.first_index
        assert one.trigger_index == onset
        assert one.piece.next_index == pytest.approx(end + 200, abs=10)
        np.testing.assert_array_equal(one.piece.codes[0], made.current_a[start : one.piece.next_index])
    assert (first.piece.first_index, third.piece.first_index) == (2000, 11_000)
    assert second.piece.first_index == first.piece.next_index  # there was less than a second between them
    assert [e.index for e in told(emitted, Happening.CAPTURED)] == [one.piece.next_index for one in caught(emitted)]


def test_nothing_is_taken_from_before_a_break_nor_from_after_the_end(stream_of, bench) -> None:
    made = bench(RATE, 4.0, noise_a=0.2).crank(2.0, 1.6)
    stream, emitted = stream_of(plan=RecordingPlan(pre_trigger_s=1.5, post_s=5.0))
    feed(stream, made.current_a, losses={12: None})
    (one,) = caught(emitted)
    assert (one.piece.first_index, one.trigger_index) == (1200, 2000)
    assert one.piece.next_index == pytest.approx(3900, abs=SIZE)  # where the end was known
    (lost,) = told(emitted, Happening.LOST)
    assert (lost.index, lost.count, lost.seconds) == (1200, -1, 1.2)


def test_a_file_is_handed_on_in_one_piece_and_the_longest_crank_is_its_trigger(stream_of, bench) -> None:
    made = bench(RATE, 9.0, noise_a=0.2).crank(1.0, 2.5).crank(6.0, 1.5)
    stream, emitted = stream_of(finite=True, live=False)
    feed(stream, made.current_a)
    assert [(e.what, e.index) for e in told(emitted)] == [
        (Happening.ARMED, 1500), (Happening.CRANKING, 1000), (Happening.CRANKING, 6000)]
    stream.finish()
    stream.finish()  # changes nothing
    (one,) = caught(emitted)
    assert (one.piece.first_index, one.piece.next_index, one.trigger_index) == (0, 9000, 1000)
    assert [e.what for e in told(emitted)[3:]] == [Happening.CAPTURED, Happening.ENDED]
    assert (told(emitted)[-1].index, stream.stage) == (9000, Stage.ENDED)


def test_a_file_that_no_longer_fits_gives_each_crank(stream_of, bench) -> None:
    made = bench(RATE, 12.0, noise_a=0.2).crank(2.0, 2.0).crank(8.0, 2.0)
    stream, emitted = stream_of(finite=True, live=False, plan=RecordingPlan(finite_s=6.0))
    assert stream.ring.capacity == 6000
    feed(stream, made.current_a[:6000])
    assert caught(emitted) == []
    feed(stream, made.current_a[6000:6100], begin=6000)
    assert [(one.piece.first_index, one.trigger_index) for one in caught(emitted)] == [(500, 2000)]
    feed(stream, made.current_a[6100:], begin=6100)
    stream.finish()
    assert [(one.piece.first_index, one.trigger_index) for one in caught(emitted)] == [(500, 2000), (6500, 8000)]


def test_a_file_that_no_longer_fits_and_has_no_crank_is_handed_on_as_far_as_it_is_kept(stream_of, bench) -> None:
    stream, emitted = stream_of(finite=True, live=False, plan=RecordingPlan(finite_s=6.0))
    feed(stream, bench(RATE, 8.0, noise_a=0.2).current_a)
    stream.finish()
    (one,) = caught(emitted)
    assert (one.piece.first_index, one.piece.next_index, one.trigger_index) == (2000, 8000, None)


def test_a_break_cuts_a_file_in_two(stream_of, bench) -> None:
    made = bench(RATE, 9.0, noise_a=0.2).crank(1.0, 2.5).crank(6.0, 1.5)
    stream, emitted = stream_of(finite=True, live=False)
    feed(stream, made.current_a, losses={45: None})
    stream.finish()
    pieces = [(one.piece.first_index, one.piece.next_index, one.trigger_index) for one in caught(emitted)]
    assert pieces == [(0, 4500, 1000), (4500, 9000, 6000)]


def test_known_loss_is_told_and_keeps_the_count(stream_of, bench) -> None:
    made = bench(RATE, 5.0, noise_a=0.2).crank(2.0, 1.5)
    stream, emitted = stream_of()
    feed(stream, made.current_a, losses={10: 7})
    stream.finish()
    (lost,) = told(emitted, Happening.LOST)
    assert (lost.index, lost.count) == (1007, 7)
    assert caught(emitted)[0].trigger_index == 2007
    assert [(gap.start, gap.length) for gap in caught(emitted)[0].piece.gaps] == [(1000, 7)]


def test_the_ring_holds_the_longest_crank_and_what_belongs_to_it(stream_of) -> None:
    plan = RecordingPlan(pre_trigger_s=1.5, post_s=0.5, max_crank_s=20.0)
    assert stream_of(plan=plan)[0].ring.capacity == 24_000  # and two seconds to spare
    assert stream_of(plan=plan, rate=10.0)[0].ring.capacity == 1024
    assert stream_of(plan=RecordingPlan(finite_s=60.0), finite=True, live=False)[0].ring.capacity == 60_000
    assert stream_of(finite=True, live=False, rate=1.0)[0].ring.capacity == 1024


def test_no_board_and_no_file_takes_more_memory_than_half_or_a_quarter_of_a_gigabyte(stream_of) -> None:
    for channels in (1, 2):
        each = channels * 8 + 1  # bytes of a sample, and one that says whether it is there at all
        assert stream_of(rate=1e8, channels=channels)[0].ring.capacity == 2**29 // each
        assert stream_of(rate=1e8, channels=channels, finite=True, live=False)[0].ring.capacity == 2**28 // each


def test_a_crank_longer_than_the_ring_is_cut_to_what_it_holds(stream_of, bench, monkeypatch) -> None:
    monkeypatch.setattr(stream_module, "MAX_RING_BYTES", 9 * 6000)
    made = bench(RATE, 10.0, noise_a=0.2).crank(2.0, 7.0)
    stream, emitted = stream_of()
    feed(stream, made.current_a)
    stream.finish()
    (one,) = caught(emitted)
    assert (one.piece.first_index, one.trigger_index) == (500, 2000)
    assert one.piece.next_index == pytest.approx(2000 + 2500 + 100, abs=SIZE)  # the ring, less 1.5 s and 2 s to spare


# --- what is told

def test_stages_and_when_they_are_told(stream_of, bench) -> None:
    made = bench(RATE, 8.0, noise_a=0.2).crank(3.0, 1.5)
    stream, emitted = stream_of(plan=RecordingPlan(pre_trigger_s=1.25))
    assert stream.stage is Stage.STARTING
    seen = []
    for at in range(0, 8000, SIZE):
        feed(stream, made.current_a[at : at + SIZE], begin=at)
        if stream.stage not in seen[-1:]:
            seen.append(stream.stage)
    assert seen == [Stage.FILLING, Stage.ARMED, Stage.CRANKING, Stage.FILLING, Stage.ARMED]
    filling, armed, cranking, _, filling_again, armed_again = told(emitted)
    assert (filling.what, filling.index) == (Happening.FILLING, 0)
    assert (armed.what, armed.index, armed.seconds) == (Happening.ARMED, 1300, 1.3)  # of 1.25 s, by blocks of 0.1
    assert (cranking.what, cranking.index) == (Happening.CRANKING, 3000)
    assert (filling_again.what, filling_again.index) == (Happening.FILLING, pytest.approx(4800, abs=SIZE))
    assert {(e.count, e.rate_hz, e.nominal_hz, e.text) for e in told(emitted)} == {(0, 0.0, 0.0, "")}
    over = caught(emitted)[0].piece.next_index
    assert (armed_again.what, armed_again.index) == (Happening.ARMED, -(-(over + 1250) // SIZE) * SIZE)


def test_a_short_time_before_the_crank_is_full_again_at_once(stream_of, bench) -> None:
    made = bench(RATE, 6.0, noise_a=0.2).crank(2.0, 1.5)
    stream, emitted = stream_of(plan=RecordingPlan(pre_trigger_s=0.1, post_s=0.0))
    feed(stream, made.current_a)
    assert [e.what for e in told(emitted)] == [Happening.FILLING, Happening.ARMED, Happening.CRANKING,
                                               Happening.CAPTURED, Happening.ARMED]


def test_a_crank_of_too_long_brings_one_warning_and_one_at_its_cut(stream_of, bench) -> None:
    made = bench(RATE, 20.0, noise_a=0.2).crank(2.0, 4.5).crank(9.0, 9.0)
    stream, emitted = stream_of(plan=RecordingPlan(rest_after_s=4.0, max_crank_s=6.0))
    feed(stream, made.current_a)
    assert [e.seconds for e in told(emitted, Happening.REST)] == pytest.approx([6.0, 13.0, 15.0], abs=0.11)
    stream, emitted = stream_of(plan=RecordingPlan(rest_after_s=4.0, each_crank=False), finite=True)
    feed(stream, made.current_a)
    assert told(emitted, Happening.REST) == []  # of a recording nobody can rest any more


def test_a_starter_is_to_rest_after_ten_seconds_and_cut_off_after_thirty_where_nothing_else_is_said(
        stream_of, bench) -> None:
    stream, emitted = stream_of()
    feed(stream, bench(RATE, 40.0, noise_a=0.2).crank(2.0, 36.0).current_a)
    assert [e.seconds for e in told(emitted, Happening.REST)] == pytest.approx([12.0, 32.0], abs=0.11)


def test_the_first_column_is_the_current_where_nothing_else_is_said(stream_of, bench) -> None:
    made = bench(RATE, 5.0, noise_a=0.2).crank(2.0, 1.5)
    for columns, plan in (((made.current_a, 0.0 * made.current_a), RecordingPlan()),
                          ((0.0 * made.current_a, made.current_a), RecordingPlan(current_column=1))):
        stream, emitted = stream_of(channels=2, plan=plan)
        feed(stream, np.column_stack(columns))
        assert [one.trigger_index for one in caught(emitted)] == [2000]
        assert caught(emitted)[0].piece.codes.shape[0] == 2


# --- rate and time

@pytest.mark.parametrize(("true_rate", "beyond"), [(950.0, True), (1020.0, True), (1005.0, False)])
def test_a_rate_found_from_arrivals_is_used_where_it_is_another(stream_of, bench, true_rate, beyond) -> None:
    made = bench(RATE, 9.0, noise_a=0.2).crank(5.0, 1.5)
    stream, emitted = stream_of()
    feed(stream, made.current_a, true_rate=true_rate)
    (one,) = caught(emitted)
    assert one.rate_hz == pytest.approx(true_rate if beyond else RATE)
    assert one.notes == {"fitted_rate_hz": f"{true_rate:g}"} | ({"nominal_rate_hz": "1000"} if beyond else {})
    rates = told(emitted, Happening.RATE)
    assert [(e.rate_hz, e.nominal_hz) for e in rates] == ([(pytest.approx(true_rate), RATE)] if beyond else [])
    assert all(2.0 <= e.seconds <= 4.0 for e in rates)


def test_a_file_or_a_source_with_time_stamps_has_the_rate_it_says(stream_of, bench, array_source) -> None:
    class Stamped(array_source):
        measured_rate_hz = 987.5
        warnings = ("two lines were damaged", "a third was")

    made = bench(RATE, 9.0, noise_a=0.2).crank(5.0, 1.5)
    stream, emitted = stream_of(finite=True, live=False)
    feed(stream, made.current_a, true_rate=900.0)
    stream.finish()
    assert (caught(emitted)[0].rate_hz, caught(emitted)[0].notes) == (RATE, {})
    stream, emitted = stream_of(source=Stamped)
    feed(stream, made.current_a, true_rate=RATE)
    assert caught(emitted)[0].rate_hz == 987.5
    assert caught(emitted)[0].capture().notices == (
        Notice("source", {"text": "two lines were damaged"}), Notice("source", {"text": "a third was"}))


def test_the_time_of_the_first_sample_is_kept(stream_of, bench) -> None:
    made = bench(RATE, 9.0, noise_a=0.2).crank(5.0, 1.5)
    stream, emitted = stream_of()
    before = datetime.now(UTC)
    feed(stream, made.current_a, size=9000)  # as one block, which took nine seconds
    one = caught(emitted)[0]
    took = timedelta(seconds=9 - one.piece.first_index / RATE)
    assert before - took <= one.started_utc <= datetime.now(UTC) - took
    long_ago = datetime(2020, 5, 17, tzinfo=UTC)
    for said in (long_ago, None):
        stream, emitted = stream_of(finite=True, live=False, started_utc=said)
        feed(stream, made.current_a)
        stream.finish()
        assert caught(emitted)[0].started_utc == said


def test_the_label_of_the_time_is_what_the_wall_shows_however_long_the_board_has_run(stream_of, bench,
                                                                                    monkeypatch) -> None:
    """A board half a percent slow, within what is not told: after six minutes its own count is two seconds off."""
    noon, true_rate = datetime(2031, 5, 4, 12, 0, 0, tzinfo=UTC), 0.995 * RATE

    class Wall(datetime):
        shows = noon

        @classmethod
        def now(cls, tz=None):
            return cls.shows

    monkeypatch.setattr(stream_module, "datetime", Wall)
    made = bench(RATE, 400.0, noise_a=0.2).crank(395.0, 2.0)
    stream, emitted = stream_of()
    for at in range(0, len(made.current_a), SIZE):
        Wall.shows = noon + timedelta(seconds=(at + SIZE) / true_rate)
        feed(stream, made.current_a[at : at + SIZE], begin=at, true_rate=true_rate)
    one = caught(emitted)[0].capture()
    onset = one.started_utc + timedelta(seconds=one.trigger_index / one.rate_hz)
    assert abs(onset - (noon + timedelta(seconds=395_000 / true_rate))) < timedelta(seconds=0.1)


# --- the crank under way, on disk

def test_a_crank_under_way_is_on_disk_with_what_came_before(stream_of, bench, tmp_path) -> None:
    made = bench(RATE, 9.0, noise_a=0.2).crank(5.0, 1.5)
    stream, emitted = stream_of(plan=RecordingPlan(journal_folder=tmp_path))
    feed(stream, made.current_a[:5000])
    assert left_behind(tmp_path) == ()
    feed(stream, made.current_a[5000:6000], begin=5000)
    (path,) = tmp_path.iterdir()
    assert left_behind(tmp_path) == ()  # to whoever looks for cranks that were left behind
    found = recover(path).capture
    assert found.trigger_index == 1500
    np.testing.assert_array_equal(found.samples[:, 0], made.current_a[3500:6000])
    feed(stream, made.current_a[6000:], begin=6000)
    (one,) = caught(emitted)
    assert one.journal is not None
    one.journal.remove()
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_fails_costs_the_journal_and_not_the_capture(stream_of, bench, tmp_path, monkeypatch) -> None:
    made = bench(RATE, 14.0, noise_a=0.2).crank(3.0, 1.5).crank(10.0, 1.5)
    stream, emitted = stream_of(plan=RecordingPlan(journal_folder=tmp_path))
    append, times = JournalWriter.append, []

    def fails_once(self, first_index, codes):
        times.append(first_index)
        append(self, first_index, codes)
        if len(times) == 3:
            raise SaveError("the disk is full", "make room")

    monkeypatch.setattr(JournalWriter, "append", fails_once)
    feed(stream, made.current_a)
    first, second = caught(emitted)
    assert first.journal is not None
    assert second.journal is not None
    (said,) = told(emitted, Happening.JOURNAL)
    assert (said.index, said.seconds, said.text) == (times[2], times[2] / RATE, "the disk is full; make room")
    for one in (first, second):  # what could not be written at once was written with the next
        found = recover(one.journal.path).capture
        np.testing.assert_array_equal(found.samples[:, 0], one.capture().samples[:, 0])
        one.journal.remove()
    assert list(tmp_path.iterdir()) == []


def test_many_small_losses_are_told_once_a_second_as_sums(stream_of, bench) -> None:
    made = bench(RATE, 5.0, noise_a=0.2)
    stream, emitted = stream_of()
    feed(stream, made.current_a, losses=dict.fromkeys(range(2, 50, 2), 2))
    stream.finish()
    lost = told(emitted, Happening.LOST)
    assert sum(event.count for event in lost) == 48
    assert len(lost) <= 6
    assert lost[0].count == 2  # the first is told at once
    assert all(b.seconds - a.seconds >= 1.0 for a, b in pairwise(lost[:-1]))


def test_a_crank_that_a_lost_board_cuts_short_says_so(stream_of, bench) -> None:
    made = bench(RATE, 5.0, noise_a=0.2).crank(2.0, 3.0)
    for error, cut in ((None, None), (BoardDisconnectedError("the board is gone", "plug it in"), "the board is gone")):
        stream, emitted = stream_of()
        feed(stream, made.current_a[:4500])
        stream.finish(error)
        (one,) = caught(emitted)
        assert (one.notes.get("cut_short") or "").startswith(cut or "")
        assert ("cut_short" in one.notes) == (error is not None)
