"""A board lent to a few other programs, on this computer or on others; opened again when it was unplugged.

The board never waits: what is too much for the network or for one borrower is counted for that one and told to it.
"""

from __future__ import annotations

import contextlib
import ipaddress
import socket
import sys
import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from crankfold.acquire.errors import AcquireError, BoardNotFoundError, SettingError
from crankfold.acquire.network.borrower import Borrower, Lent, RefusedError
from crankfold.acquire.network.history import KEEP_S, History
from crankfold.acquire.network.secret import checked_secret

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType

    from crankfold.acquire.contract import Block, Source

MOST_BORROWERS = 8  # programs that read at once
MOST_WAITING = 8  # and connections that have not said yet who they are
READ_S = 0.1
FIRST_S = 4.0  # for the board to be opened the first time; whoever asks waits five for an answer
RETRY_S = 1.0  # between two tries to open a board that was unplugged
DRAIN_S = 20.0  # for borrowers to take what is left when a board has sent all it has
CLOSE_S = 3.0


@dataclass(frozen=True)
class LendingNews:
    """Something that happened while lending.

    Parameters
    ----------
    what
        ``opened``, ``began``, ``joined``, ``left``, ``refused``, ``broke`` or ``ended``.
    who
        The borrower's address.
    error
        What broke, or why a borrower was sent away.
    sent, dropped
        Samples that a borrower which left was sent, and that it was too slow or too long away for.
    title
        Of the board.
    """

    what: str
    who: str = ""
    error: AcquireError | None = None
    sent: int = 0
    dropped: int = 0
    title: str = ""


def beyond_this_computer(host: str) -> bool:
    """Return whether others can reach what listens at a host."""
    try:
        return not ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host != "localhost"


class Lender:
    """Lends one board until it is closed or the board has sent all it had.

    Parameters
    ----------
    open_source
        Gives the open board, not started; called again after it broke.
    host, port
        Where to listen; port 0 is any that is free.
    secret
        What borrowers must know; empty: nothing, on this computer alone.
    keep_s
        Seconds kept for borrowers that were away.
    hear
        Called with each piece of news, from any thread.
    outlet
        Called with each block, in the thread that reads the board.

    Raises
    ------
    SettingError
        The place can't be listened at, or is open to others and has no secret.
    """

    def __init__(self, open_source: Callable[[], Source], host: str, port: int, *, secret: str = "",
                 keep_s: float = KEEP_S, hear: Callable[[LendingNews], None] | None = None,
                 outlet: Callable[[Source], Callable[[Block], None]] | None = None) -> None:
        if beyond_this_computer(host) and not secret:
            raise SettingError(f"a board lent at {host} needs a secret", "give one")
        self._secret = checked_secret(secret) if secret else ""
        self._open, self._keep_s, self._outlet = open_source, keep_s, outlet
        self._hear = hear or (lambda news: None)
        self._lock = threading.Lock()
        self._borrowers: list[Borrower] = []
        self._waiting = 0
        self._lent: Lent | None = None
        self._trouble: AcquireError | None = None
        self._stop, self.ended, self._tried = threading.Event(), threading.Event(), threading.Event()
        self._listening = _listening_at(host, port)
        self.port = int(self._listening.getsockname()[1])
        self._threads = [threading.Thread(target=target, name=name, daemon=True) for target, name in (
            (self._follow, "lent board"), (self._welcome, "lending"))]

    def __enter__(self) -> Self:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Tell every borrower that it is over, and let go of the board."""
        self._stop.set()
        self._listening.close()
        for thread in self._threads:
            if thread.ident is not None:
                thread.join(CLOSE_S)
        self._await_borrowers(1.0)
        with self._lock:
            left = list(self._borrowers)
        for borrower in left:
            borrower.close()

    def _follow(self) -> None:
        """Read the board, run after run."""
        try:
            while not self._stop.is_set() and not self._once():
                self._stop.wait(RETRY_S)
        finally:
            self.ended.set()

    def _once(self) -> bool:
        """Lend the board from opening to the end of its run; return whether it has sent all it had."""
        try:
            with self._open() as source:
                return self._run(source)
        except Exception as error:
            known = error if isinstance(error, AcquireError) else AcquireError(
                f"the board's driver failed ({type(error).__name__}: {error})", "report this to whoever wrote it")
            again = self._trouble is not None and str(known) == str(self._trouble)
            self._trouble = known
            self._tried.set()
            if not again:
                self._hear(LendingNews("broke", error=known))
            self._finish({"over": "broke", "what": known.what, "remedy": known.remedy})
            return False

    def _run(self, source: Source) -> bool:
        begun = threading.Event()
        lent = self._lent = Lent(source.info, History(source.info.rate_hz, self._keep_s), begun.set)
        lent.notices, self._trouble = source.notices, None
        outlet = self._outlet(source) if self._outlet is not None else None
        self._tried.set()
        self._hear(LendingNews("opened", title=source.info.title))
        while outlet is None and not begun.wait(READ_S):
            if self._stop.is_set():
                break
        if not self._stop.is_set():
            source.start()
            self._hear(LendingNews("began", title=source.info.title))
        while not self._stop.is_set() and not source.finished:
            block = source.read(READ_S)
            lent.notices = source.notices
            if block is not None:
                lent.history.add(block)
                if outlet is not None:
                    outlet(block)
        self._finish({"over": "ended" if source.finished else "closed"})
        if source.finished:
            self._hear(LendingNews("ended", title=source.info.title))
            self._await_borrowers(DRAIN_S)
        return True

    def _finish(self, header: dict[str, object]) -> None:
        lent, self._lent = self._lent, None
        if lent is not None:
            lent.history.end(header)

    def _await_borrowers(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while self._borrowers and time.monotonic() < until and not (self._stop.is_set() and seconds > CLOSE_S):
            time.sleep(0.02)

    def _welcome(self) -> None:
        while not self._stop.is_set():
            try:
                line, where = self._listening.accept()
            except TimeoutError:
                continue
            except OSError:
                if self._stop.wait(READ_S):  # too many files are open, or the place was closed
                    return
                continue
            with self._lock:
                welcome = self._waiting < MOST_WAITING
                self._waiting += welcome
            if not welcome:
                line.close()
                continue
            threading.Thread(target=self._serve, args=(Borrower(line, str(where[0])),), name="borrower",
                             daemon=True).start()

    def _serve(self, borrower: Borrower) -> None:
        try:
            lent = self._admitted(borrower)
            borrower.describe(lent)
            self._hear(LendingNews("joined", borrower.name))
            borrower.serve(lent)
        except RefusedError as error:
            borrower.refuse(error)
            self._hear(LendingNews("refused", borrower.name, error))
        except (OSError, AcquireError, ValueError):
            pass  # it hung up, or is none of ours; who joined is told below
        finally:
            borrower.close()
            with self._lock:
                joined = borrower in self._borrowers
                if joined:
                    self._borrowers.remove(borrower)
            if joined:
                self._hear(LendingNews("left", borrower.name, sent=borrower.sent, dropped=borrower.dropped))

    def _admitted(self, borrower: Borrower) -> Lent:
        """Return what is lent, once a borrower has proved who it is and there is room for it."""
        try:
            borrower.greet(self._secret)
        finally:
            with self._lock:
                self._waiting -= 1
        self._tried.wait(FIRST_S)
        lent = self._lent
        if lent is None:
            told = self._trouble or BoardNotFoundError("it has no board now", "try again in a moment")
            raise RefusedError("no-board", told.what, told.remedy)
        with self._lock:
            before = [one for one in self._borrowers if borrower.who and one.who == borrower.who]
            if len(self._borrowers) - len(before) >= MOST_BORROWERS:
                raise RefusedError("full", f"{MOST_BORROWERS} programs read that board already", "close one of them")
            self._borrowers.append(borrower)
        for one in before:
            one.close()  # it is back before the old connection was noticed to be dead
        return lent


def _listening_at(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":  # there it would let two programs have one port
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((host, port))
        made.listen(MOST_WAITING)
        made.settimeout(READ_S)
    except (OSError, OverflowError) as error:
        with contextlib.suppress(OSError):
            made.close()
        raise SettingError(f"nothing can listen at {host}, port {port}", "choose another address or port") from error
    return made
