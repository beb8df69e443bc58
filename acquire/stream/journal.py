"""A capture in progress on disk, so that a program killed in the middle of it loses nothing that was written.

A header line of JSON, then records: a tag, the number of samples, the absolute index of the first, a checksum, the
codes. Each record is handed to the system at once, and once a second the system is told to put them on the disk: a
starter may pull down the supply of the very computer that records. Meanwhile records wait in memory, so that a slow
disk does not keep the reader from its board. A record cut short at the end is dropped when the journal is read.
"""

from __future__ import annotations

import contextlib
import json
import os
import struct
import sys
import threading
import time
import zlib
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire.atomic import flush_folder
from crankfold.acquire.contract import SourceInfo
from crankfold.acquire.errors import FileFormatError, SaveError
from crankfold.acquire.stream.caught import make_capture
from crankfold.acquire.stream.ring import Piece
from crankfold.analysis import Capture, Channel, Gap

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

FORMAT = "crankfold.journal/1"
SUFFIX = ".journal"
DATED = "[0-9]*T[0-9]*"  # names of ours; a table of captures may have a journal of another kind in the same folder
DATA = b"DATA"
_RECORD = struct.Struct("<4sIqI")  # tag, samples, absolute index of the first, CRC-32 of the codes
MAX_HEADER_BYTES = 1_000_000
FLUSH_S = 1.0  # what a power cut may cost, and what the disk takes; a crank lasts some seconds


class JournalWriter:
    """Appends the samples of one crank to a file.

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

    Raises
    ------
    SaveError
        The file cannot be made.
    """

    def __init__(self, path: Path, info: SourceInfo, *, rate_hz: float, trigger_index: int,
                 started_utc: datetime | None) -> None:
        self.path = path
        header = {"format": FORMAT, "rate_hz": rate_hz, "dtype": info.dtype.name, "title": info.title,
                  "address": info.address, "trigger_index": trigger_index, "skew_s": list(info.skew_s),
                  "started_utc": started_utc.isoformat() if started_utc else None, "notes": dict(info.notes),
                  "channels": [_plain(channel) for channel in info.channels]}
        self._kind = info.dtype
        self._waiting: list[bytes] = []
        self._flushing: threading.Thread | None = None
        self._flushed_s = time.monotonic()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = path.open("xb", buffering=0)
            _claim(self._file.fileno())
            self._file.write(json.dumps(header).encode("ascii") + b"\n")
        except OSError as error:
            raise _cannot(path, error) from error

    def append(self, first_index: int, codes: NDArray[Any]) -> None:
        """Append samples, shape (samples, channels), whose first has that absolute index.

        Raises
        ------
        SaveError
            They cannot be written.
        """
        body = np.ascontiguousarray(codes, dtype=self._kind.newbyteorder("<")).tobytes()
        self._waiting.append(_RECORD.pack(DATA, len(codes), first_index, zlib.crc32(body)) + body)
        if self._flushing is not None and self._flushing.is_alive():
            return
        try:
            self._write()
            if time.monotonic() - self._flushed_s >= FLUSH_S:
                self._flush()
        except OSError as error:
            self._waiting.clear()
            raise _cannot(self.path, error) from error

    def _write(self) -> None:
        for record in self._waiting:
            self._file.write(record)
        self._waiting.clear()

    def _flush(self) -> None:
        folder = self.path.parent if self._flushing is None else None
        self._flushed_s = time.monotonic()
        self._flushing = threading.Thread(target=_flush, args=(os.dup(self._file.fileno()), folder),
                                          name=f"flushing {self.path.name}", daemon=True)
        self._flushing.start()

    def close(self) -> None:
        """Leave the journal where it is."""
        if self._file.closed:
            return
        with contextlib.suppress(OSError):  # the capture that it stands for is whole and handed on
            self._write()
        _release(self._file.fileno())
        self._file.close()

    def remove(self) -> None:
        """Close the journal and take it away: what it held is safe elsewhere."""
        self._waiting.clear()
        self.close()
        if sys.platform == "win32" and self._flushing is not None:
            self._flushing.join(FLUSH_S)  # a file that is open cannot be taken away there
        with contextlib.suppress(OSError):
            self.path.unlink()


@dataclass(frozen=True, eq=False)
class Recovered:
    """What a journal still holds: the capture, and whether its last record was cut short."""

    capture: Capture
    cut: bool


def journals(folder: Path) -> tuple[Path, ...]:
    """Return the journals that were left in a folder, oldest name first, without one that is being written now."""
    return tuple(path for path in sorted(folder.glob(f"{DATED}{SUFFIX}")) if not _written_now(path))


def new_journal_path(folder: Path) -> Path:
    """Return a name in the folder that no other capture has, also where the clock was set back."""
    moment = f"{datetime.now(UTC):%Y%m%dT%H%M%S%f}"
    names = chain([moment], (f"{moment}-{number}" for number in count(2)))
    return next(path for name in names if not (path := folder / f"{name}{SUFFIX}").exists())


def _claim(descriptor: int) -> None:
    """Mark an open file as being written until it is closed or its program ends; systems without locks go without."""
    with contextlib.suppress(ImportError, OSError):
        import fcntl

        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _release(descriptor: int) -> None:
    """Take the mark away: a flush under way holds the file open for longer."""
    with contextlib.suppress(ImportError, OSError):
        import fcntl

        fcntl.flock(descriptor, fcntl.LOCK_UN)


def _flush(descriptor: int, folder: Path | None) -> None:
    """Flush a file, and the folder that it is new in; what cannot be flushed is still written by the system."""
    with contextlib.suppress(OSError):
        os.fsync(descriptor)
    os.close(descriptor)
    if folder is not None:
        flush_folder(folder)


def _written_now(path: Path) -> bool:
    """Return whether a program that runs has claimed the file."""
    try:
        import fcntl
    except ImportError:
        return False
    try:
        with path.open("rb") as file:
            fcntl.flock(file.fileno(), fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False  # what cannot be opened or locked is told when it is read
    return False


def recover(path: Path) -> Recovered:
    """Return what a journal holds, as far as it was written.

    Raises
    ------
    FileFormatError
        It is no journal, or holds no whole record.
    """
    try:
        with path.open("rb") as file:
            head = file.readline(MAX_HEADER_BYTES)
            info, started = _understand(head)
            size, begin = path.stat().st_size, file.tell()
            blocks, used = _blocks(file, info, size - begin)
        capture = _capture(blocks, info, started) if blocks else None
    except OSError as error:
        raise FileFormatError(path, f"it cannot be read ({error.strerror or error})", "check the file") from error
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise FileFormatError(path, "this is no journal of a capture, or its beginning is damaged",
                              "delete it if you do not need it") from error
    if capture is None:
        raise FileFormatError(path, "it holds no samples: the program ended before any were written", "delete it")
    return Recovered(capture, cut=begin + used < size)


def _capture(blocks: list[tuple[int, NDArray[Any]]], info: SourceInfo, started: datetime | None) -> Capture:
    piece = _piece(blocks, info)
    trigger = info.trigger_index if info.trigger_index in range(piece.first_index, piece.next_index) else None
    return make_capture(piece, info, rate_hz=info.rate_hz, trigger_index=trigger, started_utc=started,
                        notes={"recovered": "the program ended while this was being captured"})


def _understand(head: bytes) -> tuple[SourceInfo, datetime | None]:
    header = json.loads(head)
    if header["format"] != FORMAT:
        raise ValueError("another format")
    channels = tuple(_channel(given) for given in header["channels"])
    kind, skew_s = np.dtype(str(header["dtype"])), tuple(float(s) for s in header["skew_s"])
    if kind.kind not in "iuf" or not channels or not 0 < float(header["rate_hz"]) < np.inf:
        raise ValueError("no numbers")
    if len(skew_s) not in (0, len(channels)) or not np.isfinite(skew_s).all():
        raise ValueError("skews that do not go with the channels")
    started = header["started_utc"]
    info = SourceInfo(float(header["rate_hz"]), channels, kind, str(header["title"]), address=str(header["address"]),
                      trigger_index=int(header["trigger_index"]), skew_s=skew_s,
                      notes={str(k): str(v) for k, v in dict(header["notes"]).items()})
    return info, datetime.fromisoformat(started) if started else None


def _channel(given: dict[str, Any]) -> Channel:
    limits = given["code_range"]
    if limits is not None:
        low, high = limits
        limits = (int(low), int(high))
    return Channel(str(given["name"]), str(given["unit"]), float(given["scale"]), float(given["offset"]), limits,
                   np.dtype(str(given["code_dtype"])).name)


def _blocks(file: Any, info: SourceInfo, room: int) -> tuple[list[tuple[int, NDArray[Any]]], int]:
    """Return the whole records in order, and how many bytes they took."""
    found: list[tuple[int, NDArray[Any]]] = []
    used = 0
    for first, codes, size in _records(file, info, room):
        if found and first < found[-1][0] + len(found[-1][1]):
            break  # an index that runs back is no record of ours
        found.append((first, codes))
        used += size
    return found, used


def _records(file: Any, info: SourceInfo, room: int) -> Iterator[tuple[int, NDArray[Any], int]]:
    row = info.dtype.itemsize * len(info.channels)
    while len(head := file.read(_RECORD.size)) == _RECORD.size:
        tag, count, first, checksum = _RECORD.unpack(head)
        if tag != DATA or count * row > room:  # a damaged length must not reserve memory
            return
        body = file.read(count * row)
        if len(body) != count * row or zlib.crc32(body) != checksum:
            return
        codes = np.frombuffer(body, info.dtype.newbyteorder("<")).reshape(count, len(info.channels))
        yield first, codes.astype(info.dtype, copy=False), _RECORD.size + len(body)


def _piece(blocks: list[tuple[int, NDArray[Any]]], info: SourceInfo) -> Piece:
    """Return the records as one piece with gaps; what follows a gap longer than all the rest is left out."""
    begin, kept = blocks[0][0], sum(len(codes) for _, codes in blocks)
    blocks = [block for block in blocks if block[0] - begin <= 2 * kept]
    stop = blocks[-1][0] + len(blocks[-1][1])
    rows = np.zeros((len(info.channels), stop - begin), info.dtype)
    gaps, at = [], begin
    for first, codes in blocks:
        if first > at:
            gaps.append(Gap(at, first - at))
        at = first + len(codes)
        rows[:, first - begin : at - begin] = codes.T
    return Piece(rows, begin, tuple(gaps))


def _plain(channel: Channel) -> dict[str, Any]:
    return {"name": channel.name, "unit": channel.unit, "scale": channel.scale, "offset": channel.offset,
            "code_range": channel.code_range, "code_dtype": channel.code_dtype}


def _cannot(path: Path, error: OSError) -> SaveError:
    return SaveError(f"the capture in progress could not be written to {path} ({error.strerror or error})",
                     "check the folder, its rights and the room on the disk")
