"""What every row of the table needs: the shortest of several turns, and a row's words and figures."""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """One line of the table: the work, its reference in the same run, the budget, what was measured, and if it fits."""

    work: str
    reference: str
    budget: str
    measured: str
    within: bool


def best_s(*calls: Callable[[], object], repeats: int = 5) -> list[float]:
    """Return the shortest time of each call in seconds, taken in turn so that all see the same machine."""
    best = [float("inf")] * len(calls)
    for _ in range(repeats):
        for number, call in enumerate(calls):
            began = time.perf_counter()
            call()
            best[number] = min(best[number], time.perf_counter() - began)
    return best


def gain_of_two(seconds: float = 2.0) -> float:
    """Return how many times as much two plain busy processes get done as one, on this machine as it is just now."""
    count = "import sys, time\nend, n = time.perf_counter() + float(sys.argv[1]), 0\n" \
            "while time.perf_counter() < end: n += sum(range(1000)) > 0\nprint(n)"

    def done_by(processes: int) -> int:
        running = [subprocess.Popen([sys.executable, "-c", count, str(seconds)], stdout=subprocess.PIPE, text=True)
                   for _ in range(processes)]
        return sum(int(each.communicate()[0]) for each in running)

    return done_by(2) / done_by(1)


def best_child_s(*commands: Callable[[], object], repeats: int = 5) -> list[float]:
    """Return the least processor time of the processes that each call starts and waits for."""
    def spent() -> float:
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        return used.ru_utime + used.ru_stime

    best = [float("inf")] * len(commands)
    for _ in range(repeats):
        for number, command in enumerate(commands):
            began = spent()
            command()
            best[number] = min(best[number], spent() - began)
    return best


def best_cpu_s(*calls: Callable[[], object], repeats: int = 5) -> list[float]:
    """Return the least processor time of each call: for work on one thread, whatever else the machine does."""
    best = [float("inf")] * len(calls)
    for _ in range(repeats):
        for number, call in enumerate(calls):
            began = time.process_time()
            call()
            best[number] = min(best[number], time.process_time() - began)
    return best
