"""The moving line of long work: what it says, when, and that it stays off everything that a program reads."""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from crankfold.acquire import FileFormatError
from crankfold.viewer import command_line
from crankfold.viewer.words import progress, working


class Terminal(io.StringIO):
    """Standard error that somebody watches."""

    def isatty(self) -> bool:
        return True

    def wait_for(self, words: str) -> None:
        end_s = time.monotonic() + 10.0
        while words not in self.getvalue():
            assert time.monotonic() < end_s, self.getvalue()
            time.sleep(0.005)


@pytest.fixture
def watched(monkeypatch: pytest.MonkeyPatch) -> Callable[[], Terminal]:
    """Return what puts a terminal in the place of standard error, where little patience is enough."""
    def made() -> Terminal:
        terminal = Terminal()
        monkeypatch.setattr(sys, "stderr", terminal)
        monkeypatch.setenv("TERM", "xterm")
        for name, seconds in (("PATIENCE_S", 0.01), ("LONG_S", 0.06), ("LOOK_S", 0.01)):
            monkeypatch.setattr(progress, name, seconds)
        return terminal

    return made


def test_a_file_that_takes_long_is_named_and_how_to_stop(watched: Callable[[], Terminal]) -> None:
    terminal = watched()
    with working("reading the samples") as line:
        terminal.wait_for("reading the samples")
        with line.reading(Path("jobs/[red]crank\x1b.mat")):
            terminal.wait_for("still reading [red]crank?.mat; Ctrl-C stops it")
        assert line.words == "reading the samples"
        with line.opening("matlab:crank.mat"):
            assert line.words == "reading the samples"
            terminal.wait_for("still opening matlab:crank.mat; Ctrl-C stops it")


@pytest.mark.parametrize("command", ["analyse {} --firing-order 1-3-4-2 --json -",
                                     "compare {} {} --firing-order 1-3-4-2",
                                     "sheet {} --firing-order 1-3-4-2 --out a.html", "export {} --out a.csv",
                                     "listen {} --out a.wav", "study {} {} --firing-order 1-3-4-2",
                                     "capture --from matlab:{} --firing-order 1-3-4-2 --json -",
                                     "check --from matlab:{}"])
def test_every_command_that_reads_a_file_says_it(watched: Callable[[], Terminal], tmp_path: Path, command: str,
                                                 monkeypatch: pytest.MonkeyPatch,
                                                 capsys: pytest.CaptureFixture[str]) -> None:
    def slow(path: Path | str, *more: object, **others: object) -> None:
        terminal.wait_for("busy.mat; Ctrl-C stops it")
        raise FileFormatError(Path(path), "it is damaged", "copy it again")

    monkeypatch.chdir(tmp_path)
    (tmp_path / "busy.mat").touch()
    monkeypatch.setattr("crankfold.acquire.open_file", slow)
    monkeypatch.setattr("crankfold.acquire.opening.open_file", slow)  # a reader named as a board
    terminal = watched()
    assert command_line.run(command.replace("{}", "busy.mat").split()) == 2
    assert "busy.mat: it is damaged; copy it again" in terminal.getvalue()
    assert capsys.readouterr().out == ""


def test_nobody_watching_is_told_nothing(watched: Callable[[], Terminal], monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = watched()
    monkeypatch.setattr(terminal, "isatty", lambda: False)
    with working("reading the samples") as line, line.reading(Path("crank.mat")):
        time.sleep(0.1)
    assert terminal.getvalue() == ""
