"""What is done where a system is no POSIX one, or has no locks, links or player: each branch, by injection."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from crankfold.acquire import Channel, SourceInfo, left_behind, stem_of, write_new
from crankfold.acquire.atomic import write_whole
from crankfold.acquire.files import isolated_child
from crankfold.acquire.stream import owner
from crankfold.acquire.stream.leftovers import new_journal
from crankfold.plugins.serial import ports
from crankfold.viewer.batch import Answer, Journal, runner, usual_workers, work
from crankfold.viewer.session import signals

NOT_ON_WINDOWS = set('<>:"/\\|?*')
"""Characters that no file's name may have there, as Microsoft's page "Naming files, paths, and namespaces" lists
them; a name may not end in a dot or a space either."""


@pytest.mark.parametrize("error", [OSError(1, "not here"), NotImplementedError(), PermissionError(13, "no links")])
def test_where_there_are_no_links_a_name_is_still_taken_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                             error: Exception) -> None:
    def no_link(*paths: object) -> None:
        raise error

    monkeypatch.setattr(os, "link", no_link)
    path = write_new(tmp_path / "crank.h5", b"first")
    with pytest.raises(FileExistsError):
        write_new(path, b"second")
    assert path.read_bytes() == b"first"
    assert list(tmp_path.iterdir()) == [path]


def test_a_system_that_opens_no_folders_needs_none_flushed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.open

    def no_folders(path, *arguments, **more):
        if Path(path).is_dir():
            raise PermissionError(13, "Permission denied")
        return real(path, *arguments, **more)

    monkeypatch.setattr(os, "open", no_folders)
    write_whole(tmp_path / "a.h5", b"whole")
    assert (tmp_path / "a.h5").read_bytes() == b"whole"


@pytest.mark.parametrize(("handle", "code", "runs"), [(7, 259, True), (7, 0, False), (0, 259, False)])
def test_a_program_is_looked_up_and_never_signalled_on_windows(monkeypatch: pytest.MonkeyPatch, handle: int, code: int,
                                                               runs: bool) -> None:
    """There, `os.kill` with any number ends the program. 259 is STILL_ACTIVE of the Windows headers."""
    def exit_code(asked: int, place: object) -> int:
        place._obj.value = code
        return 1

    kernel = SimpleNamespace(OpenProcess=lambda *about: handle, GetExitCodeProcess=exit_code, CloseHandle=lambda h: 1)
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(ctypes, "windll", SimpleNamespace(kernel32=kernel), raising=False)
    monkeypatch.setattr(os, "kill", lambda *about: pytest.fail("it would have been ended"))
    assert owner._runs(4321, 0) is runs


def test_the_reader_of_files_shows_no_window_on_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """SEM_FAILCRITICALERRORS is 1 and SEM_NOGPFAULTERRORBOX is 2 in the Windows headers."""
    asked: list[int] = []
    fake = SimpleNamespace(SEM_FAILCRITICALERRORS=1, SEM_NOGPFAULTERRORBOX=2, SetErrorMode=asked.append)
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "msvcrt", fake)
    monkeypatch.setitem(sys.modules, "resource", None)
    isolated_child._confine()
    assert asked == [3]


def journal_in(folder: Path):
    info = SourceInfo(1000.0, (Channel("current", "A", 0.01),), np.dtype(np.int16), "board")
    return new_journal(folder, datetime(2031, 5, 4, 12, 30, 15, tzinfo=UTC), info, rate_hz=1000.0, trigger_index=0,
                       onset_utc=None)


def test_what_is_made_has_names_that_every_system_takes(tmp_path: Path) -> None:
    writer = journal_in(tmp_path)
    names = [writer.path.name, stem_of(writer.path), "out.csv.journal", "_rows.journal", "part-000000.parquet"]
    writer.remove()
    for name in names:
        assert not NOT_ON_WINDOWS & set(name), name
        assert name.isascii() and not name.endswith((".", " ")) and len(name) < 200


def test_a_journal_waits_for_its_flush_where_open_files_cannot_be_deleted(tmp_path: Path,
                                                                         monkeypatch: pytest.MonkeyPatch) -> None:
    writer, waited = journal_in(tmp_path), []
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(writer, "_flushing", SimpleNamespace(join=waited.append))
    writer.remove()
    assert len(waited) == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("locks", [True, False])
def test_what_runs_elsewhere_is_left_alone_with_locks_or_without(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                                 locks: bool) -> None:
    if not locks:
        monkeypatch.setitem(sys.modules, "fcntl", None)
    writer = journal_in(tmp_path)
    assert left_behind(tmp_path) == ()
    writer.remove()


def test_a_batch_lets_go_of_its_journal_before_it_is_deleted_where_it_must(tmp_path: Path,
                                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    journal, real = Journal(tmp_path / "out.csv.journal"), Path.unlink
    journal.add([("k", Answer({"file": "a"}))])

    def unlink(path: Path, **more: bool) -> None:
        if not journal._file.closed:
            raise PermissionError(13, "it is open")
        real(path, **more)

    monkeypatch.setattr(Path, "unlink", unlink)
    journal.remove()
    assert list(tmp_path.iterdir()) == []


def test_processors_are_counted_where_a_program_is_bound_to_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "sched_getaffinity", raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: 6)
    assert usual_workers() == 6
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert usual_workers() == 1


def test_the_memory_of_another_c_library_is_left_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(ctypes, "CDLL", lambda *about: pytest.fail("there is no mallopt"))
    work.keep_memory.__wrapped__()


def test_workers_are_started_anew_on_every_system(monkeypatch: pytest.MonkeyPatch) -> None:
    """No worker is a copy of a running program, which macOS and Windows do not do well or at all."""
    asked: list[str] = []

    class Pool(ThreadPoolExecutor):
        def __init__(self, count: int, context, begin, about) -> None:
            asked.append(context.get_start_method())
            super().__init__(count)

    monkeypatch.setattr(runner, "ProcessPoolExecutor", Pool)
    with runner.processes(2) as crew:
        assert crew.workers() == 2
    assert asked == ["spawn"]


def test_a_worker_leaves_ctrl_c_to_its_parent(monkeypatch: pytest.MonkeyPatch) -> None:
    """By SIGINT alone, which every system has."""
    set_to: list[tuple[int, object]] = []
    monkeypatch.setattr(signal, "signal", lambda number, handler: set_to.append((number, handler)))
    work.begin(SimpleNamespace(), None)
    work._stopping.clear()
    assert set_to == [(signal.SIGINT, signal.SIG_IGN)]


def test_windows_plays_tones_by_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    played: list[tuple[str, int]] = []
    fake = SimpleNamespace(SND_FILENAME=0x20000, PlaySound=lambda name, how: played.append((name, how)))
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "winsound", fake)
    assert signals.player() == ()
    assert signals._played((), tmp_path / "tone.wav")
    assert played == [(str(tmp_path / "tone.wav"), 0x20000)]


def test_serial_ports_elsewhere_have_other_names_and_no_groups(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    assert ports.holders("COM3") == ()
    assert "another program" in str(ports.busy_error("COM3"))
    assert ports.permission_fix("COM3") == "run as a user who may open serial ports"
    monkeypatch.setattr(ports.os, "name", "nt")
    assert ports._port_by_name("COM3", (), "serial-lines").device == "COM3"
    assert ports._problem("COM3") is None
