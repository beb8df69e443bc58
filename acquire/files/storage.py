"""Captures in files: HDF5 with the converter's codes, and beside them unit, scale, offset and rate.

Layout, format ``crankfold.capture/1``::

    /                  attributes format, rate_hz, trigger_index (absent if none), started_utc, origin
    /channels/NAME     codes, shape (samples,); attributes name, column, unit, scale, offset, code_range, code_dtype
    /gaps              int64, shape (gaps, 2): first missing sample and how many
    /notes             JSON object of texts
    /notices           JSON list of objects: what the source survived, each with a code and its numbers
    /about             JSON object: engine, rig, measured, job, caught (crankfold.about/1, see acquire/README.md)
    /result            JSON object: the last result (crankfold.result/1), with program and analysed_utc

``value = code * scale + offset``. Lost samples hold a filler and are listed under gaps. Texts are UTF-8 of fixed
length: those of variable length lie in a heap without checksums, where one wrong byte can keep the HDF5 library busy
for ever.
"""

from __future__ import annotations

import io
import json
import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from crankfold.acquire.atomic import write_whole
from crankfold.acquire.contract import SourceInfo
from crankfold.acquire.errors import FileFormatError
from crankfold.acquire.files.hdf5 import Hdf5File, Member
from crankfold.acquire.notices import SAID, notices_of, plain_notices
from crankfold.acquire.stream import Piece, make_capture
from crankfold.analysis import Capture, Channel, Gap, Notice, find_gaps

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

Read = TypeVar("Read")

FAMILY, VERSION = "crankfold.capture", 1
FORMAT = f"{FAMILY}/{VERSION}"
SUFFIX = ".h5"
ABOUT, RESULT = "about", "result"
PROBLEM = "problem"  # in place of what a capture says of itself, where that cannot be read; the samples are whole
EXACT_STEPS = 1e-6  # codes found back from values may differ by rounding, not by more
CHECKED = ("v110", "v110")  # layouts with checksums over all that is not samples
CHUNK = 16_384  # of int16 it fits the fastest cache, which makes packing a third faster than with larger ones


@dataclass(frozen=True, eq=False)
class StoredCapture:
    """What a capture file holds: the codes, shape (channels, samples), and what they mean."""

    piece: Piece
    info: SourceInfo

    def capture(self) -> Capture:
        """Return it in units."""
        return make_capture(self.piece, self.info, rate_hz=self.info.rate_hz, trigger_index=self.info.trigger_index,
                            started_utc=self.info.started_utc)


@dataclass(frozen=True)
class StoredFacts:
    """What a capture file says of itself: when it was taken, and its ``/about`` and ``/result``."""

    started_utc: datetime | None
    about: Mapping[str, Any]


def save_capture(capture: Capture, path: Path | str) -> None:
    """Write a capture file, whole or not at all.

    Raises
    ------
    SaveError
        It cannot be written.
    """
    write_whole(Path(path), capture_image(capture))


def load_capture(path: Path | str) -> Capture:
    """Return the capture of a file.

    Raises
    ------
    FileFormatError
        It is no capture file, or a damaged one.
    """
    return read_stored(path).capture()


def read_stored(path: Path | str) -> StoredCapture:
    """Return the codes of a capture file.

    Raises
    ------
    FileFormatError
        It is no capture file, or a damaged one.
    """
    return _told(Path(path), _read)


def read_facts(path: Path | str) -> StoredFacts:
    """Return what a capture file says of itself; its samples are not read.

    Raises
    ------
    FileFormatError
        It is no capture file, or a damaged one.
    """
    return _told(Path(path), _read_facts)


def _told(path: Path, read: Callable[[Path], Read]) -> Read:
    """Return what is read; whatever goes wrong is said in one sentence."""
    try:
        return read(path)
    except FileFormatError:
        raise
    except FileNotFoundError as error:
        raise FileFormatError(path, "there is no such file", "check the name and the folder") from error
    except (OSError, KeyError, ValueError, TypeError, RuntimeError, AttributeError, OverflowError,
            MemoryError) as error:  # an InputError is a ValueError, too deep a nesting a RuntimeError
        raise FileFormatError(path, f"this isn't a capture file, or it is damaged ({_said(error)})",
                              "record or export it again") from error


def codes_of(values: NDArray[np.float64], channel: Channel) -> NDArray[Any]:
    """Return the codes of a channel's values, shape (samples,): in their own dtype where that loses nothing."""
    codes = (values - channel.offset) / channel.scale
    codes[~np.isfinite(codes)] = 0.0
    kind = np.dtype(channel.code_dtype)
    if kind.kind not in "iu" or not len(codes):
        return codes
    whole, limits = np.rint(codes), np.iinfo(kind)
    fits = whole.min() >= limits.min and whole.max() <= limits.max
    return whole.astype(kind) if fits and np.abs(codes - whole).max() <= EXACT_STEPS else codes


def capture_image(capture: Capture) -> bytes:
    """Return the bytes of a capture file; made in memory, so that a full disk is met in one place."""
    import h5py

    image = io.BytesIO()  # closed by the library like any file; an image of one still open had a wrong checksum
    with h5py.File(image, "w", libver=CHECKED) as file:
        file.attrs["format"] = fixed_text(FORMAT)
        file.attrs["rate_hz"] = capture.rate_hz
        file.attrs["origin"] = fixed_text(json.dumps(capture.origin))
        if capture.trigger_index is not None:
            file.attrs["trigger_index"] = capture.trigger_index
        if capture.started_utc is not None:
            file.attrs["started_utc"] = fixed_text(capture.started_utc.isoformat())
        group = file.create_group("channels")
        for column, channel in enumerate(capture.channels):
            _write_channel(group, column, channel, capture.samples[:, column])
        gaps = find_gaps(~np.isfinite(capture.samples @ np.ones(len(capture.channels))))
        file["gaps"] = np.array([(gap.start, gap.length) for gap in gaps], np.int64).reshape(-1, 2)
        file["notes"] = fixed_text(json.dumps({str(key): str(text) for key, text in capture.notes.items()}))
        if capture.notices:
            file["notices"] = fixed_text(json.dumps(plain_notices(capture.notices)))
        about = dict(capture.about)
        result = about.pop(RESULT, None)
        for name, data in ((ABOUT, about), (RESULT, result)):
            if data:
                file[name] = fixed_text(json.dumps(data))
    return image.getvalue()


def _write_channel(group: Any, column: int, channel: Channel, values: NDArray[np.float64]) -> None:
    name = channel.name if re.fullmatch(r"[\w-]+", channel.name) and channel.name not in group else f"channel{column}"
    codes = codes_of(values, channel)
    packed = codes.dtype.kind in "iu" and len(codes) > 0  # noise in floats does not shrink
    data = group.create_dataset(name, data=codes, **(
        {"compression": "gzip", "compression_opts": 1, "shuffle": True, "chunks": (min(CHUNK, len(codes)),)}
        if packed else {}))
    data.attrs.update({"name": fixed_text(channel.name), "column": column, "unit": fixed_text(channel.unit),
                       "scale": channel.scale, "offset": channel.offset, "code_dtype": fixed_text(channel.code_dtype)})
    if channel.code_range is not None:
        data.attrs["code_range"] = np.array(channel.code_range, np.int64)


def fixed_text(text: str) -> NDArray[np.bytes_]:
    """Return a text as HDF5 is to hold it: UTF-8 of fixed length."""
    import h5py

    raw = text.encode("utf-8", "surrogatepass")
    return np.array(raw, dtype=h5py.string_dtype("utf-8", max(1, len(raw))))


def _read_facts(path: Path) -> StoredFacts:
    file = _opened(path)
    return StoredFacts(_started(file.members[""]), _about(file))


def _opened(path: Path) -> Hdf5File:
    """Return a capture file of a format that is known."""
    file = Hdf5File(path)
    form = _text(file.members[""], "format")
    if _newer(form):
        raise FileFormatError(path, f"it was written by a newer crankfold, as {form}; this one reads {FORMAT}",
                              "update crankfold")
    if form != FORMAT:
        raise ValueError(f"its format is {form[:60]!r}, not {FORMAT!r}")
    return file


def _started(top: Member) -> datetime | None:
    return datetime.fromisoformat(_text(top, "started_utc")) if "started_utc" in top.attributes else None


def _read(path: Path) -> StoredCapture:
    file = _opened(path)
    members, top = file.members, file.members[""]
    rows = sorted((f"channels/{name}" for name in _own(members, "channels").holds or ()),
                  key=lambda name: int(_number(_own(members, name), "column")))
    if not rows:
        raise ValueError("it has no channels")
    if len({members[name].shape for name in rows}) != 1:
        raise ValueError("its channels differ in length")
    channels = tuple(_channel(members[name]) for name in rows)
    codes = _codes([_plain(file, name, "iuf") for name in rows])
    gaps = tuple(Gap(int(a), int(b)) for a, b in _plain(file, "gaps", "iu").reshape(-1, 2))
    if any(gap.start < 0 or gap.length < 1 or gap.stop > codes.shape[1] for gap in gaps):
        raise ValueError("its gaps lie outside its samples")
    trigger = _number(top, "trigger_index") if "trigger_index" in top.attributes else None
    notes = _notes(bytes(_plain(file, "notes", "S")))
    said = notes.pop("warnings", "")  # sentences, of the time before there were notices
    info = SourceInfo(
        float(_number(top, "rate_hz")), channels, codes.dtype, path.name,
        address=json.loads(_text(top, "origin")), finite=True, live=False, captured=True,
        trigger_index=None if trigger is None else int(trigger),
        started_utc=_started(top),
        notes=notes, about=_about(file), notices=_notices(file, said))
    if not (np.isfinite(info.rate_hz) and info.rate_hz > 0):
        raise ValueError(f"its rate is {info.rate_hz:g} Hz")
    if info.trigger_index is not None and not 0 <= info.trigger_index < codes.shape[1]:
        raise ValueError("its trigger index lies outside its samples")
    return StoredCapture(Piece(codes, 0, gaps), info)


def _own(members: Mapping[str, Member], name: str) -> Member:
    """Return a member that is stored in this very file: links to elsewhere are not followed."""
    if name not in members:
        raise ValueError(f"{name} is missing or a link")
    return members[name]


def _channel(member: Member) -> Channel:
    limits = _number(member, "code_range") if "code_range" in member.attributes else None
    return Channel(_text(member, "name"), _text(member, "unit"), float(_number(member, "scale")),
                   float(_number(member, "offset")), None if limits is None else (int(limits[0]), int(limits[1])),
                   np.dtype(_text(member, "code_dtype")).name)


def _text(member: Member, name: str) -> str:
    text = member.attributes.get(name)
    if not isinstance(text, str):
        raise ValueError(f"its {name} is missing or not a text of fixed length")
    return text.encode("latin-1").decode("utf-8", "surrogatepass")


def _number(member: Member, name: str) -> Any:
    number = member.attributes.get(name)
    if number is None or isinstance(number, str):
        raise ValueError(f"its {name} is missing or not a number")
    return number


def _plain(file: Hdf5File, name: str, kinds: str) -> NDArray[Any]:
    kind = _own(file.members, name).kind
    if kind is not None and kind.kind not in kinds:
        raise ValueError(f"{name} is of another type than it should be")
    return file.values(name)


def _codes(rows: list[NDArray[Any]]) -> NDArray[Any]:
    """Return the codes of all channels, shape (channels, samples)."""
    if any(row.ndim != 1 for row in rows):
        raise ValueError("a channel of it is not a row of numbers")
    if not all(np.isfinite(row).all() for row in rows):
        raise ValueError("it holds values that are no numbers")
    return np.stack([row.astype(np.result_type(*rows), copy=False) for row in rows])


def _newer(form: str) -> bool:
    family, _, version = form.partition("/")
    return family == FAMILY and version.isascii() and version.isdigit() and int(version[:9]) > VERSION


def _about(file: Hdf5File) -> dict[str, Any]:
    """Return what the capture knows of itself; where that is damaged, why: the samples are worth more."""
    about: dict[str, Any] = {}
    try:
        for name in (ABOUT, RESULT):
            if name in file.members:
                data = json.loads(bytes(_plain(file, name, "S")))
                if not isinstance(data, dict):
                    raise ValueError(f"its {name} is no table")
                about |= data if name == ABOUT else {RESULT: data}
    except (ValueError, RecursionError) as error:
        return {PROBLEM: _said(error)}
    return about


def _notices(file: Hdf5File, said: str) -> tuple[Notice, ...]:
    own = notices_of(json.loads(bytes(_plain(file, "notices", "S")))) if "notices" in file.members else ()
    return (*own, *(Notice(SAID, {"text": text}) for text in said.split("\n") if text))


def _notes(raw: bytes) -> dict[str, str]:
    notes = json.loads(raw)
    if not isinstance(notes, dict) or not all(isinstance(text, str) for text in notes.values()):
        raise ValueError("its notes are not texts")
    return notes


def _said(error: BaseException) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
