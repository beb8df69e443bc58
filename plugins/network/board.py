"""A board that `crankfold lend` offers on another computer, or by another program: like any other, wherever it is."""

from __future__ import annotations

import secrets
import socket
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from crankfold.acquire import (
    CONTRACT,
    AcquireError,
    BoardDeclaration,
    BoardDisconnectedError,
    BoardFound,
    BoardGarbledError,
    BoardNotFoundError,
    BoardPermissionError,
    EndOfStream,
    Samples,
    Setting,
    SettingError,
    SocketSource,
    SourceInfo,
    hookimpl,
    notices_of,
)
from crankfold.acquire.network import (
    BORROWER,
    LENDER,
    PORT,
    VERSION,
    FrameReader,
    checked_secret,
    frame,
    nonce,
    proof,
    proves,
    secret_in,
    understood,
)
from crankfold.analysis import Notice
from crankfold.plugins.network.searching import Search

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from crankfold.acquire import BoardStalledError

crankfold_contract = CONTRACT

NAME = "network"
GREETING_S = 5.0  # for each word of the other side
PATIENCE_S = 20.0  # less than what the other side keeps, so that nothing is lost when it is used up
SECRET = Setting("secret", "what crankfold lend shows there; better in a file", "kF3x-…", "none")
SECRET_FILE = Setting("secret-file", "a file that holds the secret", "lend.secret", "none")
PATIENCE = Setting("patience", "seconds to go on trying when the connection is lost, before the board counts as lost",
                   "60", f"{PATIENCE_S:g}", kind="number", lowest=0, highest=3600)
SETTINGS = (SECRET, SECRET_FILE, PATIENCE)


class Greeted(NamedTuple):
    """A connection whose other side has said what it lends."""

    line: socket.socket
    reader: FrameReader
    stream: str
    info: SourceInfo


class NetworkBoard(SocketSource):
    """A lent board; a connection that is lost is taken up again where it was, by the board's own sample numbers."""

    def __init__(self, address: str, settings: Mapping[str, str]) -> None:
        host, port = _place(address)
        self._secret = _secret(settings)
        self._patience_s = float(settings.get("patience", "") or PATIENCE_S)
        self._who = secrets.token_hex(8)
        super().__init__(host, port)
        try:
            greeted = self._greeted(self._socket)
        except BaseException:
            self._socket.close()
            raise
        self._reader, self._stream, self._info = greeted.reader, greeted.stream, greeted.info
        self._next: int | None = None
        self._breaks = 0
        self._open, self._torn = True, False
        self._over: AcquireError | EndOfStream | None = None
        self._search: Search[Greeted] | None = None
        self._told: tuple[Notice, ...] = ()
        self._late = 0

    @property
    def info(self) -> SourceInfo:
        """What the board there says of itself."""
        return self._info

    @property
    def notices(self) -> tuple[Notice, ...]:
        """What the other side says of the board, and what the way here cost."""
        own = (Notice("network-late", {"count": self._late}),) if self._late else ()
        return (*super().notices, *self._told, *own)

    def _again(self) -> Greeted:
        line = self.connected()
        try:
            return self._greeted(line)
        except BaseException:
            line.close()
            raise

    def _greeted(self, line: socket.socket) -> Greeted:
        """Greet the other side of a new connection, each proving to the other that it knows the secret."""
        reader, own = FrameReader(), nonce()
        hello = _heard(line, reader, self._where)
        theirs = str(hello.get("nonce", ""))
        if hello.get("crankfold.network") != VERSION:
            raise BoardGarbledError(f"{self._where} speaks another version of the network's frames, or is something "
                                    "else", "use the same version of this program on both computers")
        told = {"crankfold.network": VERSION, "nonce": own, "who": self._who}
        if self._secret:
            told["proof"] = proof(self._secret, BORROWER, theirs, own)
        _tell(line, told, self._where)
        offer = _heard(line, reader, self._where)
        if "refused" in offer:
            raise _refusal(offer, self._where)
        if self._secret and not proves(offer.get("proof"), self._secret, LENDER, theirs, own):
            raise BoardPermissionError(f"{self._where} does not prove that it knows the secret",
                                       "check the address; a board that is lent without a secret needs none here")
        board = offer.get("board")
        info = understood(board if isinstance(board, dict) else {}, self._where, self._patience_s)
        return Greeted(line, reader, str(offer.get("stream", "")), info)

    def _start(self) -> None:
        if not self._open:
            self._take_over(self._again())
        self._ready.clear()
        self._next, self._over = None, None
        _tell(self._socket, {"start": {}}, self._where)
        self._heard_s = time.monotonic()

    def _take_over(self, greeted: Greeted) -> None:
        if (greeted.info.channels, greeted.info.rate_hz, greeted.info.dtype) != (
                self._info.channels, self._info.rate_hz, self._info.dtype):
            greeted.line.close()
            raise BoardDisconnectedError(f"{self._where} lends another board now", "open it again")
        self._socket.close()
        self._torn = self._torn or (greeted.stream != self._stream and self._next is not None)
        self._socket, self._reader, self._stream, self._open = greeted.line, greeted.reader, greeted.stream, True

    def _resume(self, error: BoardDisconnectedError | BoardStalledError, until_s: float) -> None:
        if self._over is not None:
            raise self._over
        if self._search is None:
            self._search = Search(self._again, self._patience_s)
        try:
            found = self._search.found(until_s)
        except AcquireError as final:
            self._search = None
            raise (error if isinstance(final, BoardNotFoundError) else final) from final
        if found is None:
            return
        self._search = None
        self._take_over(found)
        _tell(self._socket, {"start": {"stream": self._stream, "next": self._next}}, self._where)
        self._heard_s = time.monotonic()

    def _decode(self, data: bytes) -> Iterator[Samples]:
        for header, body in self._reader.feed(data):
            if "over" in header:
                self._over = _ended(header, self._where)
            elif "beat" in header:
                self._told = _notices(header)
            elif "first" in header:
                samples = self._samples(header, body)
                if samples is not None:
                    yield samples

    def _samples(self, header: Mapping[str, Any], body: bytes) -> Samples | None:
        try:
            first, breaks, lost = int(header["first"]), int(header["breaks"]), header["lost"]
            device_s = None if header.get("device") is None else float(header["device"])
            trigger = header.get("trigger")
            codes = np.frombuffer(body, self._info.dtype).reshape(-1, len(self._info.channels))
        except (KeyError, TypeError, ValueError) as error:
            raise BoardGarbledError(f"a block from {self._where} can't be read",
                                    "use the same version of this program on both computers") from error
        if self._next is None:
            self._next, self._breaks = first, breaks  # what was lost before it was started is nobody's loss
        missing: int | None = None if self._torn or breaks != self._breaks else first - self._next
        if missing is not None and missing < 0:
            return None  # sent twice
        if missing is not None and isinstance(lost, int):
            self._late += max(0, missing - lost)
        self._next, self._breaks, self._torn = first + len(codes), breaks, False
        at = int(trigger) - first if isinstance(trigger, int) else None
        return Samples(codes, missing, device_s, bool(header.get("ends_record")), at)

    def _stop(self) -> None:
        if self._search is not None:
            self._search.leave()
            self._search = None
        self._open = False
        self._socket.close()  # what is under way is of no use; starting connects anew


def _place(address: str) -> tuple[str, int]:
    """Return host and port of ``HOST``, ``HOST:PORT``, ``[IPv6]`` or ``[IPv6]:PORT``."""
    text = address.strip()
    bracketed = text.startswith("[")
    has_port = "]:" in text if bracketed else text.count(":") == 1
    host, colon, port = text.rpartition(":") if has_port else (text, "", "")
    host = host.strip("[]")
    if not host or (colon and not (port.isascii() and port.isdigit() and 0 < int(port) < 1 << 16)):
        raise SettingError(f"{text!r} isn't the address of a lent board" if text else
                           "it is not said which computer lends the board",
                           f"write HOST or HOST:PORT, such as network:192.168.1.5:{PORT}, as crankfold "
                           "lend shows it there")
    return host, int(port or PORT)


def _secret(settings: Mapping[str, str]) -> str:
    text, file = settings.get("secret", "").strip(), settings.get("secret-file", "").strip()
    if text and file:
        raise SettingError("secret and secret-file are given both", "give one of them")
    if file:
        return secret_in(Path(file).expanduser())
    return checked_secret(text) if text else ""


def _notices(header: Mapping[str, Any]) -> tuple[Notice, ...]:
    """Return what the board there survived; what is none says nothing."""
    try:
        return notices_of(header.get("notices", ()))
    except (KeyError, ValueError):
        return ()


def _heard(line: socket.socket, reader: FrameReader, where: str) -> dict[str, Any]:
    """Return the next header of a greeting, byte by frame, so that nothing of the stream is taken."""
    line.settimeout(GREETING_S)
    try:
        while True:
            data = line.recv(1 << 16)
            if not data:
                raise BoardDisconnectedError(f"{where} hung up", "check what is there, and whether it is lent already")
            for header, _ in reader.feed(data):
                line.settimeout(None)
                return header
    except OSError as error:
        raise BoardNotFoundError(f"{where} does not answer", "check the address and its port") from error


def _tell(line: socket.socket, header: Mapping[str, Any], where: str) -> None:
    try:
        line.sendall(frame(header))
    except OSError as error:
        raise BoardDisconnectedError(f"{where} hung up", "check the network, then connect again") from error


def _refusal(offer: Mapping[str, Any], where: str) -> AcquireError:
    """Return the error of a lender that sent us away; one without a board may have it back soon."""
    what, remedy = str(offer.get("what", "")), str(offer.get("remedy", "") or "look at the other computer")
    kind = BoardPermissionError if offer["refused"] in {"secret", "full"} else (
        BoardGarbledError if offer["refused"] == "version" else BoardNotFoundError)
    return kind(f"{where}: {what}", remedy)


def _ended(header: Mapping[str, Any], where: str) -> AcquireError | EndOfStream:
    if header["over"] == "ended":
        return EndOfStream()
    if header["over"] == "broke":
        return BoardDisconnectedError(f"{where}: {header.get('what', 'the board is lost')}",
                                      str(header.get("remedy") or "look at the board there"))
    return BoardDisconnectedError(f"{where} has stopped lending the board", "start crankfold lend there again")


def discover(deadline_s: float) -> Sequence[BoardFound]:
    """Return nothing: no network is searched without being asked."""
    del deadline_s
    return ()


@hookimpl
def crankfold_boards() -> Sequence[BoardDeclaration]:
    """Return the declaration of lent boards."""
    return (BoardDeclaration(NAME, "a board that another computer lends (crankfold lend)", NetworkBoard, discover,
                             SETTINGS, f"HOST or HOST:PORT; the port is {PORT} unless given"),)
