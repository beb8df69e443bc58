"""A capture in progress: written at once, found again after a kill, taken away when it is safe elsewhere."""

from __future__ import annotations

import errno
import json
import os
import signal
import stat
import struct
import subprocess
import sys
import threading
import time
import tracemalloc
import zlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crankfold.acquire import (
    BoardDisconnectedError,
    FileFormatError,
    Happening,
    Recorder,
    RecordingPlan,
    SourceInfo,
    State,
    left_behind,
    record,
    recover,
    take_up,
)
from crankfold.acquire.errors import SaveError
from crankfold.acquire.stream.journal import JournalWriter
from crankfold.acquire.stream.leftovers import new_journal
from crankfold.acquire.stream.owner import this_program
from crankfold.analysis import Channel

RATE = 2000.0
NOON = datetime(2031, 5, 4, 12, 0, 0, tzinfo=UTC)


def journals(folder):
    """What a program that starts now may take up."""
    return tuple(left.path for left in left_behind(folder) if not left.machine)


def begun_in(folder, make_info, **facts):
    return new_journal(folder, NOON, make_info(RATE, channels=2, dtype=np.int16, scale=0.01),
                       **{"rate_hz": RATE, "trigger_index": 150, "onset_utc": NOON, **facts})


def journal_of(path, make_info, blocks, **more):
    info = make_info(RATE, channels=2, dtype=np.int16, scale=0.01, **more)
    writer = JournalWriter(path, info, rate_hz=RATE, trigger_index=150, onset_utc=None)
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


def test_all_that_is_known_of_the_source_is_found_again(tmp_path) -> None:
    channels = (Channel("current", "V", 0.01, -1.0, (0, 1023), "uint16"), Channel("sync", "V", 0.5))
    info = SourceInfo(RATE, channels, np.dtype(np.uint16), "a board", address="port:1", skew_s=(0.0, 0.0),
                      notes={"probe": "10mV/A"})
    began = datetime(2031, 5, 4, 12, 0, 0, tzinfo=UTC)
    writer = JournalWriter(tmp_path / "new" / "a.journal", info, rate_hz=RATE, trigger_index=3999, onset_utc=began)
    writer.append(2000, np.full((2000, 2), 500, np.uint16))
    writer.close()
    capture = recover(tmp_path / "new" / "a.journal").capture
    assert capture.channels == channels
    assert (capture.origin, capture.trigger_index, capture.notes["probe"]) == ("port:1", 1999, "10mV/A")
    assert capture.started_utc == datetime(2031, 5, 4, 11, 59, 59, 500, tzinfo=UTC)  # 1,999 samples before the onset
    assert capture.samples[0].tolist() == [4.0, 250.0]


@pytest.mark.parametrize("trigger", [99, 300])
def test_an_onset_outside_what_was_written_is_none(tmp_path, make_info, trigger) -> None:
    writer = JournalWriter(tmp_path / "a.journal", make_info(RATE, dtype=np.int16), rate_hz=RATE,
                           trigger_index=trigger, onset_utc=None)
    writer.append(100, np.zeros((200, 1), np.int16))
    writer.close()
    assert recover(tmp_path / "a.journal").capture.trigger_index is None


@pytest.mark.parametrize("far", [400, 10**9])
def test_what_comes_after_a_place_lost_for_long_is_left_out(tmp_path, make_info, far) -> None:
    """An index beyond twice what was written, 120 samples, would make a capture of little but a gap."""
    path = tmp_path / "a.journal"
    journal_of(path, make_info, [(100, codes_from(100, 50)), (300, codes_from(300, 50)), (far, codes_from(0, 20))])
    capture = recover(path).capture
    assert len(capture.samples) == 250
    assert [(gap.start, gap.length) for gap in capture.gaps] == [(50, 150)]
    assert np.isnan(capture.samples[50:200]).all()
    np.testing.assert_allclose(capture.samples[200:, 1], codes_from(300, 50)[:, 1] * 0.01)


def test_a_record_that_runs_back_ends_what_is_believed(tmp_path, make_info) -> None:
    path = tmp_path / "a.journal"
    journal_of(path, make_info, [(100, codes_from(100, 50)), (149, codes_from(149, 50)), (199, codes_from(199, 50))])
    found = recover(path)
    assert found.cut
    assert len(found.capture.samples) == 50


@pytest.mark.parametrize("change", [
    lambda header: header.update(format="crankfold.log/1"), lambda header: header.update(channels=[]),
    lambda header: header.update(dtype="U10"), lambda header: header.update(rate_hz=0.0),
    lambda header: header.update(rate_hz=float("inf")), lambda header: header.update(onset_utc="yesterday"),
    lambda header: header["channels"][0].update(code_range=[1]),
    lambda header: header["channels"][0].update(code_range=["a", "b"]),
    lambda header: header["channels"][0].update(code_dtype="length"),
    lambda header: header["channels"][0].update(scale=0.0), lambda header: header["channels"][0].pop("unit"),
    lambda header: header.update(skew_s=[0.1]), lambda header: header.update(skew_s=[0.0, float("nan")]),
    lambda header: header.update(rate_hz=1e-300, onset_utc="2031-05-04T12:00:00+00:00"),
    lambda header: header.update(notes=[1]), lambda header: header.pop("notes")])
def test_a_header_that_cannot_be_is_refused(tmp_path, make_info, change) -> None:
    path = tmp_path / "a.journal"
    journal_of(path, make_info, [(100, codes_from(100, 50))])
    first, _, rest = path.read_bytes().partition(b"\n")
    header = json.loads(first)
    change(header)
    path.write_bytes(json.dumps(header).encode() + b"\n" + rest)
    with pytest.raises(FileFormatError, match="a capture in progress, or its beginning is damaged"):
        recover(path)


@pytest.mark.parametrize(("tag", "count", "spoil"), [
    (b"ELSE", 50, 0), (b"DATA", 2**31, 0), (b"DATA", 60, 0), (b"DATA", 50, 1)])
def test_a_record_that_is_not_what_it_says_ends_what_is_believed(tmp_path, make_info, tag, count, spoil) -> None:
    """Another tag, a length that cannot be or is not there, a checksum that is not its own."""
    path = tmp_path / "a.journal"
    journal_of(path, make_info, [(100, codes_from(100, 50))])
    body = codes_from(150, 50).tobytes()
    with path.open("ab") as file:
        file.write(struct.pack("<4sIqI", tag, count, 150, zlib.crc32(body) + spoil) + body)
    tracemalloc.start()
    try:
        found = recover(path)
        assert tracemalloc.get_traced_memory()[1] < 5_000_000
    finally:
        tracemalloc.stop()
    assert found.cut
    assert len(found.capture.samples) == 50


class SlowDisk:
    """A disk whose flushes take as long as the test wants; knows how long each file was when it was asked for one."""

    def __init__(self, monkeypatch) -> None:
        self.go, self.sizes, self.folders = threading.Event(), [], 0
        monkeypatch.setattr(os, "fsync", self._flush)

    def _flush(self, descriptor: int) -> None:
        about = os.fstat(descriptor)
        if stat.S_ISDIR(about.st_mode):
            self.folders += 1
            return
        self.sizes.append(about.st_size)
        assert self.go.wait(20.0)


def settled(disk: SlowDisk, writer: JournalWriter) -> None:
    disk.go.set()
    writer._flushing.join(20.0)


def test_a_disk_that_is_slow_to_flush_keeps_nobody_waiting_and_costs_no_record(tmp_path, make_info,
                                                                               monkeypatch) -> None:
    disk = SlowDisk(monkeypatch)
    monkeypatch.setattr("crankfold.acquire.stream.journal.FLUSH_S", 0.0)
    writer = JournalWriter(tmp_path / "a.journal", make_info(RATE, channels=2, dtype=np.int16, scale=0.01),
                           rate_hz=RATE, trigger_index=150, onset_utc=None)
    for first in range(100, 1100, 50):
        writer.append(first, codes_from(first, 50))  # would wait for ever
    assert len(recover(tmp_path / "a.journal").capture.samples) == 50
    settled(disk, writer)
    assert (len(disk.sizes), disk.folders) == (1, 1)
    monkeypatch.setattr("crankfold.acquire.stream.journal.FLUSH_S", 60.0)
    writer.append(1100, codes_from(1100, 50))
    found = recover(tmp_path / "a.journal")
    assert not found.cut
    np.testing.assert_allclose(found.capture.samples[:, 0], np.arange(100, 1150) * 2 * 0.01)
    assert len(disk.sizes) == 1
    writer.close()


@pytest.mark.parametrize("end", ["close", "remove"])
def test_a_journal_ends_during_a_flush(tmp_path, make_info, monkeypatch, end) -> None:
    disk = SlowDisk(monkeypatch)
    monkeypatch.setattr("crankfold.acquire.stream.journal.FLUSH_S", 0.0)
    path = tmp_path / "crank-20310504-123015.journal"
    writer = JournalWriter(path, make_info(RATE, channels=2, dtype=np.int16, scale=0.01),
                           rate_hz=RATE, trigger_index=150, onset_utc=None)
    for first in range(100, 300, 50):
        writer.append(first, codes_from(first, 50))
    assert journals(tmp_path) == ()
    getattr(writer, end)()
    if end == "close":
        assert journals(tmp_path) == (path,)  # nobody holds it any more
        assert len(recover(path).capture.samples) == 200
    else:
        assert list(tmp_path.iterdir()) == []
    writer.close()
    settled(disk, writer)


def test_a_power_cut_costs_a_second(tmp_path, make_info, monkeypatch) -> None:
    """What a disk holds for certain is what was there when it was last told to flush."""
    disk, path = SlowDisk(monkeypatch), tmp_path / "a.journal"
    disk.go.set()
    clock = [1000.0]
    monkeypatch.setattr("crankfold.acquire.stream.journal.time", SimpleNamespace(monotonic=lambda: clock[0]))
    writer = JournalWriter(path, make_info(RATE, channels=2, dtype=np.int16, scale=0.01), rate_hz=RATE,
                           trigger_index=150, onset_utc=None)
    for first in range(0, 20_000, 125):  # ten seconds, sixteen records in each
        writer.append(first, codes_from(first, 125))
        clock[0] += 1 / 16
        if writer._flushing is None:
            assert first < RATE * 1.0
            continue
        writer._flushing.join(20.0)
        (tmp_path / "cut.journal").write_bytes(path.read_bytes()[:disk.sizes[-1]])
        assert first + 125 - len(recover(tmp_path / "cut.journal").capture.samples) <= RATE * 1.0
    assert len(disk.sizes) == 9
    writer.close()


def test_a_disk_that_cannot_flush_is_no_reason_to_give_up(tmp_path, make_info, monkeypatch) -> None:
    def broken(_):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "fsync", broken)
    monkeypatch.setattr("crankfold.acquire.stream.journal.FLUSH_S", 0.0)
    journal_of(tmp_path / "a.journal", make_info, [(100, codes_from(100, 80)), (180, codes_from(180, 20))])
    assert len(recover(tmp_path / "a.journal").capture.samples) == 100


def test_a_cut_record_is_told(tmp_path, make_info) -> None:
    path = tmp_path / "a.journal"
    journal_of(path, make_info, [(100, codes_from(100, 80)), (180, codes_from(180, 20))])
    path.write_bytes(path.read_bytes()[:-3])
    found = recover(path)
    assert found.cut
    assert len(found.capture.samples) == 80


@pytest.mark.parametrize(("content", "said"), [
    (b"", "capture in progress"), (b"time,current\n0,1\n", "capture in progress"),
    (b"[" * 100_000, "capture in progress"), (b"{}\n", "capture in progress"),
    (b'{"format": "crankfold.journal/1"}\n', "capture in progress")])
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
    with pytest.raises(SaveError, match="could not be"):
        begun_in(tmp_path / "file", make_info)


def test_names_are_dated_and_none_is_used_twice(tmp_path, make_info) -> None:
    writers = [begun_in(tmp_path, make_info) for _ in range(3)]
    local = NOON.astimezone()
    assert [writer.path.name for writer in writers] == [
        f"crank-{local:%Y%m%d-%H%M%S}{more}.journal" for more in ("", "-2", "-3")]
    writers[1].remove()
    (tmp_path / f"crank-{local:%Y%m%d-%H%M%S}-2.json").touch()  # of another program, or of a person
    fourth = begun_in(tmp_path, make_info)
    assert fourth.path.name.endswith("-4.journal")
    fourth.remove()
    (tmp_path / "table.journal").touch()
    for writer in (writers[0], writers[2]):
        writer.close()
    assert sorted(path.name for path in journals(tmp_path)) == sorted(w.path.name for w in (writers[0], writers[2]))


def test_a_name_that_another_program_takes_this_very_moment_is_left_to_it(tmp_path, make_info, monkeypatch) -> None:
    """Between the look for a free name and the making of the journal, its whole capture comes and its journal goes."""
    made = []

    def slow(path, *given, **facts):
        if not made:
            path.with_suffix(".h5").write_text("theirs", encoding="ascii")
        made.append(path)
        return JournalWriter(path, *given, **facts)

    monkeypatch.setattr("crankfold.acquire.stream.leftovers.JournalWriter", slow)
    writer = begun_in(tmp_path, make_info)
    assert [path == writer.path for path in made] == [False, True]
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".h5", ".journal"]
    writer.remove()


def owned_by(path, changed):
    """Rewrite a journal's header as of another owner."""
    head, _, rest = path.read_bytes().partition(b"\n")
    header = json.loads(head)
    header["owner"] = str(changed)
    path.write_bytes(json.dumps(header).encode("ascii") + b"\n" + rest)


def left_by(tmp_path, make_info, **changes):
    writer = begun_in(tmp_path, make_info)
    writer.append(100, codes_from(100, 50))
    writer.close()
    owned_by(writer.path, replace(this_program(), **changes))
    return writer.path


@pytest.mark.parametrize(("changes", "taken"), [
    ({"process": 2**22 + 1, "born": 5}, True),  # beyond the highest number of a process
    ({"process": os.getppid(), "born": 0}, False),
    ({"process": os.getppid(), "born": 1}, True),  # that number belongs to a younger process now
    ({"boot": "00000000"}, True), ({"space": 1}, False), ({"machine": "harbour12345678"}, False)])
def test_whose_program_runs_no_more_is_taken_up_and_nobody_elses(tmp_path, make_info, changes, taken) -> None:
    path = left_by(tmp_path, make_info, **changes)
    left = left_behind(tmp_path)
    assert journals(tmp_path) == ((path,) if taken else ())
    for one in left:
        found = take_up(one)
        assert (found is not None) == taken
        if found is not None:
            found.journal.close()
    if "machine" in changes:
        assert [one.machine for one in left] == ["harbour12345678"]
    elsewhere = tmp_path / "none"
    assert left_behind(elsewhere) == ()


def test_what_another_machine_left_is_taken_up_after_a_day_without_a_sign(tmp_path, make_info) -> None:
    path = left_by(tmp_path, make_info, machine="harbour12345678")
    assert take_up(left_behind(tmp_path)[0]) is None
    hours_25 = time.time() - 25 * 3600.0
    os.utime(path, (hours_25, hours_25))
    taken = take_up(left_behind(tmp_path)[0])
    assert taken is not None
    assert taken.recovered.state is State.RECORDING
    assert str(this_program()) in taken.journal.path.name
    assert left_behind(tmp_path) == ()  # it is this program's now
    taken.journal.remove()
    assert list(tmp_path.iterdir()) == []


def test_two_that_start_at_once_do_not_both_take_it_up(tmp_path, make_info) -> None:
    left_by(tmp_path, make_info, process=2**22 + 1)
    first = second = left_behind(tmp_path)[0]
    taken = take_up(first)
    assert taken is not None
    assert take_up(second) is None
    taken.journal.close()


def test_how_far_it_had_come_is_known(tmp_path, make_info) -> None:
    writer = begun_in(tmp_path, make_info, about={"job": {"plate": "HW 12"}})
    writer.append(100, codes_from(100, 80))
    assert recover(writer.path).state is State.RECORDING
    writer.finish(100, 170, rate_hz=1990.0, notes={"a": "b"})
    whole = recover(writer.path)
    assert (whole.state, len(whole.capture.samples), whole.capture.rate_hz) == (State.WHOLE, 70, 1990.0)
    assert (whole.capture.notes, whole.capture.about["job"]) == ({"a": "b"}, {"plate": "HW 12"})
    writer.keep("crank.h5")
    writer.begin_analysis()
    kept = recover(writer.path)
    assert (kept.state, kept.kept_as, kept.tries, kept.cut) == (State.KEPT, "crank.h5", 1, False)
    writer.remove()


def test_one_of_the_format_before_is_still_read(tmp_path, make_info) -> None:
    path = tmp_path / "20310504T120000000000.journal"
    journal_of(path, make_info, [(100, codes_from(100, 50))])
    head, _, rest = path.read_bytes().partition(b"\n")
    header = json.loads(head) | {"format": "crankfold.journal/1", "started_utc": "2031-05-04T12:00:00+00:00"}
    for name in ("owner", "about", "onset_utc"):
        del header[name]
    path.write_bytes(json.dumps(header).encode() + b"\n" + rest)
    assert recover(path).capture.started_utc == NOON + timedelta(seconds=100 / RATE)
    assert journals(tmp_path) == ()  # nobody knows whose it is: perhaps it is being made
    old = time.time() - 120.0
    os.utime(path, (old, old))
    assert journals(tmp_path) == (path,)


def test_one_of_a_newer_format_says_update(tmp_path, make_info) -> None:
    path = tmp_path / "a.journal"
    journal_of(path, make_info, [(100, codes_from(100, 50))])
    path.write_bytes(path.read_bytes().replace(b"crankfold.journal/2", b"crankfold.journal/3", 1))
    with pytest.raises(FileFormatError, match="newer crankfold"):
        recover(path)


def test_an_empty_one_is_taken_away(tmp_path, make_info) -> None:
    begun_in(tmp_path, make_info).close()
    assert take_up(left_behind(tmp_path)[0]) is None
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("locks", [True, False])
def test_one_that_is_written_now_is_left_alone(tmp_path, make_info, monkeypatch, locks) -> None:
    if not locks:
        monkeypatch.setitem(sys.modules, "fcntl", None)  # as where there are none
    writer = begun_in(tmp_path, make_info)
    assert journals(tmp_path) == ()
    other = begun_in(tmp_path, make_info)
    other.remove()
    assert not other.path.exists()
    writer.close()
    assert journals(tmp_path) == (writer.path,)
    writer.remove()
    assert journals(tmp_path) == (writer.path,)  # it was let go of, and may be somebody else's by now


def test_one_that_cannot_be_opened_is_listed_so_that_reading_it_says_why(tmp_path, make_info) -> None:
    folder = tmp_path / "20310504T123015250000.journal"
    folder.mkdir()
    assert journals(tmp_path) == (folder,)
    with pytest.raises(FileFormatError, match=r"cannot be read \(Is a directory\)"):
        recover(folder)


def test_a_name_that_is_taken_is_not_written_over(tmp_path, make_info) -> None:
    path = tmp_path / "a.journal"
    path.write_text("mine", encoding="ascii")
    with pytest.raises(SaveError, match=r"a\.journal \(File exists\)"):
        journal_of(path, make_info, [])
    assert path.read_text(encoding="ascii") == "mine"


def blocks_of(made, size=256):
    return [made.current_a[i : i + size, None] for i in range(0, len(made.current_a), size)]


def test_recording_keeps_a_journal_until_the_caller_has_dealt_with_the_capture(
        array_source, bench, make_info, tmp_path) -> None:
    made = bench(RATE, 9.0).crank(2.0, 2.0).crank(6.0, 2.0)
    plan = RecordingPlan(journal_folder=tmp_path)
    seen = []
    for capture in record(array_source(blocks_of(made), make_info(RATE, finite=False)), plan):
        assert journals(tmp_path) == ()  # they are this program's own
        begun = [path for path in tmp_path.iterdir() if b"\n" in path.read_bytes()]  # that of the next may just be made
        there = [recover(path).capture for path in begun]
        seen.append(any(len(c.samples) >= 0.95 * len(capture.samples)
                        and np.array_equal(c.samples[:1000], capture.samples[:1000]) for c in there))
    assert seen == [True, True]
    assert list(tmp_path.iterdir()) == []


def test_an_error_leaves_no_journal_behind_once_the_capture_was_taken(array_source, bench, make_info, tmp_path) -> None:
    made = bench(RATE, 6.0).crank(2.0, 3.5)
    steps = [*blocks_of(made)[:34], BoardDisconnectedError("the cable is out", "put it back")]
    with pytest.raises(BoardDisconnectedError):
        for _ in record(array_source(steps, make_info(RATE, finite=False)), RecordingPlan(journal_folder=tmp_path)):
            assert len(list(tmp_path.iterdir())) == 1
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_fails_costs_the_journal_not_the_capture(array_source, bench, make_info, tmp_path) -> None:
    made = bench(RATE, 6.0).crank(2.0, 2.0)
    (tmp_path / "file").touch()
    told = []
    source = array_source(blocks_of(made), make_info(RATE, finite=False))
    captures = list(record(source, RecordingPlan(journal_folder=tmp_path / "file"), on_event=told.append))
    assert len(captures) == 1
    assert ["could not be" in e.text for e in told if e.what is Happening.JOURNAL] == [True]


KILLED = """
import sys, time
from pathlib import Path
import numpy as np
sys.path.insert(0, sys.argv[2])
import importlib.util

def loaded(name, path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = sys.modules[name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module

made, cranks = loaded("made", sys.argv[2] + "/conftest.py"), loaded("cranks", sys.argv[2] + "/../conftest.py")
from crankfold.acquire.stream.recorder import record
from crankfold.acquire.stream.plan import RecordingPlan
bench = cranks.Bench(2000.0, 30.0).crank(2.0, 25.0)
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
        while not any(path.stat().st_size > 20_000 for path in tmp_path.glob("*.journal")):
            assert process.poll() is None
            time.sleep(0.02)
        assert journals(tmp_path) == ()  # it is being written
    finally:
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
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


class FullDisk:
    """A file on a disk that has no room left."""

    def __init__(self, file) -> None:
        self._file = file

    def write(self, data) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def __getattr__(self, name):
        return getattr(self._file, name)


def test_a_disk_that_fills_up_while_cranking_costs_the_journal_not_the_capture(
        array_source, bench, make_info, tmp_path, monkeypatch) -> None:
    made = bench(RATE, 6.0).crank(2.0, 2.0)
    written = []
    append = JournalWriter.append

    def full(self, first_index, codes):
        written.append(first_index)
        if len(written) == 3:
            self._file = FullDisk(self._file)
        append(self, first_index, codes)

    monkeypatch.setattr(JournalWriter, "append", full)
    told = []
    source = array_source(blocks_of(made), make_info(RATE, finite=False))
    captures = list(record(source, RecordingPlan(journal_folder=tmp_path), on_event=told.append))
    assert len(captures) == 1
    assert ["No space left on device" in e.text for e in told if e.what is Happening.JOURNAL] == [True]
    assert len(written) > 3  # it is tried again, for as long as the crank lasts
    assert list(tmp_path.iterdir()) == []
