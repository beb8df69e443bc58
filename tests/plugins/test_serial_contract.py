"""Both serial boards keep every rule of the contract."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from crankfold.acquire.testing import BROKEN, KEPT, run_contract, run_plugin_contract
from crankfold.plugins.serial import frame_format as fmt
from crankfold.plugins.serial import frames_board as serial_frames
from crankfold.plugins.serial import lines_board as serial_lines
from crankfold.plugins.serial.frame_codec import FrameDecoder, encode_frame

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

    from crankfold.acquire import Source

RATE_HZ = 1000
FRAME_SAMPLES = 8
HELLO = fmt.Hello(0, refused=False, streaming=False, layout=fmt.PACKED_12_BIT, frame_samples=FRAME_SAMPLES,
                  code_range=(0, 1023), rate_hz=RATE_HZ, highest_rate_hz=RATE_HZ,
                  channels=(fmt.ChannelHello(0.0, 0.005, 0.0), fmt.ChannelHello(0.0005, 0.005, 0.0)), title="board")

FOR_FILES_ONLY = {"end-is-no-error", "same-again", "device-stamps"}
"""Rules that a board, whose stream never ends and that has no clock of its own, does not come under."""


class FrameStreamer:
    """The least that speaks the format: sends what is due at each step."""

    def __init__(self, terminal: Any) -> None:
        self.terminal, self.decoder = terminal, FrameDecoder()
        self.began: float | None = None
        self.sequence = self.skip = 0
        terminal.run(self.step)

    def step(self) -> None:
        for run in self.decoder.feed(self.terminal.received()):
            for command in run[:, 0].tolist():
                if command in {fmt.START, fmt.STOP}:
                    self.began = self.terminal.clock.monotonic() if command == fmt.START else None
                    self.sequence = 0
                self.greet(command)
        now_s = self.terminal.clock.monotonic()
        while self.began is not None and self.sequence * FRAME_SAMPLES < (now_s - self.began) * RATE_HZ:
            codes = np.full((FRAME_SAMPLES, 2), self.sequence % 1024)
            frame = encode_frame(fmt.build_data(self.sequence, 0, codes, HELLO.layout))
            if self.skip:
                self.skip -= 1
            else:
                self.terminal.send(frame)
            self.sequence += 1

    def greet(self, command: int) -> None:
        answer = fmt.Hello(command, False, self.began is not None, *list(vars(HELLO).values())[3:])
        self.terminal.send(encode_frame(fmt.build_hello(answer, clock_hz=1_000_000, divider=1000)))


class Boards:
    """Opens a board at the end of a new terminal each time, and breaks the latest."""

    def __init__(self, terminals: Callable[[], Any], kind: str) -> None:
        self.terminals, self.kind = terminals, kind
        self.terminal: Any = None
        self.streamer: FrameStreamer | None = None

    def open(self) -> Source:
        self.terminal = terminal = self.terminals()
        source = self.open_it()
        closed = source._close

        def close_both_ends() -> None:
            closed()
            terminal.pull_out()

        source._close = close_both_ends
        return source

    def open_it(self) -> Source:
        if self.kind == "frames":
            self.streamer = FrameStreamer(self.terminal)
            return serial_frames.open_board(self.terminal.name, {})
        first = b"%d," if self.kind == "lines with time" else b""
        numbers = (lambda i: (i, i % 500, 7)) if first else (lambda i: (i % 500, 7))
        self.terminal.print_lines(lambda i: (first + b"%d,%d\n") % numbers(i), RATE_HZ)
        return serial_lines.open_board(self.terminal.name, {"full-scale": "5V", "bits": "10"})

    def break_it(self, source: Source) -> None:
        self.terminal.pull_out()

    def lose(self, source: Source) -> int | None:
        if self.streamer is not None:
            self.streamer.skip = 3
            return 3 * FRAME_SAMPLES
        self.terminal.dropping.set()
        self.terminal.clock.sleep(0.2)
        self.terminal.dropping.clear()
        return None


@pytest.mark.usefixtures("bench_clock")
@pytest.mark.parametrize("kind", ["frames", "lines with time", "lines"])
def test_every_rule_for_a_source_is_kept(terminals: Callable[[], Any], kind: str) -> None:
    boards = Boards(terminals, kind)
    outcomes = run_contract(boards.open, stretch_s=1.0, break_it=boards.break_it, lose=boards.lose)
    assert [(outcome.rule, outcome.detail) for outcome in outcomes if outcome.state == BROKEN] == []
    assert {outcome.rule: outcome.detail for outcome in outcomes
            if outcome.state != KEPT and outcome.rule not in FOR_FILES_ONLY} == {}


@pytest.mark.parametrize("plugin", [serial_frames, serial_lines])
def test_every_rule_for_a_plugin_is_kept(plugin: ModuleType) -> None:
    outcomes = run_plugin_contract(plugin)
    assert [(outcome.rule, outcome.detail) for outcome in outcomes if outcome.state == BROKEN] == []
