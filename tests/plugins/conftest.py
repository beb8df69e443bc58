"""A serial board made of Python on a real pseudo terminal."""

from __future__ import annotations

import os
import threading
import time
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


class TerminalBoard:
    """The far end of a serial line: prints on a schedule in a thread of its own, takes commands, can be pulled out."""

    def __init__(self) -> None:
        import tty

        self.master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(self.master, False)
        self.name = os.ttyname(slave)
        self._slave = slave  # held open, or the terminal forgets that it is raw
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.paused = threading.Event()
        self.dropping = threading.Event()
        self.printed = 0

    def send(self, data: bytes) -> None:
        """Send now; what the line has no room for is lost."""
        if self.dropping.is_set():
            return
        try:
            os.write(self.master, data)
        except OSError:
            return  # full, or nobody at the other end

    def received(self) -> bytes:
        try:
            return os.read(self.master, 4096)
        except BlockingIOError:
            return b""

    def print_lines(self, line: Callable[[int], bytes], rate_hz: float, *, banner: bytes = b"") -> None:
        """Print `line(i)` at time i / rate, in a thread."""

        def loop() -> None:
            self.send(banner)
            began = time.monotonic()
            while not self._stop.wait(0.002):
                due = int((time.monotonic() - began) * rate_hz)
                if not self.paused.is_set():
                    self.send(b"".join(line(index) for index in range(self.printed, due)))
                self.printed = max(self.printed, due)

        self._thread = threading.Thread(target=loop)
        self._thread.start()

    def run(self, step: Callable[[], None]) -> None:
        """Call `step` over and over in a thread."""

        def loop() -> None:
            while not self._stop.wait(0.002):
                step()

        self._thread = threading.Thread(target=loop)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(5)
            self._thread = None
        self._stop.clear()

    def let_go(self) -> None:
        """Stop holding the near end, for a program of its own that wants it for itself."""
        os.close(self._slave)
        self._slave = -1

    def pull_out(self) -> None:
        """Unplug: the terminal hangs up."""
        self.stop()
        for descriptor in (self.master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self.master = self._slave = -1


@pytest.fixture
def terminals() -> Iterator[Callable[[], TerminalBoard]]:
    made: list[TerminalBoard] = []

    def make() -> TerminalBoard:
        made.append(TerminalBoard())
        return made[-1]

    yield make
    for board in made:
        board.pull_out()


@pytest.fixture
def terminal(terminals: Callable[[], TerminalBoard]) -> TerminalBoard:
    return terminals()
