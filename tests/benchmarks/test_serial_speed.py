"""Decoding speed of frames and of text lines, as ratios to a reference in the same run."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import fastcrc
import numpy as np
import pytest
from cobs import cobs

from crankfold.plugins.serial.frame_codec import FrameDecoder, encode_frame
from crankfold.plugins.serial.line_decoder import LineDecoder
from crankfold.plugins.serial.line_finding import find_style

if TYPE_CHECKING:
    from collections.abc import Callable

CHUNK = 65536
PAYLOAD = 252  # 256 bytes on the line
REPEATS = 40


def chunks_of(stream: bytes) -> list[bytes]:
    return [stream[at : at + CHUNK] for at in range(0, len(stream), CHUNK)]


def best_s(*calls: Callable[[], Any]) -> list[float]:
    """Return the shortest time of each call, taken in turn so that both see the same machine."""
    best = [float("inf")] * len(calls)
    for _ in range(REPEATS):
        for index, call in enumerate(calls):
            began = time.perf_counter()
            call()
            best[index] = min(best[index], time.perf_counter() - began)
    return best


@pytest.mark.slow
def test_frames_against_compiled_packages() -> None:
    draw = np.random.default_rng(3)
    stream = b"".join(encode_frame(draw.integers(0, 256, PAYLOAD, dtype=np.uint8).tobytes()) for _ in range(2048))
    chunks = chunks_of(stream)

    def ours() -> None:
        decoder = FrameDecoder()
        assert sum(len(run) for chunk in chunks for run in decoder.feed(chunk)) == 2048

    def reference() -> None:
        for chunk in chunks:
            for frame in chunk.split(b"\0"):
                if frame:
                    fastcrc.crc16.ibm_3740(cobs.decode(frame))

    mine, theirs = best_s(ours, reference)
    print(f"frames: {len(stream) / mine / 1e6:.0f} MB/s, reference {len(stream) / theirs / 1e6:.0f} MB/s")
    assert theirs / mine > 0.6  # the reference makes 519 MB/s where 400 are wanted, 0.77; the rest is for noise


@pytest.mark.slow
@pytest.mark.parametrize("broken_every", [0, 5000])
def test_lines_against_bare_number_parsing(broken_every: int) -> None:
    draw = np.random.default_rng(4)
    lines = [b"%d,%d\n" % tuple(pair) for pair in draw.integers(100, 1000, (100_000, 2)).tolist()]
    style = find_style([line[:-1] for line in lines[:50]])
    assert style is not None
    if broken_every:
        lines[::broken_every] = [b"12#\n"] * len(lines[::broken_every])
    chunks = chunks_of(b"".join(lines))
    size = sum(map(len, chunks))
    plain = [chunk.replace(b"#", b"").replace(b",", b" ") for chunk in chunks]

    def ours() -> None:
        decoder = LineDecoder(style)
        found = sum(len(piece.values) for chunk in chunks for piece in decoder.feed(chunk))
        assert found + decoder.broken == len(lines)

    def reference() -> None:
        for chunk in plain:
            np.fromstring(chunk, dtype=np.int64, sep=" ")

    mine, theirs = best_s(ours, reference)
    print(f"lines: {size / mine / 1e6:.0f} MB/s, bare parsing {size / theirs / 1e6:.0f} MB/s")
    assert theirs / mine > (0.15 if broken_every else 0.5)  # bare parsing makes 276 MB/s where 200 are wanted, 0.72
