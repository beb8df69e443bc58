"""An example board on the network: frames of a sample number, a count and codes. Replace the marked lines."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np

from crankfold.acquire import (
    CURRENT,
    BoardDeclaration,
    BoardFound,
    Channel,
    Samples,
    SettingError,
    SocketSource,
    SourceInfo,
    hookimpl,
)

crankfold_contract = 1
HEAD = struct.Struct("<QI")
INFO = SourceInfo(2000.0, (Channel(CURRENT, "V", 5 / 1024, code_range=(0, 1023), code_dtype="uint16"),),
                  np.dtype("<u2"), "socket board")


class SocketBoard(SocketSource):
    """One channel over TCP; the frames' sample numbers say what the board lost."""

    info = INFO  # hardware: ask the board for its rate and channels

    def __init__(self, address: str, settings: Mapping[str, str]) -> None:
        host, colon, port = address.rpartition(":")
        if not colon or not port.isdigit() or int(port) > 65535:
            raise SettingError(f"{address!r} is no address of a socket board", "write it like 192.168.0.7:5000")
        super().__init__(host, int(port))
        self._restart()

    def _restart(self) -> None:
        self._rest, self._next = b"", -1

    def _decode(self, data: bytes) -> Iterator[Samples]:
        self._rest += data
        while len(self._rest) >= HEAD.size:  # hardware: its own frames
            first, count = HEAD.unpack_from(self._rest)
            stop = HEAD.size + 2 * count
            if len(self._rest) < stop:
                return
            codes = np.frombuffer(self._rest[HEAD.size : stop], "<u2")[:, np.newaxis]
            yield Samples(codes, lost_before=first - self._next if self._next >= 0 else 0)
            self._rest, self._next = self._rest[stop:], first + count


def _discover(_deadline_s: float) -> Iterable[BoardFound]:
    return []  # hardware: a broadcast, if it answers one


@hookimpl
def crankfold_boards() -> Sequence[BoardDeclaration]:
    """Return the one kind of board."""
    return [BoardDeclaration("socket-board", "an example on the network", SocketBoard, _discover, (), "HOST:PORT")]
