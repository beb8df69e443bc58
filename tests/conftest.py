"""How the whole run shares the machine, and a made-up bench of loads for whoever looks for crankings."""

from __future__ import annotations

import codecs
import os
import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")  # for workers: small matrices take half the time so, as in the command
for name in ("ascii", "latin-1", "utf-16"):
    codecs.lookup(name)  # an encoding that is first looked for while memory, handles or imports are short stays unknown


if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # begun in the background: what it begins would be deaf, too
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Return the workers of ``-n auto``: two for each core, as much of the run waits for others."""
    return max(1, 2 * (os.cpu_count() or 1))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Let who is done take over from who is not: a file's tests stay together, so its fixtures are made once."""
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log) if config.getvalue("dist") == "load" else None


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the tests marked `long`, each worker with as many: at the end they would keep one busy alone."""
    workers = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    begun_first = [item for item in items if item.get_closest_marker("long")]
    others = [item for item in items if not item.get_closest_marker("long")]
    items.clear()
    for worker in range(workers):
        share = slice(worker * len(others) // workers, (worker + 1) * len(others) // workers)
        items += begun_first[worker::workers] + others[share]


LONG_S = 30.0


@pytest.fixture(scope="session")
def long_s() -> float:
    """Seconds within which anything that is not for ever has happened, also on a machine with much else to do.

    What hangs in a test hangs for longer. Who wants to know of fewer seconds goes by the clock of the bench.
    """
    return LONG_S


TICK_S = 0.002
"""How often those at the bench look what is due."""

LEAST_S = 1e-6
"""What passes in any sleep, so that rounding keeps nobody waiting for ever."""

TIMED = ("crankfold.acquire.contract", "crankfold.acquire.rig.check", "crankfold.acquire.testing.behaviour_rules",
         "crankfold.acquire.testing.plugin_case",
         "crankfold.acquire.testing.source_case", "crankfold.acquire.testing.source_rules",
         "crankfold.plugins.virtual.board")
"""The modules that look at the time between a board and its samples, and those that judge samples by it."""


class BenchClock:
    """A clock that runs only while somebody waits by it: each tick, whoever was added does what is due.

    It stands in for the module `time` in the modules under test. What they then say of seconds holds on the busiest
    machine, and nobody waits for the seconds.
    """

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.steps: list[Callable[[], None]] = []

    def monotonic(self) -> float:
        return self.now_s

    def tick(self) -> None:
        self.now_s += TICK_S
        for step in [*self.steps]:
            step()

    def sleep(self, seconds: float) -> None:
        until_s = self.now_s + seconds + LEAST_S
        if not self.steps:
            self.now_s = until_s
        while self.now_s < until_s:
            self.tick()

    def wait_for(self, happened: Callable[[], bool], seconds: float = LONG_S) -> None:
        until_s = self.now_s + seconds
        while not happened():
            assert self.now_s < until_s, "it never happened"
            self.tick()


@pytest.fixture
def bench_clock(monkeypatch: pytest.MonkeyPatch) -> BenchClock:
    clock = BenchClock()
    for module in TIMED:
        monkeypatch.setattr(f"{module}.time", clock)
    return clock


@dataclass
class Bench:
    """A made-up current: `add` loads onto it; cranks are remembered with their first sample and their end."""

    rate_hz: float
    seconds: float
    noise_a: float = 1.0
    seed: int = 0
    zero_a: float = 0.0
    cranks: list[tuple[int, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        self.time_s = np.arange(round(self.rate_hz * self.seconds)) / self.rate_hz
        self.current_a = self.zero_a + self.noise_a * rng.standard_normal(len(self.time_s))

    def add(self, load: np.ndarray) -> Bench:
        self.current_a = self.current_a + load
        return self

    def since(self, at_s: float) -> np.ndarray:
        """Seconds since the sample nearest to `at_s`, negative before it."""
        return self.time_s - round(at_s * self.rate_hz) / self.rate_hz

    def crank(self, at_s: float, lasting_s: float, *, mean_a: float = 150.0, hump_hz: float = 6.0, depth: float = 0.5,
              inrush: float = 2.5, humps_from_s: float = 0.1, sign: int = 1, limit_a: float = 1e9) -> Bench:
        since = self.since(at_s)
        on = (since >= 0) & (since < lasting_s)
        solenoid = 0.25 * mean_a * (since < 0.02)
        humping = since - humps_from_s
        swell = depth * np.cos(2 * np.pi * hump_hz * humping) * np.clip(humping / 0.1, 0, 1)
        motor = mean_a * (1 + swell + (inrush - 1) * np.exp(-np.maximum(since - 0.02, 0) / 0.06)) * (since >= 0.02)
        self.cranks.append((round(at_s * self.rate_hz), round((at_s + lasting_s) * self.rate_hz)))
        return self.add(np.where(on, sign * np.minimum(solenoid + motor, limit_a), 0.0))

    def step(self, at_s: float, lasting_s: float, amperes: float, *, rise_s: float = 0.001, inrush: float = 1.0,
             inrush_s: float = 0.05, decay_to: float = 1.0, decay_s: float = 2.0) -> Bench:
        since = self.since(at_s)
        on = (since >= 0) & (since < lasting_s)
        held = np.maximum(since, 0)
        shape = (1 - np.exp(-held / rise_s)) * (decay_to + (1 - decay_to) * np.exp(-held / decay_s)
                                                + (inrush - 1) * np.exp(-held / inrush_s))
        return self.add(np.where(on, amperes * shape, 0.0))


@pytest.fixture(scope="session")
def bench() -> type[Bench]:
    return Bench
