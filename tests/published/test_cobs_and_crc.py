"""Frame coding and checksum against the paper's examples, catalogued check values and independent code."""

from __future__ import annotations

import binascii

import fastcrc
import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from crankfold.plugins.serial.frame_codec import (
    FrameDecoder,
    cobs_decode,
    cobs_encode,
    crc_of_rows,
    decode_equal,
    decode_frame,
    encode_frame,
)

# Cheshire and Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking 7(2), 1999; the last four
# computed with the package `cobs`.
EXAMPLES = [
    (bytes([0x00]), "01 01"),
    (bytes.fromhex("11 22 00 33"), "03 11 22 02 33"),
    (bytes.fromhex("45 00 00 2C 4C 79 00 00 40 06 4F 37"), "02 45 01 04 2C 4C 79 01 05 40 06 4F 37"),
    (bytes(range(0x01, 0xFF)), "FF" + bytes(range(0x01, 0xFF)).hex()),
    (bytes(range(0x00, 0xFF)), "01 FF" + bytes(range(0x01, 0xFF)).hex()),
    (bytes(range(0x01, 0x100)), "FF" + bytes(range(0x01, 0xFF)).hex() + "02 FF"),
]


@pytest.mark.parametrize(("data", "coded"), EXAMPLES, ids=range(len(EXAMPLES)))
def test_published_examples(data: bytes, coded: str) -> None:
    assert cobs_encode(data) == bytes.fromhex(coded)
    assert cobs_decode(bytes.fromhex(coded)) == data


MIXED = st.binary(max_size=700) | st.integers(0, 600).map(lambda n: b"\x55" * n) | st.integers(0, 600).map(bytes)


@given(MIXED)
def test_coding_agrees_with_the_reference_package(data: bytes) -> None:
    assert cobs_encode(data) == cobs.encode(data)
    assert cobs_decode(cobs.encode(data)) == data


@given(st.binary(max_size=40))
def test_what_the_reference_refuses_is_refused(coded: bytes) -> None:
    try:
        expected = cobs.decode(coded)
    except cobs.DecodeError:
        with pytest.raises(ValueError, match="length byte"):
            cobs_decode(coded)
    else:
        assert cobs_decode(coded) == expected


def test_checksum_is_the_catalogued_one() -> None:
    """CRC-16/IBM-3740 (polynomial 0x1021 from 0xFFFF) of `123456789` is 0x29B1 (value from memory)."""
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1
    assert crc_of_rows(np.frombuffer(b"123456789", np.uint8)[np.newaxis, :]).tolist() == [0x29B1]


def test_it_is_not_the_reflected_one_that_some_chips_libraries_offer() -> None:
    """MCRF4XX of `123456789` is 0x6F91 (value from memory): the same polynomial, bits the other way round."""
    check = np.frombuffer(b"123456789", np.uint8)[np.newaxis, :]
    assert fastcrc.crc16.mcrf4xx(b"123456789") == 0x6F91
    assert crc_of_rows(check).tolist() != [0x6F91]


@given(st.integers(2, 300), st.integers(1, 5), st.integers(0, 2**32 - 1))
def test_rows_of_checksums_agree_with_the_standard_library(width: int, frames: int, seed: int) -> None:
    rows = np.random.default_rng(seed).integers(0, 256, (frames, width), dtype=np.uint8)
    assert crc_of_rows(rows).tolist() == [binascii.crc_hqx(row.tobytes(), 0xFFFF) for row in rows]


@given(st.binary(min_size=1, max_size=300))
def test_a_frame_is_what_the_references_make_of_it(payload: bytes) -> None:
    checked = payload + binascii.crc_hqx(payload, 0xFFFF).to_bytes(2, "big")
    assert encode_frame(payload) == cobs.encode(checked) + b"\0"
    assert decode_frame(cobs.encode(checked)) == payload


@given(st.integers(1, 252), st.integers(1, 40), st.integers(0, 2**32 - 1), st.sampled_from([2, 16, 256]))
def test_equal_frames_decoded_together_agree_with_one_by_one(size: int, frames: int, seed: int, values: int) -> None:
    draw = np.random.default_rng(seed)
    payloads = [draw.integers(0, values, size, dtype=np.uint8).tobytes() for _ in range(frames)]
    coded = [bytearray(encode_frame(payload)[:-1]) for payload in payloads]
    for frame in coded[::3]:
        frame[int(draw.integers(len(frame)))] ^= int(draw.integers(1, 256))
    found, sound = decode_equal(np.array([list(frame) for frame in coded], dtype=np.uint8))
    expected = [decode_frame(bytes(frame)) if 0 not in frame else None for frame in coded]
    assert [row.tobytes() if good else None for row, good in zip(found, sound, strict=True)] == expected


@given(st.lists(st.binary(min_size=1, max_size=260) | st.just(b"equal" * 9), max_size=60), st.data())
def test_any_split_of_the_stream_gives_the_same_frames(payloads: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(encode_frame(payload) for payload in payloads)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    decoder = FrameDecoder()
    found = [row.tobytes() for begin, end in zip([0, *cuts], [*cuts, len(stream)], strict=True)
             for run in decoder.feed(stream[begin:end]) for row in run]
    assert found == payloads
    assert decoder.damaged == 0
