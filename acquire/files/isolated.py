"""Reading that may crash or hang, done in a process of its own: a hostile file ends only that.

Libraries in C trust what files say of themselves. The process is started for the first file and kept for the next
ones. What it answers is JSON and bytes, so that whatever becomes of it cannot do more here than give wrong numbers.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

MAX_BYTES = 2**31  # of all that is read of a file, as float64; one that claims more is damaged or hostile
LEAST_TIME_S = 20.0  # a large recording takes a second or two, on a busy machine some times as long
SLOWEST_BYTES_PER_S = 1e7  # of a network drive
SHORTEST_S = 0.001
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
"""Each thread of a library reserves address space, which is bounded there: on many cores none would be left."""

COMMAND = (sys.executable, "-P", "-m", "crankfold.acquire.files.isolated_child")


class ApartError(ValueError):
    """A file is not read: its library refused it, died of it, or did not come to an end."""


class Apart:
    """One file, of which things may be asked until its time is over.

    Parameters
    ----------
    path
        Where it is.
    by
        Who reads it: ``module:function``, which is given the path and the request and returns facts for JSON and a
        list of arrays.

    Raises
    ------
    OSError
        There is no such file, or it may not be read.
    """

    def __init__(self, path: Path, by: str) -> None:
        path.open("rb").close()
        self._path, self._by = path, by
        self._within_s = LEAST_TIME_S + min(path.stat().st_size, MAX_BYTES) / SLOWEST_BYTES_PER_S
        self._until_s = time.monotonic() + self._within_s

    def ask(self, request: Mapping[str, Any] | None = None) -> tuple[dict[str, Any], bytearray]:
        """Return the facts that are answered, and the bytes of the arrays one after the other.

        Raises
        ------
        ApartError
            The file is not read.
        """
        left_s = max(self._until_s - time.monotonic(), SHORTEST_S)
        asked = {"path": str(self._path.absolute()), "by": self._by, "request": dict(request or {}), "within_s": left_s}
        try:
            head, content = _answered(json.dumps(asked).encode("ascii") + b"\n")
        except (OSError, EOFError, ValueError) as error:
            raise ApartError("the library that reads it crashed on it" if time.monotonic() < self._until_s else
                             f"reading it takes longer than {self._within_s:.0f} s") from error
        if "problem" in head:
            raise ApartError(str(head["problem"]))
        return head["facts"], content


def make_ready() -> None:
    """Start the process already, for whoever knows that it will be needed."""
    with contextlib.suppress(OSError), _turn:
        _process()


_turn = threading.Lock()
_running: list[tuple[int, subprocess.Popen[bytes]]] = []  # with the number of the process that started it


def _answered(request: bytes) -> tuple[dict[str, Any], bytearray]:
    """Return what the other process answers: a JSON object, and bytes."""
    with _turn:
        process = _process()
        assert process.stdin is not None and process.stdout is not None
        try:
            process.stdin.write(request)
            process.stdin.flush()
            head = json.loads(process.stdout.readline())
            content = bytearray(_believable(head.get("bytes", 0)))
            if process.stdout.readinto(content) != len(content):  # type: ignore[attr-defined]
                raise EOFError
        except BaseException:  # half an answer must not be taken for the next one
            end_reading()
            raise
    return head, content


def _believable(size: int) -> int:
    if not 0 <= size <= MAX_BYTES:
        raise ValueError("more than any recording")
    return size


def _process() -> subprocess.Popen[bytes]:
    """Return the process that reads: not one that died, nor that of the process which this one is a copy of."""
    if _running and (_running[0][0] != os.getpid() or _running[0][1].poll() is not None):
        end_reading()
    if not _running:
        _running.append((os.getpid(), subprocess.Popen(
            COMMAND, env=os.environ | ONE_THREAD, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL, creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0))))
    return _running[0][1]


@atexit.register
def end_reading() -> None:
    """End the process that reads, if there is one; the next file starts another."""
    while _running:
        owner, process = _running.pop()
        if owner == os.getpid():
            process.kill()
        with contextlib.suppress(OSError), process:
            pass  # leaving it closes its pipes and waits for its end
