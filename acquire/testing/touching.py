"""Notices when code reaches out: opens a device, writes a file, connects, starts a program."""

from __future__ import annotations

import sys
import threading
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

HARMLESS = ("/dev/null", "/dev/urandom", "/dev/random", "/dev/shm", "/dev/fd", "/dev/tty\0")
CALLS = frozenset({"socket.connect", "socket.bind", "subprocess.Popen", "os.system", "os.exec", "os.posix_spawn",
                   "os.remove", "os.rename", "os.mkdir", "ctypes.dlopen"})

_noting = threading.local()


@contextmanager
def touched(*, loading: bool = True) -> Iterator[list[str]]:
    """Give a list that fills with what this thread touches, in words; empty when it touches nothing.

    Parameters
    ----------
    loading
        Whether loading a system library counts.
    """
    _listen()
    notes: list[str] = []
    _noting.notes, _noting.loading = notes, loading
    try:
        yield notes
    finally:
        _noting.notes = None


@cache
def _listen() -> None:
    sys.addaudithook(_hear)  # can never be taken away again, so it is added once and sleeps between uses


def _hear(event: str, arguments: tuple[Any, ...]) -> None:
    notes = getattr(_noting, "notes", None)
    if notes is None:
        return
    if event == "open":
        _hear_open(notes, str(arguments[0]), str(arguments[1] or ""), arguments[2])
    elif event in CALLS and (_noting.loading or not _is_loading(event, str(arguments[0]))):
        notes.append(f"{event} {arguments[0]!r}"[:100])


def _is_loading(event: str, what: str) -> bool:
    """Return whether it is part of loading a system library: the system's own linker is asked where it lies."""
    return event == "ctypes.dlopen" or (event == "subprocess.Popen" and what.rpartition("/")[2] == "ldconfig")


def _hear_open(notes: list[str], path: str, mode: str, flags: Any) -> None:
    device = path.startswith(("/dev/", "\\\\.\\")) and not path.startswith(HARMLESS)
    writing = any(letter in mode for letter in "wax+") and not path.endswith(".pyc") and "__pycache__" not in path
    if device or writing:
        notes.append(f"opens {path}")
