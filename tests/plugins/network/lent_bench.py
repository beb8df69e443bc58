"""A board driven by hand, a cable that can be cut, and a lender for both; for the tests of this folder."""

from __future__ import annotations

import contextlib
import select
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from crankfold.acquire import BoardNotFoundError, CallbackSource, Channel, Source, SourceInfo
from crankfold.acquire.network import Lender
from crankfold.plugins.network.board import NetworkBoard

CHANNELS = (Channel("current", "A", 0.5, -10.0, (-3000, 3000), "int16"),
            Channel("sync", "V", 0.001, code_range=(-3000, 3000), code_dtype="int16"),
            Channel("battery", "V", 0.002, 6.0, (-3000, 3000), "int16"))
RATE_HZ = 4000.0
LONG_S = 30.0  # for what is waited for, on a machine that is busy


def codes_at(first: int, count: int) -> np.ndarray:
    """Return what the bench board has at each index: every sample tells its own number."""
    index = np.arange(first, first + count)
    return np.stack([index % 2000, index // 2000 % 2000, index % 7 - 3], axis=1).astype(np.int16)


class Bench(CallbackSource):
    """A board that is driven by hand: `give` samples, `skip` some, break it."""

    info = SourceInfo(RATE_HZ, CHANNELS, np.dtype(np.int16), "bench board", "bench")

    def __init__(self, *, paced: bool = False, **more: object) -> None:
        super().__init__(held_s=600.0)
        self.info = replace(self.info, **more)  # type: ignore[arg-type]
        self.at, self.begun = 0, threading.Event()
        self._paced, self._end_it = paced, threading.Event()
        self._thread: threading.Thread | None = None

    def give(self, count: int, lost: int | None = 0, **more: object) -> None:
        self.at += lost or 0
        self.push(codes_at(self.at, count), lost_before=lost, **more)  # type: ignore[arg-type]
        self.at += count

    def _begin(self) -> None:
        if self._paced:
            self._end_it.clear()
            self._thread = threading.Thread(target=self._tick, daemon=True)
            self._thread.start()
        self.begun.set()

    def _tick(self) -> None:
        began_s, given = time.monotonic(), 0
        while not self._end_it.wait(0.02):
            due = int((time.monotonic() - began_s) * RATE_HZ) - given
            self.give(due)
            given += due

    def _end(self) -> None:
        self._end_it.set()
        if self._thread is not None:
            self._thread.join()


class Cable:
    """A way through which both sides talk; it can go dead without a word, hang up, and be mended."""

    def __init__(self, port: int) -> None:
        self._target, self.dead = port, threading.Event()
        self.seen = bytearray()
        self._ends: list[socket.socket] = []
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        pairs: dict[socket.socket, socket.socket] = {}
        with contextlib.suppress(OSError, ValueError):
            while True:
                alive = [line for line in pairs if line.fileno() >= 0]
                for line in select.select([self._listening, *alive], [], [], 0.02)[0]:
                    if line is self._listening:
                        one = line.accept()[0]
                        if self.dead.is_set():
                            one.close()
                            continue
                        other = socket.create_connection(("127.0.0.1", self._target))
                        pairs |= {one: other, other: one}
                        self._ends += [one, other]
                    elif not self.dead.is_set():
                        data = line.recv(1 << 16)
                        self.seen += data
                        pairs[line].sendall(data) if data else pairs[line].shutdown(socket.SHUT_WR)
                        if not data:
                            pairs.pop(line)
                if self.dead.is_set():
                    time.sleep(0.01)

    def hang_up(self) -> None:
        self.dead.set()
        for end in self._ends:
            end.close()
        self._ends.clear()

    def close(self) -> None:
        self._listening.close()
        self._thread.join(LONG_S)
        for end in self._ends:
            end.close()


@contextlib.contextmanager
def lending(*boards: Source, **more: object) -> Iterator[Lender]:
    waiting = list(boards)

    def opened() -> Source:
        if not waiting:
            raise BoardNotFoundError("the bench is empty", "put a board on it")
        return waiting.pop(0)

    with Lender(opened, "127.0.0.1", 0, **more) as lender:  # type: ignore[arg-type]
        yield lender


def borrowed(port: int, **settings: str) -> NetworkBoard:
    return NetworkBoard(f"127.0.0.1:{port}", settings)


def gathered(source: Source, until: Callable[[int], bool]) -> tuple[np.ndarray, list[tuple[int, int | None]]]:
    """Return all codes up to when `until` holds of the next index, and each loss with the index after it."""
    found, losses, end_s = [], [], time.monotonic() + LONG_S
    next_index = 0
    while not until(next_index):
        assert time.monotonic() < end_s
        block = source.read(0.05)
        if block is not None:
            found.append(block.codes)
            next_index = block.next_index
            if block.lost_before != 0:
                losses.append((block.first_index, block.lost_before))
    return np.concatenate(found), losses


def wait_for(what: Callable[[], object]) -> None:
    end_s = time.monotonic() + LONG_S
    while not what():
        assert time.monotonic() < end_s
        time.sleep(0.01)
