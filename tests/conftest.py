"""How the whole run shares the machine, and a made-up bench of loads for whoever looks for crankings."""

from __future__ import annotations

import codecs
import os
from dataclasses import dataclass, field

import numpy as np
import pytest

for name in ("ascii", "latin-1", "utf-16"):
    codecs.lookup(name)  # an encoding that is first looked for while memory, handles or imports are short stays unknown


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Return the workers of ``-n auto``: three for two cores, as half of the run waits for boards in real time."""
    return max(1, (os.cpu_count() or 1) * 3 // 2)


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
