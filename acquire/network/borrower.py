"""One borrower seen from the lender: greeted, proved, and sent every block, on a thread of its own."""

from __future__ import annotations

import contextlib
import secrets
import select
import socket
import sys
import time
from typing import TYPE_CHECKING, Any

from crankfold.acquire.errors import AcquireError, BoardGarbledError
from crankfold.acquire.network.description import described
from crankfold.acquire.network.frames import VERSION, FrameReader, frame
from crankfold.acquire.network.secret import BORROWER, LENDER, nonce, proof, proves
from crankfold.acquire.notices import plain_notices

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire.contract import SourceInfo
    from crankfold.acquire.network.history import History
    from crankfold.analysis import Notice

GREETING_S = 5.0  # for each word of the greeting; programs answer in milliseconds, whoever types by hand is slower
START_S = 3600.0  # a window may stand open for an hour before somebody arms it
WRONG_S = 1.0  # whoever guesses secrets waits so long for each
BEAT_S = 0.5  # a word now and then, so that the other side notices a cable that was cut
DEAD_S = 10.0  # a borrower that takes nothing for so long is gone; it may come back and go on
MOST_WORDS = 1 << 12  # bytes a borrower may send at a time
REFUSED = "refused"


class Lent:
    """One run of a board, from opening to its end.

    Parameters
    ----------
    info
        Of the board.
    history
        Its last seconds.
    begin
        Called once somebody wants samples.
    """

    def __init__(self, info: SourceInfo, history: History, begin: Callable[[], None]) -> None:
        self.info, self.history, self.begin = info, history, begin
        self.number = secrets.token_hex(8)
        self.notices: tuple[Notice, ...] = ()


class RefusedError(AcquireError):
    """A borrower is sent away; `code` says why."""

    def __init__(self, code: str, what: str, remedy: str) -> None:
        super().__init__(what, remedy)
        self.code = code


def _begins(said: dict[str, Any], lent: Lent) -> tuple[int, int | None]:
    """Return the block that is sent first, and the sample that a borrower which was away is at."""
    start = said.get("start")
    start = start if isinstance(start, dict) else {}
    at = start.get("next")
    if start.get("stream") == lent.number and isinstance(at, int) and not isinstance(at, bool):
        return lent.history.holding(at), at
    return lent.history.now(), None


class Borrower:
    """A connection, from its first word to its last.

    Parameters
    ----------
    line, name
        The connection, and whose it is.
    """

    def __init__(self, line: socket.socket, name: str) -> None:
        self._line, self.name, self.who = line, name, ""
        self._reader = FrameReader(most_body=0)
        self._words: list[dict[str, Any]] = []
        self.sent = self.dropped = 0
        line.settimeout(DEAD_S)
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        line.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        if sys.platform == "linux":  # elsewhere the system's own patience holds, minutes
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, round(1000 * DEAD_S))

    def greet(self, secret: str) -> None:
        """Say who this is, and hear who that is.

        Raises
        ------
        RefusedError
            It speaks another version, or does not know the secret.
        OSError, BoardGarbledError
            It is gone, or no program of ours.
        """
        own = nonce()
        self._send({"crankfold.network": VERSION, "nonce": own, "secret": bool(secret)})
        said = self._hear(GREETING_S)
        if said.get("crankfold.network") != VERSION:
            raise RefusedError("version", f"it speaks version {VERSION} of the network's frames",
                               "use the same version of this program on both computers")
        theirs, self.who = str(said.get("nonce", ""))[:64], str(said.get("who", ""))[:64]
        if secret and not proves(said.get("proof"), secret, BORROWER, own, theirs):
            guessed = bool(said.get("proof"))
            if guessed:
                time.sleep(WRONG_S)
            raise RefusedError("secret", "it wants a secret, and this is not it" if guessed else "it wants a secret",
                               "give the secret that crankfold lend shows there")
        self._proof = proof(secret, LENDER, own, theirs) if secret else None

    def describe(self, lent: Lent) -> None:
        """Say what is lent."""
        self._send({"proof": self._proof, "stream": lent.number, "board": described(lent.info)})

    def refuse(self, error: RefusedError) -> None:
        """Say why not."""
        with contextlib.suppress(OSError):
            self._send({REFUSED: error.code, "what": error.what, "remedy": error.remedy})

    def serve(self, lent: Lent) -> None:
        """Send blocks until the board's run or the connection ends.

        Raises
        ------
        OSError, BoardGarbledError
            The connection has ended.
        """
        history = lent.history
        number, expected = _begins(self._hear(START_S), lent)
        lent.begin()
        beat_s = time.monotonic()
        while True:
            kept, after = history.take(number, BEAT_S)
            if kept:
                if expected is not None and (number < after - len(kept) or not self.sent):
                    self.dropped += max(0, kept[0].first - expected)
                number, expected = after, kept[-1].next_index
                self._line.sendall(b"".join(one.data for one in kept))
                self.sent += sum(one.next_index - one.first for one in kept)
            elif history.over is not None:
                self._send(history.over)
                return
            if time.monotonic() - beat_s >= BEAT_S:
                beat_s = time.monotonic()
                self._send({"beat": history.next_index, "notices": plain_notices(lent.notices)})
            self._listen()

    def close(self) -> None:
        """Hang up, from any thread."""
        with contextlib.suppress(OSError):
            self._line.shutdown(socket.SHUT_RDWR)
        self._line.close()

    def _send(self, header: dict[str, Any]) -> None:
        self._line.sendall(frame(header))

    def _hear(self, timeout_s: float) -> dict[str, Any]:
        """Return the next thing said."""
        until = time.monotonic() + timeout_s
        while not self._words:
            self._line.settimeout(max(0.01, until - time.monotonic()))
            data = self._line.recv(MOST_WORDS)
            self._line.settimeout(DEAD_S)
            self._take(data)
        return self._words.pop(0)

    def _listen(self) -> None:
        """Notice that the other side hung up; what it says meanwhile is of no use yet."""
        while select.select([self._line], [], [], 0.0)[0]:
            self._take(self._line.recv(MOST_WORDS))
            self._words.clear()

    def _take(self, data: bytes) -> None:
        if not data:
            raise ConnectionResetError("the other side hung up")
        self._words += [header for header, _ in self._reader.feed(data)]
        if len(self._words) > 16:
            raise BoardGarbledError("it sends far more than it should", "check what connects there")
