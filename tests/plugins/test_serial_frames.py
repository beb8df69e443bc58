"""The frame format against a board made of Python on a real terminal, and its counters by themselves."""

from __future__ import annotations

import dataclasses
import struct
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankfold.acquire import BoardDisconnectedError, BoardGarbledError, BoardStalledError, SettingError
from crankfold.acquire.testing import SourceContract
from crankfold.analysis import Notice
from crankfold.plugins.serial import frame_format as fmt
from crankfold.plugins.serial import frames_board
from crankfold.plugins.serial.frame_codec import BUFFERED_S, FrameDecoder, FrameLoss, encode_frame
from crankfold.plugins.serial.frames_board import FrameBoard

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire import Source
    from crankfold.acquire.contract import Block

CLOCK_HZ = 1_000_000
HELLO = fmt.Hello(0, refused=False, streaming=False, layout=fmt.PACKED_12_BIT, frame_samples=16, code_range=(0, 4095),
                  rate_hz=2000.0, highest_rate_hz=2000.0,
                  channels=(fmt.ChannelHello(0.0, 0.001, 0.0), fmt.ChannelHello(25e-6, 0.002, -1.0)),
                  title="board made of Python")


def sample(index: int | np.ndarray[Any, Any]) -> Any:
    return index * 7 % 4096, index * 13 % 4096


def codes_from(first: int, count: int, layout: int = fmt.PACKED_12_BIT) -> np.ndarray[Any, Any]:
    return np.stack(sample(np.arange(first, first + count)), axis=1).astype(fmt.DTYPES[layout])


class PythonBoard:
    """Answers commands and streams; `index` and the counters may be tampered with."""

    def __init__(self, terminal: Any, hello: fmt.Hello = HELLO) -> None:
        self.terminal, self.hello, self.clock = terminal, hello, terminal.clock
        self.divider = round(CLOCK_HZ / hello.rate_hz)
        self.decoder = FrameDecoder()
        self.deaf_until = 0.0
        self.silent = self.refusing = False
        self.to_throw_away = 0
        self.tamper: Callable[[bytes], bytes] = lambda frame: frame
        self.begin()
        self.streaming = False
        terminal.run(self.step)

    def begin(self) -> None:
        self.streaming, self.index, self.sequence, self.overrun = True, 0, 0, 0
        self.began = self.clock.monotonic()

    def greet(self, answers: int) -> None:
        hello = dataclasses.replace(self.hello, answers=answers, streaming=self.streaming, refused=self.refusing)
        self.terminal.send(encode_frame(fmt.build_hello(hello, clock_hz=CLOCK_HZ, divider=self.divider)))

    def step(self) -> None:
        for run in self.decoder.feed(self.terminal.received()):
            for command in run:
                if self.clock.monotonic() >= self.deaf_until:
                    self.obey(command.tobytes())
        self.overrun += self.to_throw_away
        self.index += self.to_throw_away
        self.to_throw_away = 0
        due = int((self.clock.monotonic() - self.began) * CLOCK_HZ / self.divider)
        while self.streaming and self.index + self.hello.frame_samples <= due:
            self.send_data()

    def obey(self, command: bytes) -> None:
        if command[0] == fmt.RATE:
            wanted = min(struct.unpack("<I", command[1:])[0], self.hello.highest_rate_hz)
            self.divider = round(CLOCK_HZ / wanted)
        elif command[0] == fmt.START:
            self.begin()
        elif command[0] == fmt.STOP:
            self.streaming = False
        self.greet(command[0])

    def send_data(self) -> None:
        count = self.hello.frame_samples
        codes = codes_from(self.index, count, self.hello.layout)[:, : len(self.hello.channels)]
        frame = encode_frame(fmt.build_data(self.sequence, self.overrun, codes, self.hello.layout))
        if not self.silent:
            self.terminal.send(self.tamper(frame))
        self.sequence += 1
        self.index += count

    def restart(self) -> None:
        """Reset itself, as after a dip of its supply."""
        self.streaming = False
        self.greet(0)


pytestmark = pytest.mark.usefixtures("bench_clock")


@pytest.fixture
def python_board(terminal: Any) -> PythonBoard:
    return PythonBoard(terminal)


def read_until(source: Source, samples: int, *, seconds: float = 4.0) -> list[Block]:
    blocks: list[Block] = []
    deadline = frames_board.time.monotonic() + seconds
    while sum(len(block.codes) for block in blocks) < samples:
        assert frames_board.time.monotonic() < deadline, "too few samples came"
        block = source.read(0.1)
        if block is not None:
            blocks.append(block)
    return blocks


def check_in_place(blocks: list[Block]) -> None:
    for block in blocks:
        np.testing.assert_array_equal(block.codes, codes_from(block.first_index, len(block.codes)))


def test_what_the_board_says_of_itself(terminal: Any, python_board: PythonBoard) -> None:
    with FrameBoard(terminal.name, {}) as source:
        info = source.info
        assert (info.rate_hz, info.dtype, info.title) == (2000.0, np.int16, "board made of Python")
        assert (info.address, info.skew_s) == (terminal.name, (0.0, pytest.approx(25e-6)))
        current, sync = info.channels
        assert (current.name, current.unit, current.scale, current.code_range) == ("current", "V", 0.001, (0, 4095))
        assert (sync.name, sync.scale, sync.offset) == ("sync", 0.002, -1.0)
        source.start()
        blocks = read_until(source, 500)
        assert [block.lost_before for block in blocks] == [0] * len(blocks)
        check_in_place(blocks)
        assert source.notices == ()


@pytest.mark.parametrize("layout", [fmt.SIGNED_16_BIT, fmt.UNSIGNED_16_BIT])
@pytest.mark.parametrize("channels", [1, 2])
def test_other_layouts(terminal: Any, layout: int, channels: int) -> None:
    PythonBoard(terminal, dataclasses.replace(HELLO, layout=layout, channels=HELLO.channels[:channels]))
    with FrameBoard(terminal.name, {}) as source:
        assert source.info.dtype == fmt.DTYPES[layout]
        source.start()
        for block in read_until(source, 200):
            expected = codes_from(block.first_index, len(block.codes), layout)[:, :channels]
            np.testing.assert_array_equal(block.codes, expected)


def test_channels_can_be_exchanged(terminal: Any, python_board: PythonBoard) -> None:
    with FrameBoard(terminal.name, {"channels": "2,1"}) as source:
        assert source.info.skew_s == (0.0, pytest.approx(-25e-6))
        assert source.info.channels[0].scale == 0.002
        source.start()
        block = read_until(source, 16)[0]
    np.testing.assert_array_equal(block.codes, codes_from(0, len(block.codes))[:, ::-1])


@pytest.mark.parametrize("text", ["3", "1,1", "one", "0", "1,2,3"])
def test_channels_that_are_not_there(terminal: Any, python_board: PythonBoard, text: str) -> None:
    with pytest.raises(SettingError, match="board of 2 channels"):
        FrameBoard(terminal.name, {"channels": text})


def test_rate_is_the_one_the_board_really_makes(terminal: Any, python_board: PythonBoard) -> None:
    with FrameBoard(terminal.name, {"rate": "300"}) as source:
        assert source.info.rate_hz == CLOCK_HZ / 3333


def test_damaged_and_missing_frames_are_counted_exactly(terminal: Any, python_board: PythonBoard) -> None:
    count = iter(range(10**9))

    def tamper(frame: bytes) -> bytes:
        number = next(count)
        if number % 20 == 7:
            return b""
        return frame[:9] + bytes([frame[9] ^ 0x40 or 1]) + frame[10:] if number % 20 == 13 else frame

    python_board.tamper = tamper
    with FrameBoard(terminal.name, {}) as source:
        source.start()
        blocks = read_until(source, 1500)
        assert source.notices[0].code == "frames-left-out"
    assert {block.lost_before for block in blocks} == {0, HELLO.frame_samples}
    check_in_place(blocks)


def test_overruns_in_the_board_are_counted(terminal: Any, python_board: PythonBoard) -> None:
    with FrameBoard(terminal.name, {}) as source:
        source.start()
        blocks = read_until(source, 100)
        python_board.to_throw_away = 48
        blocks += read_until(source, 600)
    assert [block.lost_before for block in blocks if block.lost_before != 0] == [48]
    check_in_place(blocks)


def test_a_board_that_starts_anew_is_started_again_with_an_unknown_loss(terminal: Any,
                                                                        python_board: PythonBoard) -> None:
    with FrameBoard(terminal.name, {}) as source:
        source.start()
        read_until(source, 200)
        python_board.restart()
        blocks = read_until(source, 300)
        assert [block.lost_before for block in blocks].count(None) == 1
        assert source.notices[-1] == Notice("board-restarted", {"count": 1})


def test_a_board_that_resets_when_opened_is_waited_for(terminal: Any, python_board: PythonBoard) -> None:
    python_board.deaf_until = python_board.clock.monotonic() + 1.5
    with FrameBoard(terminal.name, {}) as source:
        source.start()
        check_in_place(read_until(source, 100))


def test_a_board_left_streaming_is_stopped_first(terminal: Any, python_board: PythonBoard) -> None:
    python_board.begin()
    python_board.clock.sleep(0.1)
    with FrameBoard(terminal.name, {}) as source:
        assert not python_board.streaming
        source.start()
        blocks = read_until(source, 100)
        assert blocks[0].first_index == 0
        check_in_place(blocks)
    python_board.clock.sleep(0.1)
    assert not python_board.streaming


def test_nothing_answers(terminal: Any) -> None:
    with pytest.raises(BoardStalledError, match=r"nothing answers at .* at 1000000 baud"):
        FrameBoard(terminal.name, {})


def test_numbers_instead_of_frames(terminal: Any) -> None:
    terminal.print_lines(lambda i: b"1,2\n", 500)
    with pytest.raises(BoardGarbledError, match="use serial-lines if this board prints numbers"):
        FrameBoard(terminal.name, {})


def test_a_later_format_is_said(terminal: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fmt, "FORMAT", 2)
    payload = fmt.build_hello(dataclasses.replace(HELLO, answers=fmt.STOP), clock_hz=CLOCK_HZ, divider=500)
    monkeypatch.setattr(fmt, "FORMAT", 1)
    terminal.run(lambda: terminal.send(encode_frame(payload)) if terminal.received() else None)
    with pytest.raises(BoardGarbledError, match="speaks frame format 2, this program 1"):
        FrameBoard(terminal.name, {})


def test_a_refused_command_is_said(terminal: Any, python_board: PythonBoard) -> None:
    python_board.refusing = True
    with pytest.raises(BoardGarbledError, match="does not carry out a command"):
        FrameBoard(terminal.name, {})


@pytest.mark.parametrize(("fault", "kind", "said"), [
    ("pull", BoardDisconnectedError, "is gone; check the cable"),
    ("silent", BoardStalledError, r"has sent nothing for 0\.[789] s; check its supply"),
    ("garbage", BoardGarbledError, "hold no valid frame; check the cable"),
])
def test_faults_while_streaming_are_noticed_within_a_second(terminal: Any, python_board: PythonBoard, fault: str,
                                                            kind: type[Exception], said: str) -> None:
    with FrameBoard(terminal.name, {}) as source:
        source.start()
        read_until(source, 100)
        if fault == "pull":
            terminal.pull_out()
        python_board.silent = fault == "silent"
        python_board.tamper = lambda frame: b"\x03ab\x00" if fault == "garbage" else frame
        began = frames_board.time.monotonic()
        with pytest.raises(kind, match=said):
            while frames_board.time.monotonic() < began + 3.0:
                source.read(0.1)
        assert frames_board.time.monotonic() - began < 1.0


def judged(loss: FrameLoss, sequence: list[int], overrun: list[int], now_s: float) -> list[tuple[int, int | None]]:
    return loss.before(np.array(sequence), np.array(overrun), now_s)


def test_loss_is_unknown_only_when_a_whole_wrap_may_have_passed() -> None:
    loss = FrameLoss(frame_samples=32, rate_hz=20_000)
    wrap_s = 65536 * 32 / 20_000
    loss.restart(0.0)
    assert judged(loss, [0, 1, 2], [0, 0, 0], 0.01) == []
    assert judged(loss, [5], [0], 0.02) == [(0, 64)]
    assert judged(loss, [6], [0], 0.02 + wrap_s - BUFFERED_S - 0.1) == []
    assert judged(loss, [7], [0], 0.02 + 2 * wrap_s - BUFFERED_S) == [(0, None)]
    assert judged(loss, [8, 65535 & 10], [0, 0], 2 * wrap_s) == [(1, 32)]


def test_loss_that_cannot_have_happened_in_the_time_is_unknown() -> None:
    loss = FrameLoss(frame_samples=32, rate_hz=20_000)
    loss.restart(0.0)
    judged(loss, [0, 1, 2], [0, 0, 0], 0.01)
    assert judged(loss, [1], [0], 0.02) == [(0, None)]  # backwards: another stream
    assert judged(loss, [2], [10**6], 0.03) == [(0, None)]
    assert judged(loss, [2], [10**6], 0.04) == [(0, None)]  # the same frame twice


@given(st.lists(st.tuples(st.integers(0, 300), st.integers(0, 300)), min_size=1, max_size=60), st.integers(0, 65535),
       st.integers(0, 2**32 - 1), st.data())
def test_any_loss_is_found_in_any_grouping(steps: list[tuple[int, int]], sequence: int, overrun: int,
                                           data: st.DataObject) -> None:
    loss = FrameLoss(frame_samples=100, rate_hz=1e6)
    loss.restart(0.0)
    loss._sequence, loss._overrun = (sequence - 1) % 65536, overrun
    counters, expected, time_s = [], [], 0.0
    for frames, thrown in steps:
        sequence, overrun = sequence + frames, overrun + thrown
        counters.append((sequence % 65536, overrun % 2**32))
        expected.append(frames * 100 + thrown)
        sequence += 1
    found = [0] * len(steps)
    begin = 0
    while begin < len(steps):
        end = data.draw(st.integers(begin + 1, len(steps)))
        time_s += 0.1
        chunk = counters[begin:end]
        for frame, lost in judged(loss, [c[0] for c in chunk], [c[1] for c in chunk], time_s):
            assert lost is not None
            found[begin + frame] = lost
        begin = end
    assert found == expected


@given(st.integers(1, 8), st.integers(1, 20), st.sampled_from(sorted(fmt.DTYPES)), st.integers(0, 2**32 - 1))
def test_packing_round_trips(channels: int, samples: int, layout: int, seed: int) -> None:
    samples *= 2
    limits = (0, 4095) if layout == fmt.PACKED_12_BIT else (np.iinfo(fmt.DTYPES[layout]).min,
                                                           np.iinfo(fmt.DTYPES[layout]).max)
    codes = np.random.default_rng(seed).integers(*limits, (samples, channels), endpoint=True)
    payload = fmt.build_data(70_000, 2**32 + 5, codes, layout)
    frames = np.frombuffer(payload, np.uint8)[np.newaxis, :]
    np.testing.assert_array_equal(fmt.unpack(frames, layout, channels), codes)
    assert [counter.tolist() for counter in fmt.sequences(frames)] == [[70_000 - 65536], [5]]


def test_two_values_in_three_bytes_as_the_notes_show() -> None:
    codes = np.array([[0x123, 0xABC]])
    assert fmt.build_data(1, 0, codes, fmt.PACKED_12_BIT)[7:] == bytes([0x23, 0xC1, 0xAB])


def test_examples_in_the_notes_are_what_is_sent() -> None:
    notes = (Path(__file__).parents[2] / "hardware_notes" / "frames.md").read_text(encoding="utf-8")
    for example in (encode_frame(fmt.build_command(fmt.WHAT)),
                    fmt.build_data(0, 0, np.array([[0x123, 0xABC]]), fmt.PACKED_12_BIT)[7:]):
        assert example.hex(" ") in notes.lower()


class TestFrameBoard(SourceContract):
    """The rules of the kit; for those on breaking, the far end hangs up."""

    stretch_s = 0.3
    board: Any = None

    @pytest.fixture(autouse=True)
    def _board(self, python_board: PythonBoard) -> None:
        type(self).board = python_board

    def open_source(self) -> Source:
        return FrameBoard(self.board.terminal.name, {})

    @staticmethod
    def break_it(_source: Source) -> None:
        TestFrameBoard.board.terminal.pull_out()
