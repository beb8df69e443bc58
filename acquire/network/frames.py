"""Frames of the network: two lengths, a header in JSON, and samples; both ways alike."""

from __future__ import annotations

import json
import struct
from typing import TYPE_CHECKING, Any

from crankfold.acquire.errors import BoardGarbledError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

VERSION = 1
"""Of the framing; it grows when what is there changes its meaning, not when fields are added."""

PORT = 27425  # our own choice, below the ports that systems hand out by themselves
LENGTHS = struct.Struct("<II")
MOST_HEADER = 1 << 16  # bytes; the longest header names some dozens of channels
MOST_BODY = 1 << 26  # bytes; a block of a second at the fastest boards has a tenth of it
GARBLED = "what comes over the network is no board of this program", "check the address and its port"


def frame(header: Mapping[str, Any], body: bytes = b"") -> bytes:
    """Return the bytes of a frame: lengths of header and body (uint32, little-endian), header (JSON, UTF-8), body."""
    text = json.dumps(header, separators=(",", ":"), allow_nan=False).encode()
    return LENGTHS.pack(len(text), len(body)) + text + body


class FrameReader:
    """Puts frames together from bytes as they come.

    Parameters
    ----------
    most_body
        Bytes of samples that one frame may have.
    """

    def __init__(self, most_body: int = MOST_BODY) -> None:
        self._most_body, self._held = most_body, bytearray()

    def feed(self, data: bytes) -> Iterator[tuple[dict[str, Any], bytes]]:
        """Yield header and body of each frame that `data` completes.

        Raises
        ------
        BoardGarbledError
            It is no such stream.
        """
        self._held += data
        at = 0
        try:
            while len(self._held) - at >= LENGTHS.size:
                header, body = LENGTHS.unpack_from(self._held, at)
                if not 2 <= header <= MOST_HEADER or body > self._most_body:
                    raise BoardGarbledError(*GARBLED)
                start, stop = at + LENGTHS.size + header, at + LENGTHS.size + header + body
                if len(self._held) < stop:
                    return
                text, samples = bytes(self._held[at + LENGTHS.size : start]), bytes(self._held[start:stop])
                at = stop
                yield _header(text), samples
        finally:
            del self._held[:at]


def _header(text: bytes) -> dict[str, Any]:
    try:
        header = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise BoardGarbledError(*GARBLED) from error
    if not isinstance(header, dict):
        raise BoardGarbledError(*GARBLED)
    return header
