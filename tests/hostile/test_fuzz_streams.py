"""Whatever bytes a board sends: decoders answer with samples or one sentence, the same for any cut of the stream."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from steered import steered

from crankfold.acquire import AcquireError
from crankfold.analysis import Channel
from crankfold.plugins.serial import frame_format as fmt
from crankfold.plugins.serial.frame_codec import LONGEST_FRAME, FrameDecoder, encode_frame
from crankfold.plugins.serial.grammar import take_apart
from crankfold.plugins.serial.line_decoder import LineDecoder
from crankfold.plugins.serial.line_finding import find_style
from crankfold.plugins.serial.line_style import LONGEST_LINE, looks_like_text, split_lines
from crankfold.plugins.usb.layout import PacketLayout, SampleLayout
from crankfold.plugins.usb.packets import PacketDecoder
from crankfold.plugins.usb.tmc_description import Preamble
from crankfold.plugins.usb.tmc_messages import answer_message, block_data, definite_block, parse_answer

TIMES = [0.4, pytest.param(60.0, marks=pytest.mark.slow)]
HELLO = fmt.Hello(0, refused=False, streaming=False, layout=fmt.PACKED_12_BIT, frame_samples=8, code_range=(0, 1023),
                  rate_hz=1000, highest_rate_hz=1000, title="board",
                  channels=(fmt.ChannelHello(0.0, 0.005, 0.0), fmt.ChannelHello(0.0005, 0.005, 0.0)))


def pieces_of(data: bytes, by: int) -> list[bytes]:
    step = 1 + by % 97
    return [data[at : at + step] for at in range(0, len(data), step)] or [b""]


@pytest.mark.timeout(300)
@pytest.mark.parametrize("seconds", TIMES)
def test_frames(seconds: float) -> None:
    codes = np.arange(16).reshape(8, 2)
    data = [encode_frame(fmt.build_data(k, 0, codes, HELLO.layout)) for k in range(20)]
    hello = encode_frame(fmt.build_hello(HELLO, clock_hz=1_000_000, divider=1000))

    def run(stream: bytes) -> None:
        whole, cut = FrameDecoder(), FrameDecoder()
        at_once = [row.tobytes() for run in whole.feed(stream) for row in run]
        in_pieces = [row.tobytes() for piece in pieces_of(stream, len(stream)) for run in cut.feed(piece)
                     for row in run]
        if all(len(part) <= LONGEST_FRAME for part in stream.split(b"\0")):
            assert at_once == in_pieces
            assert whole.damaged == cut.damaged
        for payload in at_once:
            try:
                said = fmt.parse_hello(payload)
            except ValueError:
                continue
            assert said.rate_hz > 0 and 1 <= len(said.channels) <= fmt.MOST_CHANNELS

    found = steered(run, [b"".join(data), hello + b"".join(data[:3]), b"\0" + hello], seconds=seconds)
    print(f"frames: {found.executions} executions, {found.reached} steps reached")


@pytest.mark.timeout(300)
@pytest.mark.parametrize("seconds", TIMES)
def test_lines(seconds: float) -> None:
    good = [b"".join(form % (i * 7 % 1000, i * 13 % 1000) for i in range(40))
            for form in (b"%d,%d\n", b"%d %d\r\n", b"a: %d, b=%d\n", b"%d.5;-%d\r")]

    def run(stream: bytes) -> None:
        looks_like_text(stream)
        lines, end = split_lines(stream)
        style = find_style(lines, end)
        take_apart(stream[:500])
        if style is None:
            return
        whole, cut = LineDecoder(style), LineDecoder(style)
        at_once = [found.values for found in whole.feed(stream)]
        in_pieces = [found.values for piece in pieces_of(stream, len(stream)) for found in cut.feed(piece)]
        assert all(np.isfinite(values).all() and values.shape[1] == style.columns for values in at_once)
        if all(len(line) < LONGEST_LINE for line in stream.replace(b"\r", b"\n").split(b"\n")):
            empty = np.empty((0, style.columns))
            np.testing.assert_array_equal(np.concatenate([empty, *at_once]), np.concatenate([empty, *in_pieces]))

    found = steered(run, good, seconds=seconds)
    print(f"lines: {found.executions} executions, {found.reached} steps reached")


@pytest.mark.timeout(300)
@pytest.mark.parametrize("seconds", TIMES)
@pytest.mark.parametrize("numbered", [True, False])
def test_packets(seconds: float, numbered: bool) -> None:
    samples = SampleLayout(np.dtype("<i2"), 12, 4, True, ("current", "sync"), (Channel("current"), Channel("sync")), ())
    layout = PacketLayout(48, 8, 0, b"\xa5\x5a", 2, np.dtype("<u2"), False, False) if numbered else None
    body = (np.arange(20, dtype="<i2") << 4).tobytes()
    good = b"".join(b"\xa5\x5a" + k.to_bytes(2, "little") + bytes(4) + body for k in range(12))

    def run(stream: bytes) -> None:
        decoder = PacketDecoder(samples, layout)
        try:
            for piece in pieces_of(stream, len(stream)):
                for got in decoder.feed(piece, ended_short=len(piece) % 5 == 4):
                    assert got.codes.ndim == 2 and got.codes.shape[1] == 2
                    assert got.lost_before is None or 0 <= got.lost_before < 1 << 24
        except AcquireError as error:
            assert "\n" not in str(error)

    found = steered(run, [good], seconds=seconds)
    print(f"packets: {found.executions} executions, {found.reached} steps reached")


@pytest.mark.timeout(300)
@pytest.mark.parametrize("seconds", TIMES)
def test_blocks_headers_and_preambles_of_instruments(seconds: float) -> None:
    preamble = Preamble("PRE?", ",", 2, 3, 4, 1)

    def run(data: bytes) -> None:
        for read in (block_data, parse_answer, lambda raw: preamble.parse(raw.decode("latin-1"))):
            try:
                answer = read(data)
            except AcquireError as error:
                assert "\n" not in str(error)
            else:
                if isinstance(answer, tuple):
                    assert np.isfinite([number for number in answer if number is not None]).all()

    found = steered(run, [definite_block(b"crank"), answer_message(5, b"crank"), b"1e-3,0.5,2,1"], seconds=seconds)
    print(f"instruments: {found.executions} executions, {found.reached} steps reached")


@settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.binary(max_size=300))
def test_any_bytes_at_all(data: bytes) -> None:
    began_s = time.thread_time()
    for run in FrameDecoder().feed(data):
        assert run.ndim == 2
    find_style(*split_lines(data))
    assert time.thread_time() - began_s < 5.0


@pytest.mark.parametrize("junk", [b"1" * 400, b"9," * 5_000_000, b" " * 10_000_000, b"\x00" * 10_000_000,
                                  b"-" * 1_000_000, b"a" * 10_000_000, b"1e" * 1_000_000, b"a: " * 1_000_000,
                                  b"1;" * 1_000_000 + b"\n"])
def test_lines_without_end_cost_neither_time_nor_memory(junk: bytes) -> None:
    style = find_style([b"%d,%d" % (i, i * 7 % 10) for i in range(30)])
    assert style is not None
    decoder = LineDecoder(style)
    began_s = time.thread_time()
    for at in range(0, len(junk), 65_536):
        for lines in decoder.feed(junk[at : at + 65_536]):
            assert lines.values.shape[1] == 2
    looks_like_text(junk)
    find_style(*split_lines(junk))
    assert len(decoder._rest) <= LONGEST_LINE + 65_536
    assert time.thread_time() - began_s < 5.0
