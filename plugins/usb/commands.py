"""What a description makes the computer send to a board: control transfers and bulk writes with numbers filled in."""

from __future__ import annotations

import re
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from crankfold.acquire import TomlTable
    from crankfold.plugins.usb.interface import ClaimedInterface

HOST_TO_VENDOR_DEVICE = 0x40
VENDOR_DEVICE_TO_HOST = 0xC0
MAX_PAUSE_MS = 5000
NUMBERS = ("rate_hz", "divider")
WORDS = tuple(f"{name}{half}" for name in NUMBERS for half in ("", "_low", "_high"))
_FIELD = re.compile(r"\{\s*(\w+)\s*:\s*([<>]?u[124])\s*\}")


@dataclass(frozen=True)
class Field:
    """A number that is filled in when the bytes are sent."""

    name: str
    dtype: str

    def encode(self, numbers: Mapping[str, int]) -> bytes:
        """Return the number's bytes."""
        return np.array([numbers[self.name]], dtype=np.uint64).astype(self.dtype).tobytes()


@dataclass(frozen=True)
class Command:
    """One control transfer, or one bulk write when `endpoint` is given.

    Parameters
    ----------
    request_type, request, value, index
        The set-up packet; `value` and `index` may be one of the names in `WORDS`.
    endpoint
        Bulk endpoint towards the board, None for a control transfer.
    data
        Bytes and numbers to send.
    pause_s
        What the board needs before the next command.
    """

    request_type: int = HOST_TO_VENDOR_DEVICE
    request: int = 0
    value: int | str = 0
    index: int | str = 0
    endpoint: int | None = None
    data: tuple[bytes | Field, ...] = ()
    pause_s: float = 0.0

    def send(self, held: ClaimedInterface, numbers: Mapping[str, int]) -> None:
        """Send it; `numbers` has the rate in Hz and the divider."""
        data = b"".join(part if isinstance(part, bytes) else part.encode(numbers) for part in self.data)
        if self.endpoint is not None:
            held.write(self.endpoint, data)
        else:
            held.control(self.request_type, self.request, _word(self.value, numbers), _word(self.index, numbers), data)
        if self.pause_s:
            time.sleep(self.pause_s)


@dataclass(frozen=True)
class Question:
    """A control transfer whose answer holds the rate or the divider in force."""

    request_type: int
    request: int
    value: int
    index: int
    length: int
    at: int
    dtype: str
    gives: str

    def ask(self, held: ClaimedInterface) -> int | None:
        """Return the number the board answers, None when the answer is too short."""
        answer = held.control(self.request_type, self.request, self.value, self.index, self.length)
        field = answer[self.at : self.at + np.dtype(self.dtype).itemsize]
        return int(np.frombuffer(field, self.dtype)[0]) if len(field) == np.dtype(self.dtype).itemsize else None


def _word(value: int | str, numbers: Mapping[str, int]) -> int:
    if isinstance(value, int):
        return value
    name = value.removesuffix("_low").removesuffix("_high")
    return (numbers[name] >> 16 if value.endswith("_high") else numbers[name]) & 0xFFFF


def read_commands(tables: Sequence[TomlTable]) -> tuple[Command, ...]:
    """Return the commands of an array of tables, each with ``control = {...}`` or ``write = {...}``.

    Raises
    ------
    FileFormatError
        A key is missing, unknown or out of range.
    """
    return tuple(_read_command(table) for table in tables)


def _read_command(table: TomlTable) -> Command:
    control, write = table.take_table("control"), table.take_table("write")
    pause_s = table.take_integer("pause_ms", 0, MAX_PAUSE_MS, 0) / 1000.0
    table.done()
    if (control is None) == (write is None):
        raise table.wrong("control", "either control = {...} or write = {...}, one of the two")
    if write is not None:
        command = Command(endpoint=write.take_integer("endpoint", 0x01, 0x0F), data=_read_data(write, needed=True),
                          pause_s=pause_s)
        write.done()
        return command
    assert control is not None  # the check above
    command = Command(control.take_integer("type", 0, 0x7F, HOST_TO_VENDOR_DEVICE),
                      control.take_integer("request", 0, 255), _take_word(control, "value"),
                      _take_word(control, "index"), None, _read_data(control, needed=False), pause_s)
    control.done()
    return command


def _take_word(table: TomlTable, key: str) -> int | str:
    value: int | str = (table.take_choice(key, WORDS) if isinstance(table.peek(key), str)
                        else table.take_integer(key, 0, 0xFFFF, 0))
    return value


def _read_data(table: TomlTable, *, needed: bool) -> tuple[bytes | Field, ...]:
    text = table.take_text("data") if needed else table.take_text("data", "")
    parts: list[bytes | Field] = []
    place = 0
    for match in _FIELD.finditer(text):
        parts.append(_hex(table, text[place : match.start()]))
        if match[1] not in NUMBERS:
            raise table.wrong("data", "only {rate_hz:<u4} or {divider:<u2} in braces, of type u1, <u2, >u2, <u4, >u4")
        parts.append(Field(match[1], match[2]))
        place = match.end()
    parts.append(_hex(table, text[place:]))
    return tuple(part for part in parts if part)


def _hex(table: TomlTable, text: str) -> bytes:
    try:
        return bytes.fromhex(text)
    except ValueError as error:
        raise table.wrong("data", 'pairs of hexadecimal digits and numbers in braces, such as "52 {rate_hz:<u4}"'
                          ) from error


def read_question(table: TomlTable | None) -> Question | None:
    """Return what asks for the rate in force, None when the board cannot be asked.

    Raises
    ------
    FileFormatError
        A key is missing, unknown or out of range.
    """
    if table is None:
        return None
    question = Question(
        request_type=table.take_integer("type", 0x80, 0xFF, VENDOR_DEVICE_TO_HOST),
        request=table.take_integer("request", 0, 255), value=table.take_integer("value", 0, 0xFFFF, 0),
        index=table.take_integer("index", 0, 0xFFFF, 0), length=table.take_integer("length", 1, 4096),
        at=table.take_integer("at", 0, 4095, 0), dtype=table.take_choice("dtype", ["u1", "<u2", ">u2", "<u4", ">u4"]),
        gives=table.take_choice("gives", NUMBERS))
    table.done()
    if question.at + np.dtype(question.dtype).itemsize > question.length:
        raise table.wrong("length", "enough bytes for the number at `at`")
    return question
