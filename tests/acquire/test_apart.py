"""Files are read in a process of their own: it may crash, hang or answer nonsense, and the next file is read."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import h5py
import numpy as np
import pytest

from crankfold.acquire import Apart, FileFormatError, Hdf5File, make_ready, save_capture
from crankfold.acquire.files import isolated as apart
from crankfold.acquire.files.isolated import ApartError, end_reading
from crankfold.acquire.files.storage import load_capture
from crankfold.analysis import Capture
from crankfold.plugins.tables.matlab import open_matlab

ROW = np.arange(40.0)
MATLAB_HEAD = b"MATLAB 7.3 MAT-file".ljust(124) + b"\x00\x02IM"


def of_tiny_chunks(path: Path, count: int = 2**24) -> Path:
    """Two kilobytes that claim samples in chunks of one each: the library makes a note of every chunk first."""
    with h5py.File(path, "w", userblock_size=512) as file:
        file.create_dataset("clamp", shape=(1, count), chunks=(1, 1), dtype="i1")
    with path.open("r+b") as raw:
        raw.write(MATLAB_HEAD)
    assert path.stat().st_size < 4096
    return path


def good_capture(path: Path) -> Path:
    save_capture(Capture.from_arrays(np.sin(ROW), rate_hz=1000.0), path)
    return path


def reader() -> int:
    return apart._running[0][1].pid


def test_a_file_that_keeps_the_library_busy_is_given_up_in_one_sentence(tmp_path, monkeypatch, long_s) -> None:
    monkeypatch.setattr(apart, "LEAST_TIME_S", 1.0)
    busy, good = of_tiny_chunks(tmp_path / "busy.mat"), good_capture(tmp_path / "good.h5")
    load_capture(good)
    began_s = time.monotonic()
    with pytest.raises(FileFormatError, match=r"busy.mat: .*reading it takes longer than 1 s") as error:
        open_matlab(busy, {})
    assert time.monotonic() - began_s < long_s
    assert "\n" not in str(error.value)
    monkeypatch.undo()
    assert len(load_capture(good).samples) == 40  # by a new process


def test_the_same_as_a_capture_file(tmp_path, monkeypatch) -> None:
    path = good_capture(tmp_path / "a.h5")
    with h5py.File(path, "r+", libver="latest") as file:
        attributes = dict(file["channels/current"].attrs)
        del file["channels/current"]
        file["channels"].create_dataset("current", shape=(2**24,), chunks=(1,), dtype="i1").attrs.update(attributes)
    load_capture(good_capture(tmp_path / "good.h5"))
    monkeypatch.setattr(apart, "LEAST_TIME_S", 1.0)
    with pytest.raises(FileFormatError, match="reading it takes longer than 1 s"):
        load_capture(path)


def test_a_library_that_breaks_down_is_one_sentence_and_the_next_file_is_read(tmp_path) -> None:
    busy, good = of_tiny_chunks(tmp_path / "busy.mat"), good_capture(tmp_path / "good.h5")
    load_capture(good)
    first = reader()
    killer = threading.Timer(0.5, os.kill, (first, signal.SIGSEGV))
    killer.start()
    with pytest.raises(FileFormatError, match="the library that reads it crashed on it"):
        open_matlab(busy, {})
    killer.join()
    load_capture(good)
    second = reader()
    assert second != first
    os.kill(second, signal.SIGKILL)  # between two files
    time.sleep(0.2)
    load_capture(good)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="where limits can be looked up")
def test_the_reader_has_little_memory_and_leaves_no_core(tmp_path) -> None:
    load_capture(good_capture(tmp_path / "good.h5"))
    limits = Path(f"/proc/{reader()}/limits").read_text(encoding="ascii").splitlines()
    said = {line[:26].strip(): line[26:].split()[0] for line in limits}
    assert int(said["Max address space"]) <= 4 << 30
    assert said["Max core file size"] == "0"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="where the environment of a process can be looked up")
def test_the_reader_has_one_thread_for_arithmetic_however_many_cores_there_are(tmp_path, monkeypatch) -> None:
    """Sixty-four threads' stacks and buffers would be more address space than the reader has."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        monkeypatch.setenv(name, "64")
    end_reading()
    load_capture(good_capture(tmp_path / "good.h5"))
    environment = Path(f"/proc/{reader()}/environ").read_bytes().split(b"\0")
    assert {b"OPENBLAS_NUM_THREADS=1", b"OMP_NUM_THREADS=1", b"MKL_NUM_THREADS=1"} <= set(environment)


def alone(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False)


KILLED = """
import os, sys, threading
from pathlib import Path
from crankfold.acquire.files import isolated as apart
from crankfold.acquire.files import hdf5 as hdf5_files
apart.LEAST_TIME_S = 2.0
hdf5_files.Hdf5File(Path(sys.argv[1]))
print(apart._running[0][1].pid, flush=True)
threading.Timer(0.5, os.kill, (os.getpid(), 9)).start()
hdf5_files.Hdf5File(Path(sys.argv[1])).values("clamp")
"""


def test_a_reader_that_hangs_does_not_outlive_a_killed_program(tmp_path) -> None:
    done = alone(KILLED, str(of_tiny_chunks(tmp_path / "busy.mat")))
    assert done.returncode == -signal.SIGKILL, done.stderr
    until_s = time.monotonic() + 20.0
    while Path(f"/proc/{int(done.stdout)}").exists() and "Z" not in state(int(done.stdout)):
        assert time.monotonic() < until_s
        time.sleep(0.1)


def state(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0]
    except OSError:
        return "Z"


FORKED = """
import os, sys
from pathlib import Path
from crankfold.acquire.files import isolated as apart
from crankfold.acquire.files import hdf5 as hdf5_files
read = lambda: hdf5_files.Hdf5File(Path(sys.argv[1])).values("gaps").shape
read()
first = apart._running[0][1].pid
if not os.fork():
    read()
    assert apart._running[0][1].pid != first
    apart.end_reading()
    os._exit(7)
assert os.waitstatus_to_exitcode(os.wait()[1]) == 7
read()
assert apart._running[0][1].pid == first
print("both")
"""


def test_a_copy_of_the_program_has_a_reader_of_its_own(tmp_path) -> None:
    done = alone(FORKED, str(good_capture(tmp_path / "a.h5")))
    assert done.stdout == "both\n", done.stderr
    assert done.stderr == ""


def test_a_program_that_ends_leaves_no_reader(tmp_path) -> None:
    done = alone(KILLED.partition("threading.Timer")[0], str(good_capture(tmp_path / "a.h5")))
    assert done.returncode == 0 and done.stderr == ""
    assert not Path(f"/proc/{int(done.stdout)}").exists()


# --- a process that answers what it likes

LIKES = """
import json, sys
for line in sys.stdin:
    asked = json.loads(line)
    name = asked["request"].get("name")
    {}
    sys.stdout.flush()
"""


@pytest.fixture
def likes(monkeypatch):
    """Have files read by a process that runs these lines for each request."""
    def to(lines: str) -> None:
        end_reading()
        monkeypatch.setattr(apart, "COMMAND", (sys.executable, "-c", LIKES.format(lines)))

    yield to
    end_reading()


@pytest.mark.parametrize("lines", [
    "print(json.dumps({'facts': {}, 'bytes': 2**31 + 1}))", "print(json.dumps({'facts': {}, 'bytes': -1}))",
    "print(json.dumps({'facts': {}, 'bytes': 9}) + chr(10) + 'short', end=''); break", "print('no JSON')", "break",
    "sys.stdout.buffer.write(bytes([255, 10]))"])
def test_nonsense_for_an_answer_is_one_sentence_and_ends_the_process(likes, tmp_path, lines) -> None:
    (tmp_path / "x").write_bytes(b"x")
    likes(lines)
    with pytest.raises(ApartError, match=r"^the library that reads it crashed on it$"):
        Apart(tmp_path / "x", "a:b").ask()
    assert apart._running == []


def test_what_the_process_says_against_a_file_is_said_and_it_goes_on(likes, tmp_path) -> None:
    (tmp_path / "x").write_bytes(b"x")
    likes("print(json.dumps({'problem': 'it is cut off'} if name else {'facts': {'n': 1}, 'bytes': 3})"
          " + ('' if name else chr(10) + 'abc'), end=chr(10) if name else '')")
    file = Apart(tmp_path / "x", "a:b")
    with pytest.raises(ApartError, match=r"^it is cut off$"):
        file.ask({"name": "x"})
    first = reader()
    assert file.ask() == ({"n": 1}, b"abc")
    assert reader() == first


@pytest.mark.parametrize(("size", "within_s"), [(10, 20.0), (100_000_000, 30.0), (2**33, 20.0 + 2**31 / 1e7)])
def test_a_file_has_the_time_that_its_size_takes(likes, tmp_path, size, within_s) -> None:
    with (tmp_path / "x").open("wb") as file:
        file.truncate(size)
    likes("print(json.dumps({'facts': asked, 'bytes': 0}))")
    read = Apart(tmp_path / "x", "a:b")
    asked, _ = read.ask()
    assert asked == {"path": str(tmp_path / "x"), "by": "a:b", "request": {}, "within_s": asked["within_s"]}
    assert within_s - 5.0 < asked["within_s"] <= within_s
    later, _ = read.ask({"name": "more"})
    assert later["within_s"] < asked["within_s"]  # all that is asked of one file together


def test_a_file_that_cannot_be_opened_is_said_at_once(tmp_path) -> None:
    with pytest.raises(FileNotFoundError):
        Apart(tmp_path / "none", "a:b")


def test_the_process_may_be_started_before_it_is_needed(likes, tmp_path, monkeypatch) -> None:
    likes("print(json.dumps({'facts': {}, 'bytes': 0}))")
    make_ready()
    first = reader()
    make_ready()
    (tmp_path / "x").write_bytes(b"x")
    Apart(tmp_path / "x", "a:b").ask()
    assert reader() == first
    end_reading()
    assert not Path(f"/proc/{first}").exists()
    monkeypatch.setattr(apart, "COMMAND", (str(tmp_path / "none"),))
    make_ready()  # whoever needs it will hear of it
    with pytest.raises(ApartError, match="crashed on it"):
        Apart(tmp_path / "x", "a:b").ask()


def test_values_shorter_than_was_said_are_not_taken(likes, tmp_path) -> None:
    (tmp_path / "x").write_bytes(b"x")
    likes("print(json.dumps({'facts': {'members': {'a': {'attributes': {}, 'shape': [5], 'type': '<f8'}}},"
          " 'bytes': 8 if name else 0}) + chr(10) + ('12345678' if name else ''), end='')")
    with pytest.raises(ApartError, match="a is not as long as it says"):
        Hdf5File(tmp_path / "x").values("a")
