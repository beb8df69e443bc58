"""The first second of a board that prints numbers: whether it does, in which style, and how fast."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import AcquireError, BoardGarbledError, BoardStalledError
from crankfold.plugins.serial.grammar import Writing
from crankfold.plugins.serial.line_decoder import LineDecoder
from crankfold.plugins.serial.line_finding import FEWEST_LINES, find_style
from crankfold.plugins.serial.line_style import LineStyle, looks_like_text, split_lines
from crankfold.plugins.serial.line_timing import rate_of_arrivals

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from crankfold.plugins.serial.port import SerialPort

FIRST_BYTE_S = 4.0
"""Opening the port resets many boards, whose loader waits two seconds and more before the sketch runs."""

LISTEN_S = 1.0
"""Of lines in one style: enough to measure their rate to about 1 %."""

MOST_LOOKED_AT = 400
"""Lines from which a style is found; more would say nothing new and keep a small computer busy."""

ENOUGH_ARRIVALS = 3 * FEWEST_LINES
"""Fewer reads than this in that time mean that the computer was busy elsewhere: then listen on."""

PATIENCE_S = 4.0
"""A board may talk for this long, banner and settling, before numbers must have come."""

SAID_S = 0.3
"""A board that has fallen silent for so long after its greeting waits for a command."""

SILENT_S = 2.5
"""One that says nothing at all has started after so long, and one that was sent a command has answered."""

MOST_SENT = 3

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


@dataclass(frozen=True)
class Asked:
    """What a person said of the lines: how numbers are written, a pattern, and what makes the board begin."""

    writing: Writing | None = None
    pattern: str = ""
    on_open: bytes = b""

    def style(self, lines: Sequence[bytes], line_end: bytes) -> LineStyle | None:
        """Return the style of these lines, None while they show none."""
        return find_style(lines, line_end, writing=self.writing, pattern=self.pattern)


def listen(port: SerialPort, asked: Asked) -> Heard:
    """Return what a second of the stream tells.

    Raises
    ------
    BoardStalledError
        Nothing comes.
    BoardGarbledError
        What comes is not lines of numbers.
    """
    data = b""
    styled_s: float | None = None
    chunks: list[tuple[float, bytes]] = []
    starter = _Starter(port, asked.on_open)
    while True:
        chunk = port.read(0.05)
        now = time.monotonic()
        if chunk:
            data += chunk
            chunks.append((now, chunk))
        if styled_s is None:
            _check_hope(port, data, starter, now, chunks)
            lines, line_end = split_lines(data)
            if data and asked.style(lines[-4 * FEWEST_LINES :], line_end) is not None:
                styled_s, chunks = now, [(now, b"")]
            else:
                starter.look(now, heard=bool(chunk), anything=bool(data))
        elif now - styled_s >= (LISTEN_S if len(chunks) > ENOUGH_ARRIVALS else 3 * LISTEN_S):
            break
    starter.make_sure()
    lines, line_end = split_lines(b"".join(chunk for _, chunk in chunks))
    style = asked.style(lines[-MOST_LOOKED_AT:], line_end)
    if style is None:
        raise _unusable(port, data)
    return _measure(style, chunks, port)


class _Starter:
    """Sends what makes a board begin: once it has said what it has to say, again when it did not hear.

    A board that is reset by opening the port hears nothing until it has started; then it usually says something.
    """

    def __init__(self, port: SerialPort, command: bytes) -> None:
        self._port, self._command = port, command
        self._began = self._heard_s = time.monotonic()
        self._sent_s: float | None = None
        self.sent = 0

    @property
    def waiting_since(self) -> float:
        """When the board was last given a reason to begin."""
        return self._sent_s if self._sent_s is not None else self._began

    def look(self, now: float, *, heard: bool, anything: bool) -> None:
        """Send the command if it is time to."""
        if heard:
            self._heard_s = now
        if not self._command or self.sent == MOST_SENT:
            return
        quiet = anything and self._sent_s is None and now - self._heard_s >= SAID_S
        if quiet or now - self.waiting_since >= SILENT_S:
            self._send(now)

    def make_sure(self) -> None:
        """Send the command to a board that was printing already: it may choose what is printed."""
        if self._command and not self.sent:
            self._send(time.monotonic())

    def _send(self, now: float) -> None:
        self._port.write(self._command)
        self._sent_s = now
        self.sent += 1


def _check_hope(port: SerialPort, data: bytes, starter: _Starter, now: float,
                chunks: list[tuple[float, bytes]]) -> None:
    waited = now - starter.waiting_since
    if not data and waited > FIRST_BYTE_S:
        raise BoardStalledError(f"the board at {port.port.device} prints nothing",
                                "check that its sketch runs; if it waits for a command, give that with the setting "
                                "on-open")
    if data and _hopeless(data, min(waited, now - chunks[0][0])):
        raise _unusable(port, data)


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
        raise BoardGarbledError(f"the lines from {port.port.device} come in bursts or too slowly to tell their rate",
                                "have the sketch print at least fifty lines a second")
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
                             "if it waits for a command, give that with the setting on-open; if its lines hold "
                             "changing words, describe one with the setting pattern")
