"""Messages to and from bench instruments against bytes that others computed or printed.

USBTMC: revision 1.0 of the USB Test and Measurement Class; the bytes of the two messages were computed with pyvisa-py.
Blocks: IEEE 488.2, definite and indefinite length arbitrary block response data; the examples ``#800000080``,
``#41024``, ``#213`` and ``#0`` are those of instrument manuals that follow it. USB: Universal Serial Bus
Specification 2.0, tables 5-9 and 5-10 (bulk transaction limits).
"""

from __future__ import annotations

import pytest

from crankfold.acquire import BoardGarbledError
from crankfold.plugins.usb.description import MAX_RATE_HZ
from crankfold.plugins.usb.tmc_messages import (
    Answer,
    block_data,
    command_message,
    definite_block,
    parse_answer,
    request_message,
)


def test_identification_query_with_tag_1() -> None:
    expected = bytes.fromhex("01 01 FE 00 06 00 00 00 01 00 00 00 2A 49 44 4E 3F 0A 00 00")
    assert command_message(1, b"*IDN?\n") == expected


def test_request_of_1024_bytes_with_tag_2() -> None:
    assert request_message(2, 1024) == bytes.fromhex("02 02 FD 00 00 04 00 00 00 00 00 00")


def test_answer_header() -> None:
    """The request's layout, with the end-of-message bit that table 9 of USBTMC 1.0 puts into byte 8."""
    assert parse_answer(bytes.fromhex("02 02 FD 00 00 04 00 00 01 00 00 00")) == Answer(2, 1024, True)


@pytest.mark.parametrize(("head", "size"), [(b"#800000080", 80), (b"#41024", 1024), (b"#213", 13)])
@pytest.mark.parametrize("tail", [b"", b"\n"])
def test_definite_blocks(head: bytes, size: int, tail: bytes) -> None:
    data = bytes(k % 256 for k in range(size))  # newlines and hashes among them
    assert block_data(head + data + tail) == data
    for wrong in (head + data[:-1], head + data + b"x", head + data + b"\n\n"):
        with pytest.raises(BoardGarbledError):
            block_data(wrong)


def test_shortest_head_is_written() -> None:
    assert definite_block(bytes(1024))[:6] == b"#41024" and definite_block(bytes(13))[:4] == b"#213"


def test_an_indefinite_block_ends_with_the_last_newline() -> None:
    assert block_data(b"#0a\nb#1\n") == b"a\nb#1"
    assert block_data(b"#0\n") == b""
    with pytest.raises(BoardGarbledError, match="without the newline"):
        block_data(b"#0abc")


def test_no_rate_beyond_what_usb_can_carry() -> None:
    """13 bulk packets of 512 bytes in each of 8000 microframes a second; a sample of one channel has two bytes."""
    assert 2 * MAX_RATE_HZ == 13 * 512 * 8000 == 53_248_000
