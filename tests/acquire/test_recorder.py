"""Whole files, one capture a crank, errors after what was caught, and clean ends whatever the source does."""

from __future__ import annotations

import gc
import subprocess
import sys
import threading
import time
import weakref

import numpy as np
import pytest

from crankfold.acquire import (
    AcquireError,
    BoardDisconnectedError,
    BoardStalledError,
    Happening,
    Recorder,
    RecordingPlan,
    ShutdownTimeoutError,
    record,
)
from crankfold.acquire.stream.plan import Stage
from crankfold.analysis import InputError

RATE = 2000.0


def blocks(column, size=256, channels=1):
    rows = np.repeat(np.asarray(column)[:, None], channels, axis=1)
    return [rows[i : i + size] for i in range(0, len(rows), size)]


def two_cranks(bench):
    return bench(RATE, 12.0).crank(2.0, 2.0).crank(7.0, 3.0)


def no_threads_left(before):
    return [t for t in threading.enumerate() if t not in before and t.name.startswith("reader of")] == []


def test_a_file_that_fits_is_handed_on_whole_with_the_longest_onset(array_source, bench, make_info) -> None:
    made = two_cranks(bench)
    captures = list(record(array_source(blocks(made.current_a), make_info(RATE))))
    assert len(captures) == 1
    assert captures[0].trigger_index == made.cranks[1][0]
    np.testing.assert_array_equal(captures[0].samples[:, 0], made.current_a)


def test_a_file_without_a_crank_is_handed_on_whole_without_trigger(array_source, bench, make_info) -> None:
    made = bench(RATE, 3.0)
    (capture,) = record(array_source(blocks(made.current_a), make_info(RATE)))
    assert capture.trigger_index is None
    assert len(capture.samples) == len(made.current_a)


def test_a_longer_file_gives_one_capture_a_crank(array_source, bench, make_info) -> None:
    made = two_cranks(bench)
    plan = RecordingPlan(finite_s=9.0, pre_trigger_s=1.5)
    captures = list(record(array_source(blocks(made.current_a), make_info(RATE)), plan))
    assert len(captures) == 2
    for capture, (onset, end) in zip(captures, made.cranks, strict=True):
        assert capture.trigger_index == round(1.5 * RATE)
        start = onset - capture.trigger_index
        assert abs(len(capture.samples) - (end - start) - 0.3 * RATE) < 0.05 * RATE
        np.testing.assert_array_equal(capture.samples[:, 0], made.current_a[start : start + len(capture.samples)])


@pytest.mark.parametrize(("live", "each", "wanted"), [(True, None, 2), (False, True, 2), (True, False, 1),
                                                     (False, None, 1)])
def test_a_live_source_that_ends_gives_each_crank_unless_told_otherwise(
        array_source, bench, make_info, live, each, wanted) -> None:
    source = array_source(blocks(two_cranks(bench).current_a), make_info(RATE, live=live))
    assert len(list(record(source, RecordingPlan(each_crank=each)))) == wanted


def test_a_live_source_that_ends_without_a_crank_is_handed_on_whole(array_source, bench, make_info) -> None:
    made = bench(RATE, 3.0)
    (capture,) = record(array_source(blocks(made.current_a), make_info(RATE, live=True)))
    assert (len(capture.samples), capture.trigger_index) == (len(made.current_a), None)


def test_a_live_source_gives_each_crank_and_tells_what_it_does(array_source, bench, make_info) -> None:
    made = two_cranks(bench)
    source = array_source(blocks(made.current_a), make_info(RATE, finite=False))
    told = []
    captures = list(record(source, on_event=told.append))
    assert [c.trigger_index for c in captures] == [3000, 3000]
    assert [e.what for e in told] == [
        Happening.FILLING, Happening.ARMED, Happening.CRANKING, Happening.CAPTURED, Happening.FILLING,
        Happening.ARMED, Happening.CRANKING, Happening.CAPTURED, Happening.FILLING, Happening.ARMED, Happening.ENDED]
    assert told[2].index == made.cranks[0][0]
    assert told[2].seconds == pytest.approx(2.0)


def test_known_loss_becomes_a_gap_and_keeps_the_clock(array_source, bench, make_info) -> None:
    made = two_cranks(bench)
    steps = blocks(made.current_a)
    lost = 3
    steps[5] = (steps[5][lost:], lost)
    (capture,) = record(array_source(steps, make_info(RATE)))
    assert [(g.start, g.length) for g in capture.gaps] == [(5 * 256, lost)]
    assert np.isnan(capture.samples[5 * 256 : 5 * 256 + lost]).all()
    assert np.isnan(capture.samples).sum() == lost
    assert capture.trigger_index == made.cranks[1][0]


@pytest.mark.parametrize("finite", [True, False])
def test_no_capture_spans_an_unknown_loss(array_source, bench, make_info, finite) -> None:
    made = two_cranks(bench)
    steps = blocks(made.current_a)
    torn = 8000 // 256  # in the middle of nothing: sample 7936, between the cranks
    steps[torn] = (steps[torn], None)
    mid = 16000 // 256  # in the middle of the second crank
    steps[mid] = (steps[mid], None)
    captures = list(record(array_source(steps, make_info(RATE, finite=finite))))
    rows = made.current_a
    for capture in captures:
        first = int(np.flatnonzero(rows == capture.samples[0, 0])[0])
        np.testing.assert_array_equal(rows[first : first + len(capture.samples)], capture.samples[:, 0])
        assert not any(first < edge * 256 < first + len(capture.samples) for edge in (torn, mid))
    assert captures[0].trigger_index is not None
    assert len(captures) == (3 if finite else 2)


def test_an_unplugged_board_hands_on_the_crank_under_way_and_then_says_so(array_source, bench, make_info) -> None:
    made = bench(RATE, 6.0).crank(2.0, 3.5)
    steps = blocks(made.current_a)[:34]
    steps.append(BoardDisconnectedError("the cable is out", "put it back"))
    source = array_source(steps, make_info(RATE, finite=False))
    caught = []
    before = threading.enumerate()
    with pytest.raises(BoardDisconnectedError):
        for capture in record(source):
            caught.append(capture)
    assert len(caught) == 1
    assert len(caught[0].samples) == 34 * 256 - 1000
    assert source.closed_by == ["reader of a test source"]
    assert no_threads_left(before)


def test_a_silent_board_is_noticed_within_a_second(array_source, bench, make_info, long_s) -> None:
    made = bench(RATE, 1.0)
    source = array_source(blocks(made.current_a), make_info(RATE, finite=False, live=True), ends=False)
    begun = time.monotonic()
    with pytest.raises(BoardStalledError, match="stopped sending"):
        list(record(source))
    assert time.monotonic() - begun < long_s


def test_a_read_that_hangs_is_noticed_too_and_the_crank_is_kept(array_source, bench, make_info, long_s) -> None:
    made = bench(RATE, 6.0).crank(2.0, 3.5)
    released = threading.Event()
    steps = [*blocks(made.current_a)[:40], lambda: released.wait(120)]
    source = array_source(steps, make_info(RATE, finite=False, live=True))
    plan = RecordingPlan(shutdown_s=0.2)
    caught = []
    begun = time.monotonic()
    with pytest.raises(BoardStalledError) as error:
        for capture in record(source, plan):
            caught.append(capture)
    assert time.monotonic() - begun < long_s
    assert any("has not ended" in note for note in error.value.__notes__)
    assert len(caught) == 1
    released.set()


def test_a_reader_that_does_not_end_is_said(array_source, bench, make_info) -> None:
    released = threading.Event()
    source = array_source([lambda: released.wait(120)], make_info(RATE, finite=False))
    recorder = Recorder(source, RecordingPlan(shutdown_s=0.1))
    threading.Timer(0.2, recorder.stop).start()
    iterator = iter(recorder)
    worker = threading.Thread(target=lambda: list(iterator), daemon=True)
    worker.start()
    time.sleep(0.1)
    with pytest.raises(ShutdownTimeoutError):
        recorder.close()
    released.set()
    worker.join()
    assert not worker.is_alive()


def test_a_driver_that_breaks_is_named_with_its_cause(array_source, bench, make_info) -> None:
    source = array_source([np.zeros((5, 1)), ZeroDivisionError("oops")], make_info(RATE))
    with pytest.raises(AcquireError, match=r"driver of a test source failed \(ZeroDivisionError: oops\)") as error:
        list(record(source))
    assert isinstance(error.value.__cause__, ZeroDivisionError)


def test_stopping_ends_the_iteration_and_keeps_the_crank_under_way(array_source, bench, make_info) -> None:
    made = bench(RATE, 6.0).crank(2.0, 3.5)
    source = array_source(blocks(made.current_a)[:40], make_info(RATE, finite=False), ends=False)
    recorder = Recorder(source)
    threading.Timer(0.4, recorder.stop).start()
    with recorder:
        captures = list(recorder)
    assert len(captures) == 1
    assert recorder.stage is Stage.ENDED


def test_leaving_early_closes_the_source(array_source, bench, make_info) -> None:
    made = two_cranks(bench)
    source = array_source(blocks(made.current_a), make_info(RATE, finite=False), ends=False)
    before = threading.enumerate()
    iterator = record(source)
    next(iterator)
    iterator.close()
    assert source.closed_by == ["reader of a test source"]
    assert no_threads_left(before)


def test_a_recorder_never_run_closes_its_source(array_source, make_info) -> None:
    source = array_source([], make_info(RATE))
    with Recorder(source):
        pass
    assert len(source.closed_by) == 1


def test_cranking_too_long_warns_and_is_cut(array_source, bench, make_info) -> None:
    made = bench(RATE, 14.0).crank(2.0, 10.0)
    told = []
    plan = RecordingPlan(rest_after_s=4.0, max_crank_s=6.0)
    captures = list(record(array_source(blocks(made.current_a), make_info(RATE, finite=False)), plan,
                           on_event=told.append))
    assert len(captures) == 1
    assert captures[0].duration_s == pytest.approx(1.5 + 6.0, abs=0.3)
    rests = [e.seconds for e in told if e.what is Happening.REST]
    assert rests == [pytest.approx(6.0, abs=0.3), pytest.approx(8.0, abs=0.3)]


def test_a_slow_caller_of_a_live_stream_loses_the_oldest_captures(array_source, bench, make_info) -> None:
    made = bench(500.0, 100.0)
    for at in range(20):
        made.crank(2.0 + 4.5 * at, 1.5)
    source = array_source(blocks(made.current_a), make_info(500.0, finite=False))
    told = []
    recorder = Recorder(source, on_event=told.append)
    captures = []
    with recorder:
        for capture in recorder:
            until_s = time.monotonic() + 20.0
            while not captures and recorder.stage is not Stage.ENDED and time.monotonic() < until_s:
                time.sleep(0.02)  # the rest comes meanwhile
            captures.append(capture)
    dropped = sum(e.count for e in told if e.what is Happening.DROPPED)
    assert len(captures) + dropped == 20
    assert 16 <= len(captures) <= 17  # sixteen waited, while the first was at work or was dropped too
    last = captures[-1]
    onset = made.cranks[-1][0]
    np.testing.assert_array_equal(last.samples[last.trigger_index :, 0][:100], made.current_a[onset : onset + 100])


def test_a_captured_source_is_not_triggered_again(array_source, bench, make_info) -> None:
    made = two_cranks(bench)
    source = array_source(blocks(made.current_a), make_info(RATE, captured=True, trigger_index=77))
    (capture,) = record(source)
    assert capture.trigger_index == 77
    assert len(capture.samples) == len(made.current_a)


def test_codes_become_units_and_a_late_channel_is_put_in_time(array_source, make_info) -> None:
    n = np.arange(4000)
    wave = np.sin(2 * np.pi * n / 200.0)
    late = np.sin(2 * np.pi * (n + 0.5) / 200.0)
    codes = np.round(np.column_stack([wave, late]) * 10_000).astype(np.int16)
    info = make_info(RATE, channels=2, dtype=np.int16, scale=1e-4, skew_s=(0.0, 0.5 / RATE))
    (capture,) = record(array_source([codes], info))
    np.testing.assert_allclose(capture.samples[:, 0], wave, atol=1e-4)
    np.testing.assert_allclose(capture.samples[5:, 1], wave[5:], atol=3e-4)


def test_damage_survived_is_noted_with_the_capture(array_source, make_info) -> None:
    class Damaged(array_source):
        warnings = ("2 damaged lines",)
        measured_rate_hz = 2100.0

    (capture,) = record(Damaged([np.zeros((100, 1))], make_info(RATE)))
    assert [dict(notice.facts) for notice in capture.notices] == [{"text": "2 damaged lines"}]
    assert capture.rate_hz == 2100.0


def test_a_board_that_lies_about_its_rate_is_told_and_measured(array_source, bench, make_info) -> None:
    made = bench(RATE * 0.95, 4.0).crank(2.5, 1.2)
    steps = []
    for block in blocks(made.current_a, size=38):
        steps += [0.02, block]
    source = array_source(steps, make_info(RATE, finite=True, live=True))
    told = []
    (capture,) = record(source, on_event=told.append)
    (rate,) = [e for e in told if e.what is Happening.RATE]
    assert rate.nominal_hz == RATE
    assert rate.rate_hz < RATE * 0.97
    assert capture.rate_hz < RATE * 0.97
    assert capture.notes["nominal_rate_hz"] == "2000"


def test_a_board_that_never_sends_is_told_apart(array_source, make_info) -> None:
    source = array_source([], make_info(RATE, finite=False, live=True), ends=False)
    begun = time.monotonic()
    with pytest.raises(BoardStalledError, match="has sent nothing for"):
        list(record(source, RecordingPlan(first_sample_s=0.6)))
    assert time.monotonic() - begun >= 0.6, "it has all the time it may take"


def test_a_source_that_cannot_be_closed_is_said_and_does_not_hide_what_broke_it(array_source, make_info) -> None:
    class Stuck(array_source):
        def _close(self) -> None:
            raise OSError("the port is gone")

    with pytest.raises(AcquireError, match=r"could not be closed \(OSError: the port is gone\)"):
        list(record(Stuck([np.zeros((5, 1))], make_info(RATE))))
    with pytest.raises(BoardDisconnectedError) as error:
        list(record(Stuck([BoardDisconnectedError("out", "in")], make_info(RATE))))
    assert error.value.__notes__ == ["closing it failed too: OSError: the port is gone"]


def test_a_file_waits_for_a_slow_caller_and_loses_no_crank(array_source, bench, make_info) -> None:
    made = bench(500.0, 100.0)
    for at in range(20):
        made.crank(2.0 + 4.5 * at, 1.5)
    captures = 0
    for _ in record(array_source(blocks(made.current_a), make_info(500.0)), RecordingPlan(each_crank=True)):
        if not captures:
            time.sleep(0.5)
        captures += 1
    assert captures == 20


def test_the_ring_can_be_followed_while_recording(array_source, bench, make_info) -> None:
    made = bench(RATE, 3.0)
    recorder = Recorder(array_source(blocks(made.current_a), make_info(RATE)))
    reader = recorder.ring.reader(0)
    with recorder:
        list(recorder)
    seen = []
    while (piece := reader.read(0.0)) is not None:
        seen.append(piece.codes[0])
    np.testing.assert_array_equal(np.concatenate(seen), made.current_a)


def test_a_captured_source_without_samples_or_with_a_hole_is_refused(array_source, make_info) -> None:
    with pytest.raises(AcquireError, match="holds no samples"):
        list(record(array_source([], make_info(RATE, captured=True))))
    torn = [np.zeros((5, 1)), (np.zeros((5, 1)), None)]
    with pytest.raises(AcquireError, match="misses an unknown number of samples"):
        list(record(array_source(torn, make_info(RATE, captured=True))))


def test_the_current_may_be_another_column_and_its_amperes_known(array_source, bench, make_info) -> None:
    from crankfold.acquire import Probe

    made = bench(RATE, 6.0).step(0.5, 0.5, 6.0).crank(2.0, 2.0)
    rows = np.column_stack([np.zeros_like(made.current_a), made.current_a * 0.01])
    info = make_info(RATE, channels=2, unit="V", finite=False)
    plan = RecordingPlan(current_column=1, current=Probe.parse("10mV/A").channel(info.channels[1]))
    (capture,) = record(array_source([rows], info), plan)
    assert capture.trigger_index == 3000


def test_a_recording_that_is_over_keeps_no_memory(array_source, make_info) -> None:
    gc.disable()
    try:
        recorder = Recorder(array_source([np.zeros((5, 1))], make_info(RATE)))
        with recorder:
            list(recorder)
        ring = weakref.ref(recorder.ring)
        del recorder
        assert ring() is None
    finally:
        gc.enable()


def test_what_broke_the_stream_is_known_before_the_last_capture_is_handed_on(array_source, bench, make_info) -> None:
    """So that nobody is told to crank again while the last crank is judged."""
    made = bench(RATE, 6.0).crank(2.0, 3.5)
    broken = BoardDisconnectedError("the cable is out", "put it back")
    recorder = Recorder(array_source([*blocks(made.current_a)[:34], broken], make_info(RATE, finite=False)))
    assert recorder.broken_by is None
    known = []
    with pytest.raises(BoardDisconnectedError):
        for _ in recorder:
            known.append(recorder.broken_by)
    assert known == [broken]


def test_a_driver_too_large_for_memory_or_with_settings_that_cannot_be_says_so_itself(array_source, make_info) -> None:
    """Neither is a fault of the plugin's to report."""
    for error in (MemoryError("no room"), InputError("the rate isn't possible; give another")):
        with pytest.raises(type(error)) as raised:
            list(record(array_source([np.zeros((5, 1)), error], make_info(RATE))))
        assert raised.value is error


def test_a_reader_that_does_not_end_after_a_clean_end_is_said(array_source, bench, make_info) -> None:
    """Left early, with a driver that hangs: the caller is told, once, though nothing else went wrong."""
    made, reached, released = bench(RATE, 6.0).crank(2.0, 2.0), threading.Event(), threading.Event()

    def hang() -> None:
        reached.set()
        released.wait(120)

    source = array_source([*blocks(made.current_a)[:44], hang], make_info(RATE, finite=False))
    recorder = Recorder(source, RecordingPlan(shutdown_s=0.1))
    try:
        with pytest.raises(ShutdownTimeoutError, match=r"has not ended within 0\.1 s"), recorder:
            next(iter(recorder))
            assert reached.wait(120)
    finally:
        released.set()


def test_a_stopped_file_does_not_wait_for_its_caller_for_ever(array_source, bench, make_info, long_s) -> None:
    """Sixteen captures wait; a reader that has more waits too, until it is told to stop."""
    made = bench(500.0, 100.0)
    for at in range(20):
        made.crank(2.0 + 4.5 * at, 1.5)
    recorder = Recorder(array_source(blocks(made.current_a), make_info(500.0)), RecordingPlan(each_crank=True))
    with recorder:
        captures = iter(recorder)
        next(captures)
        time.sleep(0.5)
        assert recorder.stage is not Stage.ENDED
        begun = time.monotonic()
    assert time.monotonic() - begun < long_s


def test_while_a_recorder_is_gone_its_stream_has_nobody_to_tell(array_source, make_info) -> None:
    source = array_source([np.zeros((5, 1))], make_info(RATE))
    recorder = Recorder(source)
    stream = recorder._stream
    del recorder
    gc.collect()
    source.start()
    stream.take(source.read(0.1))
    stream.finish()
    source.close()
    assert stream.stage is Stage.ENDED


def test_waiting_for_samples_costs_no_computing(array_source, make_info) -> None:
    """Neither while nothing comes nor at the end; a caller that turns in circles would take it from the reader."""
    source = array_source([np.zeros((5, 1)), 0.4, np.zeros((5, 1)), 0.4], make_info(RATE, finite=False, live=True))
    begun_s = time.thread_time()
    list(record(source))
    assert time.thread_time() - begun_s < 0.1


def test_stopping_is_heeded_soon_though_nothing_comes(array_source, make_info, long_s) -> None:
    recorder = Recorder(array_source([np.zeros((5, 1))], make_info(RATE, finite=False), ends=False))
    threading.Timer(0.2, recorder.stop).start()
    begun = time.monotonic()
    with recorder:
        assert list(recorder) == []
    assert time.monotonic() - begun < long_s


HANGING = """
import time
import numpy as np
from crankfold.acquire.stream.recorder import record
from crankfold.acquire.stream.plan import RecordingPlan
from crankfold.acquire.contract import Source, SourceInfo
from crankfold.analysis.capture import Channel

class Hangs(Source):
    info = SourceInfo(1000.0, (Channel("current"),), np.dtype(float), "a board that hangs")
    def _read(self, timeout_s):
        time.sleep(60.0)

list(record(Hangs(), RecordingPlan(first_sample_s=0.2, shutdown_s=0.1)))
"""


def test_a_driver_that_hangs_does_not_keep_the_program_from_ending() -> None:
    done = subprocess.run([sys.executable, "-c", HANGING], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "a board that hangs has sent nothing" in done.stderr


def test_a_reader_starved_for_a_moment_is_not_given_up(array_source, bench, make_info, monkeypatch) -> None:
    """It is looked after three times before it is: here at 0.6, 0.9 and 1.2 s, and it is back after 0.8."""
    monkeypatch.setattr("crankfold.acquire.stream.recorder.LOOK_S", 0.3)
    made = bench(RATE, 2.0)
    steps = [*blocks(made.current_a)[:8], lambda: time.sleep(0.8), *blocks(made.current_a)[8:]]
    source = array_source(steps, make_info(RATE, finite=True, live=True))
    (capture,) = record(source, RecordingPlan(stall_s=0.5))
    assert len(capture.samples) == len(made.current_a)


def test_reads_that_take_long_by_themselves_are_not_silence(array_source, bench, make_info) -> None:
    """A computer that is busy elsewhere gives each read its turn late; only so much of each counts as listening."""
    made = bench(RATE, 2.0)
    late = [lambda: time.sleep(0.4)] * 3
    steps = [*blocks(made.current_a)[:8], *late, *blocks(made.current_a)[8:]]
    source = array_source(steps, make_info(RATE, finite=True, live=True))
    (capture,) = record(source, RecordingPlan(stall_s=0.7))
    assert len(capture.samples) == len(made.current_a)
