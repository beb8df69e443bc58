"""Lines to numbers: the quick way agrees with reading line by line, whatever is broken and however it is cut."""

from __future__ import annotations

import time
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankfold.plugins.serial.line_decoder import LineDecoder
from crankfold.plugins.serial.line_finding import find_style
from crankfold.plugins.serial.line_style import LONGEST_LINE, LineStyle, looks_like_text, split_lines
from crankfold.plugins.serial.line_timing import (
    CONFIRM_S,
    ArrivalWatch,
    TimeColumn,
    TimeLoss,
    find_time_column,
    rate_of_arrivals,
)

FORMS = {
    "comma": lambda a, b: f"{a},{b}",
    "padded": lambda a, b: f"{a:5d} {b:6d}",
    "labels": lambda a, b: f"current: {a}, ch2={b}",
    "signed": lambda a, b: f"{a - 500};{b - 500}",
    "decimals": lambda a, b: f"{a / 8:.3f}\t{b / 8:.3f}",
    "CRLF": lambda a, b: f"{a}, {b}\r",
}
BROKEN = ["", " ", "12", "1,2,3", ",5", "5,", "x", "12,3\x00", "1-2,3", "1.5,2", "99999999999999999999,1", "12 34 56",
          "ready", "current: 5", "--3;4", "1e999\t2.000", "3,,4", "\r", " 7,8", "7 ,8", ";", "0x10,2"]


def reference(stream: bytes, style: LineStyle) -> list[tuple[int, list[float]]]:
    """Rows with how many broken lines stood before each, read the plain way."""
    rows, broken = [], 0
    kind = float if style.decimals else int
    for line in stream.split(b"\n")[:-1]:
        if not line.strip():
            continue
        parsed = style.parse(line)
        numbers = None if parsed is None else [kind(number) for number in parsed]
        sound = numbers is not None and all(abs(number) < (np.inf if style.decimals else 2**32) for number in numbers)
        if numbers is None or not sound:
            broken += 1
        else:
            rows.append((broken, [float(number) for number in numbers]))
            broken = 0
    return rows


@cache
def usual_style(form: str) -> LineStyle:
    style = find_style([FORMS[form](i * 7 % 1000, i * 13 % 1000).encode() for i in range(30)])
    assert style is not None
    return style


def test_a_decimal_beside_a_whole_number_keeps_its_decimals() -> None:
    style = find_style([b"%d.5;-%d" % (7 * i, 13 * i) for i in range(30)])
    assert style is not None
    assert style.prefixes == ()
    (found,) = LineDecoder(style).feed(b"7.5;-13\n14.5;-26\n")
    assert found.values.tolist() == [[7.5, -13.0], [14.5, -26.0]]


@given(st.sampled_from(sorted(FORMS)), st.data())
def test_any_breakage_in_any_cut_agrees_with_line_by_line(form: str, data: st.DataObject) -> None:
    write, style = FORMS[form], usual_style(form)
    texts = data.draw(st.lists(st.builds(write, st.integers(0, 1023), st.integers(0, 1023)) | st.sampled_from(BROKEN),
                               max_size=120))
    stream = "".join(text + "\n" for text in texts).encode()
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=6)))
    decoder = LineDecoder(style)
    found: list[tuple[int, list[float]]] = []
    for begin, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        for piece in decoder.feed(stream[begin:end]):
            broken = [piece.broken_before] + [0] * (len(piece.values) - 1)
            found += list(zip(broken, piece.values.astype(float).tolist(), strict=True))
    assert found == reference(stream, style)


def style_of(*lines: str) -> Any:
    style = find_style([line.encode() for line in lines] * 10)
    assert style is not None
    return style


def test_a_number_beyond_the_converters_range_is_a_broken_line() -> None:
    decoder = LineDecoder(style_of("1,2"), ((0, 1023), None))
    first, second = decoder.feed(b"1023,5000\n10231,2\n-1,2\n0,7\n")
    assert (first.values.tolist(), second.values.tolist()) == ([[1023, 5000]], [[0, 7]])
    assert second.broken_before == decoder.broken == 2


@pytest.mark.parametrize("broken", [b"a:1e999 22, b=4\n", b"a: 1.5, b=4\n", b"a: 1, b=2e1\n",
                                    b"a: 99999999999999999999, b=4\n"])
def test_what_is_no_whole_number_among_them_is_a_broken_line(broken: bytes) -> None:
    decoder = LineDecoder(style_of("a: 1, b=2", "a: -3, b=4"))
    first, second = decoder.feed(b"a: 1, b=2\n" * 8 + broken + b"a: 5, b=6\n" * 8)
    assert (first.values.tolist(), second.values.tolist()) == ([[1, 2]] * 8, [[5, 6]] * 8)
    assert second.broken_before == decoder.broken == 1


def test_half_a_line_at_the_beginning_is_nobodys_loss() -> None:
    decoder = LineDecoder(style_of("1,2"))
    decoder.begin()
    assert decoder.feed(b"34") == []
    (lines,) = decoder.feed(b"5,6\n7,8\n9,")
    assert (lines.values.tolist(), decoder.broken) == ([[7, 8]], 0)


@pytest.mark.parametrize("junk", [b"7" * 100_000, b"a" * 100_000, b"1." * 50_000, b" " * 100_000, b"a:" * 50_000])
def test_a_line_that_never_ends_costs_neither_time_nor_memory(junk: bytes) -> None:
    decoder = LineDecoder(style_of("a:1.5,2"))
    began = time.thread_time()
    for at in range(0, len(junk), 777):
        decoder.feed(junk[at : at + 777])
    decoder.feed(junk + b"\n")
    assert time.thread_time() - began < 1.0
    assert decoder.broken >= 1
    assert len(decoder._rest) <= LONGEST_LINE


def test_styles_that_are_none() -> None:
    assert find_style([]) is None
    assert find_style([b"1,2"] * 9) is None
    assert find_style([b"hello"] * 100) is None
    assert find_style([b"1,2"] * 15 + [b"nothing"] * 20) is None
    assert find_style([b"1," * 17] * 30) is None


def test_what_separates_text_from_noise() -> None:
    assert looks_like_text(b"ready\r\n1,2\r\n\t3")
    assert not looks_like_text(bytes(range(256)))
    assert split_lines(b"half\n1\n2\nhal") == ([b"1", b"2"], b"\n")
    assert split_lines(b"half\r1\r2\rhal") == ([b"1", b"2"], b"\r")


def test_rate_from_arrivals_that_come_in_lumps() -> None:
    lumps = [(time_s, int((time_s - 0.003) * 500)) for time_s in np.arange(0.016, 1.0, 0.016)]
    assert rate_of_arrivals(lumps) == pytest.approx(500, rel=0.01)


@pytest.mark.parametrize(("unit_s", "rate_hz"), [(1e-3, 200), (1e-3, 1500), (1e-3, 1000), (1e-6, 2000), (1e-6, 333)])
def test_clocks_are_recognised(unit_s: float, rate_hz: float) -> None:
    rows = np.arange(400)
    clock = (rows / rate_hz / unit_s).astype(np.int64) + 77
    noise = np.random.default_rng(1).integers(0, 1024, 400)
    found = find_time_column(np.column_stack([noise, clock]), rate_hz * 1.02)
    assert found is not None
    assert (found.column, found.unit_s) == (1, unit_s)
    assert 1 / (found.period * found.unit_s) == pytest.approx(rate_hz, rel=0.01)


def test_a_rising_current_is_not_a_clock() -> None:
    rows = np.arange(400)
    assert find_time_column(np.column_stack([rows // 3, np.full(400, 5), 1000 - rows, rows % 100]), 500.0) is None
    assert find_time_column(np.column_stack([rows % 350]), 1000.0) is None


@pytest.mark.parametrize("wrap", [1 << 16, 1 << 32])
def test_a_clock_that_begins_again_loses_nothing(wrap: int) -> None:
    loss = TimeLoss(TimeColumn(0, 1e-3, 2.0), step=1.0)
    assert loss.before((np.arange(500) * 2 + wrap - 400) % wrap) == []
    assert loss.rate_hz == pytest.approx(500)


def test_a_clock_that_starts_from_nothing_is_a_board_that_started_anew() -> None:
    loss = TimeLoss(TimeColumn(0, 1e-3, 2.0), step=1.0)
    assert loss.before(np.array([90_000, 90_002, 4, 6])) == [(2, None)]


@given(st.lists(st.integers(0, 40), min_size=1, max_size=80), st.data())
def test_any_loss_is_counted_in_any_grouping(lost: list[int], data: st.DataObject) -> None:
    times = np.cumsum([2 * (missing + 1) for missing in lost])
    loss = TimeLoss(TimeColumn(0, 1e-3, 2.0), step=1.0)
    loss.before(np.array([0]))
    found = [0] * len(lost)
    begin = 0
    while begin < len(lost):
        end = data.draw(st.integers(begin + 1, len(lost)))
        for row, missing in loss.before(times[begin:end]):
            assert missing is not None
            found[begin + row] = missing
        begin = end
    assert found == lost


def arrivals(rate_hz: float, seconds: float, lost_at_s: float | None = None, lost_s: float = 0.0,
             busy: tuple[float, float] | None = None) -> list[float]:
    """Times at which the watch is certain of a loss."""
    watch = ArrivalWatch(rate_hz)
    certain = []
    for now in np.arange(0.005, seconds, 0.005):
        if busy and busy[0] < now < busy[1]:
            continue
        lines = int(now * rate_hz)
        if lost_at_s is not None and now > lost_at_s:
            lines -= int(min(now - lost_at_s, lost_s) * rate_hz)
        if watch.note(float(now), lines):
            certain.append(float(now))
            break
    return certain


def test_lateness_that_stays_is_a_loss_and_one_that_goes_is_not() -> None:
    (certain,) = arrivals(500, 3.0, 1.0, 0.2)
    assert 1.0 < certain < 1.0 + 0.1 + CONFIRM_S
    assert arrivals(500, 3.0, busy=(1.0, 1.8)) == []
    assert arrivals(500, 3.0, 1.0, 0.02) == []


def test_a_rate_a_few_percent_off_is_not_a_loss() -> None:
    watch = ArrivalWatch(500)
    assert not any(watch.note(float(now), int(now * 480)) for now in np.arange(0.005, 20, 0.005))


def test_after_nonsense_samples_of_several_lines_are_the_same_however_the_stream_is_cut() -> None:
    """What is given up as no sample may end in the first line of one."""
    sample = b"70.5;-130\r;-117\r"
    stream = b"9\r" + 9 * sample + 7 * b"??\r" + 5 * sample
    style = find_style(*split_lines(stream))
    assert style is not None and style.lines == 2
    for step in range(1, len(stream) + 1):
        decoder = LineDecoder(style)
        found = [values for at in range(0, len(stream), step) for values in decoder.feed(stream[at : at + step])]
        assert np.concatenate([lines.values for lines in found]).tolist() == 14 * [[70.5, -130.0, -117.0]], step


@pytest.mark.parametrize("number", [b"0" * 30 + b"7", b"1" * 19, b"0" * 15 + b"1234"])
def test_a_number_of_more_digits_than_any_counter_is_broken_however_the_stream_is_cut(number: bytes) -> None:
    usual = b"".join(b"%d,%d\n" % (k, 2 * k) for k in range(30))
    style = find_style(*split_lines(usual))
    stream = number + b",0\n" + usual
    assert style is not None
    for step in (1, 28, 40, len(stream)):
        decoder = LineDecoder(style)
        found = [lines for at in range(0, len(stream), step) for lines in decoder.feed(stream[at : at + step])]
        assert np.concatenate([lines.values for lines in found]).tolist() == [[k, 2 * k] for k in range(30)], step
        assert decoder.broken == 1
