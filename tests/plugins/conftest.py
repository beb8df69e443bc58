"""A serial board made of Python on a real pseudo terminal."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

TICK_S = 0.002
"""How often a board in a thread of its own looks what is due."""

FAR_POLL_S = 3e-4
"""And one whose time runs as fast as it is read."""

SERIAL = tuple(f"crankfold.plugins.serial.{name}" for name in ("port", "line_opening", "lines_board", "frames_board"))


def paced_port(clock: Any) -> type[Any]:
    """Return a serial port whose reader, when it waits, lets the clock of the bench run."""
    import serial

    class PacedPort(serial.Serial):
        def read(self, size: int = 1) -> bytes:
            until_s = clock.now_s + (self.timeout or 0.0)
            while not self.in_waiting and clock.now_s < until_s:
                clock.tick()
            return bytes(super().read(size)) if self.in_waiting else b""

        def write(self, data: bytes) -> int:
            board = next((board for board in clock.boards if Path(self.port).samefile(board.name)), None)
            before = _unread(board.master) if board is not None else 0
            sent = int(super().write(data))
            if board is not None:
                _carried_over(board.master, before + sent)
            return sent

    return PacedPort


@pytest.fixture
def bench_clock(bench_clock: Any, monkeypatch: pytest.MonkeyPatch) -> Any:
    """The clock of the bench also for the serial drivers and the boards of `terminals`; bytes go through terminals."""
    for module in SERIAL:
        monkeypatch.setattr(f"{module}.time", bench_clock)
    bench_clock.boards = []
    monkeypatch.setattr("serial.Serial", paced_port(bench_clock))
    return bench_clock


class FarBench:
    """The clock of a board whose drivers run in another process, by `by_the_bench_clock.py`: this end keeps the time.

    It stands still unless they look at it and have read what the board has sent, or sleep.
    """

    STEP_S = 0.004

    def __init__(self, path: Path) -> None:
        import numpy as np

        self.environment = {"BENCH_CLOCK": str(path)}
        self._kept: Any = np.memmap(path, np.float64, "w+", shape=(5,))  # as there
        self._kept[0] = 1000.0
        self._looks = self._opened = 0.0
        self._sent_before = 0
        self.held = threading.Event()

    def monotonic(self) -> float:
        return float(self._kept[0])

    def tick(self, sent: int) -> bool:
        """Return whether time went on; `sent` is how many bytes the board has sent so far."""
        _, looks, read, opened, asleep = self._kept.tolist()
        if opened != self._opened:
            self._opened, self._sent_before = opened, sent
        if self.held.is_set() or looks == self._looks or (read < sent - self._sent_before and not asleep):
            return False
        self._looks = looks
        self._kept[0] += self.STEP_S
        return True


ROOM = 4000
"""Bytes that a terminal of the bench holds: 4,095 are there for its reader at once, more when the system likes."""


def _unread(descriptor: int) -> int:
    """Return how many bytes wait at this end of a terminal."""
    import fcntl
    import struct
    import termios

    return int(struct.unpack("i", fcntl.ioctl(descriptor, termios.FIONREAD, b"\0\0\0\0"))[0])


def _carried_over(descriptor: int, count: int) -> None:
    """Wait until so many bytes are there; the system carries them over when it likes."""
    given_up_s = time.monotonic() + 30.0
    while _unread(descriptor) < count:
        assert time.monotonic() < given_up_s, "the system does not carry over what was sent"
        time.sleep(0)


class TerminalBoard:
    """The far end of a serial line: prints on a schedule, takes commands, can be pulled out.

    It does so in a thread of its own, by this computer's clock or a far bench's, or by the clock of the bench here.
    """

    def __init__(self, clock: Any = None, far: FarBench | None = None) -> None:
        import tty

        self.master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(self.master, False)
        self.name = os.ttyname(slave)
        self._slave = slave  # held open, or the terminal forgets that it is raw
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.step: Callable[[], None] = lambda: None
        self.paused = threading.Event()
        self.dropping = threading.Event()
        self.printed = 0
        self.sent = 0
        self.clock = clock or far or time
        self._far = far
        self._bench = clock
        if clock is not None:
            clock.boards.append(self)
            clock.steps.append(self._look)

    def _look(self) -> None:
        self.step()

    def send(self, data: bytes) -> None:
        """Send now; what the line has no room for is lost."""
        if self.dropping.is_set() or self.master < 0:
            return
        before = 0
        if self._bench is not None:
            before = _unread(self._slave)
            data = data[: max(0, ROOM - before)]
        try:
            sent = os.write(self.master, data)
        except OSError:
            return  # full, or nobody at the other end
        self.sent += sent
        if self._bench is not None:
            _carried_over(self._slave, before + sent)

    def received(self) -> bytes:
        try:
            return os.read(self.master, 4096) if self.master >= 0 else b""
        except BlockingIOError:
            return b""

    def print_lines(self, line: Callable[[int], bytes], rate_hz: float, *, banner: bytes = b"") -> None:
        """Print `line(i)` at time i / rate."""
        began = self.clock.monotonic()
        greeting = [banner]

        def step() -> None:
            if greeting:
                self.send(greeting.pop())
            due = int((self.clock.monotonic() - began) * rate_hz)
            if not self.paused.is_set():
                self.send(b"".join(line(index) for index in range(self.printed, due)))
            self.printed = max(self.printed, due)

        self.run(step)

    def run(self, step: Callable[[], None]) -> None:
        """Call `step` over and over."""
        self.step = step
        if self._bench is not None:
            return

        stop, wait_s = self._stop, TICK_S if self._far is None else FAR_POLL_S

        def loop() -> None:
            while not stop.wait(wait_s):
                if self._far is None or self._far.tick(self.sent):
                    step()

        self._thread = threading.Thread(target=loop)
        self._thread.start()

    def stop(self) -> None:
        self.step = lambda: None
        self._stop.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join()
        self._thread, self._stop = None, threading.Event()

    def let_go(self) -> None:
        """Stop holding the near end, for a program of its own that wants it for itself."""
        os.close(self._slave)
        self._slave = -1

    def pull_out(self) -> None:
        """Unplug: the terminal hangs up."""
        self.stop()
        if self._bench is not None and self.master >= 0:
            self._bench.boards.remove(self)
            self._bench.steps.remove(self._look)
        for descriptor in (self.master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self.master = self._slave = -1


@pytest.fixture
def terminals(request: pytest.FixtureRequest) -> Iterator[Callable[[], TerminalBoard]]:
    made: list[TerminalBoard] = []
    clock = request.getfixturevalue("bench_clock") if "bench_clock" in request.fixturenames else None

    def make(far: FarBench | None = None) -> TerminalBoard:
        made.append(TerminalBoard(clock, far))
        return made[-1]

    yield make
    for board in made:
        board.pull_out()


@pytest.fixture
def terminal(terminals: Callable[[], TerminalBoard]) -> TerminalBoard:
    return terminals()


@pytest.fixture(scope="session")
def far_bench() -> type[FarBench]:
    return FarBench
