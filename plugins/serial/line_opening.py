"""The first second of a board that prints numbers: whether it does, in which style, and how fast."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import AcquireError, BoardGarbledError, BoardStalledError
from crankfold.plugins.serial.line_decoder import LineDecoder
from crankfold.plugins.serial.line_style import FEWEST_LINES, LineStyle, find_style, looks_like_text, split_lines
from crankfold.plugins.serial.line_timing import rate_of_arrivals

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.plugins.serial.port import SerialPort

FIRST_BYTE_S = 4.0
"""Opening the port resets many boards, whose loader waits two seconds and more before the sketch runs."""

LISTEN_S = 1.0
"""Of lines in one style: enough to measure their rate to about 1 %."""

ENOUGH_ARRIVALS = 3 * FEWEST_LINES
"""Fewer reads than this in that time mean that the computer was busy elsewhere: then listen on."""

PATIENCE_S = 4.0
"""A board may talk for this long, banner and settling, before numbers must have come."""

HOPELESS_S = 1.2
"""A stream that after this long is not even text will not become numbers."""

COMMON_BAUDS = "9600, 57600, 115200, 250000, 500000, 1000000"
SHOWN_TEXT = 40


@dataclass(frozen=True, eq=False)
class Heard:
    """What was learnt: style, lines a second, sound lines as numbers, and the port, for messages."""

    style: LineStyle
    rate_hz: float
    values: NDArray[Any]
    device: str


def listen(port: SerialPort) -> Heard:
    """Return what a second of the stream tells.

    Raises
    ------
    BoardStalledError
        Nothing comes.
    BoardGarbledError
        What comes is not lines of numbers.
    """
    began = time.monotonic()
    data = b""
    styled_s: float | None = None
    style: LineStyle | None = None
    chunks: list[tuple[float, bytes]] = []
    while True:
        chunk = port.read(0.05)
        now = time.monotonic()
        if chunk:
            data += chunk
            chunks.append((now, chunk))
        if not data and now - began > FIRST_BYTE_S:
            raise BoardStalledError(f"the board at {port.port.device} prints nothing",
                                    "check that its sketch runs and prints without being asked")
        if style is None and data:
            lines, line_end = split_lines(data)
            style = find_style(lines[-4 * FEWEST_LINES :], line_end)
            if style is not None:
                styled_s, chunks = now, [(now, b"")]
            elif _hopeless(data, now - chunks[0][0]):
                raise _unusable(port, data)
        if styled_s is not None and now - styled_s >= (LISTEN_S if len(chunks) > ENOUGH_ARRIVALS else 3 * LISTEN_S):
            break
    lines, line_end = split_lines(b"".join(chunk for _, chunk in chunks))
    style = find_style(lines, line_end)
    if style is None:
        raise _unusable(port, data)
    return _measure(style, chunks, port)


def _hopeless(data: bytes, seconds: float) -> bool:
    return seconds > PATIENCE_S or (seconds > HOPELESS_S and not looks_like_text(data))


def _measure(style: LineStyle, chunks: list[tuple[float, bytes]], port: SerialPort) -> Heard:
    decoder = LineDecoder(style)
    decoder.begin()
    arrivals: list[tuple[float, int]] = []
    found: list[NDArray[Any]] = []
    for arrived_s, chunk in chunks:
        for lines in decoder.feed(chunk):
            found.append(lines.values)
        count = sum(len(values) for values in found) + decoder.broken
        if chunk and count:
            arrivals.append((arrived_s, count))
    if len(arrivals) < FEWEST_LINES:
        raise BoardGarbledError(f"the lines from {port.port.device} come in lumps or too slowly to tell their rate",
                                "let the sketch print at least fifty lines a second")
    return Heard(style, rate_of_arrivals(arrivals), np.concatenate(found), port.port.device)


def _unusable(port: SerialPort, data: bytes) -> AcquireError:
    where = f"{port.port.device} at {port.baud} baud"
    if not looks_like_text(data):
        return BoardGarbledError(f"what comes from {where} is not text",
                                 f"set the baud rate that the sketch uses (common ones: {COMMON_BAUDS}), or use "
                                 "serial-frames if the board sends frames")
    lines, _ = split_lines(data)
    line = next((line for line in reversed(lines) if line.strip()), data[-SHOWN_TEXT:])
    shown = line[:SHOWN_TEXT].decode("ascii", "replace").strip()
    return BoardGarbledError(f"what comes from {where} is text but not lines of numbers, for example {shown!r}",
                             "let the sketch print nothing but numbers, with commas between, one sample a line")
