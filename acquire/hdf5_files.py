"""HDF5 files as plain numbers and texts, read in a process of their own: a hostile one crashes or hangs only that.

The process is started for the first file and kept for the next ones. What it answers is JSON and bytes, so that
whatever becomes of it cannot do more here than give wrong numbers.
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
from dataclasses import dataclass, field
from math import prod
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

MAX_BYTES = 2**31  # of all that is read of a file, as float64; one that claims more is damaged or hostile
LEAST_TIME_S = 20.0  # a large recording takes a second or two, on a busy machine some times as long
SLOWEST_BYTES_PER_S = 1e7  # of a network drive
SHORTEST_S = 0.001
COMMAND = (sys.executable, "-P", "-m", "crankfold.acquire.hdf5_child")
SUFFIXES = (".h5", ".hdf5")


class Hdf5Error(ValueError):
    """A file is not read: the library refused it, died of it, or did not come to an end."""


@dataclass(frozen=True)
class Member:
    """A group or a data set of a file.

    Parameters
    ----------
    attributes
        Those that are numbers, lists of numbers or texts.
    holds
        Names of a group's members; None for a data set.
    shape, kind
        Of a data set; `kind` is None unless it is numbers or texts of fixed length, stored in this very file.
    """

    attributes: Mapping[str, Any] = field(default_factory=dict)
    holds: tuple[str, ...] | None = None
    shape: tuple[int, ...] = ()
    kind: np.dtype[Any] | None = None


def make_ready(path: Path) -> None:
    """Start the process for a file that is HDF5 by its name, so that it is there when the plugins are loaded."""
    if path.suffix.lower() in SUFFIXES and path.is_file():
        with contextlib.suppress(OSError), _turn:
            _process()


class Hdf5File:
    """A file that is read within one deadline, and within one recording's room.

    Parameters
    ----------
    path
        Where it is.

    Attributes
    ----------
    members
        What is in it by its path within it, the file itself under the empty name.

    Raises
    ------
    Hdf5Error
        It is not read.
    OSError
        There is no such file, or it may not be read.
    """

    def __init__(self, path: Path) -> None:
        path.open("rb").close()
        self._path = path
        self._within_s = LEAST_TIME_S + min(path.stat().st_size, MAX_BYTES) / SLOWEST_BYTES_PER_S
        self._until_s = time.monotonic() + self._within_s
        self._room = MAX_BYTES
        answer, _ = self._ask(None)
        self.members = {name: _member(facts) for name, facts in answer["members"].items()}

    def values(self, name: str) -> NDArray[Any]:
        """Return the values of a data set, of its own shape and type.

        Raises
        ------
        Hdf5Error
            It is no plain data set, claims more than a recording has, or is not read.
        """
        member = self.members[name]
        if member.kind is None:
            raise Hdf5Error(f"{name} is not numbers or text stored in this file")
        size = prod(member.shape)
        self._room -= size * max(member.kind.itemsize, np.dtype(np.float64).itemsize)
        if self._room < 0:
            raise Hdf5Error(f"it claims more than a recording holds, {size} samples in {name}")
        _, content = self._ask(name)
        if len(content) != size * member.kind.itemsize:
            raise Hdf5Error(f"{name} is not as long as it says")
        return np.frombuffer(content, member.kind).reshape(member.shape)

    def _ask(self, name: str | None) -> tuple[dict[str, Any], bytearray]:
        left_s = self._until_s - time.monotonic()
        request = {"path": str(self._path.absolute()), "name": name, "within_s": max(left_s, SHORTEST_S)}
        try:
            head, content = _answered(json.dumps(request).encode("ascii") + b"\n")
        except (OSError, EOFError, ValueError) as error:
            raise Hdf5Error("the HDF5 library broke down over it" if time.monotonic() < self._until_s else
                            f"reading it does not end within {self._within_s:.0f} s") from error
        if "problem" in head:
            raise Hdf5Error(str(head["problem"]))
        return head, content


def _member(facts: Mapping[str, Any]) -> Member:
    return Member(facts["attributes"], tuple(facts["holds"]) if "holds" in facts else None,
                  tuple(facts.get("shape", ())), np.dtype(facts["type"]) if facts.get("type") else None)


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
            content = bytearray(head.get("bytes", 0))
            if process.stdout.readinto(content) != len(content):  # type: ignore[attr-defined]
                raise EOFError
        except BaseException:  # half an answer must not be taken for the next one
            end_reading()
            raise
    return head, content


def _process() -> subprocess.Popen[bytes]:
    """Return the process that reads: not one that died, nor that of the process which this one is a copy of."""
    if _running and (_running[0][0] != os.getpid() or _running[0][1].poll() is not None):
        end_reading()
    if not _running:
        _running.append((os.getpid(), subprocess.Popen(
            COMMAND, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0))))
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
