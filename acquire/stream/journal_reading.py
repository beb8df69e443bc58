"""What a journal holds: the capture as far as it was written, and how far its program had come with it."""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import Enum
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np

from crankfold.acquire.contract import SourceInfo
from crankfold.acquire.errors import FileFormatError
from crankfold.acquire.notices import notices_of
from crankfold.acquire.stream.caught import make_capture
from crankfold.acquire.stream.journal import DATA, FAMILY, KEPT, RECORD, TRIED, VERSION, WHOLE
from crankfold.acquire.stream.ring import Piece
from crankfold.analysis import CUT_SHORT, Capture, Channel, Gap

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

MAX_HEADER_BYTES = 4_000_000
MOST_NOTED_BYTES = 1_000_000  # of a record that is no samples
RECOVERED = "the program ended while this was being captured"


class NothingWrittenError(FileFormatError):
    """A journal that holds no samples: its program ended before any were written."""


class State(Enum):
    """How far a capture has come."""

    RECORDING = "recording"
    """The crank was under way."""

    WHOLE = "whole"
    """All its samples are in the journal."""

    KEPT = "kept"
    """Its samples are whole in a file of their own; it waits for its analysis."""


@dataclass(frozen=True, eq=False)
class Recovered:
    """What a journal still holds.

    Parameters
    ----------
    capture
        As far as it was written.
    cut
        Whether the last record was cut short.
    state
        How far its program had come.
    kept_as
        Name of the file that holds the samples whole, empty where there is none yet.
    tries
        How often its analysis was begun.
    end
        Bytes of the journal that are whole.
    """

    capture: Capture
    cut: bool
    state: State = State.RECORDING
    kept_as: str = ""
    tries: int = 0
    end: int = 0


@dataclass
class _Read:
    """The whole records of a journal."""

    blocks: list[tuple[int, NDArray[Any]]] = field(default_factory=list)
    whole: dict[str, Any] | None = None
    kept_as: str = ""
    tries: int = 0
    used: int = 0


def owner_text(path: Path) -> str:
    """Return whom a journal's header names as its owner, empty where it names nobody or cannot be read."""
    try:
        with path.open("rb") as file:
            return str(json.loads(file.readline(MAX_HEADER_BYTES)).get("owner", ""))
    except (OSError, ValueError, AttributeError, RecursionError):
        return ""


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
            info, onset_utc, first_utc = _understand(path, head)
            size, begin = path.stat().st_size, file.tell()
            found = _read(file, info, size - begin)
        capture = _capture(found, info, onset_utc, first_utc) if found.blocks else None
    except OSError as error:
        raise FileFormatError(path, f"it cannot be read ({error.strerror or error})", "check the file") from error
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError, AttributeError) as error:
        raise FileFormatError(path, "this isn't a capture in progress, or its beginning is damaged",
                              "delete it if you do not need it") from error
    if capture is None:
        raise NothingWrittenError(path, "it holds no samples: the program ended before any were written", "delete it")
    state = State.KEPT if found.kept_as else State.WHOLE if found.whole is not None else State.RECORDING
    end = begin + found.used
    return Recovered(capture, end < size, state, found.kept_as, found.tries, end)


def _capture(found: _Read, info: SourceInfo, onset_utc: datetime | None, first_utc: datetime | None) -> Capture:
    piece, onset = _piece(found, info), info.trigger_index
    trigger = onset if onset in range(piece.first_index, piece.next_index) else None
    facts = found.whole or {"rate_hz": info.rate_hz, "notes": {"recovered": RECOVERED, CUT_SHORT: RECOVERED}}
    rate_hz = float(facts["rate_hz"])
    if not 0 < rate_hz < np.inf:
        raise ValueError("no rate")
    started = first_utc and first_utc + timedelta(seconds=piece.first_index / rate_hz)
    if onset_utc is not None and onset is not None:
        started = onset_utc - timedelta(seconds=(onset - piece.first_index) / rate_hz)
    return make_capture(piece, info, rate_hz=rate_hz, trigger_index=trigger, started_utc=started,
                        notes={str(name): str(text) for name, text in dict(facts["notes"]).items()},
                        notices=notices_of(facts.get("notices", ())))


def _understand(path: Path, head: bytes) -> tuple[SourceInfo, datetime | None, datetime | None]:
    """Return what the header says of the source, when the onset was, and, in the first format, when sample 0 was."""
    header = json.loads(head)
    family, _, version = str(header["format"]).partition("/")
    if family != FAMILY or not version.isdigit():
        raise ValueError("another format")
    if int(version[:9]) > VERSION:
        raise FileFormatError(path, f"it was written by a newer crankfold, as {header['format']}", "update crankfold")
    channels = tuple(_channel(given) for given in header["channels"])
    kind, skew_s = np.dtype(str(header["dtype"])), tuple(float(s) for s in header["skew_s"])
    if kind.kind not in "iuf" or not channels or not 0 < float(header["rate_hz"]) < np.inf:
        raise ValueError("no numbers")
    if len(skew_s) not in (0, len(channels)) or not np.isfinite(skew_s).all():
        raise ValueError("skews that do not go with the channels")
    info = SourceInfo(float(header["rate_hz"]), channels, kind, str(header["title"]), address=str(header["address"]),
                      trigger_index=int(header["trigger_index"]), skew_s=skew_s, about=dict(header.get("about", {})),
                      notes={str(k): str(v) for k, v in dict(header["notes"]).items()})
    onset, first = (datetime.fromisoformat(header[name]) if header.get(name) else None
                    for name in ("onset_utc", "started_utc"))
    return info, onset, first


def _channel(given: dict[str, Any]) -> Channel:
    limits = given["code_range"]
    if limits is not None:
        low, high = limits
        limits = (int(low), int(high))
    return Channel(str(given["name"]), str(given["unit"]), float(given["scale"]), float(given["offset"]), limits,
                   np.dtype(str(given["code_dtype"])).name)


def _read(file: BinaryIO, info: SourceInfo, room: int) -> _Read:
    """Return the whole records in order; an index that runs back is no record of ours."""
    found = _Read()
    for tag, number, first, body in _records(file, info, room):
        if tag == DATA:
            if found.blocks and first < found.blocks[-1][0] + len(found.blocks[-1][1]):
                break
            codes = np.frombuffer(body, info.dtype.newbyteorder("<")).reshape(number, len(info.channels))
            found.blocks.append((first, codes.astype(info.dtype, copy=False)))
        elif tag == WHOLE:
            found.whole = dict(json.loads(body))
        elif tag == KEPT:
            found.kept_as = str(json.loads(body)["name"])
        else:
            found.tries += 1
        found.used += RECORD.size + len(body)
    return found


def _records(file: BinaryIO, info: SourceInfo, room: int) -> Iterator[tuple[bytes, int, int, bytes]]:
    """Yield tag, number, index and body of each record up to the first that is not whole."""
    row = info.dtype.itemsize * len(info.channels)
    while len(head := file.read(RECORD.size)) == RECORD.size:
        tag, number, first, checksum = RECORD.unpack(head)
        size = number * row if tag == DATA else number
        if tag not in (DATA, WHOLE, KEPT, TRIED) or size > room or (tag != DATA and size > MOST_NOTED_BYTES):
            return  # a damaged length must not reserve memory
        body = file.read(size)
        if len(body) != size or zlib.crc32(body) != checksum:
            return
        yield tag, number, first, body


def _piece(found: _Read, info: SourceInfo) -> Piece:
    """Return the samples as one piece with gaps; what follows a gap longer than all the rest is left out."""
    blocks = found.blocks
    begin, kept = blocks[0][0], sum(len(codes) for _, codes in blocks)
    blocks = [block for block in blocks if block[0] - begin <= 2 * kept]
    stop = blocks[-1][0] + len(blocks[-1][1])
    if found.whole is not None:  # what came before the end of the crank was known belongs to the next
        stop = min(stop, max(int(found.whole["stop"]), begin + 1))
    rows = np.zeros((len(info.channels), stop - begin), info.dtype)
    gaps, at = [], begin
    for first, codes in blocks:
        if first >= stop:
            break
        if first > at:
            gaps.append(Gap(at, first - at))
        at = min(first + len(codes), stop)
        rows[:, first - begin : at - begin] = codes[: at - first].T
    return Piece(rows, begin, tuple(gaps))
