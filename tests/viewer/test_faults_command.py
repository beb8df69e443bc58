"""The command on disks that fill up, with clocks set back, and stopped in the middle: nothing half, nothing lost."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from crankfold.acquire import write_named
from crankfold.analysis import InputError
from crankfold.viewer.session import Outputs

ORDER = ("--firing-order", "1-3-4-2")


def on_a_full_disk(crankfold, size: int, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run the command where no file can grow beyond `size` bytes."""
    return subprocess.run([crankfold.command, *map(str, arguments)], cwd=crankfold.folder, env=crankfold.environment,
                          text=True, capture_output=True, check=False,
                          preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size, size)))


@pytest.mark.parametrize("size", [0, 2000])
def test_a_disk_that_fills_up_leaves_the_files_of_before(crankfold, even_csv, size) -> None:
    old = {name: f"the {name} of before" for name in ("out.json", "out.svg")}
    for name, text in old.items():
        (crankfold.folder / name).write_text(text, encoding="ascii")
    done = on_a_full_disk(crankfold, size, "analyse", even_csv, *ORDER, "--json", "out.json", "--picture", "out.svg")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "File too large" in done.stderr
    assert {path.name: path.read_text(encoding="ascii") for path in crankfold.folder.iterdir()} == old


def test_files_that_belong_together_are_flushed_before_they_are_renamed(tmp_path, monkeypatch) -> None:
    done = []
    fsync, replace = os.fsync, Path.replace
    monkeypatch.setattr(os, "fsync", lambda fd: (done.append("flush"), fsync(fd))[1])
    monkeypatch.setattr(Path, "replace", lambda self, to: (done.append("rename"), replace(self, to))[1])
    with Outputs() as outputs:
        outputs.add(tmp_path / "a", b"1")
        outputs.add(tmp_path / "b", b"2")
    assert done == ["flush", "flush", "rename", "rename", "flush"]


def test_a_link_stays_and_what_it_points_to_is_written(tmp_path) -> None:
    (tmp_path / "there").write_bytes(b"before")
    (tmp_path / "link").symlink_to(tmp_path / "there")
    with Outputs() as outputs:
        outputs.add(tmp_path / "link", b"after")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "there").read_bytes() == b"after"


def test_the_first_of_two_files_stays_when_the_second_cannot_be_made(tmp_path) -> None:
    (tmp_path / "a").write_bytes(b"before")
    with pytest.raises(InputError), Outputs() as outputs:
        outputs.add(tmp_path / "a", b"after")
        outputs.add(tmp_path / "no folder" / "b", b"after")
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("a", b"before")]


def test_a_capture_of_the_same_moment_is_not_written_over(tmp_path) -> None:
    """As in the hour that comes twice in autumn, and after the clock was set back."""
    moment = datetime(2024, 10, 27, 1, 30, tzinfo=UTC)
    names = [write_named(tmp_path, moment, suffix, b"mine").stem for suffix in (".h5", ".json", ".h5")]
    assert len(set(names)) == 3
    assert all(name.startswith(names[0]) for name in names)
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [b"mine"] * 3


def test_the_same_recording_twice_into_one_folder_is_kept_twice(crankfold, even_csv) -> None:
    for count in (1, 2):
        done = crankfold("capture", "--from", f"csv:{even_csv}", *ORDER, "--out", "kept")
        assert done.returncode == 0, done.stderr
        assert len(list((crankfold.folder / "kept").glob("*.h5"))) == count


def test_a_computer_that_sleeps_while_cranking_still_draws_the_right_verdict(crankfold) -> None:
    board = [part for setting in ("dead=3", "sync=waste-spark", "quiet=2.0", "crank=3", "rate=2000")
             for part in ("--set", setting)]
    running = subprocess.Popen([crankfold.command, "capture", "--from", "virtual", *board, *ORDER, "--sync",
                                "waste-spark:1", "--once", "--json", "out.json"], cwd=crankfold.folder, text=True,
                               env=crankfold.environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    assert running.stdout is not None
    slept, said = 0, []
    for line in running.stdout:
        said.append(line)
        if line.startswith("Cranking") and not slept:
            time.sleep(0.5)
            running.send_signal(signal.SIGSTOP)
            time.sleep(2.0)
            running.send_signal(signal.SIGCONT)
            slept += 1
    running.stdout.close()
    assert (running.wait(), slept) == (0, 1), said
    assert json.loads((crankfold.folder / "out.json").read_text(encoding="utf-8"))["low"] == [3], said


@pytest.mark.parametrize("closed", ["1>&-", "2>&-", "1>&- 2>&-", "0<&- 1>&- 2>&-"])
def test_closed_outputs_cost_neither_the_work_nor_its_status(crankfold, dead_csv, closed) -> None:
    """Standard output or error closed by whoever started it, as some schedulers do."""
    done = subprocess.run(["/bin/sh", "-c", f'exec "$0" "$@" {closed}', crankfold.command, "analyse", str(dead_csv),
                           *ORDER, "--json", "out.json"], cwd=crankfold.folder, env=crankfold.environment, text=True,
                          capture_output=True, check=False)
    assert (done.returncode, "Traceback" in done.stderr + done.stdout) == (0, False), done.stderr
    assert json.loads((crankfold.folder / "out.json").read_text(encoding="utf-8"))["verdict"] == "uneven"
