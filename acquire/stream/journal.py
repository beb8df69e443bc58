"""A capture on disk from its onset on: one file owns it until its samples are whole elsewhere and analysed.

A header line of JSON, then records: a tag, a number, the absolute index of a sample, a checksum, a body. Only ever
appended to, so that it may be cut anywhere; what is cut at the end is left out when it is read. Layout, format
``crankfold.journal/2``::

    {"format": ..., "owner": ..., "channels": ..., "about": {...}}   and a line end
    DATA  number of samples, index of the first, CRC-32, their codes
    WHOL  bytes of the body, 0, CRC-32, JSON: from where to where the capture goes, its rate, notes, notices
    KEPT  bytes of the body, 0, CRC-32, JSON: the name of the file that holds the samples whole, beside the journal
    TRIE  0, 0, CRC-32: its analysis was begun

So its state can be read off it: *recording*, *whole*, *kept*; once it is analysed the journal goes.

Each record is handed to the system at once, and once a second the system is told to put them on the disk: a starter
may pull down the supply of the very computer that records. Meanwhile records wait in memory, so that a slow disk does
not keep the reader from its board. What the disk has no room for is written when there is room again.
"""

from __future__ import annotations

import contextlib
import json
import os
import struct
import sys
import threading
import time
import weakref
import zlib
from collections import deque
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire.atomic import flush_folder
from crankfold.acquire.errors import SaveError
from crankfold.acquire.notices import plain_notices
from crankfold.acquire.stream.owner import lock, this_program, unlock

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

    from numpy.typing import NDArray

    from crankfold.acquire.contract import SourceInfo
    from crankfold.analysis import Channel, Notice

FAMILY, VERSION = "crankfold.journal", 2
FORMAT = f"{FAMILY}/{VERSION}"
SUFFIX = ".journal"
DATA, WHOLE, KEPT, TRIED = b"DATA", b"WHOL", b"KEPT", b"TRIE"
RECORD = struct.Struct("<4sIqI")  # tag, number, absolute index of the first sample, CRC-32 of the body
FLUSH_S = 1.0  # what a power cut may cost, and what the disk takes; a crank lasts some seconds

_held: weakref.WeakValueDictionary[str, JournalWriter] = weakref.WeakValueDictionary()


class JournalWriter:
    """Appends to the file of one capture, which this program owns until it is closed.

    Parameters
    ----------
    path
        A new file.
    info
        Of the source.
    rate_hz
        Samples a second.
    trigger_index
        Absolute index of the onset.
    onset_utc
        When that was, a label; None: nobody knows.
    about
        What the capture is to know of itself.

    Raises
    ------
    SaveError
        The file cannot be made; `FileExistsError` is its cause where there is one of that name.
    """

    def __init__(self, path: Path, info: SourceInfo, *, rate_hz: float, trigger_index: int,
                 onset_utc: datetime | None, about: Mapping[str, Any] | None = None) -> None:
        header = {"format": FORMAT, "owner": str(this_program()), "rate_hz": rate_hz, "dtype": info.dtype.name,
                  "title": info.title, "address": info.address, "trigger_index": trigger_index,
                  "skew_s": list(info.skew_s), "onset_utc": onset_utc.isoformat() if onset_utc else None,
                  "notes": dict(info.notes), "about": dict(about or {}),
                  "channels": [_plain(channel) for channel in info.channels]}
        self._kind = info.dtype
        self._begin(path, "xb")
        self._put(json.dumps(header).encode("ascii") + b"\n", None)
        try:
            self._write()
        except OSError as error:
            self.remove()
            raise cannot(path, error) from error

    def _begin(self, path: Path, mode: str) -> None:
        self.path = path
        self.written_index: int | None = None
        self._waiting: deque[tuple[bytes, int | None]] = deque()
        self._flushing: threading.Thread | None = None
        self._flushed_s = time.monotonic()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = path.open(mode, buffering=0)
        except OSError as error:
            raise cannot(path, error) from error
        lock(self._file.fileno())
        self._end = self._file.seek(0, os.SEEK_END)
        _held[os.path.realpath(path)] = self

    @classmethod
    def taken_up(cls, path: Path, end: int) -> JournalWriter:
        """Return the writer of a journal that this program has taken up, to go on after its first `end` bytes.

        Raises
        ------
        SaveError
            It cannot be opened.
        """
        made = cls.__new__(cls)
        made._kind = np.dtype(np.uint8)
        made._begin(path, "r+b")
        made._end = end
        return made

    def append(self, first_index: int, codes: NDArray[Any]) -> None:
        """Append samples, shape (samples, channels), whose first has that absolute index.

        Raises
        ------
        SaveError
            They cannot be written now; they wait, and are written with the next ones as soon as that can be done.
        """
        body = np.ascontiguousarray(codes, dtype=self._kind.newbyteorder("<")).tobytes()
        head = RECORD.pack(DATA, len(codes), first_index, zlib.crc32(body))
        self._put(head + body, first_index + len(codes))
        if self._flushing is not None and self._flushing.is_alive():
            return
        self._write_or_say()
        if time.monotonic() - self._flushed_s >= FLUSH_S:
            self._flush()

    def finish(self, start: int, stop: int, *, rate_hz: float, notes: Mapping[str, str],
               notices: tuple[Notice, ...] = ()) -> None:
        """Note that the capture is whole: from absolute index `start` up to, not including, `stop`.

        Raises
        ------
        SaveError
            As `append`.
        """
        self._note(WHOLE, {"start": start, "stop": stop, "rate_hz": rate_hz, "notes": dict(notes),
                            "notices": plain_notices(notices)})

    def keep(self, name: str) -> None:
        """Note that the samples are whole in the file of that name beside the journal.

        Raises
        ------
        SaveError
            As `append`.
        """
        self._note(KEPT, {"name": name})

    def begin_analysis(self) -> None:
        """Note that the analysis is begun: one that ends the program is not begun for ever.

        Raises
        ------
        SaveError
            As `append`.
        """
        self._note(TRIED, None)

    @property
    def ours(self) -> bool:
        """Whether the file is still where it was: after days without a sign another program may have taken it up."""
        try:
            return os.path.samestat(os.fstat(self._file.fileno()), self.path.stat())
        except (OSError, ValueError):
            return False

    def close(self) -> None:
        """Leave the journal where it is, to whoever takes it up."""
        if self._file.closed:
            return
        with contextlib.suppress(OSError):  # what it stands for is handed on
            self._write()
        unlock(self._file.fileno())
        self._file.close()
        _held.pop(os.path.realpath(self.path), None)

    def remove(self) -> None:
        """Close the journal and take it away: what it held is safe elsewhere."""
        ours = self.ours
        self._waiting.clear()
        self.close()
        if sys.platform == "win32" and self._flushing is not None:
            self._flushing.join(FLUSH_S)  # a file that is open cannot be taken away there
        if ours:
            with contextlib.suppress(OSError):
                self.path.unlink()

    def _note(self, tag: bytes, facts: Mapping[str, Any] | None) -> None:
        body = b"" if facts is None else json.dumps(facts).encode("ascii")
        self._put(RECORD.pack(tag, len(body), 0, zlib.crc32(body)) + body, None)
        self._write_or_say()

    def _put(self, record: bytes, next_index: int | None) -> None:
        self._waiting.append((record, next_index))

    def _write_or_say(self) -> None:
        try:
            self._write()
        except OSError as error:
            raise cannot(self.path, error) from error

    def _write(self) -> None:
        """Write what waits, each record at the place where the one before it ended, whole or once more."""
        while self._waiting:
            record, next_index = self._waiting[0]
            self._file.seek(self._end)
            left = memoryview(record)
            while left:
                written = self._file.write(left)
                if not written:
                    raise OSError(None, "nothing more could be written")
                left = left[written:]
            self._end += len(record)
            self._waiting.popleft()
            self.written_index = self.written_index if next_index is None else next_index

    def _flush(self) -> None:
        folder = self.path.parent if self._flushing is None else None
        self._flushed_s = time.monotonic()
        self._flushing = threading.Thread(target=_flush, args=(os.dup(self._file.fileno()), folder),
                                          name=f"flushing {self.path.name}", daemon=True)
        self._flushing.start()


def held_here(path: Path) -> bool:
    """Return whether this very program has the journal open."""
    return os.path.realpath(path) in _held


def cannot(path: Path, error: OSError) -> SaveError:
    """Return the error that says why a journal could not be written."""
    return SaveError(f"the capture in progress could not be written to {path} ({error.strerror or error})",
                     "check the folder, your permissions and the free space")


def _flush(descriptor: int, folder: Path | None) -> None:
    """Flush a file, and the folder that it is new in; what cannot be flushed is still written by the system."""
    with contextlib.suppress(OSError):
        os.fsync(descriptor)
    os.close(descriptor)
    if folder is not None:
        flush_folder(folder)


def _plain(channel: Channel) -> dict[str, Any]:
    return {"name": channel.name, "unit": channel.unit, "scale": channel.scale, "offset": channel.offset,
            "code_range": channel.code_range, "code_dtype": channel.code_dtype}
