"""The RP2040 board's firmware, built and run on an emulated chip, its USB cable a real pseudo terminal."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tty
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from crankfold.plugins.serial import frames_board

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[2] / "hardware_notes" / "firmware" / "rp2040"
FLASH_ID = bytes.fromhex("E6614103E72B6A25")
NEEDED = "apt install gcc-arm-none-eabi make; npm ci --prefix tests/emulated/rp2040"


def run(*command: str | Path) -> str:
    try:
        done = subprocess.run([str(part) for part in command], capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.fail(f"{command[0]} is missing; this test needs: {NEEDED}")
    assert done.returncode == 0, f"{command}\n{done.stdout}{done.stderr}"
    return done.stdout + done.stderr


@pytest.fixture(autouse=True)
def patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a busy computer an emulated chip stands still for longer than the driver waits for a real one."""
    for limit in ("ASK_AGAIN_S", "ANSWER_S", "RESET_S", "SILENCE_S"):
        monkeypatch.setattr(frames_board, limit, 20.0)


@pytest.fixture(scope="session")
def uf2(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("rp2040")
    run("make", "-C", FIRMWARE, f"OUT={folder}")  # a warning is an error there
    return folder / "board.uf2"


@dataclass
class EmulatedBoard:
    """A running board: its terminal, what a computer learns of it when it is plugged in, and what its pins see."""

    address: str
    identity: dict[str, Any]
    process: subprocess.Popen[bytes]
    tenths_mv: np.ndarray
    rows_a_second: float
    held: int

    def expected(self, first: int, count: int, rate_hz: float, inputs: Sequence[int]) -> np.ndarray:
        """The converter's formula for what it is fed, sample by sample, the inputs one after the other."""
        conversions = np.arange(first, first + count)[:, np.newaxis] * len(inputs) + np.arange(len(inputs))
        rows = np.floor(conversions / (rate_hz * len(inputs)) * self.rows_a_second + 1e-6).astype(np.int64)
        values = self.tenths_mv[rows % len(self.tenths_mv), inputs].astype(np.int64)
        return np.minimum(values * 4096 // 33000, 4095)

    def told(self, word: str) -> str:
        """Wait until the host program says a line that begins with `word`, and return the rest of it."""
        assert self.process.stdout is not None
        return told(self.process, word)

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()
        os.close(self.held)


def told(process: subprocess.Popen[bytes], word: str) -> str:
    said = ""
    assert process.stdout is not None
    for line in process.stdout:
        said = line.decode()
        if said.startswith(word):
            return said.removeprefix(word).strip()
    raise AssertionError(f"the host program ended with {process.wait()}, and said at last: {said}")


def node() -> str:
    found = shutil.which("node", path=f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}")
    if found is None:
        pytest.fail(f"node is missing; this test needs: {NEEDED}")
    return found


@pytest.fixture
def board(uf2: Path, tmp_path: Path) -> Iterator[Callable[..., EmulatedBoard]]:
    running: list[EmulatedBoard] = []

    def start(tenths_mv: np.ndarray, rows_a_second: float, events: Sequence[dict[str, Any]] = (), *,
              patient: bool = True) -> EmulatedBoard:
        waveform = tmp_path / "waveform"
        tenths_mv.astype("<u2").tofile(waveform)
        master, held = os.openpty()
        tty.setraw(held)
        os.set_blocking(master, False)
        options = {"uf2": str(uf2), "waveform": str(waveform), "rows_a_second": rows_a_second, "terminal": master,
                   "flash_id": list(FLASH_ID), "events": list(events), "patient": patient}
        process = subprocess.Popen([node(), HERE / "board_host.mjs", json.dumps(options)], stdout=subprocess.PIPE,
                                   pass_fds=[master])
        os.close(master)
        made = EmulatedBoard(os.ttyname(held), {}, process, tenths_mv, rows_a_second, held)
        running.append(made)
        made.identity = json.loads(made.told("IDENTITY"))
        made.told("READY")
        return made

    yield start
    for one in running:
        one.end()
