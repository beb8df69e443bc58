"""Messages of the USB Test and Measurement Class, revision 1.0: the header before each on the bulk pipes.

And in answers the blocks of bytes of IEEE 488.2, of definite ``#41024...`` and indefinite length ``#0...``.
"""

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
NEWLINE = b"\n"
MAX_LENGTH_DIGITS = 9


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
        raise _wrong_header(f"{len(header)} bytes where a header of {HEADER_BYTES} should be")
    kind, tag, inverse, size, attributes = struct.unpack_from("<BBBxIB", header)
    if kind != DEV_DEP_MSG_IN:
        raise _wrong_header(f"a message of kind {kind} where an answer (kind {DEV_DEP_MSG_IN}) should be")
    if inverse != ~tag & 0xFF or tag == 0:
        raise _wrong_header(f"a damaged tag ({tag:#04x}, inverse {inverse:#04x})")
    return Answer(tag, size, bool(attributes & END_OF_MESSAGE))


def _wrong_header(what: str) -> BoardGarbledError:
    return BoardGarbledError(f"the instrument sent {what}", "switch it off and on again and repeat")


def definite_block(data: bytes) -> bytes:
    """Return `data` as a block of definite length.

    Examples
    --------
    >>> definite_block(b"crank")
    b'#15crank'
    """
    length = str(len(data)).encode("ascii")
    if len(length) > MAX_LENGTH_DIGITS:
        raise ValueError(f"{len(data)} bytes are more than nine digits can say")
    return b"#" + str(len(length)).encode("ascii") + length + data


def indefinite_block(data: bytes) -> bytes:
    """Return `data` as a block of indefinite length, with the newline that ends it and the message."""
    return b"#0" + data + NEWLINE


def block_data(message: bytes) -> bytes:
    """Return the bytes of the one block that a whole answer consists of.

    Parameters
    ----------
    message
        The answer up to the END that its last byte carried. After a block of definite length a newline may follow and
        nothing else; a block of indefinite length ends with the newline that is the last byte, whatever stands before.

    Raises
    ------
    BoardGarbledError
        It is no block, or its length is not what it says.
    """
    if message[:1] != b"#" or len(message) < 2:
        raise _wrong_answer(message, "does not begin with # and a digit")
    if message[1:2] == b"0":
        if message[-1:] != NEWLINE:
            raise _wrong_answer(message, "has an indefinite block without the newline that ends it")
        return message[2:-1]
    digits = message[1:2]
    if digits not in (b"1", b"2", b"3", b"4", b"5", b"6", b"7", b"8", b"9"):
        raise _wrong_answer(message, "does not begin with # and a digit")
    start = 2 + int(digits)
    length_text = message[2:start]
    if len(length_text) < int(digits) or not (length_text.isascii() and length_text.isdigit()):
        raise _wrong_answer(message, f"should have {int(digits)} digits of length after #{int(digits)}")
    length = int(length_text)
    rest = len(message) - start
    if rest < length:
        raise _wrong_answer(message, f"is cut: {length} bytes were announced and {rest} came")
    if message[start + length :] not in (b"", NEWLINE):
        raise _wrong_answer(message, f"goes on after the {length} bytes that were announced")
    return message[start : start + length]


def _wrong_answer(message: bytes, what: str) -> BoardGarbledError:
    shown = message[:16].decode("ascii", "backslashreplace")
    return BoardGarbledError(f"the instrument's answer {shown!r}... {what}", "compare the command that reads the "
                             "samples in the description with the instrument's manual")
