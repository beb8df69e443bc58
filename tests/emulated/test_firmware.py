"""The real firmware on an emulated chip, through a real serial port object, to samples and a verdict."""

from __future__ import annotations

import os
import shlex
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from crankfold.plugins.serial_frames import FrameBoard

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from crankfold.acquire.source import Block

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[1] / "hardware_notes" / "firmware"


def run(*command: str | Path) -> str:
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}\n{done.stdout}{done.stderr}"
    return done.stdout + done.stderr


@pytest.fixture(scope="module")
def host_program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    program = tmp_path_factory.mktemp("host") / "board_host"
    flags = shlex.split(run("pkg-config", "--cflags", "--libs", "simavr"))
    run("gcc", "-O2", "-Wall", "-Wextra", "-Werror", HERE / "board_host.c", "-o", program, *flags, "-lelf")
    return program


@pytest.fixture(scope="module")
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

    def end(self) -> None:
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.close()
        self.process.stdout.close()
        try:
            self.process.wait(5)
        finally:
            self.process.kill()
            os.close(self.held)


@pytest.fixture
def board(host_program: Path, firmware: Callable[[int], Path], tmp_path: Path) -> Iterator[Callable[..., EmulatedBoard]]:
    running: list[EmulatedBoard] = []

    def start(millivolts: np.ndarray, rows_a_second: float, *, baud: int = 1_000_000) -> EmulatedBoard:
        waveform = tmp_path / "waveform"
        millivolts.astype("<u2").tofile(waveform)
        process = subprocess.Popen([host_program, firmware(baud), waveform, str(rows_a_second)],
                                   stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        name = told(process, "TERMINAL").split()[1]
        held = os.open(name, os.O_RDWR | os.O_NOCTTY)  # a terminal that nobody holds forgets how it was set
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


def busy_waveform(rows: int) -> np.ndarray:
    """Two channels that never stand still, over the whole range of the converter."""
    draw = np.random.default_rng(20)
    return draw.integers(0, 5000, size=(rows, 2))


def read_for(source: FrameBoard, seconds: float) -> list[Block]:
    blocks = []
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        block = source.read(0.1)
        if block is not None:
            blocks.append(block)
    return blocks


@pytest.mark.parametrize(("baud", "rate_hz"), [(1_000_000, 20_000), (500_000, 10_000), (250_000, 5_000)])
def test_every_code_is_the_converters(board: Callable[..., EmulatedBoard], baud: int, rate_hz: int) -> None:
    emulated = board(busy_waveform(50_000), rate_hz * 1.0, baud=baud)
    with FrameBoard(emulated.address, {"baud": str(baud)}) as source:
        assert source.info.rate_hz == rate_hz
        assert source.info.skew_s == (0.0, 0.5 / rate_hz)
        assert [channel.name for channel in source.info.channels] == ["current", "sync"]
        assert source.info.channels[0].code_range == (0, 1023)
        source.start()
        blocks = read_for(source, 1.5)
        assert source.warnings == ()
    assert all(block.lost_before == 0 for block in blocks)
    codes = np.concatenate([block.codes for block in blocks])
    assert len(codes) > 1.3 * rate_hz
    np.testing.assert_array_equal(codes, emulated.expected(0, len(codes), rate_hz))


def test_rate_is_set_and_the_stream_starts_again(board: Callable[..., EmulatedBoard]) -> None:
    emulated = board(busy_waveform(1000), 1000.0)
    with FrameBoard(emulated.address, {"rate": "1500"}) as source:
        assert source.info.rate_hz == pytest.approx(16e6 / 10666, abs=1e-9)  # the nearest even divider
        for _ in range(2):
            source.start()
            blocks = read_for(source, 0.4)
            assert sum(len(block.codes) for block in blocks) > 400
            assert all(block.lost_before == 0 for block in blocks[1:])
            source.stop()


def test_a_rate_out_of_reach_is_said(board: Callable[..., EmulatedBoard]) -> None:
    emulated = board(busy_waveform(1000), 1000.0)
    with FrameBoard(emulated.address, {"rate": "50000"}) as source:
        assert source.info.rate_hz == 20_000
        assert "asked for 50000 samples a second and gives 20000" in source.warnings[0]


def test_loss_is_counted_exactly_when_the_reader_stalls(board: Callable[..., EmulatedBoard]) -> None:
    rate_hz = 20_000
    emulated = board(busy_waveform(100_000), rate_hz)
    with FrameBoard(emulated.address, {}) as source:
        source.start()
        blocks = read_for(source, 0.5)
        time.sleep(1.2)  # the line's buffers hold less than half of what is sent meanwhile
        blocks += read_for(source, 0.6)
        assert "damaged frames" in source.warnings[0]
    lost = [block.lost_before for block in blocks]
    assert None not in lost
    assert sum(count for count in lost if count) > 1000
    for block in blocks:  # every sample stands where it belongs, so the count is exact
        np.testing.assert_array_equal(block.codes, emulated.expected(block.first_index, len(block.codes), rate_hz))


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_a_minute_at_full_rate_loses_nothing(board: Callable[..., EmulatedBoard]) -> None:
    rate_hz = 20_000
    emulated = board(busy_waveform(100_000), rate_hz)
    with FrameBoard(emulated.address, {}) as source:
        source.start()
        blocks = read_for(source, 60.0)
        assert source.warnings == ()
    assert all(block.lost_before == 0 for block in blocks)
    codes = np.concatenate([block.codes for block in blocks])
    assert len(codes) > 59.5 * rate_hz
    np.testing.assert_array_equal(codes, emulated.expected(0, len(codes), rate_hz))
