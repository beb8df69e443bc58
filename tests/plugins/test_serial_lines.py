"""The board that prints numbers, on a real terminal through a real serial port object."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from crankfold.acquire import (
    AcquireError,
    BoardBusyError,
    BoardDisconnectedError,
    BoardGarbledError,
    BoardStalledError,
    SettingError,
)
from crankfold.analysis import Notice
from crankfold.plugins.serial import lines_board
from crankfold.plugins.serial.lines_board import LineBoard

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire import Source
    from crankfold.acquire.contract import Block

BANNER = b"\r\nreader 2\r\nready, press reset to start again\r\n3,"

STYLES: dict[str, Callable[[int, int, int, int], str]] = {
    "comma": lambda i, a, b, rate: f"{a},{b}\n",
    "comma and space, CRLF": lambda i, a, b, rate: f"{a}, {b}\r\n",
    "semicolon": lambda i, a, b, rate: f"{a};{b}\n",
    "tab": lambda i, a, b, rate: f"{a}\t{b}\r\n",
    "space": lambda i, a, b, rate: f"{a} {b}\n",
    "carriage return alone": lambda i, a, b, rate: f"{a},{b}\r",
    "padded": lambda i, a, b, rate: f"{a:5d} {b:5d}\n",
    "labels": lambda i, a, b, rate: f"current:{a},sync:{b}\n",
    "labels with digits, other order": lambda i, a, b, rate: f"sync: {b} ch1: {a}\r\n",
    "trailing comma": lambda i, a, b, rate: f"{a},{b},\n",
    "decimals": lambda i, a, b, rate: f"{a / 204.8:.3f},{b / 204.8:.3f}\n",
    "time in ms": lambda i, a, b, rate: f"{1234 + 1000 * i // rate},{a},{b}\n",
    "time in us at the end": lambda i, a, b, rate: f"{a},{b},{4294000000 + 1000000 * i // rate & 0xFFFFFFFF}\n",
    "line counter": lambda i, a, b, rate: f"{i},{a},{b}\n",
}


pytestmark = pytest.mark.usefixtures("bench_clock")


def now_s() -> float:
    """Seconds by the bench's clock, which the driver has in place of the computer's."""
    return lines_board.time.monotonic()


def current(i: int) -> int:
    return (i * 37) % 1000 + 10


def sync(i: int) -> int:
    return (i * 11) % 7


def read_until(source: Source, samples: int, *, seconds: float = 4.0) -> list[Block]:
    blocks: list[Block] = []
    deadline = now_s() + seconds
    while sum(len(block.codes) for block in blocks) < samples:
        assert now_s() < deadline, "too few samples came"
        block = source.read(0.1)
        if block is not None:
            blocks.append(block)
    return blocks


def indices(codes: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Which line each sample was, from its two numbers (unique within 7000 lines)."""
    key = {(current(i), sync(i)): i for i in range(7000)}
    return np.array([key[int(a), int(b)] for a, b in codes])


def check_style(board: Any, style: str, rate_hz: int) -> None:
    with LineBoard(board.name, {}) as source:
        assert source.info.rate_hz == pytest.approx(rate_hz, rel=0.03)
        assert [channel.name for channel in source.info.channels] == ["current", "sync"]
        source.start()
        blocks = read_until(source, rate_hz // 4)
        assert source.notices == ()
    assert all(block.lost_before == 0 for block in blocks)
    codes = np.concatenate([block.codes for block in blocks])
    if style == "decimals":
        assert codes.dtype == np.float64
        codes = np.rint(codes * 204.8)
    else:
        assert codes.dtype == np.int32
    np.testing.assert_array_equal(np.diff(indices(codes)), 1)


@pytest.mark.parametrize("rate_hz", [200, 500, 2000])
@pytest.mark.parametrize("style", STYLES)
def test_every_style_at_every_rate(terminal: Any, style: str, rate_hz: int) -> None:
    form = STYLES[style]
    terminal.print_lines(lambda i: form(i, current(i), sync(i), rate_hz).encode(), rate_hz, banner=BANNER)
    check_style(terminal, style, rate_hz)


def clean(i: int) -> bytes:
    return f"{current(i)},{sync(i)}\n".encode()


def timed(i: int) -> bytes:
    return f"{2 * i},{current(i)},{sync(i)}\n".encode()


def test_scale_from_full_scale_and_bits(terminal: Any) -> None:
    terminal.print_lines(clean, 500)
    with LineBoard(terminal.name, {"full-scale": "5V", "bits": "10"}) as source:
        channel = source.info.channels[0]
    assert (channel.unit, channel.scale, channel.code_range) == ("V", 5 / 1024, (0, 1023))


def test_columns_setting_chooses(terminal: Any) -> None:
    terminal.print_lines(lambda i: f"7,{sync(i)},{current(i)}\n".encode(), 500)
    with LineBoard(terminal.name, {"columns": "-,sync,current"}) as source:
        source.start()
        blocks = read_until(source, 100)
    np.testing.assert_array_equal(np.diff(indices(np.concatenate([block.codes for block in blocks]))), 1)


@pytest.mark.parametrize(("settings", "said"), [
    ({"columns": "current"}, "names 1 numbers but a line holds 2"),
    ({"columns": "current,time"}, "does not run like a clock"),
    ({"columns": "sync,sync"}, "name each number of a line"),
    ({"full-scale": "5V"}, "add bits=10"),
    ({"full-scale": "lots", "bits": "10"}, "give a number with its unit"),
])
def test_settings_that_do_not_fit_are_said(terminal: Any, settings: dict[str, str], said: str) -> None:
    terminal.print_lines(clean, 500)
    with pytest.raises(SettingError, match=said):
        LineBoard(terminal.name, settings)


def test_unknown_setting_is_refused_before_the_port_is_touched() -> None:
    with pytest.raises(SettingError, match="no setting 'speed'"):
        LineBoard("nowhere", {"speed": "9600"})


def test_broken_lines_are_counted_and_the_index_stays_the_clock(terminal: Any) -> None:
    def line(i: int) -> bytes:
        if i % 50 == 20:
            return b"12,3\xff4\n"
        return b"17\n" if i % 50 == 40 else clean(i)

    terminal.print_lines(line, 500)
    with LineBoard(terminal.name, {}) as source:
        source.start()
        blocks = read_until(source, 400)
        assert source.notices[0].code == "lines-left-out"
    assert sum(block.lost_before or 0 for block in blocks) > 10
    offsets = [indices(block.codes) - np.arange(block.first_index, block.next_index) for block in blocks]
    assert len(set(np.concatenate(offsets).tolist())) == 1


def test_lost_lines_are_counted_exactly_by_the_time_column(terminal: Any) -> None:
    terminal.print_lines(lambda i: b"" if 30 < i % 200 <= 47 else timed(i), 500)
    with LineBoard(terminal.name, {}) as source:
        assert source.measured_rate_hz == pytest.approx(500, rel=1e-6)
        source.start()
        blocks = read_until(source, 500)
        assert source.measured_rate_hz == pytest.approx(500, rel=1e-6)
    assert {block.lost_before for block in blocks} == {0, 17}
    offsets = [indices(block.codes) - np.arange(block.first_index, block.next_index) for block in blocks]
    assert len(set(np.concatenate(offsets).tolist())) == 1


def test_lost_bytes_without_a_time_column_are_an_unknown_loss(terminal: Any) -> None:
    terminal.print_lines(clean, 500)
    with LineBoard(terminal.name, {}) as source:
        source.start()
        before = read_until(source, 200)
        terminal.dropping.set()
        lines_board.time.sleep(0.3)
        terminal.dropping.clear()
        began = now_s()
        after: list[Block] = []
        while not any(block.lost_before is None for block in after):
            assert now_s() - began < 1.0
            block = source.read(0.1)
            after += [block] if block is not None else []
        after += read_until(source, 100)
        assert source.notices[-1] == Notice("lines-lost", {"count": 1})
    assert all(block.lost_before == 0 for block in before)
    torn = next(i for i, block in enumerate(after) if block.lost_before is None)
    for piece in (before + after[:torn], after[torn:]):  # neither side of the tear holds one
        np.testing.assert_array_equal(np.diff(indices(np.concatenate([block.codes for block in piece]))), 1)


def test_a_busy_computer_is_not_taken_for_loss(terminal: Any) -> None:
    terminal.print_lines(clean, 500)
    with LineBoard(terminal.name, {}) as source:
        source.start()
        blocks = read_until(source, 100)
        for _ in range(3):
            lines_board.time.sleep(0.25)
            blocks += read_until(source, 150)
        assert source.notices == ()
    assert all(block.lost_before == 0 for block in blocks)
    np.testing.assert_array_equal(np.diff(indices(np.concatenate([block.codes for block in blocks]))), 1)


def test_rate_setting_five_percent_off_is_said_and_not_used(terminal: Any) -> None:
    terminal.print_lines(clean, 475)
    with LineBoard(terminal.name, {"rate": "500"}) as source:
        assert source.info.rate_hz == pytest.approx(475, rel=0.02)
        said, = source.notices
        assert (said.code, said.facts["said_hz"]) == ("rate-against-setting", 500)
        assert 470 <= said.facts["rate_hz"] < 480


def test_rate_setting_that_fits_is_used(terminal: Any) -> None:
    terminal.print_lines(clean, 500)
    with LineBoard(terminal.name, {"rate": "500"}) as source:
        assert source.info.rate_hz == 500.0
        assert source.notices == ()


def noticed(source: Source, kind: type[AcquireError]) -> tuple[float, str, int]:
    """Return after how long the error came, its sentence, and how many samples came before it."""
    began, kept = now_s(), 0
    with pytest.raises(kind) as caught:
        while now_s() < began + 3.0:
            block = source.read(0.1)
            kept += 0 if block is None else len(block.codes)
    return now_s() - began, str(caught.value), kept


def test_unplugged_and_plugged_in_again(terminals: Callable[[], Any]) -> None:
    first = terminals()
    first.print_lines(clean, 500)
    with LineBoard(first.name, {}) as source:
        source.start()
        read_until(source, 50)
        first.pull_out()
        after_s, sentence, _ = noticed(source, BoardDisconnectedError)
        with pytest.raises(BoardDisconnectedError):
            source.read(0.1)
    assert after_s < 1.0
    assert sentence == f"the board at {first.name} is gone; check the cable and plug it in again"
    again = terminals()
    again.print_lines(clean, 500)
    with LineBoard(again.name, {}) as source:
        source.start()
        read_until(source, 50)


def test_silent_from_the_start(terminal: Any) -> None:
    with pytest.raises(BoardStalledError, match="prints nothing; check that its sketch runs"):
        LineBoard(terminal.name, {})


def test_falls_silent_while_streaming(terminal: Any) -> None:
    terminal.print_lines(clean, 500)
    with LineBoard(terminal.name, {}) as source:
        source.start()
        read_until(source, 50)
        terminal.paused.set()
        after_s, sentence, _ = noticed(source, BoardStalledError)
    assert after_s < 1.0
    assert re.search(r"has printed nothing for 0\.[789] s; check its supply", sentence)


def noise(i: int) -> bytes:
    return bytes((i * 7919 + k * 104729 >> 3) % 256 for k in range(9))


def test_garbage_at_opening_names_the_baud_rates(terminal: Any) -> None:
    terminal.print_lines(noise, 500)
    began = now_s()
    with pytest.raises(BoardGarbledError, match="is not text; set the baud rate"):
        LineBoard(terminal.name, {})
    assert now_s() - began < 3.0


def test_text_without_numbers_is_shown(terminal: Any) -> None:
    terminal.print_lines(lambda i: b"waiting for the sensor\r\n", 50)
    with pytest.raises(BoardGarbledError, match="for example 'waiting for the sensor'"):
        LineBoard(terminal.name, {})


@pytest.mark.parametrize(("garbage", "said"), [
    (noise, r"the last 0\.\d s from .* hold no line of numbers; check the cable and the baud rate"),
    (lambda i: b"###,#\n", r"\d+ of the last \d+ lines from .* are broken; check the cable and its ground"),
])
def test_garbage_while_streaming(terminal: Any, garbage: Callable[[int], bytes], said: str) -> None:
    bad: list[int] = []
    terminal.print_lines(lambda i: garbage(i) if bad else clean(i), 500)
    with LineBoard(terminal.name, {}) as source:
        source.start()
        read_until(source, 50)
        bad.append(1)
        after_s, sentence, _ = noticed(source, BoardGarbledError)
    assert after_s < 1.2
    assert re.match(said, sentence), sentence


def test_noise_that_holds_a_line_of_hexadecimal_digits_is_still_noise(terminal: Any) -> None:
    bad: list[int] = []
    terminal.print_lines(lambda i: (b"9,a\n" if i % 20 == 0 else b"#,#\n") if bad else clean(i), 500)
    with LineBoard(terminal.name, {}) as source:
        source.start()
        read_until(source, 50)
        bad.append(1)
        _, sentence, _ = noticed(source, BoardGarbledError)
    assert "are broken; check the cable and its ground" in sentence


def test_second_reader_is_told_who_has_the_port(terminal: Any) -> None:
    terminal.print_lines(clean, 500)
    with LineBoard(terminal.name, {}), pytest.raises(BoardBusyError, match="is in use by"):
        LineBoard(terminal.name, {})


def test_board_that_resets_when_opened_is_waited_for(terminal: Any) -> None:
    """After a reset the loader is silent, then the sketch prints its banner."""
    opened = now_s()

    def step() -> None:
        if now_s() - opened > 1.6:
            terminal.send(b"".join(clean(i) for i in range(terminal.printed, terminal.printed + 4)))
            terminal.printed += 4

    terminal.send(b"\x00\xf0\xf1")
    terminal.run(step)
    with LineBoard(terminal.name, {}) as source:
        source.start()
        read_until(source, 50)


def test_it_starts_and_stops_again(terminal: Any) -> None:
    terminal.print_lines(clean, 500)
    with LineBoard(terminal.name, {}) as source:
        for _ in range(2):
            source.start()
            read_until(source, 50)
            source.stop()
            source.stop()
