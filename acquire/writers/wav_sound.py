"""A capture as a sound file: the converter's codes as PCM, or values as 64-bit floats where there are no codes.

What the numbers mean stands in the file's comment (LIST INFO ICMT), for people.
"""

from __future__ import annotations

import io
import struct
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire.errors import SaveError
from crankfold.acquire.files import codes_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import Capture, Channel

PCM, FLOAT = 1, 3  # format tags of RIFF WAVE
WHOLE_HZ = 1e-9  # a rate this close to a whole number, relatively, is one
MOST_BYTES = 2**32 - 4096  # sizes in the file have 32 bits


def image(capture: Capture) -> tuple[bytes, list[str]]:
    """Return the bytes of the file, and what it does not hold.

    Raises
    ------
    SaveError
        Samples are missing, the file would be too large, or the rate is below one hertz.
    """
    if not np.isfinite(capture.samples).all():
        raise SaveError("samples are missing in this capture and sound has no place for gaps",
                        "write .h5, .csv, .parquet or .mf4")
    rate = round(capture.rate_hz)
    table = _interleaved(capture)
    if table.nbytes > MOST_BYTES or rate < 1:
        raise SaveError(f"{table.nbytes} bytes at {rate} Hz do not fit a sound file", "write .h5 or .parquet")
    lost = [text for text, there in (
        (f"the rate of {capture.rate_hz:.9g} Hz, written as {rate}", abs(capture.rate_hz / rate - 1) > WHOLE_HZ),
        ("the start of the recording", capture.started_utc), ("the notes", capture.notes),
        ("the trigger", capture.trigger_index is not None)) if there]
    return _riff(table, rate, _comment(capture, table)), lost


def _interleaved(capture: Capture) -> NDArray[Any]:
    """Return the samples as they stand in the file, shape (samples, channels)."""
    codes = [codes_of(values, channel) for values, channel in zip(capture.samples.T, capture.channels, strict=True)]
    if all(code.dtype.kind in "iu" for code in codes):
        lowest, highest = min(int(c.min(initial=0)) for c in codes), max(int(c.max(initial=0)) for c in codes)
        for kind in (np.dtype("<i2"), np.dtype("<i4")):  # one-byte sound is unsigned, so two bytes are the least
            limits = np.iinfo(kind)
            if limits.min <= lowest and highest <= limits.max:
                return np.stack(codes, axis=1).astype(kind)
    return np.ascontiguousarray(capture.samples, "<f8")


def _comment(capture: Capture, table: NDArray[Any]) -> str:
    return "; ".join(_meaning(channel, coded=table.dtype.kind == "i") for channel in capture.channels)


def _meaning(channel: Channel, *, coded: bool) -> str:
    value = f"code * {channel.scale!r} + {channel.offset!r}" if coded else "value"
    return f"{channel.name} = {value} {channel.unit}".strip()


def _riff(table: NDArray[Any], rate: int, comment: str) -> bytes:
    width, channels = table.dtype.itemsize, table.shape[1]
    tag = PCM if table.dtype.kind == "i" else FLOAT
    form = struct.pack("<HHIIHH", tag, channels, rate, rate * width * channels, width * channels, 8 * width)
    chunks = [(b"fmt ", form + (b"\0\0" if tag == FLOAT else b""))]
    if tag == FLOAT:
        chunks.append((b"fact", struct.pack("<I", len(table))))
    text = comment.encode("utf-8") + b"\0"
    chunks += [(b"LIST", b"INFO" + _chunk(b"ICMT", text)), (b"data", table.tobytes())]
    body = io.BytesIO()
    for name, content in chunks:
        body.write(_chunk(name, content))
    return _chunk(b"RIFF", b"WAVE" + body.getvalue())


def _chunk(name: bytes, content: bytes) -> bytes:
    """Return a chunk: name, size, content, and a byte more where the size is odd."""
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)
