"""A capture in progress: written at once, found again after a kill, taken away when it is safe elsewhere."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crankfold.acquire.errors import BoardDisconnectedError, FileFormatError, SaveError
from crankfold.acquire.journal import JournalWriter, journals, new_journal_path, recover
from crankfold.acquire.recorder import Recorder, record
from crankfold.acquire.recording import Happening, RecordingPlan

RATE = 2000.0


def journal_of(path, make_info, blocks, **more):
    info = make_info(RATE, channels=2, dtype=np.int16, scale=0.01, **more)
    writer = JournalWriter(path, info, rate_hz=RATE, trigger_index=150, started_utc=None)
    for first, codes in blocks:
        writer.append(first, codes)
    writer.close()


def codes_from(first, count):
    return np.arange(2 * first, 2 * (first + count)).reshape(count, 2).astype(np.int16)


def test_what_was_written_is_found_again(tmp_path, make_info) -> None:
    path = tmp_path / "a.journal"
    journal_of(path, make_info, [(100, codes_from(100, 80)), (180, codes_from(180, 20)), (205, codes_from(205, 5))])
    found = recover(path)
    assert not found.cut
    capture = found.capture
    assert (capture.rate_hz, capture.trigger_index, len(capture.samples)) == (RATE, 50, 110)
    assert [(gap.start, gap.length) for gap in capture.gaps] == [(100, 5)]
    np.testing.assert_allclose(capture.samples[:100, 0], np.arange(100, 200) * 2 * 0.01)
    assert "recovered" in capture.notes


@settings(max_examples=60, deadline=None)
@given(cut=st.integers(0, 2000), at=st.integers(0, 3000), byte=st.integers(0, 255), harm=st.booleans())
def test_cut_anywhere_it_gives_whole_records_or_one_sentence(tmp_path_factory, make_info, cut, at, byte, harm) -> None:
    path = tmp_path_factory.mktemp("cut") / "a.journal"
    journal_of(path, make_info, [(n, codes_from(n, 50)) for n in range(100, 500, 50)])
    content = bytearray(path.read_bytes())
    if harm:
        content[at % len(content)] = byte
    path.write_bytes(content[: len(content) - cut])
    try:
        capture = recover(path).capture
    except FileFormatError as error:
        assert "\n" not in str(error)
        return
    if not harm:
        assert len(capture.samples) % 50 == 0
        np.testing.assert_allclose(capture.samples[:, 0], np.arange(100, 100 + len(capture.samples)) * 2 * 0.01)


def test_a_cut_record_is_told(tmp_path, make_info) -> None:
    path = tmp_path / "a.journal"
    journal_of(path, make_info, [(100, codes_from(100, 80)), (180, codes_from(180, 20))])
    path.write_bytes(path.read_bytes()[:-3])
    found = recover(path)
    assert found.cut
    assert len(found.capture.samples) == 80


@pytest.mark.parametrize(("content", "said"), [
    (b"", "no journal"), (b"time,current\n0,1\n", "no journal"), (b"[" * 100_000, "no journal"),
    (b"{}\n", "no journal"), (b'{"format": "crankfold.journal/1"}\n', "no journal")])
def test_other_files_are_refused(tmp_path, content, said) -> None:
    (tmp_path / "a.journal").write_bytes(content)
    with pytest.raises(FileFormatError, match=said):
        recover(tmp_path / "a.journal")


def test_a_journal_without_samples(tmp_path, make_info) -> None:
    journal_of(tmp_path / "a.journal", make_info, [])
    with pytest.raises(FileFormatError, match="holds no samples"):
        recover(tmp_path / "a.journal")
    with pytest.raises(FileFormatError, match="cannot be read"):
        recover(tmp_path / "none.journal")


def test_a_folder_that_cannot_be_written(tmp_path, make_info) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(SaveError, match="could not be written"):
        journal_of(new_journal_path(tmp_path / "file"), make_info, [])


def blocks_of(made, size=256):
    return [made.current_a[i : i + size, None] for i in range(0, len(made.current_a), size)]


def test_recording_keeps_a_journal_until_the_caller_has_dealt_with_the_capture(
        array_source, bench, make_info, tmp_path) -> None:
    made = bench(RATE, 9.0).crank(2.0, 2.0).crank(6.0, 2.0)
    plan = RecordingPlan(journal_folder=tmp_path)
    seen = []
    for capture in record(array_source(blocks_of(made), make_info(RATE, finite=False)), plan):
        there = [recover(path).capture for path in journals(tmp_path)]
        seen.append(any(len(c.samples) >= 0.95 * len(capture.samples)
                        and np.array_equal(c.samples[:1000], capture.samples[:1000]) for c in there))
    assert seen == [True, True]
    assert journals(tmp_path) == ()


def test_an_error_leaves_no_journal_behind_once_the_capture_was_taken(array_source, bench, make_info, tmp_path) -> None:
    made = bench(RATE, 6.0).crank(2.0, 3.5)
    steps = [*blocks_of(made)[:34], BoardDisconnectedError("the cable is out", "put it back")]
    with pytest.raises(BoardDisconnectedError):
        for _ in record(array_source(steps, make_info(RATE, finite=False)), RecordingPlan(journal_folder=tmp_path)):
            assert len(journals(tmp_path)) == 1
    assert journals(tmp_path) == ()


def test_a_disk_that_fails_costs_the_journal_not_the_capture(array_source, bench, make_info, tmp_path) -> None:
    made = bench(RATE, 6.0).crank(2.0, 2.0)
    (tmp_path / "file").touch()
    told = []
    source = array_source(blocks_of(made), make_info(RATE, finite=False))
    captures = list(record(source, RecordingPlan(journal_folder=tmp_path / "file"), on_event=told.append))
    assert len(captures) == 1
    assert ["could not be written" in e.text for e in told if e.what is Happening.JOURNAL] == [True]


KILLED = """
import sys, time
from pathlib import Path
import numpy as np
sys.path.insert(0, sys.argv[2])
import importlib.util
spec = importlib.util.spec_from_file_location("made", sys.argv[2] + "/conftest.py")
made = importlib.util.module_from_spec(spec); sys.modules["made"] = made; spec.loader.exec_module(made)
from crankfold.acquire.recorder import record
from crankfold.acquire.recording import RecordingPlan
bench = made.Bench(2000.0, 30.0).crank(2.0, 25.0)
steps = []
for at in range(0, len(bench.current_a), 200):
    steps += [bench.current_a[at:at + 200, None], 0.0 if at < 8000 else 0.05]
source = made.ArraySource(steps, made.info_of(2000.0, finite=False))
print("begun", flush=True)
list(record(source, RecordingPlan(journal_folder=Path(sys.argv[1]))))
"""


def test_kill_9_while_cranking_leaves_a_capture_to_recover(tmp_path, request) -> None:
    here = str(request.path.parent)
    process = subprocess.Popen([sys.executable, "-c", KILLED, str(tmp_path), here], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout.readline() == "begun\n"
        until = time.monotonic() + 20
        while not list(tmp_path.glob("*.journal")) and time.monotonic() < until:
            time.sleep(0.02)
        time.sleep(0.3)
        assert journals(tmp_path) == ()  # it is being written
    finally:
        os.kill(process.pid, signal.SIGKILL)
        process.wait(10)
        process.stdout.close()
    (path,) = journals(tmp_path)
    capture = recover(path).capture
    assert capture.trigger_index == 3000
    assert capture.duration_s > 2.0
    assert np.isfinite(capture.samples).all()


def test_a_caller_that_leaves_early_leaves_the_journal(array_source, bench, make_info, tmp_path) -> None:
    made = bench(RATE, 6.0).crank(2.0, 2.0)
    recorder = Recorder(array_source(blocks_of(made), make_info(RATE, finite=False)),
                        RecordingPlan(journal_folder=tmp_path))
    with recorder:
        next(iter(recorder))
    assert len(journals(tmp_path)) == 1


def test_a_disk_that_fills_up_while_cranking_costs_the_journal_not_the_capture(
        array_source, bench, make_info, tmp_path, monkeypatch) -> None:
    made = bench(RATE, 6.0).crank(2.0, 2.0)
    written = []
    append = JournalWriter.append

    def full(self, first_index, codes):
        written.append(first_index)
        if len(written) == 3:
            self._file.close()
            self._file = io.FileIO("/dev/full", "wb")
        append(self, first_index, codes)

    monkeypatch.setattr(JournalWriter, "append", full)
    told = []
    source = array_source(blocks_of(made), make_info(RATE, finite=False))
    captures = list(record(source, RecordingPlan(journal_folder=tmp_path), on_event=told.append))
    assert len(captures) == 1
    assert ["No space left on device" in e.text for e in told if e.what is Happening.JOURNAL] == [True]
    assert len(written) == 3
    assert journals(tmp_path) == ()
