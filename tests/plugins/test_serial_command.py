"""A stranger's board on a real terminal and the installed command: set up with a few words, and everything that breaks.

The board prints what a virtual pump with a worn cylinder gives; it cranks when it is told to, and is pulled, silenced,
cut and scrambled while the command runs.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crankfold.acquire import load_plugins, open_board, record

CRANKFOLD = Path(sys.executable).parent / "crankfold"
BY_THE_BENCH_CLOCK = Path(__file__).with_name("by_the_bench_clock.py")
ENGINE = ("--firing-order", "1-3-4-2", "--sync", "waste-spark:1")
LONG_S = 200.0  # for what certainly comes, also on a machine with much else to do
QUIET_S, CRANK_S, AFTER_S = 0.4, 2.8, 0.6
BANNER = b"\r\nreader 2\r\nready, press reset to start again\r\n3,"

Line = Callable[[int, int, int, float], str]
STYLES: dict[str, Line] = {
    "comma": lambda i, a, b, rate: f"{a},{b}\r\n",
    "labels": lambda i, a, b, rate: f"current:{a},sync:{b}\n",
    "tab": lambda i, a, b, rate: f"{a}\t{b}\n",
    "milliseconds": lambda i, a, b, rate: f"{round(1000 * i / rate)},{a},{b}\n",
    "microseconds": lambda i, a, b, rate: f"{(round(1e6 * i / rate) + 2**32 - 6_000_000) % 2**32};{a};{b}\n",
    "space": lambda i, a, b, rate: f"{a} {b}\n",
}


def codes_of(rate_hz: int, **settings: str) -> np.ndarray[Any, Any]:
    """Return what a 10-bit converter of 5 V gives of one crank, shape (lines, 2); slow, and no board may print then."""
    whole = {"engine": "pump", "low": "3:45", "sync": "waste-spark", "unit": "V", "clamp": "5", "pace": "flat",
             "bits": "16", "rate": str(rate_hz), "quiet": str(QUIET_S), "crank": str(CRANK_S), "after": str(AFTER_S)}
    (capture,) = record(open_board("virtual", whole | settings, load_plugins()))
    volts = capture.samples * (1.0, 0.35) + (0.4, 0.0)
    return np.clip(volts * 1024 / 5, 0, 1023).astype(np.int64)


@pytest.fixture(scope="module")
def codes() -> dict[int, np.ndarray[Any, Any]]:
    return {rate_hz: codes_of(rate_hz) for rate_hz in (200, 475, 500, 2000)}


class Cranker:
    """A board that prints quiet until it is told to crank, under a name that stays when it is plugged in again."""

    def __init__(self, terminals: Callable[..., Any], folder: Path, codes: np.ndarray[Any, Any], style: str,
                 rate_hz: float, far: Any = None) -> None:
        self._terminals, self._codes, self.form, self.rate_hz = terminals, codes, STYLES[style], rate_hz
        self.name, self.far = folder / "board", far
        self._crank_at = self._breaks_at = 2**60
        self._break: Callable[[Cranker], None] = silence
        self.garbled = threading.Event()
        self.plug_in()

    def plug_in(self) -> None:
        self.terminal = self._terminals(self.far)
        self.name.unlink(missing_ok=True)
        self.name.symlink_to(self.terminal.name)
        self._crank_at = 2**60
        self.terminal.print_lines(self._line, self.rate_hz, banner=BANNER)
        self.terminal.let_go()

    def crank(self) -> None:
        self._crank_at = self.terminal.printed

    def crank_and_break(self, way: Callable[[Cranker], None]) -> None:
        """Crank, and after a second and a bit of it break in that way."""
        self._break = way
        self.crank()
        self._breaks_at = self._crank_at + round((QUIET_S + 1.1) * self.rate_hz)

    def pull_out(self) -> None:
        self.name.unlink()
        self.terminal.pull_out()

    def _line(self, i: int) -> bytes:
        if i >= self._breaks_at:
            self._breaks_at = 2**60
            self._break(self)
        if self.garbled.is_set():
            return bytes((i * 7919 + k * 104729 >> 3) % 256 for k in range(9))
        since = i - self._crank_at
        a, b = self._codes[since if 0 <= since < len(self._codes) else i % round(0.3 * QUIET_S * self.rate_hz)]
        return self.form(i, int(a), int(b), self.rate_hz).encode()


class Running:
    """The installed command at work; what it says is read as it comes."""

    def __init__(self, folder: Path, *arguments: object, far: Any = None) -> None:
        environment = {**os.environ, "PYTHONUNBUFFERED": "1", "LC_ALL": "C.UTF-8", "NO_COLOR": "1",
                       "XDG_CONFIG_HOME": str(folder / "kept"), **(far.environment if far else {})}
        self.folder = folder
        program = [sys.executable, "-P", BY_THE_BENCH_CLOCK] if far else [CRANKFOLD]
        self.process = subprocess.Popen([*program, *map(str, arguments)], cwd=folder, env=environment,
                                        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, stdin=subprocess.PIPE)
        self.said = ""
        self._more = threading.Condition()
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        while data := os.read(self.process.stdout.fileno(), 65536):
            with self._more:
                self.said += data.decode("utf-8")
                self._more.notify_all()

    def wait_for(self, words: str, *, times: int = 1) -> None:
        """Wait until it has said these words so often."""
        with self._more:
            assert self._more.wait_for(lambda: self.said.count(words) >= times, LONG_S), (words, self.said)

    def ended(self) -> int:
        status = self.process.wait()
        self._reader.join()
        assert "Traceback" not in self.said and "fault of crankfold" not in self.said, self.said
        return status

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self._reader.join()
        assert self.process.stdout is not None and self.process.stdin is not None
        self.process.stdout.close()
        self.process.stdin.close()

    def type_enter(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(b"\n")
        self.process.stdin.flush()


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Callable[..., Running]]:
    made: list[Running] = []

    def start(*arguments: object, folder: Path | None = None, far: Any = None) -> Running:
        made.append(Running(folder or tmp_path, *arguments, far=far))
        return made[-1]

    yield start
    for one in made:
        one.close()


def results(folder: Path) -> list[dict[str, Any]]:
    return [json.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*.json"))]


def test_set_up_and_captured_with_a_few_words(terminals: Callable[..., Any], far_bench: Any, tmp_path: Path,
                                             run: Callable[..., Running],
                                             codes: dict[int, np.ndarray[Any, Any]]) -> None:
    """The three rates at once, each in another style; a microsecond clock wraps round while cranking."""
    cases = [(200, "labels"), (500, "comma"), (2000, "microseconds")]
    boards, kept, captures = [], [], []
    for number, (rate_hz, style) in enumerate(cases):
        folder = tmp_path / str(number)
        folder.mkdir()
        boards.append(Cranker(terminals, folder, codes[rate_hz], style, rate_hz, far_bench(folder / "clock")))
        kept.append(run("rig", "cart", "--from", f"serial-lines:{boards[-1].name}", "--set", "full-scale=5V", "--set",
                   "bits=10", "--probe", "5mV/A", "--sync", "waste-spark:1", folder=folder,
                        far=boards[-1].far))
    for number in range(len(cases)):
        assert kept[number].ended() == 0, kept[number].said
        captures.append(run("capture", "--rig", "cart", "--firing-order", "1-3-4-2", "--once", "--out", "captured",
                            folder=tmp_path / str(number), far=boards[number].far))
    for board, capture in zip(boards, captures, strict=True):
        capture.wait_for("Armed. Crank.")
        board.crank()
    for number, capture in enumerate(captures):
        assert capture.ended() == 0, capture.said
        (result,) = results(tmp_path / str(number) / "captured")
        assert (result["verdict"], result["low"]) == ("uneven", [3]), capture.said
        assert 30 < result["cylinders"][1]["relative_percent"] < 60
        assert 60 < result["cranking"]["mean_a"] < 250
        assert result["cranking"]["sample_rate_hz"] == pytest.approx(cases[number][0], rel=0.02)


def test_pulled_out_while_cranking_and_plugged_in_again(terminals: Callable[..., Any], far_bench: Any, tmp_path: Path,
                                                        run: Callable[..., Running],
                                                        codes: dict[int, np.ndarray[Any, Any]]) -> None:
    board = Cranker(terminals, tmp_path, codes[500], "comma", 500, far_bench(tmp_path / "clock"))
    capture = run("capture", "--from", f"serial-lines:{board.name}", *ENGINE, "--out", "captured", far=board.far)
    capture.wait_for("Armed. Crank.")
    board.crank_and_break(pull)
    capture.wait_for("Board lost: the board at")
    assert "is gone; check the cable and plug it in again. What came before is saved." in capture.said
    board.plug_in()
    capture.wait_for("The board is back.")
    capture.wait_for("Armed. Crank.", times=2)
    board.crank()
    capture.wait_for("Cylinder 3 is low")
    capture.process.send_signal(signal.SIGINT)
    assert capture.ended() == 0, capture.said
    assert "2 cranks were analysed:\n1. No verdict: not cranked long enough.\n2. Cylinder 3 is low" in capture.said
    torn, whole = results(tmp_path / "captured")
    assert (torn["verdict"], torn["reasons"][0]["code"]) == ("none", "too-short")
    assert (whole["verdict"], whole["low"]) == ("uneven", [3])
    assert len(list((tmp_path / "captured").glob("*.h5"))) == 2
    assert not list((tmp_path / "captured").glob("*.journal"))


def silence(board: Cranker) -> None:
    board.terminal.paused.set()


def garble(board: Cranker) -> None:
    board.garbled.set()


def pull(board: Cranker) -> None:
    board.pull_out()


BREAKS = {"silent": (silence, r"has printed nothing for 0\.[78] s; check its supply and cable"),
          "garbled": (garble, r"(hold no line of numbers|are broken); check the cable"),
          "pulled": (pull, "is gone; check the cable and plug it in again")}


def test_a_board_that_breaks_while_cranking(terminals: Callable[..., Any], far_bench: Any, tmp_path: Path,
                                            run: Callable[..., Running],
                                            codes: dict[int, np.ndarray[Any, Any]]) -> None:
    """Each is said in one sentence, what came is judged, nothing concluded from so little; Ctrl-C ends the wait."""
    boards, captures = {}, {}
    for name in BREAKS:
        folder = tmp_path / name
        folder.mkdir()
        boards[name] = Cranker(terminals, folder, codes[500], "tab", 500, far_bench(folder / "clock"))
        captures[name] = run("capture", "--from", f"serial-lines:{boards[name].name}", *ENGINE, "--json", "result.json",
                             folder=folder, far=boards[name].far)
    for name, capture in captures.items():
        capture.wait_for("Armed. Crank.")
        boards[name].crank_and_break(BREAKS[name][0])
    for name, (_, sentence) in BREAKS.items():
        captures[name].wait_for("What came before is saved.")
        assert re.search("Board lost: .* " + sentence, captures[name].said), captures[name].said
        captures[name].process.send_signal(signal.SIGINT)
        assert captures[name].ended() == 3, captures[name].said
        result = json.loads((tmp_path / name / "result.json").read_text(encoding="utf-8"))
        assert (result["verdict"], result["reasons"][0]["code"]) == ("none", "too-short"), captures[name].said


def drop(board: Cranker, capture: Running) -> None:
    """Lose bytes on the way for a while."""
    board.terminal.dropping.set()
    time.sleep(0.3)
    board.terminal.dropping.clear()


def freeze(board: Cranker, capture: Running) -> None:
    """Stop the whole program for so long that the terminal's buffer runs over."""
    capture.process.send_signal(signal.SIGSTOP)
    time.sleep(2.0)
    capture.process.send_signal(signal.SIGCONT)


def crank_and(board: Cranker, capture: Running, happen: Callable[[Cranker, Running], None]) -> threading.Timer:
    """Crank, and after a second and a bit of it let something happen."""
    timer = threading.Timer(QUIET_S + 1.1, happen, (board, capture))
    board.crank()
    timer.start()
    return timer


TEARS: dict[str, tuple[str, int, tuple[str, ...], Callable[[Cranker, Running], None], str]] = {
    "bytes lost": ("comma", 500, (), drop, "Lines went missing on the way 1 times"),
    "overrun": ("microseconds", 2000, (), freeze, "samples were lost."),
    "rate": ("space", 475, ("--set", "rate=500"), lambda *_: None, "The setting says 500 lines a second but"),
}


@pytest.mark.slow  # the short forms are in test_serial_lines.py, on the board alone
def test_a_torn_stream_gives_the_right_answer_or_none(terminals: Callable[[], Any], run: Callable[..., Running],
                                                      tmp_path: Path, codes: dict[int, np.ndarray[Any, Any]]) -> None:
    boards, captures, timers = {}, {}, []
    for name, (style, rate_hz, settings, _, _) in TEARS.items():
        (tmp_path / name).mkdir()
        boards[name] = Cranker(terminals, tmp_path / name, codes[rate_hz], style, rate_hz)
        captures[name] = run("capture", "--from", f"serial-lines:{boards[name].name}", *settings, *ENGINE, "--once",
                             "--json", "result.json", folder=tmp_path / name)
    for name, capture in captures.items():
        capture.wait_for("Armed. Crank.")
        timers.append(crank_and(boards[name], capture, TEARS[name][3]))
    for name, capture in captures.items():
        status = capture.ended()
        assert status in (0, 3), (name, capture.said)
        result = json.loads((tmp_path / name / "result.json").read_text(encoding="utf-8"))
        assert TEARS[name][4] in capture.said
        assert (status, result["verdict"], result["low"]) in ((0, "uneven", [3]), (3, "none", [])), capture.said
    assert result["verdict"] == "uneven", "a rate that is said wrong spoils nothing"
    for timer in timers:
        timer.join()


def test_two_programs_at_one_port_and_a_check(terminals: Callable[..., Any], far_bench: Any, tmp_path: Path,
                                              run: Callable[..., Running],
                                              codes: dict[int, np.ndarray[Any, Any]]) -> None:
    board = Cranker(terminals, tmp_path, codes[500], "labels", 500, far_bench(tmp_path / "clock"))
    where = ("--from", f"serial-lines:{board.name}", "--set", "full-scale=5V", "--set", "bits=10")
    check = run("check", *where, "--clamp", "5mV/A", "--seconds", "6", far=board.far)
    check.wait_for("Listening for 6 s")
    board.far.held.set()
    second = run("capture", *where, *ENGINE)
    assert second.ended() == 2
    holder = f"crankfold (process {check.process.pid})"
    assert second.said.startswith(f"serial port {board.name} is in use by {holder}; close that program")
    assert second.said.count("\n") == 1
    board.far.held.clear()
    assert check.ended() in (0, 3), check.said
    assert "ok: No samples lost out of" in check.said
    assert "ok: Current: noise" in check.said
    assert "ok: Range up to" in check.said


def test_a_clamp_calibrated_on_the_live_board(terminals: Callable[..., Any], far_bench: Any, tmp_path: Path,
                                              run: Callable[..., Running],
                                              codes: dict[int, np.ndarray[Any, Any]]) -> None:
    """The clamp is the wrong way round: 512 counts without current, 112 at 200 A."""
    board = Cranker(terminals, tmp_path, codes[500], "comma", 500, far_bench(tmp_path / "clock"))
    reading = [512]
    board.form = lambda i, a, b, rate: f"{reading[0] + i % 2},{b}\n"
    assert run("rig", "cart", "--from", f"serial-lines:{board.name}", far=board.far).ended() == 0
    check = run("check", "--rig", "cart", "--calibrate", "0A,200A", "--seconds", "1", far=board.far)
    check.wait_for("Set the current to 0 A, then press Enter.")
    check.type_enter()
    check.wait_for("counts at 0 A.")
    reading[0] = 112
    check.wait_for("Set the current to 200 A, then press Enter.")
    check.type_enter()
    assert check.ended() == 0, check.said
    assert "One amp is 2 counts." in check.said
    assert "The clamp is the wrong way round" in check.said
    kept = (tmp_path / "kept/crankfold/rigs/cart.toml").read_text(encoding="utf-8")
    points = re.search(r'^probe = "cal:([\d.]+)=0A,([\d.]+)=200A"$', kept, re.MULTILINE)
    assert points, kept
    # The reading alternates by one count: over an odd number of samples its mean lies beside the half.
    assert [float(point) for point in points.groups()] == pytest.approx([512.5, 112.5], abs=0.02)
