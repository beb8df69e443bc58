"""An example board whose library calls back on its own thread. Replace the marked lines by your hardware's."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import made_up
import numpy as np

from crankfold.acquire import (
    CURRENT,
    SYNC,
    BoardDeclaration,
    BoardFound,
    BoardNotFoundError,
    CallbackSource,
    Capabilities,
    Channel,
    SourceInfo,
    hookimpl,
)

crankfold_contract = 1
CHANNELS = tuple(Channel(name, "V", 5 / 1024, code_range=(0, 1023), code_dtype="int16") for name in (CURRENT, SYNC))


class CallbackBoard(CallbackSource):
    """Two channels, pushed; what does not fit the queue is counted by the base."""

    def __init__(self, address: str, settings: Mapping[str, str]) -> None:
        super().__init__()
        if address not in {"", "CALL-1"}:  # hardware: look for the board
            raise BoardNotFoundError(f"there is no callback board {address!r}", "plug it in")
        self._info = SourceInfo(made_up.RATE_HZ, CHANNELS, np.dtype(np.int16), "callback board", "CALL-1")
        self.library = made_up.Library(self._called)  # hardware: open it

    @property
    def info(self) -> SourceInfo:
        """What the board says of itself."""
        return self._info

    def _called(self, buffer: np.ndarray[Any, Any], lost: int, stamp_s: float) -> None:
        self.push(buffer, lost_before=lost, device_s=stamp_s)  # hardware: its own loss and clock, if it tells them

    def _begin(self) -> None:
        self.library.start()  # hardware: start streaming

    def _end(self) -> None:
        self.library.stop()  # hardware: stop streaming


def _discover(_deadline_s: float) -> Iterable[BoardFound]:
    return [BoardFound("CALL-1", "callback board", "CALL-1", can=Capabilities(2, made_up.RATE_HZ, 10))]


@hookimpl
def crankfold_boards() -> Sequence[BoardDeclaration]:
    """Return the one kind of board."""
    return [BoardDeclaration("callback-board", "an example that is called back", CallbackBoard, _discover)]
