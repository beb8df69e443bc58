"""HDF5 files are read in a process of their own: hostile ones hang or crash only that, sound ones come back whole."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from crankfold.acquire import apart
from crankfold.acquire.apart import ApartError, end_reading
from crankfold.acquire.errors import FileFormatError
from crankfold.acquire.hdf5_files import Hdf5File
from crankfold.acquire.storage import load_capture, save_capture
from crankfold.analysis.capture import Capture
from crankfold.plugins.matlab_files import open_matlab

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


def test_a_file_that_keeps_the_library_busy_is_given_up_in_one_sentence(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(apart, "LEAST_TIME_S", 1.0)
    busy, good = of_tiny_chunks(tmp_path / "busy.mat"), good_capture(tmp_path / "good.h5")
    load_capture(good)
    began_s = time.monotonic()
    with pytest.raises(FileFormatError, match=r"busy.mat: .*reading it does not end within 1 s") as error:
        open_matlab(busy, {})
    assert time.monotonic() - began_s < 10.0
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
    with pytest.raises(FileFormatError, match="reading it does not end within 1 s"):
        load_capture(path)


def test_a_library_that_breaks_down_is_one_sentence_and_the_next_file_is_read(tmp_path) -> None:
    busy, good = of_tiny_chunks(tmp_path / "busy.mat"), good_capture(tmp_path / "good.h5")
    load_capture(good)
    first = reader()
    killer = threading.Timer(0.5, os.kill, (first, signal.SIGSEGV))
    killer.start()
    with pytest.raises(FileFormatError, match="the library that reads it broke down over it"):
        open_matlab(busy, {})
    killer.join()
    load_capture(good)
    second = reader()
    assert second != first
    os.kill(second, signal.SIGKILL)  # between two files
    time.sleep(0.2)
    load_capture(good)


def broken_heap(path: Path) -> Path:
    """A byte of the heap of texts makes the library search it for ever."""
    with h5py.File(path, "w", userblock_size=512) as file:
        file["clamp"], file["words"] = ROW, "a text"
        file["clamp"].attrs["unit"] = "another text"
    content = bytearray(path.read_bytes())
    content[: len(MATLAB_HEAD)] = MATLAB_HEAD
    content[content.index(b"GCOL") + 24] = 255
    path.write_bytes(content)
    return path


HANGS = "import h5py, sys; h5py.File(sys.argv[1])['words'][()]"


def test_texts_of_variable_length_are_left_alone(tmp_path) -> None:
    path = broken_heap(tmp_path / "x.mat")
    with pytest.raises(subprocess.TimeoutExpired):  # or the file proves nothing
        subprocess.run([sys.executable, "-c", HANGS, str(path)], timeout=3.0, check=False, capture_output=True)
    file = Hdf5File(path)
    np.testing.assert_array_equal(file.values("clamp"), ROW)
    assert file.members["clamp"].attributes == {}
    with pytest.raises(ApartError, match="words is not numbers or text stored in this file"):
        file.values("words")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="where limits can be looked up")
def test_the_reader_has_little_memory_and_leaves_no_core(tmp_path) -> None:
    load_capture(good_capture(tmp_path / "good.h5"))
    limits = Path(f"/proc/{reader()}/limits").read_text(encoding="ascii").splitlines()
    said = {line[:26].strip(): line[26:].split()[0] for line in limits}
    assert int(said["Max address space"]) <= 4 << 30
    assert said["Max core file size"] == "0"


def test_no_file_holds_more_than_a_recording(tmp_path) -> None:
    with h5py.File(tmp_path / "x.h5", "w") as file:
        for name in "abc":
            file.create_dataset(name, shape=(2**27 - 1,), dtype="i1")  # room for two, and never written
    file = Hdf5File(tmp_path / "x.h5")
    file.values("a")
    file._room -= 2**30
    with pytest.raises(ApartError, match="claims more than a recording holds"):
        file.values("b")


def alone(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False)


KILLED = """
import os, sys, threading
from pathlib import Path
from crankfold.acquire import apart, hdf5_files
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
from crankfold.acquire import apart, hdf5_files
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


def test_names_of_any_kind(tmp_path) -> None:
    for name in ("a b.h5", "größe.h5", "\udcff.h5", "x\ny.h5"):
        assert len(load_capture(good_capture(tmp_path / name)).samples) == 40
    (tmp_path / "folder.h5").mkdir()
    with pytest.raises(FileFormatError, match="damaged one"):
        load_capture(tmp_path / "folder.h5")


def test_a_relative_path_after_a_change_of_folder(tmp_path, monkeypatch) -> None:
    good_capture(tmp_path / "a.h5")
    load_capture(tmp_path / "a.h5")
    monkeypatch.chdir(tmp_path)
    assert len(load_capture(Path("a.h5")).samples) == 40


WAYS: dict[str, Callable[[Any], Any]] = {
    "plain": lambda f: f.create_dataset("x", data=ROW),
    "gzip": lambda f: f.create_dataset("x", data=ROW, chunks=(7,), compression="gzip", shuffle=True),
    "lzf": lambda f: f.create_dataset("x", data=ROW, chunks=(7,), compression="lzf", fletcher32=True),
    "growing": lambda f: f.create_dataset("x", data=ROW, maxshape=(None,), chunks=(16,)),
    "big endian": lambda f: f.create_dataset("x", data=ROW.astype(">f8")),
    "half": lambda f: f.create_dataset("x", data=ROW.astype("f2")),
    "bytes": lambda f: f.create_dataset("x", data=ROW.astype("u1")),
    "long": lambda f: f.create_dataset("x", data=ROW.astype("i8")),
    "in a structure": lambda f: f.create_dataset("run/more/x", data=ROW),
}


@pytest.mark.parametrize("libver", ["earliest", "v110", "latest"])
@pytest.mark.parametrize("way", WAYS)
def test_sound_data_sets_come_back_as_they_are(tmp_path, way: str, libver: str) -> None:
    with h5py.File(tmp_path / "x.h5", "w", libver=libver) as file:
        kind = WAYS[way](file).dtype
    read = Hdf5File(tmp_path / "x.h5")
    (name,) = (name for name, member in read.members.items() if member.holds is None)
    assert read.members[name].kind == kind
    np.testing.assert_array_equal(read.values(name), ROW)


def test_shapes_attributes_and_what_is_left_out(tmp_path) -> None:
    with h5py.File(tmp_path / "other.h5", "w") as other:
        other["secret"] = ROW
    with h5py.File(tmp_path / "x.h5", "w") as file:
        file["table"], file["one"], file["none"] = ROW.reshape(5, 8), 3, np.zeros((0, 4))
        file["text"], file["words"] = np.bytes_(b"ab\0c"), np.array([b"a", b"bcd"])
        file["complex"], file["empty"] = ROW + 1j, h5py.Empty("f8")
        file["#refs#/a"] = ROW
        file["one"].attrs.update({"n": 2**63, "r": 0.1, "row": [1, 2], "t": np.bytes_("µ".encode()), "v": "free",
                                  "i": np.inf})
        file["soft"], file["out"] = h5py.SoftLink("/table"), h5py.ExternalLink("other.h5", "/secret")
        layout = h5py.VirtualLayout((40,), "f8")
        layout[:] = h5py.VirtualSource("other.h5", "secret", (40,))
        file.create_virtual_dataset("virtual", layout)
        file.create_dataset("outside", (5,), "f8", external=[(str(tmp_path / "other.h5"), 0, 40)])
    read = Hdf5File(tmp_path / "x.h5")
    assert read.values("table").shape == (5, 8) and read.values("none").shape == (0, 4)
    assert read.values("one") == 3 and read.values("one").shape == ()
    assert read.values("text") == b"ab\0c" and read.values("words").tolist() == [b"a", b"bcd"]
    assert read.members["one"].attributes == {"n": 2**63, "r": 0.1, "row": [1, 2], "t": "Âµ", "i": np.inf}
    assert not {"#refs#/a", "soft", "out"} & set(read.members)
    assert set(read.members[""].holds or ()) >= {"soft", "out"}
    for name in ("complex", "empty", "virtual", "outside"):
        with pytest.raises(ApartError, match=f"{name} is not numbers"):
            read.values(name)


def test_more_members_than_any_recording_has(tmp_path) -> None:
    with h5py.File(tmp_path / "x.h5", "w", libver="latest") as file:
        for number in range(10_001):
            file.create_group(str(number))
    with pytest.raises(ApartError, match="more than 10000 members"):
        Hdf5File(tmp_path / "x.h5")
    end_reading()
