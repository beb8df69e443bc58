"""The base of boards on the network: a TCP connection, with every failure said in the project's own errors."""

from __future__ import annotations

import select
import socket
import time
from abc import abstractmethod
from collections import deque
from typing import TYPE_CHECKING

from crankfold.acquire.contract import Samples, Source
from crankfold.acquire.errors import BoardDisconnectedError, BoardNotFoundError, BoardStalledError

if TYPE_CHECKING:
    from collections.abc import Iterable

CONNECT_S = 3.0  # a board in the same building answers in milliseconds, one that is waking up in two seconds
SILENCE_S = 2.0  # nothing for so long: it hangs, or a radio link is down
CHUNK = 1 << 16
WAITING_BYTES = 1 << 20  # asked of the system for what comes while the reader is busy; TCP then holds the board back


class SocketSource(Source):
    """A source at the other end of a TCP connection: a driver writes `info`, `_decode` and, where needed, `_hello`.

    TCP loses nothing on the way; what the board itself could not send it has to say, and `_decode` to count. ::

        class Board(SocketSource):
            def _decode(self, data: bytes) -> Iterable[Samples]: ...

    Parameters
    ----------
    host, port
        Where the board is.
    silence_s
        A board that sends nothing for so long is given up.

    Raises
    ------
    BoardNotFoundError
        Nobody answers there.
    """

    def __init__(self, host: str, port: int, *, silence_s: float = SILENCE_S) -> None:
        super().__init__()
        self._where, self._silence_s = f"{host}:{port}", silence_s
        self._ready: deque[Samples] = deque()
        self._heard_s = time.monotonic()
        self._host, self._port = host, port
        self._socket = self.connected()

    def connected(self) -> socket.socket:
        """Return a new connection to the board.

        Raises
        ------
        BoardNotFoundError
            Nobody answers there.
        """
        try:
            made = socket.create_connection((self._host, self._port), CONNECT_S)
        except (OSError, UnicodeError) as error:
            raise BoardNotFoundError(f"no board answers at {self._where} ({getattr(error, 'strerror', None) or error})",
                                     "check its address, its power and the network") from error
        made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, WAITING_BYTES)
        made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return made

    @abstractmethod
    def _decode(self, data: bytes) -> Iterable[Samples]:
        """Return the samples that `data` completes (driver); what is left over is the driver's to keep."""

    def _hello(self) -> None:
        """Ask the board to stream, by `send` (driver)."""

    def send(self, data: bytes) -> None:
        """Send bytes to the board.

        Raises
        ------
        BoardDisconnectedError
            It is gone.
        """
        try:
            self._socket.sendall(data)
        except OSError as error:
            raise self._gone() from error

    def receive(self, timeout_s: float) -> bytes:
        """Return what has come, empty when nothing came in time.

        Raises
        ------
        BoardDisconnectedError
            It is gone.
        """
        try:
            if not select.select([self._socket], [], [], max(0.0, timeout_s))[0]:
                return b""
            data = self._socket.recv(CHUNK)
        except (OSError, ValueError) as error:
            raise self._gone() from error
        if not data:
            raise self._gone()
        return data

    def _start(self) -> None:
        self._ready.clear()
        while self.receive(0.0):
            pass  # what it sent before it was started is old
        self._restart()
        self._hello()
        self._heard_s = time.monotonic()

    def _restart(self) -> None:
        """Forget what was left over (driver)."""

    def _read(self, timeout_s: float) -> Samples | None:
        until_s = time.monotonic() + timeout_s
        while not self._ready:
            try:
                data = self._listened(until_s)
            except (BoardDisconnectedError, BoardStalledError) as error:
                self._resume(error, until_s)
                data = b""
            if data:
                self._ready.extend(self._decode(data))
            if not self._ready and time.monotonic() >= until_s:
                return None
        return self._ready.popleft()

    def _listened(self, until_s: float) -> bytes:
        """Return what came up to a time, and complain about a board that has been silent for too long."""
        data = self.receive(min(max(0.0, until_s - time.monotonic()), self._silence_s / 2))
        now_s = time.monotonic()
        if data:
            self._heard_s = now_s
        elif now_s - self._heard_s >= self._silence_s:
            raise BoardStalledError(f"the board at {self._where} has sent nothing for {now_s - self._heard_s:.1f} s",
                                    "check its power and the network")
        return data

    def _resume(self, error: BoardDisconnectedError | BoardStalledError, until_s: float) -> None:
        """Go on after a connection that was lost, trying up to `until_s`, or raise `error` (driver; this gives up).

        Whoever goes on says how long that may take in `SourceInfo.resumes_s`.
        """
        del until_s
        raise error

    def _close(self) -> None:
        self._socket.close()

    def _gone(self) -> BoardDisconnectedError:
        return BoardDisconnectedError(f"the board at {self._where} has closed the connection",
                                      "check its power and the network, then connect again")
