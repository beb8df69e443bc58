"""Trying again and again on a thread of its own, so that a reader never waits for a network that is away."""

from __future__ import annotations

import contextlib
import threading
import time
from typing import TYPE_CHECKING, Generic, Protocol, TypeVar

from crankfold.acquire import AcquireError, BoardDisconnectedError, BoardNotFoundError

if TYPE_CHECKING:
    import socket
    from collections.abc import Callable

RETRY_S = 0.25


class _Line(Protocol):
    @property
    def line(self) -> socket.socket: ...


T = TypeVar("T", bound=_Line)


class Search(Generic[T]):
    """Calls until something is found.

    Parameters
    ----------
    call
        Returns it, or raises a `BoardNotFoundError` or `BoardDisconnectedError` when it may be there later.
    patience_s
        Seconds after which such an error is final.
    """

    def __init__(self, call: Callable[[], T], patience_s: float) -> None:
        self._call, self._until_s = call, time.monotonic() + patience_s
        self._found: T | None = None
        self._error: AcquireError | None = None
        self._done, self._left = threading.Event(), threading.Event()
        self._lock = threading.Lock()
        threading.Thread(target=self._run, name="taking up a lent board again", daemon=True).start()

    def found(self, until_s: float) -> T | None:
        """Return what was found, waiting for it until then by the monotonic clock; None: not yet.

        Raises
        ------
        AcquireError
            It will not be found.
        """
        self._done.wait(max(0.0, until_s - time.monotonic()))
        if self._error is not None:
            raise self._error
        return self._found

    def leave(self) -> None:
        """Stop; what is found after all is closed."""
        with self._lock:
            self._left.set()
            if self._found is not None:
                self._found.line.close()

    def _run(self) -> None:
        while not self._left.is_set():
            try:
                found = self._call()
            except (BoardNotFoundError, BoardDisconnectedError) as error:
                if time.monotonic() >= self._until_s:
                    self._error = error
                    break
                self._left.wait(RETRY_S)
                continue
            except AcquireError as error:
                self._error = error
                break
            with self._lock:
                self._found = found
                if self._left.is_set():
                    with contextlib.suppress(OSError):
                        found.line.close()
            break
        self._done.set()
