"""Speed of decoding USB packets, as ratios to copying and gathering the same bytes in the same run."""

from __future__ import annotations

import time

import numpy as np

from crankfold.analysis.capture import Channel
from crankfold.plugins.usb_layout import PacketLayout, SampleLayout
from crankfold.plugins.usb_packets import PacketDecoder

PACKET, PER_PACKET = 512, 126
TRANSFER = 1 << 16
TRANSFERS = 256
USB_HIGH_SPEED_BYTES_PER_S = 53_248_000.0  # USB 2.0, table 5-10: 13 packets of 512 bytes in 8000 microframes


def transfers(numbered: bool) -> list[bytes]:
    count = TRANSFER * TRANSFERS // PACKET
    rows = np.zeros((count, PACKET), np.uint8)
    rows[:, :2] = (0xA5, 0x5A)
    rows[:, 4:8] = np.arange(count, dtype="<u4")[:, None].view(np.uint8)
    data = rows.tobytes() if numbered else bytes(rows.size)
    return [data[k : k + TRANSFER] for k in range(0, len(data), TRANSFER)]


def decoder(numbered: bool) -> PacketDecoder:
    samples = SampleLayout(np.dtype("<i2"), 16, 0, True, ("current", "sync"), (Channel("current"), Channel("sync")), ())
    packet = PacketLayout(PACKET, 8, 0, b"\xa5\x5a", 4, np.dtype("<u4"), False, False)
    return PacketDecoder(samples, packet if numbered else None)


def decode(numbered: bool, data: list[bytes]) -> int:
    made = decoder(numbered)
    return sum(len(run.codes) for piece in data for run in made.feed(piece))


def gather(piece: bytes) -> np.ndarray:
    return np.ascontiguousarray(np.frombuffer(piece, np.uint8).reshape(-1, PACKET)[:, 8:])


def best_s(work, repeats: int = 5) -> float:
    times = []
    for _ in range(repeats):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return min(times)


def test_numbered_packets(benchmark) -> None:
    """Gathering the samples from between the headers is needed anyhow; checking packets may cost a few times that."""
    data = transfers(True)
    assert benchmark(decode, True, data) == TRANSFERS * TRANSFER // PACKET * PER_PACKET
    gathering_s = best_s(lambda: [gather(piece) for piece in data])
    decoding_s = best_s(lambda: decode(True, data))
    benchmark.extra_info["times gathering"] = decoding_s / gathering_s
    benchmark.extra_info["MB/s"] = TRANSFER * TRANSFERS / decoding_s / 1e6
    assert decoding_s < 8.0 * gathering_s
    assert TRANSFER * TRANSFERS / decoding_s > 2.0 * USB_HIGH_SPEED_BYTES_PER_S


def test_a_bare_stream_is_not_copied(benchmark) -> None:
    data = transfers(False)
    assert benchmark(decode, False, data) == TRANSFERS * TRANSFER // 4
    copying_s = best_s(lambda: [bytearray(piece) for piece in data])
    benchmark.extra_info["times a copy"] = best_s(lambda: decode(False, data)) / copying_s
    assert best_s(lambda: decode(False, data)) < 2.0 * copying_s
