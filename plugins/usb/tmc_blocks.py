"""Blocks of bytes in instruments' answers (IEEE 488.2): of definite ``#41024...`` and indefinite length ``#0...``."""

from __future__ import annotations

from crankfold.acquire import BoardGarbledError

NEWLINE = b"\n"
MAX_LENGTH_DIGITS = 9


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
        raise _wrong(message, "does not begin with # and a digit")
    if message[1:2] == b"0":
        if message[-1:] != NEWLINE:
            raise _wrong(message, "has an indefinite block without the newline that ends it")
        return message[2:-1]
    digits = message[1:2]
    if digits not in (b"1", b"2", b"3", b"4", b"5", b"6", b"7", b"8", b"9"):
        raise _wrong(message, "does not begin with # and a digit")
    start = 2 + int(digits)
    length_text = message[2:start]
    if len(length_text) < int(digits) or not (length_text.isascii() and length_text.isdigit()):
        raise _wrong(message, f"should have {int(digits)} digits of length after #{int(digits)}")
    length = int(length_text)
    rest = len(message) - start
    if rest < length:
        raise _wrong(message, f"is cut: {length} bytes were announced and {rest} came")
    if message[start + length :] not in (b"", NEWLINE):
        raise _wrong(message, f"goes on after the {length} bytes that were announced")
    return message[start : start + length]


def _wrong(message: bytes, what: str) -> BoardGarbledError:
    shown = message[:16].decode("ascii", "backslashreplace")
    return BoardGarbledError(f"the instrument's answer {shown!r}... {what}", "compare the command that reads the "
                             "samples in the description with the instrument's manual")
