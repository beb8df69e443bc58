"""Headers of the USB Test and Measurement Class, revision 1.0: what stands before every message on the bulk pipes."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from crankfold.acquire import BoardGarbledError

HEADER_BYTES = 12
DEV_DEP_MSG_OUT = 1
REQUEST_DEV_DEP_MSG_IN = 2
DEV_DEP_MSG_IN = 2
END_OF_MESSAGE = 1
ALIGNMENT = 4

INITIATE_ABORT_BULK_OUT, CHECK_ABORT_BULK_OUT_STATUS = 1, 2
INITIATE_ABORT_BULK_IN, CHECK_ABORT_BULK_IN_STATUS = 3, 4
INITIATE_CLEAR, CHECK_CLEAR_STATUS = 5, 6
GET_CAPABILITIES = 7
STATUS_SUCCESS, STATUS_PENDING = 0x01, 0x02
TO_INTERFACE, TO_ENDPOINT = 0xA1, 0xA2  # class requests towards the computer


@dataclass(frozen=True)
class Answer:
    """The header of an answer: the tag it belongs to, its bytes, and whether the message ends with them."""

    tag: int
    size: int
    ends: bool


def next_tag(tag: int) -> int:
    """Return the tag after `tag`: 1 to 255, never 0.

    Examples
    --------
    >>> next_tag(255)
    1
    """
    return tag % 255 + 1


def command_message(tag: int, data: bytes) -> bytes:
    """Return the bulk transfer that carries a whole command, padded to four bytes.

    Examples
    --------
    >>> command_message(1, b"*IDN?").hex(" ")
    '01 01 fe 00 05 00 00 00 01 00 00 00 2a 49 44 4e 3f 00 00 00'
    """
    header = struct.pack("<BBBxIBxxx", DEV_DEP_MSG_OUT, tag, ~tag & 0xFF, len(data), END_OF_MESSAGE)
    return header + data + bytes(-len(data) % ALIGNMENT)


def request_message(tag: int, size: int) -> bytes:
    """Return the bulk transfer that asks for up to `size` bytes of an answer."""
    return struct.pack("<BBBxIBxxx", REQUEST_DEV_DEP_MSG_IN, tag, ~tag & 0xFF, size, 0)


def answer_message(tag: int, data: bytes, *, ends: bool = True) -> bytes:
    """Return the bulk transfer with which a device answers."""
    header = struct.pack("<BBBxIBxxx", DEV_DEP_MSG_IN, tag, ~tag & 0xFF, len(data), END_OF_MESSAGE if ends else 0)
    return header + data + bytes(-len(data) % ALIGNMENT)


def parse_answer(header: bytes) -> Answer:
    """Return what the header of an answer says.

    Raises
    ------
    BoardGarbledError
        It is not such a header.
    """
    if len(header) < HEADER_BYTES:
        raise _wrong(f"{len(header)} bytes where a header of {HEADER_BYTES} should be")
    kind, tag, inverse, size, attributes = struct.unpack_from("<BBBxIB", header)
    if kind != DEV_DEP_MSG_IN:
        raise _wrong(f"a message of kind {kind} where an answer (kind {DEV_DEP_MSG_IN}) should be")
    if inverse != ~tag & 0xFF or tag == 0:
        raise _wrong(f"a damaged tag ({tag:#04x}, inverse {inverse:#04x})")
    return Answer(tag, size, bool(attributes & END_OF_MESSAGE))


def _wrong(what: str) -> BoardGarbledError:
    return BoardGarbledError(f"the instrument sent {what}", "switch it off and on again and repeat")
