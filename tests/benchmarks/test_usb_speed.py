"""Speed of decoding USB packets, against plainer ways of doing it in the same run."""

from __future__ import annotations

import struct
import time
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire import RecordingPlan, Samples, Source, SourceInfo
from crankfold.acquire.contract import Block
from crankfold.acquire.stream.pipeline import Stream
from crankfold.analysis import Channel
from crankfold.plugins.usb.layout import PacketLayout, SampleLayout
from crankfold.plugins.usb.packets import PacketDecoder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

PACKET, PER_PACKET = 512, 126
SMALL = 64  # bytes of a bulk packet at full speed; boards that send one header in each are the costly ones
TRANSFER = 1 << 16
TRANSFERS = 256
USB_HIGH_SPEED_BYTES_PER_S = 53_248_000.0  # USB 2.0, table 5-10: 13 packets of 512 bytes in 8000 microframes


def transfers(numbered: bool, packet_bytes: int = PACKET) -> list[bytes]:
    count = TRANSFER * TRANSFERS // packet_bytes
    rows = np.zeros((count, packet_bytes), np.uint8)
    rows[:, :2] = (0xA5, 0x5A)
    rows[:, 4:8] = np.arange(count, dtype="<u4")[:, None].view(np.uint8)
    data = rows.tobytes() if numbered else bytes(rows.size)
    return [data[k : k + TRANSFER] for k in range(0, len(data), TRANSFER)]


def decoder(numbered: bool, packet_bytes: int = PACKET) -> PacketDecoder:
    samples = SampleLayout(np.dtype("<i2"), 16, 0, True, ("current", "sync"), (Channel("current"), Channel("sync")), ())
    packet = PacketLayout(packet_bytes, 8, 0, b"\xa5\x5a", 4, np.dtype("<u4"), False, False)
    return PacketDecoder(samples, packet if numbered else None)


def decode(numbered: bool, data: list[bytes], packet_bytes: int = PACKET) -> int:
    made = decoder(numbered, packet_bytes)
    return sum(len(run.codes) for piece in data for run in made.feed(piece))


def one_by_one(data: list[bytes]) -> int:
    """The same work, a packet at a time: check its beginning and number, keep its samples."""
    expected, count = 0, 0
    for piece in data:
        kept = []
        for begin in range(0, len(piece), SMALL):
            magic, number = struct.unpack_from("<2s2xI", piece, begin)
            if magic == b"\xa5\x5a" and number == expected:
                kept.append(piece[begin + 8 : begin + SMALL])
            expected = number + 1
        count += len(np.frombuffer(b"".join(kept), "<i2").reshape(-1, 2))
    return count


def best_s(*calls: Callable[[], object], repeats: int = 20) -> list[float]:
    """Return the shortest time of each call, taken in turn so that all see the same machine."""
    best = [float("inf")] * len(calls)
    for _ in range(repeats):
        for number, call in enumerate(calls):
            began = time.perf_counter()
            call()
            best[number] = min(best[number], time.perf_counter() - began)
    return best


def test_small_numbered_packets(benchmark) -> None:
    """All packets of a transfer at once, against one after the other."""
    data = transfers(True, SMALL)
    whole = TRANSFERS * TRANSFER // SMALL * (SMALL - 8) // 4
    assert benchmark(decode, True, data, SMALL) == whole == one_by_one(data)
    single_s, decoding_s = best_s(lambda: one_by_one(data), lambda: decode(True, data, SMALL), repeats=10)
    benchmark.extra_info["times faster than one by one"] = single_s / decoding_s
    benchmark.extra_info["MB/s"] = TRANSFER * TRANSFERS / decoding_s / 1e6
    assert decoding_s < single_s / 2.0
    assert TRANSFER * TRANSFERS / decoding_s > 2.0 * USB_HIGH_SPEED_BYTES_PER_S


def test_a_bare_stream_is_not_copied(benchmark) -> None:
    data = transfers(False)
    assert benchmark(decode, False, data) == TRANSFERS * TRANSFER // 4
    copying_s, decoding_s = best_s(lambda: [bytearray(piece) for piece in data], lambda: decode(False, data))
    benchmark.extra_info["times a copy"] = decoding_s / copying_s
    assert decoding_s < 2.0 * copying_s


class Played(Source):
    """A board whose transfers are already there."""

    def __init__(self, data: list[bytes]) -> None:
        super().__init__()
        self.data = data
        self._info = SourceInfo(1e6, (Channel("current", "V", 1e-3), Channel("sync", "V", 1e-3)), np.dtype("<i2"),
                                "played", live=False)

    @property
    def info(self) -> SourceInfo:
        return self._info

    def _read(self, timeout_s: float) -> Samples | None:
        return None

    def blocks(self) -> Iterator[Block]:
        made = decoder(True)
        return (self._number(run) for piece in self.data for run in made.feed(piece))


def follow(data: list[bytes]) -> int:
    """Decode, ring, trigger: what the reader's thread does with each transfer."""
    source = Played(data)
    stream = Stream(source, RecordingPlan(max_crank_s=5.0), lambda item: None)
    for block in source.blocks():
        stream.take(block)
    return stream.ring.next_index


def test_a_transfer_through_decode_ring_and_trigger(benchmark) -> None:
    """Twice what USB 2.0 can carry, on one core, packets numbered and checked."""
    data = transfers(True)
    assert benchmark(follow, data) == TRANSFERS * TRANSFER // PACKET * PER_PACKET
    whole_s, decoding_s = best_s(lambda: follow(data), lambda: decode(True, data))
    benchmark.extra_info["times decoding"] = whole_s / decoding_s
    benchmark.extra_info["MB/s"] = TRANSFER * TRANSFERS / whole_s / 1e6
    assert TRANSFER * TRANSFERS / whole_s > 2.0 * USB_HIGH_SPEED_BYTES_PER_S
