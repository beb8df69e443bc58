"""The installed command, its serial drivers by the clock of a bench in another process.

The bench keeps the time in a small file, and lets it run only while the drivers look at it and have read what came. No
process that a busy machine holds up is then taken for a silent board, nor bytes that it carries over late.
"""

from __future__ import annotations

import importlib
import os
import time
from pathlib import Path

import numpy as np
import serial

NOW_S, LOOKS, READ, OPENED, ASLEEP = range(5)
POLL_S = 3e-4
DRIVERS = tuple(f"crankfold.plugins.serial.{name}" for name in ("port", "line_opening", "lines_board", "frames_board"))


class FarClock:
    """Stands in for the module `time`."""

    def __init__(self) -> None:
        self.kept = np.memmap(os.environ["BENCH_CLOCK"], np.float64, "r+", shape=(5,))

    def monotonic(self) -> float:
        self.kept[LOOKS] += 1.0
        return float(self.kept[NOW_S])

    def sleep(self, seconds: float) -> None:
        until_s = self.monotonic() + seconds
        self.kept[ASLEEP] = 1.0  # and reads nothing meanwhile
        while self.monotonic() < until_s:
            time.sleep(POLL_S)
        self.kept[ASLEEP] = 0.0


clock = FarClock()


class PacedPort(serial.Serial):
    """Waits by the clock, and tells the bench how much it has read."""

    def open(self) -> None:
        super().open()
        clock.kept[READ] = 0.0
        clock.kept[OPENED] += 1.0

    def read(self, size: int = 1) -> bytes:
        until_s = clock.monotonic() + (self.timeout or 0.0)
        while not self.in_waiting and clock.monotonic() < until_s:
            time.sleep(POLL_S)
        data = bytes(super().read(size)) if self.in_waiting else b""
        clock.kept[READ] += len(data)
        return data

    def reset_input_buffer(self) -> None:
        self.read(self.in_waiting)


def main() -> None:
    Path("/proc/self/comm").write_text("crankfold", encoding="ascii")
    for module in (*DRIVERS, "crankfold.acquire.contract", "crankfold.acquire.rig.check"):
        importlib.import_module(module).time = clock  # type: ignore[attr-defined]
    serial.Serial = PacedPort
    importlib.import_module("crankfold.viewer.command_line").main()


if __name__ == "__main__":
    main()
