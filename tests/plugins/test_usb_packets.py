"""Bytes of bulk transfers to samples: nothing depends on how they are cut, and losses are counted from the numbers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankfold.acquire import BoardGarbledError
from crankfold.analysis import Channel
from crankfold.plugins.usb.layout import PacketLayout, SampleLayout
from crankfold.plugins.usb.packets import MAX_JUNK_BYTES, PacketDecoder, WordReader

MAGIC = b"\xa5\x5a"


def layout(dtype="<i2", names=("current", "sync"), *, bits=None, shift=0, check=True) -> SampleLayout:
    kind = np.dtype(dtype)
    kept = tuple(Channel(name) for name in names if name != "skip")
    return SampleLayout(kind, bits or 8 * kind.itemsize, shift, check, names, kept, ())


def packet(*, size=48, header=8, trailer=0, magic=MAGIC, sequence="<u2", at=2, samples=False,
           across=False) -> PacketLayout:
    return PacketLayout(size, header, trailer, magic, at, None if sequence is None else np.dtype(sequence), samples,
                        across)


def packets(count: int, *, first: int = 0, per: int = 10, kind: PacketLayout | None = None) -> list[bytes]:
    kind = kind or packet()
    out = []
    for k in range(count):
        header = bytearray(kind.header)
        header[: len(kind.magic)] = kind.magic
        if kind.sequence is not None:
            number = (first + k) * (per if kind.counts_samples else 1)
            raw = np.array([number % (1 << 8 * kind.sequence.itemsize)], np.uint64).astype(kind.sequence).tobytes()
            header[kind.sequence_at : kind.sequence_at + len(raw)] = raw
        index = (first + k) * per + np.arange(per)
        body = np.column_stack((index % 30000, -(index % 30000))).astype("<i2").tobytes()
        out.append(bytes(header) + body + bytes(kind.trailer))
    return out


def place(runs, start=0):
    """Check every sample against its index and return [(index, loss)] of the runs with one, and the next index."""
    losses, index = [], start
    for run in runs:
        if run.lost_before != 0:
            losses.append((index, run.lost_before))
        index += run.lost_before or 0
        expected = (index + np.arange(len(run.codes))) % 30000
        assert np.array_equal(run.codes, np.column_stack((expected, -expected)))
        index += len(run.codes)
    return losses, index


@given(st.lists(st.integers(1, 200), max_size=60))
def test_a_bare_stream_may_be_cut_anywhere(cuts) -> None:
    data = b"".join(packets(20, kind=packet(header=0, magic=b"", sequence=None, size=40)))
    decoder, runs, begin = PacketDecoder(layout(), None), [], 0
    for cut in [*cuts, len(data)]:
        runs += decoder.feed(data[begin : begin + cut], ended_short=True)
        begin += cut
    assert place(runs) == ([], 200)


@given(st.lists(st.integers(1, 300), max_size=60), st.booleans(), st.sets(st.integers(1, 38), max_size=6))
def test_packets_across_transfers_may_be_cut_anywhere_and_lost_ones_are_counted(cuts, short, missing) -> None:
    kind = packet(across=True)
    data = b"".join(raw for k, raw in enumerate(packets(40, kind=kind)) if k not in missing)
    decoder, runs, begin = PacketDecoder(layout(), kind), [], 0
    for cut in [*cuts, len(data)]:
        runs += decoder.feed(data[begin : begin + cut], ended_short=short)
        begin += cut
    losses, end = place(runs)
    assert end == 400 and sum(loss for _, loss in losses) == 10 * len(missing)


@given(st.integers(0, 39), st.binary(min_size=0, max_size=60), st.integers(1, 100))
def test_junk_between_packets_costs_no_packet_but_what_it_hit(at, junk, cut) -> None:
    kind = packet(across=True)
    raw = packets(40, kind=kind)
    data = b"".join([*raw[:at], junk, *raw[at:], raw[-1][:2]])
    decoder, runs = PacketDecoder(layout(), kind), []
    for begin in range(0, len(data), cut):
        runs += decoder.feed(data[begin : begin + cut])
    if MAGIC not in junk:  # a magic in junk may take a packet with it
        losses, end = place(runs, start=0)
        assert (losses, end) == ([], 400)


@pytest.mark.parametrize("sequence", ["u1", "<u2", ">u2", "<u4"])
@pytest.mark.parametrize("samples", [False, True])
def test_numbers_wrap(sequence, samples) -> None:
    kind = packet(sequence=sequence, samples=samples)
    limit = 1 << 8 * np.dtype(sequence).itemsize
    first = limit // (10 if samples else 1) - 3 if limit <= 65536 else (limit - 30) // (10 if samples else 1)
    raw = packets(60, first=first, kind=kind)
    decoder = PacketDecoder(layout(), kind)
    runs = decoder.feed(b"".join(raw[:20] + raw[27:]))
    assert [run.lost_before for run in runs] == [0, 70] and sum(len(run.codes) for run in runs) == 530


def test_a_loss_across_two_feeds_and_after_an_interruption_is_exact() -> None:
    decoder, raw = PacketDecoder(layout(), packet()), packets(30)
    runs = decoder.feed(b"".join(raw[:5]))
    decoder.interrupt()
    runs += decoder.feed(b"".join(raw[9:20]))
    runs += decoder.feed(b"".join(raw[21:]))
    assert place(runs) == ([(50, 40), (200, 10)], 300)


def test_without_numbers_an_interruption_is_an_unknown_loss_told_once() -> None:
    kind = packet(sequence=None)
    decoder, raw = PacketDecoder(layout(), kind), packets(30, kind=kind)
    runs = decoder.feed(b"".join(raw[:5]))
    decoder.interrupt()
    runs += decoder.feed(b"".join(raw[5:7])) + decoder.feed(b"".join(raw[7:]))
    assert [run.lost_before for run in runs] == [0, None, 0]


def test_a_jump_over_half_the_range_is_unknown() -> None:
    decoder = PacketDecoder(layout(), packet())
    runs = decoder.feed(b"".join(packets(3, first=1000) + packets(3, first=0)))
    assert [run.lost_before for run in runs] == [0, None]


def test_a_repeated_packet_is_not_taken_for_a_loss_of_a_whole_turn() -> None:
    raw = packets(3)
    runs = PacketDecoder(layout(), packet()).feed(raw[0] + raw[1] + raw[1] + raw[2])
    assert [run.lost_before for run in runs] == [0, None]


@pytest.mark.parametrize("samples", [False, True])
def test_a_short_transfer_ends_its_packet(samples) -> None:
    """Four of ten samples came, then the board went on with its next packet."""
    kind = packet(samples=samples)
    raw = packets(4, kind=kind)
    decoder = PacketDecoder(layout(), kind)
    runs = decoder.feed(raw[0] + raw[1][: 8 + 16], ended_short=True)
    runs += decoder.feed(raw[2] + raw[3], ended_short=True)
    assert [len(run.codes) for run in runs] == [10, 4, 20]
    assert [run.lost_before for run in runs] == ([0, 0, 6] if samples else [0, 0, 0])


def test_an_empty_packet_carries_its_loss_over() -> None:
    decoder, raw = PacketDecoder(layout(), packet()), packets(6)
    runs = decoder.feed(raw[0], ended_short=True) + decoder.feed(raw[3][:8], ended_short=True)
    runs += decoder.feed(raw[4], ended_short=True)
    assert [run.lost_before for run in runs] == [0, 20]


def test_a_damaged_packet_is_left_out_and_counted() -> None:
    raw = packets(10)
    raw[4] = b"\x00" + raw[4][1:]
    decoder = PacketDecoder(layout(), packet())
    assert place(decoder.feed(b"".join(raw))) == ([(40, 10)], 100)
    assert decoder.damaged == 1


def test_endless_junk_is_reported() -> None:
    for across in (False, True):
        decoder = PacketDecoder(layout(), packet(across=across))
        with pytest.raises(BoardGarbledError, match=r"without one packet.*compare \[packet\]"):
            for _ in range(MAX_JUNK_BYTES // 4800 + 2):
                decoder.feed(bytes(4800))


@pytest.mark.parametrize(("dtype", "bits", "shift", "check", "raw", "codes"), [
    (">u2", 16, 0, True, "0102 fffe", [0x0102, 0xFFFE]),
    ("<i2", 12, 4, True, "f0ff 1080", [-1, -2047]),
    ("<u2", 12, 0, False, "23f1 ff0f", [0x123, 0xFFF]),
    ("<i2", 12, 0, False, "ff3f 0038", [-1, -2048]),
    ("<u2", 10, 2, False, "fcff 0410", [0x3FF, 1]),
    ("u1", 8, 0, True, "00 ff", [0, 255]),
    ("<i4", 24, 8, True, "00ffffff 00000080", [-1, -(1 << 23)]),
])
def test_words(dtype, bits, shift, check, raw, codes) -> None:
    got = WordReader(layout(dtype, ("current",), bits=bits, shift=shift, check=check)).codes(bytes.fromhex(raw))
    assert got[:, 0].tolist() == codes and got.dtype == np.dtype(dtype).newbyteorder("=")


def test_a_word_with_too_many_bits_means_a_misread_stream() -> None:
    reader = WordReader(layout("<u2", ("current",), bits=12))
    with pytest.raises(BoardGarbledError, match="holds 4096, which 12 bits cannot"):
        reader.codes(bytes.fromhex("ff0f0010"))


def test_skipped_words_are_left_out() -> None:
    reader = WordReader(layout("<i2", ("skip", "current", "skip", "sync")))
    assert reader.codes(np.arange(8, dtype="<i2").tobytes()).tolist() == [[1, 3], [5, 7]]


def test_a_trailer_is_left_out() -> None:
    kind = packet(size=50, trailer=2)
    decoder, raw = PacketDecoder(layout(), kind), packets(5, kind=kind)
    assert place(decoder.feed(b"".join(raw))) == ([], 50)
