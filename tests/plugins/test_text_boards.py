"""Boards as their owners program them: every way to print numbers, read by one grammar from a real terminal.

The checksum is that of IEC 61162-1 (NMEA 0183): bytes between ``$`` and ``*`` joined by exclusive or. Its example
sentence is the one commonly printed, ``$GPGLL,5300.97914,N,00259.98174,E,125926,A*28``, quoted from memory.
"""

from __future__ import annotations

from functools import reduce
from operator import xor
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from crankfold.acquire import BoardGarbledError, SettingError
from crankfold.analysis import Notice
from crankfold.plugins.serial import lines_board
from crankfold.plugins.serial.grammar import checksum_holds
from crankfold.plugins.serial.line_decoder import LineDecoder, Lines
from crankfold.plugins.serial.line_finding import find_style
from crankfold.plugins.serial.line_jumps import JumpWatch
from crankfold.plugins.serial.lines_board import LineBoard

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire import Source
    from crankfold.acquire.contract import Block

RATE_HZ = 500


pytestmark = pytest.mark.usefixtures("bench_clock")


def current(i: int) -> int:
    return (i * 37) % 1000 + 10


def sync(i: int) -> int:
    return (i * 11) % 7


def checked(text: str) -> str:
    return f"${text}*{reduce(xor, text.encode(), 0):02X}"


def clock(i: int) -> str:
    return f"14:{3 + i // 30000:02d}:{i % 30000 / 500:06.3f}"


FORMS: dict[str, tuple[Callable[[int, int, int], str], dict[str, str]]] = {
    "JSON lines": (lambda i, a, b: f'{{"current": {a}, "sync": {b}}}', {}),
    "square brackets": (lambda i, a, b: f"[{a},{b}]", {}),
    "round brackets": (lambda i, a, b: f"({a}, {b})", {}),
    "clock in front": (lambda i, a, b: f"{clock(i)} -> {a},{b}", {}),
    "date and clock in brackets": (lambda i, a, b: f"[2026-03-05 {clock(i)}] {a} {b}", {}),
    "checksum": (lambda i, a, b: checked(f"{a},{b}"), {}),
    "word in front": (lambda i, a, b: f"DATA,{a},{b}", {}),
    "sign and label": (lambda i, a, b: f">x:{a},y:{b}", {}),
    "a value a line": (lambda i, a, b: f">current:{a}\n>sync:{b}", {}),
    "slash": (lambda i, a, b: f"{a}/{b}", {}),
    "colon": (lambda i, a, b: f"{a}:{b}", {}),
    "0x": (lambda i, a, b: f"0x{a:03X},0x{b:02X}", {}),
    "bare hex": (lambda i, a, b: f"{a:03X},{b:03X}", {}),
    "numbered names": (lambda i, a, b: f"Sensor 1: {a} Sensor 2: {b}", {}),
    "key, value": (lambda i, a, b: f"n,{i},I,{a},S,{b}", {}),
    "a pattern for the odd one": (lambda i, a, b: f"I{a} {'warm' if i % 3 else 'hot'} S{b}",
                                  {"pattern": "I{current} {*} S{sync}"}),
}


def read_until(source: Source, samples: int, *, seconds: float = 20.0) -> list[Block]:
    blocks: list[Block] = []
    deadline = lines_board.time.monotonic() + seconds
    while sum(len(block.codes) for block in blocks) < samples:
        assert lines_board.time.monotonic() < deadline, "too few samples came"
        block = source.read(0.1)
        if block is not None:
            blocks.append(block)
    return blocks


def indices(codes: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    key = {(current(i), sync(i)): i for i in range(7000)}
    return np.array([key[int(a), int(b)] for a, b in codes])


def check_form(board: Any, form: str) -> None:
    with LineBoard(board.name, FORMS[form][1]) as source:
        if "clock" in form:  # by the board's own clock, however busy this computer is
            assert source.info.rate_hz == pytest.approx(RATE_HZ, rel=0.005), form
        assert [channel.name for channel in source.info.channels] == ["current", "sync"], form
        assert not source.info.guessed, form
        source.start()
        blocks = read_until(source, RATE_HZ // 4)
        assert source.notices == (), form
    assert all(block.lost_before == 0 for block in blocks), form
    np.testing.assert_array_equal(np.diff(indices(np.concatenate([b.codes for b in blocks]))), 1, err_msg=form)


@pytest.mark.parametrize("form", FORMS)
def test_every_form_of_line_by_itself(terminal: Any, form: str) -> None:
    write = FORMS[form][0]
    terminal.print_lines(lambda i: f"{write(i, current(i), sync(i))}\r\n".encode(), RATE_HZ,
                         banner=b"\r\nreader 2\r\nready\r\n3,")
    check_form(terminal, form)


@pytest.mark.parametrize(("write", "unit", "scale"), [
    (lambda a: f"{a} mV", "mV", 1.0), (lambda a: f"{a / 100:.2f}A", "A", 0.01),
    (lambda a: f"current = {a / 100:.2f} V", "V", 0.01)])
def test_units_behind_the_numbers_are_used(terminal: Any, write: Callable[[int], str], unit: str,
                                           scale: float) -> None:
    terminal.print_lines(lambda i: f"{write(current(i))}\n".encode(), RATE_HZ)
    with LineBoard(terminal.name, {}) as source:
        (channel,) = source.info.channels
        assert (channel.name, channel.unit) == ("current", unit)
        source.start()
        codes = np.concatenate([block.codes for block in read_until(source, 100)])[:, 0]
    values = codes * channel.scale + channel.offset
    steps = np.round(values / scale).astype(int)
    key = {current(i): i for i in range(1000)}
    np.testing.assert_array_equal(np.diff([key[step] for step in steps.tolist()]) % 1000, 1)


def test_decimal_commas_are_recognised(terminal: Any) -> None:
    terminal.print_lines(lambda i: f"{current(i) / 204.8:.3f};{sync(i) / 30:.3f}\n".replace(".", ",").encode(), RATE_HZ)
    with LineBoard(terminal.name, {}) as source:
        assert [channel.name for channel in source.info.channels] == ["current", "sync"]
        assert not source.info.guessed
        source.start()
        codes = np.concatenate([block.codes for block in read_until(source, 200)])
    key = {round(current(i) / 204.8, 3): i for i in range(1000)}
    np.testing.assert_array_equal(np.diff([key[round(float(a), 3)] for a in codes[:, 0]]) % 1000, 1)
    assert codes[:, 1].max() <= 0.2


def test_six_numbers_are_shown_and_guessed_not_taken_in_silence(terminal: Any) -> None:
    terminal.print_lines(lambda i: f"{i},400,{current(i)},22,{sync(i)},1\n".encode(), RATE_HZ)
    with LineBoard(terminal.name, {}) as source:
        info = source.info
        assert info.guessed
        assert source.notices[0] == Notice("columns-unsaid", {"columns": 6})
    assert [(c.number, c.seems) for c in info.columns] == [
        (1, "counter"), (2, "constant"), (3, "signal"), (4, "constant"), (5, "signal"), (6, "constant")]
    assert (info.columns[1].least, info.columns[1].most) == (400, 400)
    assert 10 <= info.columns[2].least < info.columns[2].most <= 1009
    names = [channel.name for channel in info.channels]
    assert names[:2] == ["current", "sync"]  # the two that move, and nothing dropped
    assert names[2:] == ["column 2", "column 4", "column 6"]
    assert (info.columns[2].name, info.columns[4].name) == ("current", "sync")


def test_what_a_person_said_is_no_guess_and_any_name_will_do(terminal: Any) -> None:
    terminal.print_lines(lambda i: f"{i},400,{current(i)},{12600 - i % 50},{sync(i)},1\n".encode(), RATE_HZ)
    with LineBoard(terminal.name, {"columns": "-,-,current,battery(mV),sync,oil temp"}) as source:
        assert not source.info.guessed
        assert [(c.name, c.unit) for c in source.info.channels] == [
            ("current", "counts"), ("sync", "counts"), ("battery", "mV"), ("oil temp", "counts")]
        source.start()
        codes = np.concatenate([block.codes for block in read_until(source, 100)])
    np.testing.assert_array_equal(np.diff(indices(codes[:, :2])), 1)
    assert codes[:, 2].min() >= 12551


def test_a_label_that_says_something_else_is_no_sync_mark(terminal: Any) -> None:
    terminal.print_lines(lambda i: f"current: {current(i)} voltage: {12.6 - i % 9 / 100:.2f}\n".encode(), RATE_HZ)
    with LineBoard(terminal.name, {}) as source:
        assert [channel.name for channel in source.info.channels] == ["current", "voltage"]
        assert not source.info.guessed


def test_a_label_that_says_something_else_is_no_current_without_asking(terminal: Any) -> None:
    terminal.print_lines(lambda i: f"voltage: {12.6 - i % 9 / 100:.2f} rpm: {i % 5}\n".encode(), RATE_HZ)
    with LineBoard(terminal.name, {}) as source:
        assert source.info.guessed
        assert [channel.name for channel in source.info.channels] == ["current", "rpm"]


def waits_for_s(board: Any) -> list[bytes]:
    """A board that greets twice a second, and prints numbers after an ``s``, until an ``x``."""
    heard: list[bytes] = []
    running: list[float] = []
    greeted = [0.0]

    def step() -> None:
        if not heard and board.clock.monotonic() > greeted[0] + 0.5:
            board.send(b"adc reader\r\nready, type s to start\r\n")
            greeted[0] = board.clock.monotonic()
        data = board.received()
        if data:
            heard.append(data)
            running[:] = [board.clock.monotonic()] if b"s" in data else []
            board.printed = 0
        if running:
            due = int((board.clock.monotonic() - running[0]) * RATE_HZ)
            board.send(b"".join(b"%d,%d\n" % (current(i), sync(i)) for i in range(board.printed, due)))
            board.printed = due

    board.run(step)
    return heard


def test_a_board_that_waits_for_a_command_is_told_to_begin_and_to_end(terminal: Any, bench_clock: Any) -> None:
    heard = waits_for_s(terminal)
    with LineBoard(terminal.name, {"on-open": r"s\n", "on-close": r"x\x0a"}) as source:
        source.start()
        blocks = read_until(source, 100)
    bench_clock.wait_for(lambda: b"x\n" in b"".join(heard))
    np.testing.assert_array_equal(np.diff(indices(np.concatenate([block.codes for block in blocks]))), 1)
    assert b"".join(heard) == b"s\nx\n"


def test_without_the_setting_a_waiting_board_is_named_with_what_to_do(terminal: Any) -> None:
    waits_for_s(terminal)
    with pytest.raises(BoardGarbledError, match=r"ready, type s to start'; .*with the setting on-open"):
        LineBoard(terminal.name, {})


def test_hex_that_looks_decimal_at_rest_is_refused_by_name(terminal: Any) -> None:
    cranking: list[int] = []
    terminal.print_lines(lambda i: f"{0x200 + 10 * i % 250 if cranking else 0x201 + i % 2:X},3\n".encode(), RATE_HZ)
    with LineBoard(terminal.name, {}) as source:
        source.start()
        read_until(source, 50)
        cranking.append(1)
        with pytest.raises(BoardGarbledError, match=r"taken for decimal numbers and are hexadecimal.*numbers=hex"):
            read_until(source, 10_000)


def test_zeros_in_front_are_a_guess(terminal: Any) -> None:
    terminal.print_lines(lambda i: f"0{200 + i % 2},003\n".encode(), RATE_HZ)
    with LineBoard(terminal.name, {}) as source:
        assert source.info.guessed
        assert source.notices[0] == Notice("numbers-guessed", {"why": "leading-zeros"})
    with LineBoard(terminal.name, {"numbers": "hex"}) as source:
        assert not source.info.guessed
        source.start()
        assert set(read_until(source, 20)[0].codes[:, 0].tolist()) <= {0x200, 0x201}


@pytest.mark.parametrize(("settings", "said"), [
    ({"numbers": "roman"}, "give decimal, comma or hex"), ({"on-open": "\\x"}, "write it like"),
    ({"columns": "current,current"}, "name each number"),
    ({"bits": "10", "columns": "current(A),sync(V)"}, "aren't converter codes")])
def test_settings_that_cannot_be(terminal: Any, settings: dict[str, str], said: str) -> None:
    terminal.print_lines(lambda i: b"%d,%d\n" % (current(i), sync(i)), RATE_HZ)
    with pytest.raises(SettingError, match=said):
        LineBoard(terminal.name, settings)


def test_the_checksum_of_the_standards_example() -> None:
    assert checksum_holds(b"$GPGLL,5300.97914,N,00259.98174,E,125926,A*28")
    assert not checksum_holds(b"$GPGLL,5300.97914,N,00259.98174,E,125927,A*28")


def test_a_line_whose_checksum_is_wrong_is_broken() -> None:
    style = find_style([checked(f"{current(i)},{sync(i)}").encode() for i in range(30)])
    assert style is not None
    assert style.checksum
    decoder = LineDecoder(style)
    first, second = decoder.feed(f"{checked('500,3')}\n$501,3*00\n{checked('502,3')}\n".encode())
    assert (first.values.tolist(), second.values.tolist(), second.broken_before) == ([[500, 3]], [[502, 3]], 1)


def half_lines(count: int, *, every: int = 50) -> tuple[list[int], list[bytes], set[int]]:
    """A cranking printed at rest and under load; bytes lost now and then join two lines or take digits."""
    rest, crank = [512 + i % 3 for i in range(count // 2)], [700 + (i * 13) % 90 for i in range(count // 2)]
    true = rest + crank
    lines = [f"{value},512".encode() for value in true]
    damaged = set()
    for at in range(every, count - 1, every):
        lines[at] = lines[at][:2] + lines[at + 1] if at // every % 2 else lines[at][:1] + lines[at][3:]
        damaged.add(at)
    return true, lines, damaged


def test_half_lines_are_damaged_lines_and_no_current() -> None:
    true, lines, damaged = half_lines(4000)
    style = find_style(lines[:40])
    assert style is not None
    decoder, watch = LineDecoder(style), JumpWatch(0, 1.0)
    watch.learn(np.array([[value, 512] for value in true[:40]]))
    stream, found, lost = b"\n".join(lines) + b"\n", [], 0
    for at in range(0, len(stream), 700):
        for raw in decoder.feed(stream[at : at + 700]):
            for kept in watch.sift(raw):
                lost += kept.broken_before
                found += kept.values[:, 0].tolist()
    assert lost == len(damaged) == watch.damaged
    assert found == [value for at, value in enumerate(true) if at not in damaged]


def test_a_starter_that_comes_on_is_no_damage() -> None:
    watch = JumpWatch(0, 1.0)
    watch.learn(np.array([[512, 0]] * 50))
    inrush = np.array([[value, 0] for value in (512, 980, 900, 820, 760, 770, 750)])
    pieces = [lines for row in inrush for lines in watch.sift(Lines(row[None, :], 0))]
    assert np.concatenate([lines.values for lines in pieces]).tolist() == inrush.tolist()
    assert watch.damaged == 0
