"""Blocks and headers of instruments: there and back, and nothing is believed that is cut or damaged."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankfold.acquire import BoardGarbledError
from crankfold.plugins.usb.tmc_messages import (
    answer_message,
    block_data,
    command_message,
    definite_block,
    indefinite_block,
    next_tag,
    parse_answer,
    request_message,
)


@given(st.binary(max_size=2000), st.sampled_from([b"", b"\n"]))
def test_blocks_there_and_back(data, tail) -> None:
    assert block_data(definite_block(data) + tail) == data
    assert block_data(indefinite_block(data)) == data


@given(st.binary(min_size=1, max_size=300), st.data())
def test_a_cut_block_is_never_believed(data, draw) -> None:
    whole = definite_block(data)
    cut = draw.draw(st.integers(0, len(whole) - 1))
    with pytest.raises(BoardGarbledError):
        block_data(whole[:cut])


@given(st.binary(max_size=40))
def test_any_bytes_are_a_block_or_an_error(raw) -> None:
    try:
        data = block_data(raw)
    except BoardGarbledError:
        return
    assert raw[:1] == b"#" and data in raw


@pytest.mark.parametrize("raw", [b"", b"#", b"1.5,2.5", b"#A12", b"#2 5hello", b"#2+5hello", b"#1", "#1٣abc".encode()])
def test_what_is_no_block(raw) -> None:
    with pytest.raises(BoardGarbledError, match="compare the command"):
        block_data(raw)


@given(st.integers(1, 255), st.binary(max_size=100), st.booleans())
def test_headers_there_and_back(tag, data, ends) -> None:
    raw = answer_message(tag, data, ends=ends)
    answer = parse_answer(raw)
    assert (answer.tag, answer.size, answer.ends) == (tag, len(data), ends)
    assert len(raw) % 4 == 0 and raw[12 : 12 + len(data)] == data
    assert len(command_message(tag, data)) % 4 == 0 and len(request_message(tag, 5)) == 12


def test_tags_go_round_without_zero() -> None:
    tags, tag = [], 0
    for _ in range(600):
        tag = next_tag(tag)
        tags.append(tag)
    assert set(tags) == set(range(1, 256)) and tags[:255] == tags[255:510]


@pytest.mark.parametrize(("raw", "message"), [
    ("02 02 fd", "3 bytes where a header"), ("01 02 fd 00 04 00 00 00 01 00 00 00", "kind 1"),
    ("02 02 fc 00 04 00 00 00 01 00 00 00", "damaged tag"), ("02 00 ff 00 04 00 00 00 01 00 00 00", "damaged tag"),
])
def test_damaged_headers(raw, message) -> None:
    with pytest.raises(BoardGarbledError, match=message):
        parse_answer(bytes.fromhex(raw))
