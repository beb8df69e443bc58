"""A source that plays what a virtual engine made, in blocks as a board sends them, at any pace."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import BoardDisconnectedError, EndOfStream, Samples, Source, SourceInfo, load_plugins, open_board

if TYPE_CHECKING:
    from numpy.typing import NDArray

BLOCK_S = 0.02


class PacedSource(Source):
    """Plays codes once, and then ends.

    Parameters
    ----------
    info, codes
        Of what is played.
    speed
        How many times as fast as it was taken.
    hold
        How many times each sample comes, so that the rate is as many times as high.
    every_s
        Play it without an end: once in so many seconds, and in between its first second over and over.
    breaks_at
        The sample before which the board is unplugged.

    Attributes
    ----------
    began_s
        When it was started, on the monotonic clock.
    latest_s
        How late a read came at the most.
    """

    def __init__(self, info: SourceInfo, codes: NDArray[Any], *, speed: float = 1.0, hold: int = 1,
                 every_s: float | None = None, breaks_at: int | None = None) -> None:
        super().__init__()
        endless = every_s is not None
        self._rate_hz, self._block = info.rate_hz, round(BLOCK_S * info.rate_hz)
        self._info = replace(info, rate_hz=info.rate_hz * hold, finite=info.finite and not endless,
                             live=info.live or endless)
        self._codes = codes[: len(codes) // self._block * self._block] if endless else codes
        self._quiet = codes[: round(info.rate_hz)]
        self._every = None if every_s is None else round(every_s * info.rate_hz)
        self._speed, self._hold, self._breaks_at = speed, hold, breaks_at
        self._given, self.began_s, self.latest_s = 0, 0.0, 0.0

    @property
    def info(self) -> SourceInfo:
        return self._info

    @property
    def cranks(self) -> int:
        """How often it has been played to its end, where it has no end."""
        return 0 if self._every is None else self._given // self._every

    def _start(self) -> None:
        self.began_s = time.monotonic()

    def _read(self, timeout_s: float) -> Samples | None:
        if self._breaks_at is not None and self._given >= self._breaks_at:
            raise BoardDisconnectedError("the board was unplugged", "plug it in again")
        codes = self._next()
        if not len(codes):
            raise EndOfStream
        due_s = self.began_s + (self._given + len(codes)) / self._rate_hz / self._speed
        self.latest_s = max(self.latest_s, time.monotonic() - due_s)
        time.sleep(min(max(due_s - time.monotonic(), 0.0), timeout_s))
        if time.monotonic() < due_s:
            return None
        self._given += len(codes)
        return Samples(codes if self._hold == 1 else np.repeat(codes, self._hold, axis=0))

    def _next(self) -> NDArray[Any]:
        """Return the codes of the next block."""
        if self._every is None:
            return self._codes[self._given : self._given + self._block]
        at = self._given % self._every - (self._every - len(self._codes))
        played, at = (self._codes, at) if at >= 0 else (self._quiet, self._given % len(self._quiet))
        return played[at : at + self._block]


def codes_of(address: str) -> tuple[SourceInfo, NDArray[Any]]:
    """Return what a virtual board's source says of itself, and all its codes."""
    source = open_board(f"virtual:{address},pace=flat", {}, load_plugins())
    with source:
        source.start()
        blocks = []
        while not source.finished:
            block = source.read(0.1)
            if block is not None:
                blocks.append(block.codes)
    return source.info, np.concatenate(blocks)
