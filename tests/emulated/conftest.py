"""The board's firmware, built and run on an emulated chip, its serial line a real pseudo terminal."""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[1] / "hardware_notes" / "firmware" / "atmega328p"
APT = "gcc-avr avr-libc binutils-avr libsimavr-dev libelf-dev pkg-config gcc make"


def run(*command: str | Path) -> str:
    try:
        done = subprocess.run([str(part) for part in command], capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.fail(f"{command[0]} is missing; this test needs: apt install {APT}")
    assert done.returncode == 0, f"{command}\n{done.stdout}{done.stderr}"
    return done.stdout + done.stderr


@pytest.fixture
def patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a busy computer an emulated chip stands still for longer than the driver waits for a real one."""
    for limit in ("ASK_AGAIN_S", "ANSWER_S", "RESET_S", "SILENCE_S"):
        monkeypatch.setattr(f"crankfold.plugins.serial.frames_board.{limit}", 20.0)


@pytest.fixture(scope="session")
def host_program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    program = tmp_path_factory.mktemp("host") / "board_host"
    flags = shlex.split(run("pkg-config", "--cflags", "--libs", "simavr"))
    run("gcc", "-O2", "-Wall", "-Wextra", "-Werror", HERE / "board_host.c", "-o", program, *flags, "-lelf")
    return program


@pytest.fixture(scope="session")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Callable[[int], Path]:
    built: dict[int, Path] = {}

    def build(baud: int) -> Path:
        if baud not in built:
            folder = tmp_path_factory.mktemp(f"firmware{baud}")
            said = run("make", "-C", FIRMWARE, f"OUT={folder}", f"BAUD={baud}")
            assert "warning" not in said.lower()
            built[baud] = folder / "board.elf"
        return built[baud]

    return build


@dataclass
class EmulatedBoard:
    """A running board: where its serial line is, and what its converter sees."""

    address: str
    process: subprocess.Popen[bytes]
    millivolts: np.ndarray
    rows_a_second: float
    held: int

    def expected(self, first: int, count: int, rate_hz: float) -> np.ndarray:
        """The chip's formula for what it is fed, sample by sample; the second channel half a period later."""
        times = (np.arange(first, first + count)[:, np.newaxis] + np.array([0.0, 0.5])) / rate_hz
        rows = np.floor(times * self.rows_a_second + 1e-6).astype(np.int64) % len(self.millivolts)
        return self.millivolts[rows, [0, 1]].astype(np.int64) * 1023 // 5000

    def lose_some(self) -> None:
        """Let the chip run on while nobody reads, until 16 KiB found no room."""
        self.process.send_signal(signal.SIGUSR1)
        told(self.process, "DROPPED")

    def end(self) -> None:
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.close()
        self.process.stdout.close()
        try:
            self.process.wait(30)
        finally:
            self.process.kill()
            if self.held >= 0:
                os.close(self.held)


@pytest.fixture
def board(host_program: Path, firmware: Callable[[int], Path],
          tmp_path: Path) -> Iterator[Callable[..., EmulatedBoard]]:
    running: list[EmulatedBoard] = []

    def start(millivolts: np.ndarray, rows_a_second: float, *, baud: int = 1_000_000,
              held_by_tests: bool = True, longest_stall: int = 0) -> EmulatedBoard:
        waveform = tmp_path / "waveform"
        millivolts.astype("<u2").tofile(waveform)
        process = subprocess.Popen([host_program, firmware(baud), waveform, str(rows_a_second), str(longest_stall)],
                                   stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        name = told(process, "TERMINAL").split()[1]
        # a terminal that nobody holds forgets how it was set, but another process may want it for itself
        held = os.open(name, os.O_RDWR | os.O_NOCTTY) if held_by_tests else -1
        assert process.stdin is not None
        process.stdin.write(b"\n")
        process.stdin.flush()
        told(process, "READY")
        running.append(EmulatedBoard(name, process, millivolts, rows_a_second, held))
        return running[-1]

    yield start
    for one in running:
        one.end()


def told(process: subprocess.Popen[bytes], word: str) -> str:
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith(word.encode()):
            return line.decode()
    raise AssertionError(f"the host program ended with {process.wait()} before it said {word}")
