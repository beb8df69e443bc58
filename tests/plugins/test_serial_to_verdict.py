"""A stranger's board that prints numbers: a banner, half a line, then a cranking engine, to the right verdict."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from crankfold.acquire import BoardDisconnectedError, Probe, record
from crankfold.analysis import Engine, SyncSpec, analyse
from crankfold.plugins.serial.lines_board import LineBoard
from crankfold.plugins.virtual.engine import leak_for, simulate
from crankfold.plugins.virtual.leads import SyncLead
from crankfold.plugins.virtual.signals import RigSpec
from crankfold.plugins.virtual.signals import record as record_signals
from crankfold.plugins.virtual.specs import Bench, KeySpec

if TYPE_CHECKING:
    from collections.abc import Callable

BANNER = b"\r\nreader 2\r\nready, press reset to start again\r\n3,"
PUMP = Engine((1, 3, 4, 2))
LOW = 3
CRANKED_S = 6.5
KEY_S = 2.6

STYLES: dict[str, Callable[[int, int, int, int], str]] = {
    "comma": lambda i, a, b, rate: f"{a},{b}\r\n",
    "labels": lambda i, a, b, rate: f"current:{a},sync:{b}\n",
    "time in ms": lambda i, a, b, rate: f"{1000 * i // rate},{a},{b}\n",
    "tab": lambda i, a, b, rate: f"{a}\t{b}\n",
    "semicolon": lambda i, a, b, rate: f"{a};{b}\n",
    "volts": lambda i, a, b, rate: f"{a * 5 / 1024:.3f} {b * 5 / 1024:.3f}\n",
}


class Cranked:
    """The pump of the Harbour Workshop with a worn cylinder, seen by a 10-bit converter."""

    def __init__(self) -> None:
        bench = Bench(key=KeySpec(on_s=KEY_S, off_s=CRANKED_S - 0.6))
        position = bench.engine.firing_order.index(LOW)
        engine = bench.engine.with_cylinder(LOW, leak_for(bench.engine, position, 45.0, 200.0))
        self.run = simulate(replace(bench, engine=engine), CRANKED_S, seed=5)

    def codes(self, rate_hz: int) -> np.ndarray[Any, Any]:
        lead = SyncLead("waste-spark", 1, full_scale=20.0)
        taken = record_signals(self.run, RigSpec(rate_hz, clamp_mv_per_a=5.0, bandwidth_hz=rate_hz / 4, bits=16,
                                                 full_scale=10.0, sync=lead))
        clamp, pickup = (column.values(taken.codes[:, at]) for at, column in enumerate(taken.columns))
        volts = np.column_stack([clamp + 0.4, pickup * 0.35])
        return np.clip(volts * 1024 / 5, 0, 1023).astype(np.int64)


@pytest.fixture(scope="module")
def cranked() -> Cranked:
    return Cranked()


def print_codes(board: Any, codes: np.ndarray[Any, Any], style: str, rate_hz: int) -> None:
    form = STYLES[style]
    board.print_lines(lambda i: form(i, *codes[i % len(codes)].tolist(), rate_hz).encode(), rate_hz, banner=BANNER)


def judge(board: Any, style: str) -> Any:
    scale = {} if style == "volts" else {"full-scale": "5V", "bits": "10"}
    captures = record(LineBoard(board.name, scale))
    try:
        return next(captures)
    finally:
        captures.close()


IN_SHORT = [(style, 500) for style in STYLES] + [("comma", 200), ("labels", 2000)]


@pytest.mark.usefixtures("bench_clock")
@pytest.mark.parametrize(("style", "rate_hz"), [
    pytest.param(style, rate_hz, marks=[] if (style, rate_hz) in IN_SHORT else pytest.mark.slow)
    for style in STYLES for rate_hz in (200, 500, 2000)])
def test_every_style_to_the_right_verdict(terminal: Any, cranked: Cranked, style: str, rate_hz: int) -> None:
    print_codes(terminal, cranked.codes(rate_hz), style, rate_hz)
    capture = judge(terminal, style)
    assert capture.gaps == ()
    assert capture.rate_hz == pytest.approx(rate_hz, rel=0.02)
    amperes = Probe.parse("5mV/A").apply(replace(capture, channels=tuple(
        replace(channel, unit="V") if channel.unit == "" else channel for channel in capture.channels)))
    result = analyse(amperes, PUMP, sync=SyncSpec("waste-spark", 1))
    assert (result.verdict, result.low) == ("uneven", (LOW,)), result.reasons
    found = [cylinder.relative_percent for cylinder in result.cylinders]
    np.testing.assert_allclose(found, cranked.run.truth().relative_percent, atol=8.0)


@pytest.mark.usefixtures("bench_clock")
def test_unplugged_while_cranking_keeps_what_came_and_draws_nothing_wrong_from_it(terminal: Any,
                                                                                   cranked: Cranked) -> None:
    codes = cranked.codes(500)

    def line(i: int) -> bytes:
        if i > (KEY_S + 0.8) * 500:
            terminal.pull_out()
        return STYLES["comma"](i, *codes[i].tolist(), 500).encode()

    terminal.print_lines(line, 500, banner=BANNER)
    kept: list[Any] = []
    with pytest.raises(BoardDisconnectedError, match="is gone; check the cable"):
        kept.extend(record(LineBoard(terminal.name, {})))
    assert len(kept) == 1
    assert 1.0 < kept[0].duration_s < 4.0
    result = analyse(kept[0], PUMP)
    assert (result.verdict, result.reasons[0].code) == ("none", "too-short")


def test_a_few_words_on_the_command_line_are_enough(terminals: Callable[..., Any], far_bench: Any, cranked: Cranked,
                                                    tmp_path: Path) -> None:
    far = far_bench(tmp_path / "clock")
    terminal = terminals(far)
    print_codes(terminal, cranked.codes(500), "comma", 500)
    terminal.let_go()
    answer = tmp_path / "answer.json"
    command = [sys.executable, "-P", Path(__file__).with_name("by_the_bench_clock.py"), "capture", "--from",
               f"serial-lines:{terminal.name}",
               "--firing-order", "1-3-4-2", "--sync", "waste-spark:1", "--once", "--json", answer]
    done = subprocess.run(command, capture_output=True, text=True, check=False,
                          env={**os.environ, **far.environment})
    assert done.returncode == 0, done.stdout + done.stderr
    result = json.loads(answer.read_text(encoding="utf-8"))
    assert (result["verdict"], result["low"]) == ("uneven", [LOW])
