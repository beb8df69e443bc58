"""Made-up hardware for the examples: a library that calls back on its own thread, and a board on the network."""

from __future__ import annotations

import socketserver
import struct
import threading
import time
from collections.abc import Callable
from typing import Any

import numpy as np

RATE_HZ = 2000
SPAN = 1000  # codes go from 0 to 999 and begin again


class Library:
    """Calls back every 10 ms with what has come, in memory that it fills again; `lose` makes it lose samples."""

    def __init__(self, callback: Callable[[np.ndarray[Any, Any], int, float], None], columns: int = 2) -> None:
        self._callback, self._columns = callback, columns
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._to_lose = 0

    def start(self) -> None:
        """Begin."""
        self._stop.clear()
        self._thread = threading.Thread(target=self._run, name="the library's own")
        self._thread.start()

    def stop(self) -> None:
        """End, and wait for it."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()

    def lose(self, count: int) -> None:
        """Lose so many samples soon."""
        self._to_lose = count

    def _run(self) -> None:
        began_s, given = time.monotonic(), 0
        memory = np.zeros((RATE_HZ, self._columns), np.int16)
        while not self._stop.wait(0.01):
            lost, self._to_lose = self._to_lose, 0
            given += lost
            due = min(int((time.monotonic() - began_s) * RATE_HZ), given + len(memory))
            if due > given:
                memory[: due - given] = (np.arange(given, due) % SPAN)[:, np.newaxis]
                self._callback(memory[: due - given], lost, given / RATE_HZ)
                given = due
            else:
                self._to_lose += lost
                given -= lost


class Network(socketserver.ThreadingTCPServer):
    """A board at the other end of a cable: frames of a sample number, a count, and codes of 16 bits."""

    allow_reuse_address, daemon_threads = True, True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Connection)
        self.to_lose, self.silent = 0, threading.Event()
        self.connections: list[Any] = []
        threading.Thread(target=self.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()

    def cut(self) -> None:
        """Cut every connection."""
        for connection in self.connections:
            connection.close()


class _Connection(socketserver.BaseRequestHandler):
    server: Network

    def handle(self) -> None:
        self.server.connections.append(self.request)
        began_s, given = time.monotonic(), 0
        try:
            while True:
                time.sleep(0.01)
                if self.server.connections[-1] is self.request:  # not one that somebody has left
                    given += self.server.to_lose
                    self.server.to_lose = 0
                due = int((time.monotonic() - began_s) * RATE_HZ)
                if due > given:
                    codes = (np.arange(given, due) % SPAN).astype("<u2")
                    self.request.sendall(struct.pack("<QI", given, len(codes)) + codes.tobytes())
                    given = due
        except OSError:
            return
