"""An example sound input made for direct current: current on the left, the spark on the right."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import made_up
import numpy as np

from crankfold.acquire import BoardDeclaration, BoardFound, BoardNotFoundError, Setting, SoundSource, hookimpl

crankfold_contract = 1
COUPLING = Setting("coupling", "ac or dc for each input", "dc,ac", "dc,ac")


class SoundBoard(SoundSource):
    """Two inputs of 16 bits; the base refuses the current on one that blocks it."""

    def __init__(self, address: str, settings: Mapping[str, str]) -> None:
        if address not in {"", "SOUND-1"}:  # hardware: look for the input
            raise BoardNotFoundError(f"there is no sound board {address!r}", "plug it in")
        super().__init__("sound board", "SOUND-1", rate_hz=made_up.RATE_HZ, names=("current", "sync"),
                         coupling=settings.get("coupling", COUPLING.default).split(","), full_scale_v=1.0)
        self.library = made_up.Library(self._called)  # hardware: open it

    def _called(self, buffer: np.ndarray[Any, Any], lost: int, stamp_s: float) -> None:
        self.take(buffer.tobytes(), overflow=bool(lost), device_s=stamp_s)  # the clock counts what was lost

    def _begin(self) -> None:
        self.library.start()  # hardware: start the sound

    def _end(self) -> None:
        self.library.stop()  # hardware: stop it


def _discover(_deadline_s: float) -> Iterable[BoardFound]:
    return [BoardFound("SOUND-1", "sound board")]


@hookimpl
def crankfold_boards() -> Sequence[BoardDeclaration]:
    """Return the one kind of board."""
    return [BoardDeclaration("sound-board", "an example sound input", SoundBoard, _discover, (COUPLING,))]
