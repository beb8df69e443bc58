"""Captures in files: HDF5 with the converter's codes, and beside them unit, scale, offset and rate.

Layout, format ``crankfold.capture/1``::

    /                  attributes format, rate_hz, trigger_index (absent if none), started_utc, origin
    /channels/NAME     codes, shape (samples,); attributes name, column, unit, scale, offset, code_range, code_dtype
    /gaps              int64, shape (gaps, 2): first missing sample and how many
    /notes             JSON object of texts

``value = code * scale + offset``. Lost samples hold a filler and are listed under gaps. Texts are UTF-8 of fixed
length: those of variable length lie in a heap without checksums, where one wrong byte can keep the HDF5 library busy
for ever.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire.capture_making import make_capture
from crankfold.acquire.errors import FileFormatError
from crankfold.acquire.ring import Piece
from crankfold.acquire.source import SourceInfo
from crankfold.acquire.whole_file import write_whole
from crankfold.analysis.capture import Capture, Channel, Gap, find_gaps

if TYPE_CHECKING:
    from numpy.typing import NDArray

FORMAT = "crankfold.capture/1"
SUFFIX = ".h5"
MAX_VALUES = 2**28  # 2 GiB as float64; a file that claims more is damaged or hostile
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
    import h5py

    path = Path(path)
    try:
        with h5py.File(path, "r") as file:
            return _read(file, path)
    except FileNotFoundError as error:
        raise FileFormatError(path, "there is no such file", "check the name and the folder") from error
    except (OSError, KeyError, ValueError, TypeError, RuntimeError, AttributeError, OverflowError,
            MemoryError) as error:  # an InputError is a ValueError, too deep a nesting a RuntimeError
        raise FileFormatError(path, f"this is no capture file, or a damaged one ({_said(error)})",
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

    with h5py.File("capture", "w", driver="core", backing_store=False, libver=CHECKED) as file:
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
        file.flush()
        return bytes(file.id.get_file_image())


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


def _read(file: Any, path: Path) -> StoredCapture:
    form = _text(file.attrs, "format")
    if form != FORMAT:
        raise ValueError(f"its format is {str(form)[:60]!r}, not {FORMAT!r}")
    group = _own(file, "channels")
    columns = sorted((_own(group, name) for name in group), key=lambda data: int(_number(data.attrs, "column")))
    if not columns:
        raise ValueError("it has no channels")
    channels, rows = tuple(_channel(data) for data in columns), [_codes(data, len(columns)) for data in columns]
    if len({len(row) for row in rows}) != 1:
        raise ValueError("its channels differ in length")
    codes = np.stack([row.astype(np.result_type(*rows), copy=False) for row in rows])
    gaps = tuple(Gap(int(a), int(b)) for a, b in np.asarray(_plain(_own(file, "gaps"), "iu")[()]).reshape(-1, 2))
    if any(gap.start < 0 or gap.length < 1 or gap.stop > codes.shape[1] for gap in gaps):
        raise ValueError("its gaps lie outside its samples")
    trigger = _number(file.attrs, "trigger_index") if "trigger_index" in file.attrs else None
    started = _text(file.attrs, "started_utc") if "started_utc" in file.attrs else None
    info = SourceInfo(
        float(_number(file.attrs, "rate_hz")), channels, codes.dtype, path.name,
        address=json.loads(_text(file.attrs, "origin")), finite=True, live=False, captured=True,
        trigger_index=None if trigger is None else int(trigger),
        started_utc=None if started is None else datetime.fromisoformat(started), notes=_notes(_own(file, "notes")))
    if not (np.isfinite(info.rate_hz) and info.rate_hz > 0):
        raise ValueError(f"its rate is {info.rate_hz:g} Hz")
    if info.trigger_index is not None and not 0 <= info.trigger_index < codes.shape[1]:
        raise ValueError("its trigger index lies outside its samples")
    return StoredCapture(Piece(codes, 0, gaps), info)


def _own(group: Any, name: str) -> Any:
    """Return a member that is stored in this very file: links to elsewhere are not followed."""
    import h5py

    if not isinstance(group.get(name, getlink=True), h5py.HardLink):
        raise ValueError(f"{name} is missing or a link")
    member = group[name]
    if isinstance(member, h5py.Dataset) and (member.is_virtual or member.external):
        raise ValueError(f"{name} is stored in another file")
    return member


def _channel(data: Any) -> Channel:
    attributes = data.attrs
    limits = _number(attributes, "code_range") if "code_range" in attributes else None
    return Channel(_text(attributes, "name"), _text(attributes, "unit"), float(_number(attributes, "scale")),
                   float(_number(attributes, "offset")), None if limits is None else (int(limits[0]), int(limits[1])),
                   np.dtype(_text(attributes, "code_dtype")).name)


def _text(attributes: Any, name: str) -> str:
    return bytes(_attribute(attributes, name, "S")).decode("utf-8", "surrogatepass")


def _number(attributes: Any, name: str) -> Any:
    return _attribute(attributes, name, "iuf")


def _attribute(attributes: Any, name: str, kinds: str) -> Any:
    """Return an attribute, whose type is looked at before its value: reading some types may never end."""
    if attributes.get_id(name).dtype.kind not in kinds:
        raise ValueError(f"its {name} is not {'a text of fixed length' if kinds == 'S' else 'a number'}")
    return attributes[name]


def _plain(data: Any, kinds: str) -> Any:
    if data.dtype.kind not in kinds:
        raise ValueError(f"{data.name} is of another type than it should be")
    return data


def _codes(data: Any, channels: int) -> NDArray[Any]:
    if data.ndim != 1 or data.dtype.kind not in "iuf":
        raise ValueError(f"{data.name} is not a row of numbers")
    if data.shape[0] * channels > MAX_VALUES:
        raise ValueError(f"it claims {data.shape[0]} samples")
    codes: NDArray[Any] = data[()]
    if not np.isfinite(codes).all():
        raise ValueError(f"{data.name} holds values that are no numbers")
    return codes


def _notes(data: Any) -> dict[str, str]:
    notes = json.loads(bytes(_plain(data, "S")[()]))
    if not isinstance(notes, dict) or not all(isinstance(text, str) for text in notes.values()):
        raise ValueError("its notes are not texts")
    return notes


def _said(error: BaseException) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
