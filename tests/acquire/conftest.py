"""Sources made of arrays, and cranking currents of known onset and end, for the tests of this folder."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from crankfold.acquire.contract import EndOfStream, Samples, Source, SourceInfo
from crankfold.analysis.capture import CURRENT, Channel


class ArraySource(Source):
    """Gives blocks one after the other; `steps` holds codes, (codes, lost), an exception, a pause, or a call."""

    def __init__(self, steps: list[Any], info: SourceInfo, *, ends: bool = True) -> None:
        super().__init__()
        self._steps, self._info, self._ends = list(steps), info, ends
        self.closed_by: list[str] = []

    @property
    def info(self) -> SourceInfo:
        return self._info

    def _read(self, timeout_s: float) -> Samples | None:
        if not self._steps:
            if self._ends:
                raise EndOfStream
            time.sleep(timeout_s)
            return None
        step = self._steps.pop(0)
        if isinstance(step, BaseException):
            raise step
        if callable(step):
            step()
            return None
        if isinstance(step, float):
            time.sleep(step)
            return None
        return Samples(*step) if isinstance(step, tuple) else Samples(step)

    def _close(self) -> None:
        import threading

        self.closed_by.append(threading.current_thread().name)


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


def info_of(rate_hz: float, *, channels: int = 1, dtype: Any = np.float64, unit: str = "A", scale: float = 1.0,
            finite: bool = True, **more: Any) -> SourceInfo:
    kind = np.dtype(dtype)
    names = [CURRENT, "sync"][:channels]
    made = tuple(Channel(name, unit if name == CURRENT else "V", scale, code_dtype=kind.name) for name in names)
    return SourceInfo(rate_hz, made, kind, "a test source", finite=finite, live=more.pop("live", False), **more)


@pytest.fixture(scope="session")
def array_source() -> type[ArraySource]:
    return ArraySource


@pytest.fixture(scope="session")
def bench() -> type[Bench]:
    return Bench


@pytest.fixture(scope="session")
def make_info() -> Any:
    return info_of
