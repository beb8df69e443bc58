"""The base of all sources: numbering, loss, the end, and drivers that break their promise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from crankfold.acquire import BoardDisconnectedError, EndOfStream, Samples, Source, SourceInfo
from crankfold.analysis import Channel

if TYPE_CHECKING:
    from collections.abc import Sequence


class Scripted(Source):
    """Gives what it was told to, one thing a read."""

    def __init__(self, script: Sequence[Samples | Exception | None]) -> None:
        super().__init__()
        self.script = list(script)
        self.calls: list[str] = []

    @property
    def info(self) -> SourceInfo:
        return SourceInfo(100.0, (Channel("current", "V"), Channel("sync", "V")), np.dtype(np.int16), "scripted")

    def _start(self) -> None:
        self.calls.append("start")

    def _read(self, timeout_s: float) -> Samples | None:
        step = self.script.pop(0) if self.script else EndOfStream()
        if isinstance(step, Exception):
            raise step
        return step

    def _stop(self) -> None:
        self.calls.append("stop")

    def _close(self) -> None:
        self.calls.append("close")


def codes(n: int) -> np.ndarray[tuple[int, ...], np.dtype[np.int16]]:
    return np.zeros((n, 2), dtype=np.int16)


def test_a_source_is_a_board_that_streams_for_ever_unless_it_says_otherwise() -> None:
    source = Scripted([])
    assert (source.info.live, source.info.finite, source.info.captured) == (True, False, False)
    assert (source.measured_rate_hz, source.notices, source.finished) == (None, (), False)


def test_blocks_are_numbered_and_known_loss_moves_the_index() -> None:
    source = Scripted([Samples(codes(3)), None, Samples(codes(4), 10), Samples(codes(2), None)])
    source.start()
    blocks = [source.read(0.1) for _ in range(4)]
    assert blocks[1] is None
    got = [(b.first_index, b.next_index, b.lost_before) for b in blocks if b is not None]
    assert got == [(0, 3, 0), (13, 17, 10), (17, 19, None)]


def test_codes_cannot_be_written_to() -> None:
    source = Scripted([Samples(codes(3))])
    source.start()
    block = source.read(0.1)
    assert block is not None
    with pytest.raises(ValueError, match="read-only"):
        block.codes[0, 0] = 1


def test_the_end_is_not_an_error() -> None:
    source = Scripted([Samples(codes(1))])
    source.start()
    assert source.read(0.1) is not None and not source.finished
    assert source.read(0.1) is None and source.finished
    assert source.read(0.1) is None


@pytest.mark.parametrize("samples", [
    Samples(np.zeros((3, 1), np.int16)), Samples(np.zeros(3, np.int16)), Samples(np.zeros((3, 2), np.int32)),
    Samples(codes(3), -1),
])
def test_a_driver_that_breaks_its_promise_is_named(samples: Samples) -> None:
    source = Scripted([samples])
    source.start()
    with pytest.raises(TypeError, match="scripted"):
        source.read(0.1)


def test_a_broken_stream_can_still_be_closed_once() -> None:
    with Scripted([BoardDisconnectedError("the board went away", "plug it in")]) as source:
        source.start()
        source.start()
        with pytest.raises(BoardDisconnectedError, match="the board went away; plug it in"):
            source.read(0.1)
    source.close()
    assert source.calls == ["start", "stop", "close"]


def test_reading_before_the_start_or_starting_after_the_end_is_the_callers_mistake() -> None:
    source = Scripted([])
    with pytest.raises(RuntimeError, match="before start"):
        source.read(0.1)
    source.close()
    with pytest.raises(RuntimeError, match="closed"):
        source.start()
