"""Boards and plugins that flood, hang, hold the interpreter's lock, come and go: the caller gets an answer, in time."""

from __future__ import annotations

import ctypes
import signal
import subprocess
import sys
import threading
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import (
    BoardDisconnectedError,
    BoardStalledError,
    Recorder,
    RecordingPlan,
    RingOverrunError,
    Samples,
    ShutdownTimeoutError,
    record,
)
from crankfold.acquire.stream import caught as capture_making
from crankfold.acquire.stream.recorder import MAX_WAITING

RATE = 2000.0
HOLDING = ctypes.PyDLL(None)  # calls through it keep the interpreter's lock, as a badly written extension does


def pieces(made, size=256):
    return [made.current_a[i : i + size, None] for i in range(0, len(made.current_a), size)]


def test_a_board_that_floods_costs_neither_memory_nor_the_end(array_source, bench, make_info, long_s) -> None:
    """Far more comes than was promised, crank after crank, and nobody takes the captures."""
    made = bench(500.0, 5.0).crank(2.0, 1.5)

    class Flood(array_source):
        count = 0

        def _read(self, timeout_s):
            self.count += 1
            return Samples(made.current_a[:, None])

    source = Flood([], make_info(500.0, finite=False))
    plan = RecordingPlan(pre_trigger_s=0.5)
    recorder = Recorder(source, plan)
    tracemalloc.start()
    try:
        with recorder:
            next(iter(recorder))
            assert wait_for(lambda: source.count > 1.5 * MAX_WAITING, 20.0)
            before = tracemalloc.get_traced_memory()[0]
            assert wait_for(lambda: source.count > 4 * MAX_WAITING, 20.0)
            after = tracemalloc.get_traced_memory()[0]
            began_s = time.monotonic()
        assert time.monotonic() - began_s < long_s
    finally:
        tracemalloc.stop()
    assert after - before < 1 << 20  # forty captures of 20 kB came meanwhile and went


@pytest.mark.parametrize("place", ["start", "close"])
def test_a_board_that_hangs_is_given_up_and_said(array_source, bench, make_info, place, long_s) -> None:
    released = threading.Event()

    class Hangs(array_source):
        def _start(self):
            if place == "start":
                released.wait(120)

        def _close(self):
            if place == "close":
                released.wait(120)

    source = Hangs(pieces(bench(RATE, 1.0)), make_info(RATE, live=True, finite=False), ends=False)
    plan = RecordingPlan(shutdown_s=0.2, first_sample_s=0.3, stall_s=0.3)
    began_s = time.monotonic()
    try:
        if place == "start":
            with pytest.raises(BoardStalledError, match="has sent nothing"):
                list(record(source, plan))
        else:
            recorder = Recorder(source, plan)
            with pytest.raises((BoardStalledError, ShutdownTimeoutError)), recorder:
                list(recorder)
        assert time.monotonic() - began_s < long_s
    finally:
        released.set()
    assert wait_for(lambda: not any(t.name == "reader of a test source" for t in threading.enumerate()))


def wait_for(holds, seconds=30.0):
    until = time.monotonic() + seconds
    while not holds() and time.monotonic() < until:
        time.sleep(0.01)
    return holds()


def test_a_driver_that_holds_the_interpreters_lock_is_not_taken_for_a_silent_board(
        array_source, bench, make_info) -> None:
    """Each read of it stops every thread of the program for longer than a board may be silent."""
    made = bench(RATE, 6.0).crank(2.0, 2.0)

    class Holds(array_source):
        def _read(self, timeout_s):
            HOLDING.usleep(150_000)
            return super()._read(timeout_s)

    source = Holds(pieces(made, 2000), make_info(RATE, live=True, finite=False))
    plan = RecordingPlan(stall_s=0.1)
    (capture,) = record(source, plan)
    np.testing.assert_array_equal(capture.samples[:, 0], made.current_a[1000 : 1000 + len(capture.samples)])


def test_a_caller_that_holds_the_interpreters_lock_costs_no_capture(array_source, bench, make_info) -> None:
    """Whoever analyses or draws keeps the reader from its board for longer than a board may be silent."""
    made = bench(RATE, 12.0).crank(2.0, 2.0).crank(7.0, 3.0)
    steps = [step for piece in pieces(made, 500) for step in (piece, 0.01)]
    source = array_source(steps, make_info(RATE, live=True))
    captures = []
    for capture in record(source, RecordingPlan(stall_s=0.5), on_event=lambda event: HOLDING.usleep(300_000)):
        HOLDING.usleep(800_000)
        captures.append(capture)
    assert [c.trigger_index for c in captures] == [3000, 3000]


def test_making_a_capture_keeps_the_caller_waiting_and_not_the_board(
        array_source, bench, make_info, monkeypatch) -> None:
    """Scaling millions of samples takes long; the reader goes on meanwhile, and a second crank is caught as well."""
    made = bench(RATE, 12.0).crank(2.0, 2.0).crank(7.0, 3.0)
    source = array_source(pieces(made, 500), make_info(RATE, live=True))
    make, threads, read_on = capture_making.make_capture, [], []

    def slowly(*arguments, **more):
        threads.append(threading.current_thread().name)
        read_on.append(wait_for(lambda: not source._steps))
        return make(*arguments, **more)

    monkeypatch.setattr(capture_making, "make_capture", slowly)
    captures = list(record(source))
    assert [c.trigger_index for c in captures] == [3000, 3000]
    assert threads == [threading.current_thread().name] * 2
    assert read_on == [True, True]


def test_taking_a_block_for_long_is_not_taken_for_a_silent_board(array_source, bench, make_info) -> None:
    """A busy computer keeps the reader from its board; whoever watches may look just when that is over."""
    made = bench(RATE, 6.0).crank(2.0, 2.0)
    steps = [step for piece in pieces(made, 2000) for step in (piece, 0.01)]
    recorder = Recorder(array_source(steps, make_info(RATE, live=True)), RecordingPlan(stall_s=0.2))
    take, lock = recorder._stream.take, recorder._lock

    class Waited:
        def __enter__(self):
            lock.acquire()

        def __exit__(self, *error):
            lock.release()
            time.sleep(0.05)  # the watching side gets its turn before this one goes on

    def slowly(block):
        time.sleep(0.6)
        take(block)

    recorder._stream.take, recorder._lock = slowly, Waited()
    with recorder:
        (capture,) = recorder
    np.testing.assert_array_equal(capture.samples[:, 0], made.current_a[1000 : 1000 + len(capture.samples)])


def test_a_caller_that_raises_leaves_no_reader_and_no_open_board(array_source, bench, make_info) -> None:
    made = bench(RATE, 6.0).crank(2.0, 2.0)
    source = array_source(pieces(made), make_info(RATE, finite=False), ends=False)
    with pytest.raises(ZeroDivisionError), Recorder(source) as recorder:
        for _ in recorder:
            raise ZeroDivisionError
    assert source.closed_by == ["reader of a test source"]


def test_a_follower_that_stalls_is_told_what_it_missed_and_harms_nobody(array_source, bench, make_info) -> None:
    made = bench(RATE, 60.0).crank(2.0, 2.0).crank(50.0, 2.0)
    source = array_source(pieces(made), make_info(RATE, finite=False))
    recorder = Recorder(source, RecordingPlan(max_crank_s=3.0))
    follower = recorder.ring.reader(0)
    with recorder:
        captures = list(recorder)
    assert len(captures) == 2
    with pytest.raises(RingOverrunError, match="sample 0 is overwritten, the oldest kept is"):
        follower.read(0.0)
    missed = follower.skip()
    piece = follower.read(0.0)
    np.testing.assert_array_equal(piece.codes[0], made.current_a[missed:])


def descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def test_a_thousand_plugs_and_pulls_leave_no_thread_and_no_handle(array_source, bench, make_info, tmp_path) -> None:
    """Pulled while cranking each time: the samples come, the journal goes, the error is said."""
    made = bench(200.0, 2.5).crank(1.6, 0.9, hump_hz=5.0)
    codes = made.current_a[:, None]
    plan = RecordingPlan(journal_folder=tmp_path, pre_trigger_s=0.2)
    threads, handles, caught = threading.active_count(), descriptors(), 0
    for _ in range(1000):
        source = array_source([codes, BoardDisconnectedError("pulled", "plug it in")], make_info(200.0, finite=False))
        with pytest.raises(BoardDisconnectedError):
            for _ in record(source, plan):
                caught += 1
    assert caught == 1000
    assert threading.active_count() == threads
    assert descriptors() <= handles + 1
    assert list(tmp_path.iterdir()) == []


STOPPED = """
import importlib.util, sys, threading
def loaded(name, path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = sys.modules[name] = importlib.util.module_from_spec(spec); spec.loader.exec_module(module)
    return module

made, cranks = loaded("made", sys.argv[1] + "/conftest.py"), loaded("cranks", sys.argv[1] + "/../conftest.py")
from crankfold.acquire.stream.recorder import record
bench = cranks.Bench(2000.0, 8.0).crank(2.0, 2.0).crank(5.0, 2.0)
steps = []
for at in range(0, len(bench.current_a), 200):
    steps += [bench.current_a[at:at + 200, None], 0.02]
source = made.ArraySource(steps, made.info_of(2000.0, live=True, finite=False))
def told(event):
    print(event.what.value, flush=True)
for capture in record(source, on_event=told):
    print("capture", capture.trigger_index, len(capture.samples), capture.rate_hz, flush=True)
"""


def test_a_program_stopped_in_the_middle_of_a_crank_goes_on(request) -> None:
    """As when a computer sleeps: time goes by, nothing is read, then all goes on."""
    running = subprocess.Popen([sys.executable, "-c", STOPPED, str(request.path.parent)], stdout=subprocess.PIPE,
                               stderr=subprocess.PIPE, text=True)
    said = []
    assert running.stdout is not None
    for line in running.stdout:
        said.append(line.strip())
        if line.startswith("cranking") and said.count("cranking") == 1:
            running.send_signal(signal.SIGSTOP)
            time.sleep(1.5)  # far longer than a board may be silent
            running.send_signal(signal.SIGCONT)
    assert running.wait() == 0, running.stderr.read() if running.stderr else ""
    if running.stderr is not None:
        running.stderr.close()
    running.stdout.close()
    captures = [line.split()[1:3] for line in said if line.startswith("capture ")]
    assert [trigger for trigger, _ in captures] == ["3000", "1400"], said
    assert [round(int(length), -3) for _, length in captures] == [8000, 6000], said


HUGE = """
import resource, sys
from pathlib import Path
import numpy as np
import crankfold.acquire.opening as opening
from crankfold.acquire.errors import AcquireError
from crankfold.acquire.registry import load_plugins
from crankfold.acquire.stream.recorder import record
import h5py, scipy.io, scipy.io.wavfile
plugins = load_plugins(enabled=False)
resource.setrlimit(resource.RLIMIT_AS, (2_000_000_000, 2_000_000_000))
for name in sys.argv[1:]:
    settings = {"rate": "10000"} if name.endswith((".npy", ".csv")) else {}
    try:
        for capture in record(opening.open_file(Path(name), settings, plugins)):
            print("capture", len(capture.samples))
    except AcquireError as error:
        print("said", str(error).replace(chr(10), "NEWLINE"))
"""


def test_files_far_larger_than_memory_are_one_sentence_each(tmp_path) -> None:
    """Forty gigabytes that take no room on the disk: holes, which read as zeros."""
    size = 40 * 2**30
    header = np.lib.format.header_data_from_array_1_0(np.zeros((0, 2)))
    with (tmp_path / "a.npy").open("wb") as file:
        np.lib.format.write_array_header_1_0(file, {**header, "shape": (size // 16, 2)})
        file.truncate(file.tell() + size)
    with (tmp_path / "b.h5").open("wb") as file:
        file.write(b"\x89HDF\r\n\x1a\n")
        file.truncate(size)
    import h5py

    with h5py.File(tmp_path / "c.h5", "w") as file:
        file.attrs["format"], file.attrs["rate_hz"], file.attrs["origin"] = "crankfold.capture/1", 1000.0, '"x"'
        data = file.create_group("channels").create_dataset("current", shape=(size // 8,), dtype="f8", chunks=(1024,))
        data.attrs.update({"name": "current", "column": 0, "unit": "A", "scale": 1.0, "offset": 0.0,
                           "code_dtype": "float64"})
    with (tmp_path / "d.csv").open("wb") as file:
        file.write(b"1,2\n2,3\n")
        file.truncate(size)
    names = [str(tmp_path / name) for name in ("a.npy", "b.h5", "c.h5", "d.csv")]
    done = subprocess.run([sys.executable, "-c", HUGE, *names], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert len(lines) == 4
    assert all(line.startswith("said ") and "NEWLINE" not in line for line in lines), lines
