"""Disks that are full, folders that may not be written, programs killed in the middle: what was there stays whole."""

from __future__ import annotations

import contextlib
import ctypes
import os
import resource
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import (
    Happening,
    Recorder,
    RecordingPlan,
    Rig,
    Shelf,
    left_behind,
    record,
    recover,
    save_capture,
)
from crankfold.acquire.atomic import write_whole
from crankfold.acquire.errors import SaveError
from crankfold.acquire.stream.journal import JournalWriter
from crankfold.acquire.stream.leftovers import new_journal
from crankfold.analysis import Capture

RATE = 2000.0


@contextlib.contextmanager
def files_no_larger_than(size: int) -> Iterator[None]:
    """Let every write beyond `size` bytes of a file fail half-way, as on a disk that fills up."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


CAPABILITIES_3 = 0x20080522  # version of the call, <linux/capability.h>
MODES_DO_NOT_BIND = 0b110  # CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH there


@contextlib.contextmanager
def bound_by_modes() -> Iterator[None]:
    """Let the modes of files bind this thread and those it starts, also when the tests run as root.

    As another user it could not import what lies in root's folders, and the import system remembers what it could not.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    header = (ctypes.c_uint32 * 2)(CAPABILITIES_3, 0)
    rights = (ctypes.c_uint32 * 6)()  # effective, permitted, inheritable, and the same of the higher ones
    assert libc.capget(header, rights) == 0, os.strerror(ctypes.get_errno())
    effective = rights[0]
    try:
        rights[0] = effective & ~MODES_DO_NOT_BIND
        assert libc.capset(header, rights) == 0, os.strerror(ctypes.get_errno())
        yield
    finally:
        rights[0] = effective
        assert libc.capset(header, rights) == 0, os.strerror(ctypes.get_errno())


@pytest.fixture
def locked_folder() -> Iterator[Path]:
    """A folder that may be read and not be written, also when the tests run as root."""
    folder = Path(tempfile.mkdtemp(prefix="crankfold-locked-"))
    try:
        folder.chmod(0o555)
        with bound_by_modes():
            yield folder
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


def noise(samples: int = 20_000) -> Capture:
    return Capture.from_arrays(np.random.default_rng(1).normal(size=samples), rate_hz=RATE)


@pytest.mark.parametrize("room", [0, 1, 512, 4096, 100_000])
def test_a_disk_that_fills_up_leaves_the_capture_saved_before(tmp_path, room) -> None:
    path = tmp_path / "a.h5"
    save_capture(noise(10), path)
    before = path.read_bytes()
    with files_no_larger_than(room), pytest.raises(SaveError, match="check the folder, your permissions"):
        save_capture(noise(), path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["a.h5"]


def test_a_journal_on_a_disk_that_fills_up_keeps_its_whole_records(tmp_path, make_info) -> None:
    writer = JournalWriter(tmp_path / "a.journal", make_info(RATE), rate_hz=RATE, trigger_index=0, onset_utc=None)
    codes = np.arange(500.0)[:, None]
    with files_no_larger_than(10_000), pytest.raises(SaveError, match="could not be written"):
        for first in range(0, 5000, 500):
            writer.append(first, codes)
    assert writer.written_index == 1000
    found = recover(tmp_path / "a.journal")
    assert len(found.capture.samples) == 1000
    assert found.cut
    writer.append(1500, codes)  # there is room again
    assert writer.written_index == 2000
    writer.close()
    assert len(recover(tmp_path / "a.journal").capture.samples) == 2000


def test_a_recording_outlives_the_disk(tmp_path, array_source, bench, make_info) -> None:
    made = bench(RATE, 6.0).crank(2.0, 2.0)
    told = []
    steps = [made.current_a[i : i + 256, None] for i in range(0, len(made.current_a), 256)]
    with files_no_larger_than(20_000):
        source = array_source(steps, make_info(RATE, finite=False))
        captures = list(record(source, RecordingPlan(journal_folder=tmp_path), on_event=told.append))
    assert len(captures) == 1
    assert [e.what for e in told].count(Happening.JOURNAL) == 1
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_may_not_be_written_is_one_sentence(locked_folder, array_source, bench, make_info) -> None:
    for write in (lambda: save_capture(noise(10), locked_folder / "a.h5"),
                  lambda: write_whole(locked_folder / "deep" / "a", b"x"),
                  lambda: Shelf(locked_folder).save("cart", Rig("virtual"))):
        with pytest.raises(SaveError, match="Permission denied") as error:
            write()
        assert "\n" not in str(error.value)
    made = bench(RATE, 6.0).crank(2.0, 2.0)
    told = []
    source = array_source([made.current_a[:, None]], make_info(RATE, finite=False))
    captures = list(record(source, RecordingPlan(journal_folder=locked_folder), on_event=told.append))
    assert len(captures) == 1
    assert ["Permission denied" in e.text for e in told if e.what is Happening.JOURNAL] == [True]
    assert list(locked_folder.iterdir()) == []


SAVING = """
import os, random, signal, sys, time
from pathlib import Path
import numpy as np
from crankfold.acquire.files.storage import load_capture, save_capture
from crankfold.analysis.capture import Capture

path, chance, seen = Path(sys.argv[1]) / "a.h5", random.Random(7), set()
captures = [Capture.from_arrays(np.full(60_000, float(k)), rate_hz=1000.0) for k in range(3)]
save_capture(captures[0], path)
began = time.monotonic()
save_capture(captures[0], path)
usual = time.monotonic() - began
for turn in range(60):
    child = os.fork()
    if child == 0:
        while True:
            turn += 1
            save_capture(captures[turn % 3], path)
    time.sleep(chance.uniform(0.0, 4.0) * usual)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    values = np.unique(load_capture(path).samples)
    assert len(values) == 1, "half of one capture and half of another"
    seen.add(float(values[0]))
print(len(seen), len(list(path.parent.glob("*.h5"))))
"""


def test_kill_9_at_sixty_moments_of_saving_leaves_a_whole_capture(tmp_path) -> None:
    done = subprocess.run([sys.executable, "-c", SAVING, str(tmp_path)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["3", "1"]


RECORDING = """
import importlib.util, os, random, signal, sys, time
from pathlib import Path
import numpy as np
def loaded(name, path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = sys.modules[name] = importlib.util.module_from_spec(spec); spec.loader.exec_module(module)
    return module

made, cranks = loaded("made", sys.argv[2] + "/conftest.py"), loaded("cranks", sys.argv[2] + "/../conftest.py")
from crankfold.acquire.errors import FileFormatError
from crankfold.acquire import left_behind, recover
from crankfold.acquire.stream.recorder import record
from crankfold.acquire.stream.plan import RecordingPlan
from crankfold.acquire.files.storage import load_capture, save_capture

bench = cranks.Bench(2000.0, 12.0).crank(2.0, 2.0).crank(7.0, 2.0)
chance, found = random.Random(5), {"whole": 0, "recovered": 0, "absent": 0}

def run(folder):
    steps = []
    for at in range(0, len(bench.current_a), 200):
        steps += [bench.current_a[at:at + 200, None], 0.0005]
    source = made.ArraySource(steps, made.info_of(2000.0, finite=False))
    for k, capture in enumerate(record(source, RecordingPlan(journal_folder=folder))):
        save_capture(capture, folder / f"crank{k}.h5")

began = time.monotonic()
run(Path(sys.argv[1]) / "undisturbed")
usual = time.monotonic() - began
for turn in range(40):
    folder = Path(sys.argv[1]) / str(turn)
    child = os.fork()
    if child == 0:
        run(folder)
        time.sleep(60)
    time.sleep(chance.uniform(0.0, 1.2) * usual)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    for path in folder.glob("*.h5") if folder.is_dir() else ():
        assert load_capture(path).trigger_index == 3000
        found["whole"] += 1
    left = [one.path for one in left_behind(folder)] if folder.is_dir() else []
    for path in left:
        try:
            samples = recover(path).capture.samples[:, 0]
        except FileFormatError as error:
            assert "no samples" in str(error) or "its beginning is damaged" in str(error), error
            found["absent"] += 1
            continue
        begin = int(np.flatnonzero(bench.current_a == samples[0])[0])
        np.testing.assert_array_equal(samples, bench.current_a[begin:begin + len(samples)])
        found["recovered"] += 1
    found["absent"] += not left
print(found["whole"], found["recovered"], found["absent"])
"""


def test_kill_9_at_forty_moments_of_recording_leaves_whole_captures_and_what_was_written(tmp_path, request) -> None:
    here = str(request.path.parent)
    done = subprocess.run([sys.executable, "-c", RECORDING, str(tmp_path), here], capture_output=True, text=True,
                          check=False)
    assert done.returncode == 0, done.stderr
    whole, recovered, absent = map(int, done.stdout.split())
    assert min(whole, recovered, absent) >= 3
    assert whole + recovered + absent >= 40


def test_a_capture_under_way_elsewhere_is_left_alone(tmp_path, make_info) -> None:
    """Two programs keep their captures in one folder: neither takes the other's journal for one that was left."""
    writer = new_journal(tmp_path, datetime.now(UTC), make_info(RATE), rate_hz=RATE, trigger_index=0, onset_utc=None)
    (tmp_path / "table.csv.journal").write_text("not a capture's", encoding="ascii")
    assert left_behind(tmp_path) == ()
    writer.close()
    assert [left.path for left in left_behind(tmp_path)] == [writer.path]
    assert left_behind(tmp_path / "nowhere") == ()


class SetBack(datetime):
    """A clock that is set back an hour each time somebody looks."""

    moment = datetime(2024, 10, 27, 2, 30, tzinfo=UTC)

    @classmethod
    def now(cls, tz=None):
        del tz
        cls.moment -= timedelta(hours=1)
        return cls.moment


def test_a_clock_set_back_costs_no_sample_and_no_file(tmp_path, array_source, bench, make_info, monkeypatch) -> None:
    made = bench(RATE, 12.0).crank(2.0, 2.0).crank(7.0, 3.0)
    monkeypatch.setattr("crankfold.acquire.stream.pipeline.datetime", SetBack)
    source = array_source([made.current_a[i : i + 256, None] for i in range(0, len(made.current_a), 256)],
                          make_info(RATE, live=True, finite=False))
    captures, there = [], []
    for capture in record(source, RecordingPlan(journal_folder=tmp_path)):
        captures.append(capture)
        there.append(len(list(tmp_path.iterdir())))
    assert [c.trigger_index for c in captures] == [3000, 3000]
    assert all(c.rate_hz == RATE for c in captures)
    assert captures[1].started_utc < captures[0].started_utc  # a label, as the clock on the wall shows it
    assert min(there) >= 1
    assert [c.duration_s for c in captures] == pytest.approx([3.8, 4.8], abs=0.2)


def test_ctrl_c_as_the_next_crank_is_asked_for_leaves_no_journal(tmp_path, array_source, bench, make_info) -> None:
    """The capture before has been dealt with: its journal would be saved as one more by the next run."""
    made = bench(RATE, 12.0).crank(2.0, 2.0).crank(7.0, 3.0)
    source = array_source([made.current_a[i : i + 256, None] for i in range(0, len(made.current_a), 256)],
                          make_info(RATE, live=True, finite=False))
    with Recorder(source, RecordingPlan(journal_folder=tmp_path)) as recorder:
        captures = iter(recorder)
        assert next(captures).trigger_index == 3000
        first = min(tmp_path.iterdir(), key=lambda path: (len(path.name), path.name))  # a second one gets a number
        with pytest.raises(KeyboardInterrupt):
            captures.throw(KeyboardInterrupt)
        assert not first.exists()
