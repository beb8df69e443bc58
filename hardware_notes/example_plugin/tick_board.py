"""An example board: a made-up converter that ticks along with the clock. Replace the marked lines by your hardware."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from crankfold.acquire import (
    CURRENT,
    BoardDeclaration,
    BoardFound,
    BoardNotFoundError,
    Channel,
    Samples,
    Setting,
    SettingError,
    Source,
    SourceInfo,
    hookimpl,
)

crankfold_contract = 1


class TickBoard(Source):
    """Ten bits, one channel, 5 V full scale."""

    def __init__(self, address: str, settings: Mapping[str, str]) -> None:
        super().__init__()
        if address not in {"", "TICK-1"}:  # hardware: look for the board, open its port
            raise BoardNotFoundError(f"there is no tick board {address!r}", "plug it in, or leave the address out")
        rate = settings.get("rate", "2000")
        if not rate.isdigit() or not 100 <= int(rate) <= 20000:
            raise SettingError(f"the tick board cannot do rate={rate}", "give 100 to 20000 samples a second")
        channel = Channel(CURRENT, "V", scale=5 / 1024, code_range=(0, 1023), code_dtype="uint16")
        self._info = SourceInfo(float(rate), (channel,), np.dtype(np.uint16), "tick board", address="TICK-1")

    @property
    def info(self) -> SourceInfo:
        """What the board says of itself."""
        return self._info

    def _start(self) -> None:
        self._began_s, self._given = time.monotonic(), 0  # hardware: throw away what is old, tell it to stream

    def _read(self, timeout_s: float) -> Samples | None:
        time.sleep(min(timeout_s, 0.01))  # hardware: wait for bytes, at most so long
        due = int((time.monotonic() - self._began_s) * self._info.rate_hz)
        codes = (np.arange(self._given, due) % 1024).astype(np.uint16)  # hardware: decode what came
        self._given = due
        return Samples(codes[:, np.newaxis], lost_before=0) if len(codes) else None  # hardware: count what was lost


def _discover(_deadline_s: float) -> Iterable[BoardFound]:
    return [BoardFound("TICK-1", "tick board, serial number TICK-1", serial="TICK-1")]


@hookimpl
def crankfold_boards() -> Sequence[BoardDeclaration]:
    """Return the one kind of board."""
    return [BoardDeclaration("tick-board", "the example board", TickBoard, _discover,
                             (Setting("rate", "samples a second, 100 to 20000", "5000", "2000"),), "its serial number")]
