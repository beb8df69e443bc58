"""What a person sees of a text board that is not as it should be: through the installed command, on a real terminal."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from crankfold.plugins.virtual.engine import leak_for, simulate
from crankfold.plugins.virtual.leads import SyncLead
from crankfold.plugins.virtual.signals import RigSpec, record
from crankfold.plugins.virtual.specs import Bench, KeySpec

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


CRANKFOLD = Path(sys.executable).parent / "crankfold"
BY_THE_BENCH_CLOCK = (sys.executable, "-P", Path(__file__).with_name("by_the_bench_clock.py"))
ORDER = ("--firing-order", "1-3-4-2")
RATE_HZ = 500


@pytest.fixture
def far(far_bench: Any, tmp_path: Path) -> Any:
    return far_bench(tmp_path / "clock")


@pytest.fixture
def terminal(terminals: Callable[..., Any], far: Any) -> Any:
    """A board whose time runs while the command reads it."""
    return terminals(far)


def command(folder: Path, *arguments: object, far: Any = None) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "LC_ALL": "C.UTF-8", "NO_COLOR": "1", "XDG_CONFIG_HOME": str(folder),
                   **(far.environment if far else {})}
    program = BY_THE_BENCH_CLOCK if far else (CRANKFOLD,)
    return subprocess.run([*program, *map(str, arguments)], cwd=folder, env=environment, text=True,
                          capture_output=True, check=False)


def six(i: int) -> bytes:
    return b"%d,400,%d,22,%d,1\n" % (i, 512 + i * 7 % 5, i * 11 % 3)


def test_six_columns_are_shown_and_never_fit_nor_recorded(terminals: Callable[..., Any], far_bench: Any,
                                                          tmp_path: Path) -> None:
    fars = [far_bench(tmp_path / name) for name in ("first", "second")]
    boards = [terminals(far) for far in fars]
    for board in boards:
        board.print_lines(six, RATE_HZ)
        board.let_go()
    checked = command(tmp_path, "check", "--from", f"serial-lines:{boards[0].name}", "--seconds", "1", far=fars[0])
    assert checked.returncode == 3, checked.stdout + checked.stderr
    assert "2: always 400, never moves" in checked.stdout
    assert "3: 512 to 516, a signal, taken as current" in checked.stdout
    assert "Nothing says which of the 6 columns is the current" in checked.stdout
    assert "ready to use" not in checked.stdout
    refused = command(tmp_path, "capture", "--from", f"serial-lines:{boards[1].name}", *ORDER, "--once",
                      far=fars[1])
    assert refused.returncode == 2
    (line,) = refused.stderr.splitlines()
    assert "nothing says which of 6 numbers in a line is the current" in line
    assert "as in -,-,current,-,sync,-" in line
    assert "Crank" not in refused.stdout


def test_somebody_at_the_keyboard_is_asked_which_column_is_which(terminal: Any, far: Any, tmp_path: Path) -> None:
    terminal.print_lines(six, RATE_HZ)
    terminal.let_go()
    keyboard, near = os.openpty()
    environment = {**os.environ, "PYTHONUNBUFFERED": "1", "LC_ALL": "C.UTF-8", "NO_COLOR": "1", **far.environment}
    process = subprocess.Popen([*BY_THE_BENCH_CLOCK, "capture", "--from", f"serial-lines:{terminal.name}", *ORDER],
                               cwd=tmp_path, env=environment, stdin=near, stdout=subprocess.PIPE,
                               stderr=subprocess.STDOUT, text=True)
    timer = threading.Timer(150, process.kill)
    timer.start()
    os.write(keyboard, b"3\n5\n")
    assert process.stdout is not None
    said = ""
    for line in process.stdout:
        said += line
        if "Armed" in line or "Crank" in line:
            process.send_signal(signal.SIGINT)
    timer.cancel()
    process.wait()
    process.stdout.close()
    os.close(keyboard)
    os.close(near)
    assert "2: always 400, never moves" in said
    assert "Which number is the current [3]:" in said
    assert "--set columns=-,-,current,-,sync,-" in said
    assert "Armed" in said or "Crank" in said


def test_a_board_too_slow_for_the_engine_is_said_before_anybody_cranks(terminal: Any, far: Any, tmp_path: Path) -> None:
    terminal.print_lines(lambda i: b"%d,3\n" % (512 + i % 2), 50)
    terminal.let_go()
    done = command(tmp_path, "capture", "--from", f"serial-lines:{terminal.name}", *ORDER, "--once", far=far)
    assert done.returncode == 2
    assert "samples a second are too few, 4 cylinders need at least 80" in done.stderr
    assert "Crank" not in done.stdout


class Watched:
    """The command at work, told to end once it has said something."""

    def __init__(self, far: Any, folder: Path, *arguments: object) -> None:
        environment = {**os.environ, "PYTHONUNBUFFERED": "1", "LC_ALL": "C.UTF-8", "NO_COLOR": "1", **far.environment}
        self.process = subprocess.Popen([*BY_THE_BENCH_CLOCK, *map(str, arguments)], cwd=folder, env=environment,
                                        text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                                        stdin=subprocess.DEVNULL)
        self.lines: list[str] = []

    def until(self, words: str) -> str:
        assert self.process.stdout is not None
        timer = threading.Timer(150, self.process.kill)
        timer.start()
        try:
            for line in self.process.stdout:
                self.lines.append(line)
                if words in line:
                    return line
        finally:
            timer.cancel()
        raise AssertionError("".join(self.lines))

    def end(self) -> None:
        self.process.send_signal(signal.SIGINT)
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()


@pytest.fixture
def watched(far: Any, tmp_path: Path) -> Iterator[Callable[..., Watched]]:
    running: list[Watched] = []

    def start(*arguments: object) -> Watched:
        running.append(Watched(far, tmp_path, *arguments))
        return running[-1]

    yield start
    for each in running:
        each.end()


def crank_codes() -> np.ndarray[Any, Any]:
    """A crank of 130 A through a clamp of 10 mV/A into a 10-bit converter of 5 V, three seconds long."""
    since = np.arange(3 * RATE_HZ) / RATE_HZ
    amperes = 130.0 + 40.0 * np.cos(2 * np.pi * 6.5 * since) + 250.0 * np.exp(-since / 0.08)
    return np.rint((2.5 + 0.01 * amperes) * 1024 / 5).astype(int)


def test_a_crank_on_a_wrong_scale_is_named_with_its_reason(terminal: Any, watched: Callable[..., Watched]) -> None:
    codes = crank_codes()
    started: list[int] = []

    def line(i: int) -> bytes:
        at = i - started[0] if started else -1
        return b"%d,3\n" % (codes[at] if 0 <= at < len(codes) else 512 + i % 2)

    terminal.print_lines(line, RATE_HZ)
    terminal.let_go()
    run = watched("capture", "--from", f"serial-lines:{terminal.name}", *ORDER, "--clamp", "100mV/A", "--set",
                  "full-scale=5V", "--set", "bits=10")
    run.until("Armed")
    started.append(terminal.printed)
    said = run.until("not taken for cranking")
    assert said.startswith("13") or said.startswith("14") or said.startswith("12"), said
    assert "a starter draws more. If that was the starter, is the probe's scale right?" in said


def test_five_channels_from_the_board_to_the_answer(terminal: Any, far: Any, tmp_path: Path) -> None:
    """Current, spark, cam, battery and pressure of a pump with a worn cylinder 3, printed as JSON."""
    names = {"current_A": "current", "spark": "sync", "battery_V": "battery", "pressure_bar": "pressure", "cam": "cam"}
    samples = whole_pump()
    started: list[int] = []

    def line(i: int) -> bytes:
        at = i - started[0] if started else -1
        row = samples[at if 0 <= at < len(samples) else i % 100]
        return (json.dumps({name: round(float(value), 3) for name, value in zip(names, row, strict=True)})
                + "\r\n").encode()

    terminal.print_lines(line, PUMP_HZ)
    terminal.let_go()
    run = Watched(far, tmp_path, "capture", "--from", f"serial-lines:{terminal.name}", *ORDER,
                  "--sync", "waste-spark:1", "--sync", "cam:1@200@cam", "--count", "1", "--out", tmp_path / "kept",
                  "--json", tmp_path / "a.json")
    run.until("Armed")
    started.append(terminal.printed + 5)
    assert run.process.wait() == 0
    assert run.process.stdout is not None
    run.process.stdout.close()
    answer = json.loads((tmp_path / "a.json").read_text())
    assert (answer["verdict"], answer["low"]) == ("uneven", [3])
    assert [(source["channel"], source["agrees"]) for source in answer["sync_sources"]] == [("sync", True),
                                                                                          ("cam", True)]
    assert 0.004 < answer["health"]["battery_ohm"] < 0.012
    assert all("pressure_bar" in cylinder for cylinder in answer["cylinders"])
    (kept,) = (tmp_path / "kept").glob("*.h5")
    table = tmp_path / "table.csv"
    assert command(tmp_path, "export", kept, "--out", table).returncode == 0
    assert table.read_text().splitlines()[0].count(",") == 5
    both = ("--sync", "waste-spark:1", "--sync", "cam:1@200@cam")
    again = command(tmp_path, "analyse", table, *ORDER, *both, "--json", "-")
    assert json.loads(again.stdout)["low"] == [3]


PUMP_HZ = 500


def whole_pump() -> np.ndarray[Any, Any]:
    """Return one cranking of the virtual pump as five columns, in their units."""
    bench = Bench(key=KeySpec(on_s=0.3, off_s=3.6))
    engine = bench.engine.with_cylinder(3, leak_for(bench.engine, 1, 50.0, 200.0))
    run = simulate(replace(bench, engine=engine), 4.3, seed=2)

    def taken(column: int, **rig: Any) -> np.ndarray[Any, Any]:
        recording = record(run, RigSpec(rate_hz=PUMP_HZ, bandwidth_hz=200.0, **rig), seed=2)
        return np.asarray(recording.columns[column].values(recording.codes[:, column]))

    leads = [taken(1, sync=SyncLead("waste-spark", 1)), taken(1, sync=SyncLead("pressure", 4)),
             taken(1, sync=SyncLead("cam", 1, 200.0))]
    return np.column_stack([taken(0) / 0.010, leads[0], taken(0, quantity="battery-voltage"), leads[1], leads[2]])


def test_losses_are_summed_on_the_screen(terminal: Any, far: Any, watched: Callable[..., Watched]) -> None:
    terminal.print_lines(lambda i: b"" if i % 10 == 7 and i > 2000 else b"%d,%d,3\n" % (2 * i, 512 + i % 2), RATE_HZ)
    terminal.let_go()
    run = watched("capture", "--from", f"serial-lines:{terminal.name}", *ORDER)
    run.until("Armed")
    run.until("samples lost.")
    began, count = far.monotonic(), len(run.lines)
    for _ in range(3):
        run.until("samples lost.")
    assert len(run.lines) == count + 3
    assert far.monotonic() - began > 1.5, "150 losses came meanwhile"
