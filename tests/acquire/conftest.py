"""Sources made of arrays, and cranking currents of known onset and end, for the tests of this folder."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest

from crankfold.acquire import EndOfStream, Samples, Source, SourceInfo
from crankfold.analysis import CURRENT, Channel


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
def make_info() -> Any:
    return info_of
