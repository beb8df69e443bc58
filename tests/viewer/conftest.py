"""Recordings of the virtual engine as files, and the installed command, for the tests of this folder."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import load_plugins, open_board, record
from crankfold.analysis import Capture, Engine, Result, SyncSpec, analyse
from crankfold.viewer import command_line

COMMAND = Path(sys.executable).with_name("crankfold")
ORDER = "1-3-4-2"


def recorded(**settings: str) -> Capture:
    """Return a recording of the virtual pump, made flat out."""
    whole = {"engine": "pump", "pace": "flat", "quiet": "0.6", "crank": "3", "after": "0.3", "rate": "2000"}
    named = {name.replace("_", "-"): value for name, value in settings.items()}
    (capture,) = record(open_board("virtual", whole | named, load_plugins()))
    return capture


def write_csv(path: Path, capture: Capture, heading: str = "time (s),current (A),sync (kV)") -> Path:
    """Write a capture as a table: time, current and sync if there is one."""
    time_s = np.arange(len(capture.samples)) / capture.rate_hz
    names = ",".join(heading.split(",")[: 1 + capture.samples.shape[1]])
    table = np.column_stack([time_s, capture.samples])
    np.savetxt(path, table, fmt="%.6f", delimiter=",", header=names, comments="")
    return path


@pytest.fixture(scope="session")
def dead_three() -> Capture:
    return recorded(dead="3", sync="waste-spark")


@pytest.fixture(scope="session")
def healthy() -> Capture:
    return recorded()


@pytest.fixture(scope="session")
def uneven_result(dead_three: Capture) -> Result:
    engine = Engine.parse(ORDER)
    return analyse(dead_three, engine, sync=SyncSpec.parse("waste-spark:1", engine))


@pytest.fixture(scope="session")
def even_result(healthy: Capture) -> Result:
    return analyse(healthy, Engine.parse(ORDER))


@pytest.fixture(scope="session")
def dead_csv(tmp_path_factory: pytest.TempPathFactory, dead_three: Capture) -> Path:
    return write_csv(tmp_path_factory.mktemp("recordings") / "dead.csv", dead_three)


@pytest.fixture(scope="session")
def even_csv(tmp_path_factory: pytest.TempPathFactory, healthy: Capture) -> Path:
    return write_csv(tmp_path_factory.mktemp("recordings") / "even.csv", healthy)


@pytest.fixture(scope="session")
def make_recording() -> Callable[..., Capture]:
    return recorded


@pytest.fixture(scope="session")
def make_csv() -> Callable[..., Path]:
    return write_csv


class Crankfold:
    """The installed command, run in a folder of its own."""

    command = str(COMMAND)

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.environment = {**os.environ, "LC_ALL": "C.UTF-8", "NO_COLOR": "1", "PYTHONUNBUFFERED": "1"}

    def __call__(self, *arguments: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run([self.command, *map(str, arguments)], cwd=self.folder, env=self.environment, text=True,
                              capture_output=True, check=False)

    def left_behind(self) -> list[str]:
        return sorted(p.name for p in self.folder.rglob("*"))


class InProcess(Crankfold):
    """The same without a process of its own, for the many cases that differ in one option."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
        super().__init__(folder)
        self._capsys = capsys
        monkeypatch.chdir(folder)

    def __call__(self, *arguments: object) -> subprocess.CompletedProcess[str]:
        self._capsys.readouterr()
        status = command_line.run([*map(str, arguments)])
        said = self._capsys.readouterr()
        return subprocess.CompletedProcess([*map(str, arguments)], status, said.out, said.err)


@pytest.fixture
def in_process(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> InProcess:
    folder = tmp_path / "here"
    folder.mkdir()
    return InProcess(folder, capsys, monkeypatch)


@pytest.fixture
def crankfold(tmp_path: Path, uneven_result: Result) -> Crankfold:
    """Return the command; that a result was made before means that everything is compiled."""
    assert uneven_result.verdict == "uneven"
    folder = tmp_path / "here"
    folder.mkdir()
    return Crankfold(folder)


@pytest.fixture(scope="session")
def crankfold_in(uneven_result: Result) -> Callable[..., Crankfold]:
    """Return a maker of the command, to be run in a given folder."""
    assert uneven_result.verdict == "uneven"
    return Crankfold
