"""The bases for boards that call back and for boards on the network, where things go wrong."""

from __future__ import annotations

import socket
import threading
from typing import TYPE_CHECKING

import numpy as np
import pytest

from crankfold.acquire import (
    CURRENT,
    BoardDisconnectedError,
    BoardNotFoundError,
    BoardStalledError,
    CallbackSource,
    Channel,
    Samples,
    SocketSource,
    SourceInfo,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

INFO = SourceInfo(1000.0, (Channel(CURRENT, "V", code_dtype="int16"),), np.dtype(np.int16), "bench")


class Pushed(CallbackSource):
    info = INFO

    def _begin(self) -> None:
        self.begun = True


def codes(first: int, count: int) -> np.ndarray:
    return np.arange(first, first + count, dtype=np.int16)[:, None]


def test_what_does_not_fit_is_counted_before_the_next_that_does() -> None:
    source = Pushed(held_s=0.25)
    source.start()
    for at in range(6):
        source.push(codes(100 * at, 100))
    assert [source.read(0.0).lost_before for _ in range(2)] == [0, 0]
    source.push(codes(600, 100), lost_before=7)
    after = source.read(0.0)
    assert (after.lost_before, after.first_index) == (400 + 7, 200 + 407)
    assert source.read(0.0) is None
    source.close()


def test_one_large_buffer_is_never_too_large() -> None:
    source = Pushed(held_s=0.1)
    source.start()
    source.push(codes(0, 900))
    assert len(source.read(0.0).codes) == 900
    source.close()


def test_an_unknown_loss_stays_unknown_however_much_is_counted_besides() -> None:
    source = Pushed()
    source.start()
    source.lose(None)
    source.lose(5)
    source.push(codes(0, 10))
    assert source.read(0.0).lost_before is None
    source.push(codes(10, 10))
    assert source.read(0.0).lost_before == 0
    source.close()


def test_the_librarys_memory_may_be_filled_again() -> None:
    source, memory = Pushed(), codes(0, 10)
    source.start()
    source.push(memory)
    memory[:] = -1
    np.testing.assert_array_equal(source.read(0.0).codes, codes(0, 10))
    source.close()


def test_what_came_before_a_break_is_read_first_and_a_late_callback_does_no_harm() -> None:
    source = Pushed()
    source.start()
    source.push(codes(0, 10))
    source.fail(BoardDisconnectedError("gone", "plug it in"))
    assert source.read(0.0) is not None
    with pytest.raises(BoardDisconnectedError):
        source.read(0.0)
    source.stop()
    source.push(codes(10, 10))
    source.start()
    assert source.read(0.0) is None  # nothing from before
    source.finish()
    assert source.read(0.5) is None
    assert source.finished
    source.close()


def test_a_reader_that_waits_is_woken() -> None:
    source = Pushed()
    source.start()
    pusher = threading.Timer(0.05, lambda: source.push(codes(0, 3)))
    pusher.start()
    assert len(source.read(20.0).codes) == 3
    pusher.join()
    source.close()


class Numbers(SocketSource):
    info = INFO

    def _decode(self, data: bytes) -> Iterable[Samples]:
        return [Samples(np.frombuffer(data[: len(data) // 2 * 2], "<i2")[:, None])]

    def _hello(self) -> None:
        self.send(b"go")


@pytest.fixture
def server() -> Iterator[socket.socket]:
    made = socket.create_server(("127.0.0.1", 0))
    yield made
    made.close()


def test_a_board_that_falls_silent_and_one_that_hangs_up(server: socket.socket) -> None:
    with Numbers(*server.getsockname(), silence_s=0.2) as source:
        board, _ = server.accept()
        board.sendall(b"old")
        source.start()
        assert board.recv(10) == b"go"
        board.sendall(codes(0, 5).tobytes())
        np.testing.assert_array_equal(source.read(10.0).codes, codes(0, 5))
        with pytest.raises(BoardStalledError, match="has sent nothing for"):
            while True:
                source.read(0.1)
        board.close()
        with pytest.raises(BoardDisconnectedError, match="has closed the connection"):
            while True:
                source.read(0.1)


def test_nobody_there_and_no_such_name() -> None:
    with socket.create_server(("127.0.0.1", 0)) as gone:
        where = gone.getsockname()
    with pytest.raises(BoardNotFoundError, match=r"no board answers at 127\.0\.0\.1"):
        Numbers(*where)
