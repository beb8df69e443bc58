"""Boards as their owners program them, each from the text it prints to the verdict, through the real driver.

A four with cylinder 4 at 55 % is cranked; a 10-bit board prints it in each form over a terminal. The table of
``tests/README.md`` is made of the same rows, and compared with them here.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from functools import cache, reduce
from operator import xor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from crankfold.acquire import Probe, record
from crankfold.analysis import Engine, SyncSpec, analyse
from crankfold.plugins.serial.lines_board import LineBoard
from crankfold.plugins.virtual.engine import VirtualRun, leak_for, simulate
from crankfold.plugins.virtual.leads import SyncLead
from crankfold.plugins.virtual.signals import RigSpec
from crankfold.plugins.virtual.signals import record as record_signals
from crankfold.plugins.virtual.specs import Bench, KeySpec

if TYPE_CHECKING:
    from collections.abc import Callable

pytestmark = [pytest.mark.usefixtures("bench_clock"), pytest.mark.timeout(180)]

README = Path(__file__).parents[1] / "README.md"
ORDER, LOW, PERCENT = (1, 3, 4, 2), 4, 55.0
RATE_HZ = 500.0
KEY_S, OFF_S, LONG_S = 2.6, 6.4, 7.2
CODES = {"full-scale": "5V", "bits": "10"}


@dataclass(frozen=True)
class Row:
    """One board.

    Parameters
    ----------
    write
        The text of sample i with codes a (current) and b (sync); volts are code * 5 / 1024.
    settings
        That its owner has to give.
    rate_hz
        Of its lines, which nobody tells the driver.
    one
        Whether it prints the current only.
    banner
        What it prints first.
    """

    write: Callable[[int, int, int], str]
    settings: dict[str, str] = field(default_factory=lambda: CODES)
    rate_hz: float = RATE_HZ
    one: bool = False
    banner: bytes = b"3,"


def volts(code: int) -> str:
    return f"{code * 5 / 1024:.3f}"


def checked(text: str) -> str:
    return f"${text}*{reduce(xor, text.encode(), 0):02X}"


def clock(i: int) -> str:
    return f"14:{3 + i // 30000:02d}:{i % 30000 / 500:06.3f}"


ROWS: dict[str, Row] = {
    "`a,b`": Row(lambda i, a, b: f"{a},{b}\r\n"),
    "`a;b`": Row(lambda i, a, b: f"{a};{b}\n"),
    "`a b`": Row(lambda i, a, b: f"{a} {b}\n"),
    "tab": Row(lambda i, a, b: f"{a}\t{b}\n"),
    "`current:a,sync:b`": Row(lambda i, a, b: f"current:{a},sync:{b}\n"),
    "`current=a sync=b`": Row(lambda i, a, b: f"current={a} sync={b}\n"),
    "a comma at the end": Row(lambda i, a, b: f"{a},{b},\n"),
    "lines that end in CR only": Row(lambda i, a, b: f"{a},{b}\r"),
    "a CSV heading first": Row(lambda i, a, b: f"{a},{b}\n", banner=b"current,sync\n"),
    "milliseconds in front": Row(lambda i, a, b: f"{2 * i},{a},{b}\n"),
    "volts with a point": Row(lambda i, a, b: f"{volts(a)},{volts(b)}\n", {}),
    "volts with a comma, `2,512;0,033`": Row(lambda i, a, b: f"{volts(a)};{volts(b)}\n".replace(".", ","), {}),
    "messages after a reset": Row(lambda i, a, b: f"{a},{b}\n",
                                  banner=b"\r\nboot 3.1\r\nready\r\nADC 10 bit 5 V\r\n51"),
    "515 lines a second for 500": Row(lambda i, a, b: f"{a},{b}\n", rate_hz=515.0),
    "100 lines a second": Row(lambda i, a, b: f"{a},{b}\n", rate_hz=100.0),
    "2,000 lines a second": Row(lambda i, a, b: f"{a},{b}\n", rate_hz=2000.0),
    "16,000 lines a second, at 2 Mbaud": Row(lambda i, a, b: f"{a},{b}\n", CODES | {"baud": "2000000"},
                                             rate_hz=16000.0),
    "three numbers, `a,b,c`": Row(lambda i, a, b: f"{a},{b},{i * 7 % 11}\n", CODES | {"columns": "current,sync,cam"}),
    "one number": Row(lambda i, a, b: f"{a}\n", one=True),
    "JSON": Row(lambda i, a, b: json.dumps({"current": a, "sync": b}) + "\n"),
    "`[a,b]`": Row(lambda i, a, b: f"[{a},{b}]\n"),
    "`(a, b)`": Row(lambda i, a, b: f"({a}, {b})\n"),
    "`512 mV`": Row(lambda i, a, b: f"{a * 5000 // 1024} mV\n", {}, one=True),
    "a clock in front, `14:03:00.002 -> a,b`": Row(lambda i, a, b: f"{clock(i)} -> {a},{b}\n"),
    "`$a,b*CS`": Row(lambda i, a, b: checked(f"{a},{b}") + "\r\n"),
    "`DATA,a,b`": Row(lambda i, a, b: f"DATA,{a},{b}\n"),
    "`>current:a` and `>sync:b`, a line each": Row(lambda i, a, b: f">current:{a}\n>sync:{b}\n"),
    "`a/b`": Row(lambda i, a, b: f"{a}/{b}\n"),
    "`a:b`": Row(lambda i, a, b: f"{a}:{b}\n"),
    "`0x1FF,0x003`": Row(lambda i, a, b: f"0x{a:03X},0x{b:03X}\n"),
    "hex without 0x": Row(lambda i, a, b: f"{a:03X},{b:03X}\n", CODES | {"numbers": "hex"}),
    "`n,400,I,22,S,1`, letters and numbers": Row(lambda i, a, b: f"n,{i},I,{a},S,{b}\n"),
    "`400,22,1,...`, six numbers, named by the owner": Row(
        lambda i, a, b: f"{i},400,{a},22,{b},1\n", CODES | {"columns": "-,-,current,-,sync,-"}),
    "an odd line, by its pattern": Row(lambda i, a, b: f"I{a} {'warm' if i % 3 else 'hot'} S{b}\n",
                                       CODES | {"pattern": "I{current} {*} S{sync}"}),
}
SHORT = ("a clock in front, `14:03:00.002 -> a,b`", "one number", "100 lines a second")


@cache
def cranked() -> VirtualRun:
    bench = Bench(key=KeySpec(KEY_S, OFF_S))
    position = bench.engine.firing_order.index(LOW)
    engine = bench.engine.with_cylinder(LOW, leak_for(bench.engine, position, PERCENT, 200.0))
    return simulate(replace(bench, engine=engine), LONG_S, seed=1705)


@cache
def codes(rate_hz: float) -> np.ndarray[Any, Any]:
    """Return what a 10-bit, 5 V board reads of a 5 mV/A clamp and of the foil round plug lead 1."""
    lead = SyncLead("waste-spark", 1, pickup="foil", noise=0.005, full_scale=10.0)
    taken = record_signals(cranked(), RigSpec(rate_hz, clamp_mv_per_a=5.0, bandwidth_hz=rate_hz / 4, bits=16,
                                              full_scale=10.0, sync=lead), seed=1705)
    clamp, foil = (column.values(taken.codes[:, at]) for at, column in enumerate(taken.columns))
    return np.clip(np.column_stack([clamp + 0.4, foil]) * 1024 / 5, 0, 1023).astype(np.int64)


def verdict_of(board: Any, row: Row) -> Any:
    """Return the result of the crank that the board prints."""
    samples = codes(row.rate_hz)
    board.print_lines(lambda i: row.write(i, *samples[i % len(samples)].tolist()).encode(), row.rate_hz,
                      banner=row.banner)
    source = LineBoard(board.name, row.settings)
    assert not source.info.guessed
    captures = record(source)
    try:
        capture = next(captures)
    finally:
        captures.close()
    assert capture.gaps == ()
    assert capture.rate_hz == pytest.approx(row.rate_hz, rel=0.02)
    amperes = Probe.parse("5mV/A").apply(replace(capture, channels=tuple(
        replace(channel, unit=channel.unit or "V") for channel in capture.channels)))
    return analyse(amperes, Engine(ORDER), sync=None if row.one else SyncSpec("waste-spark", 1))


def outcome(result: Any, row: Row) -> str:
    percents = {cylinder.cylinder: round(cylinder.relative_percent) for cylinder in result.cylinders}
    if row.one:
        return f"uneven, one unnamed at {min(cylinder.relative_percent for cylinder in result.cylinders):.0f} %"
    return f"cylinder {result.low[0]} is low: {percents[LOW]} %" if result.low else result.verdict


@pytest.mark.parametrize("name", [pytest.param(name, marks=[] if name in SHORT else pytest.mark.slow) for name in ROWS])
def test_a_board_from_its_text_to_the_verdict(terminal: Any, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    row = ROWS[name]
    result = verdict_of(terminal, row)
    with capsys.disabled():
        told = " ".join(f"`{name}={value}`" for name, value in row.settings.items())
        print(f"\n| {name} | {told or '-'} | {outcome(result, row)} |")
    assert result.verdict == "uneven", (result.verdict, result.reasons)
    true_percent = cranked().truth().relative_percent
    lowest = min(result.cylinders, key=lambda cylinder: cylinder.relative_percent)
    assert lowest.relative_percent == pytest.approx(min(true_percent), abs=8.0)
    if not row.one:
        assert result.low == (LOW,)


def test_every_row_is_in_the_readme() -> None:
    text = README.read_text(encoding="utf-8")
    missing = [name for name in ROWS if f"| {name} |" not in text]
    assert missing == []

