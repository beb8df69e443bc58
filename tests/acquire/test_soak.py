"""Hours of streaming in simulated time: memory flat, no thread left, every crank caught and none invented."""

from __future__ import annotations

import gc
import sys
import threading

import numpy as np
import pytest

from crankfold.acquire import Samples, record

RATE = 500.0
STRETCH_S = 60.0


def stretches(bench, seed):
    """One-minute pieces of a day in a workshop: each with other loads, some with a crank; made once, dealt anew."""
    made = []
    for at in range(12):
        rng = np.random.default_rng([seed, at])
        piece = bench(RATE, STRETCH_S, seed=at, noise_a=0.8)
        for when in rng.uniform(2, 50, 6):
            piece.step(when, rng.uniform(0.5, 6.0), rng.uniform(5, 25), inrush=rng.uniform(1, 5), inrush_s=0.04)
        for when in rng.uniform(2, 55, 4):
            piece.step(when, 0.03, 38.0)
        if at % 3 == 0:
            piece.step(5.0, 20.0, 110.0, decay_to=0.5, decay_s=2.0)
        if at % 4 == 1:
            piece.step(30.0, 0.02, -400.0).step(30.1, 0.01, -350.0).step(30.2, 25.0, -90.0, decay_to=0.3)
        if at % 5 == 2:
            piece.crank(56.0, rng.uniform(1.0, 3.5), mean_a=rng.uniform(60, 300), hump_hz=rng.uniform(3, 12))
        made.append(piece)
    return made


def soak(array_source, make_info, bench, hours):
    """Run a source that deals the stretches; return cranks dealt, onsets told, captures, memory at turns."""
    pieces, dealt, memory = stretches(bench, 3), [], []

    class Day(array_source):
        def _read(self, timeout_s):
            if self._place >= hours * 3600 / STRETCH_S:
                return super()._read(timeout_s)
            if self._at == 0:
                self._piece = pieces[int(np.random.default_rng(self._place).integers(len(pieces)))]
                dealt.extend(int(self._place * STRETCH_S * RATE) + onset for onset, _ in self._piece.cranks)
                if self._place % 5 == 4:
                    gc.collect()
                    memory.append(sys.getallocatedblocks())
            block = self._piece.current_a[self._at : self._at + 5000, None]
            self._at = (self._at + 5000) % len(self._piece.current_a)
            self._place += self._at == 0
            return Samples(block)

    source = Day([], make_info(RATE, finite=False))
    source._at = source._place = 0
    told = []
    count = sum(1 for _ in record(source, on_event=lambda event: told.append((event.what.value, event.index))))
    onsets = [index for what, index in told if what == "cranking"]
    return dealt, onsets, count, memory


def check(dealt, onsets, count, memory):
    assert len(dealt) > 3
    assert len(onsets) == count == len(dealt)
    assert max(abs(a - b) for a, b in zip(onsets, dealt, strict=True)) <= 0.02 * RATE
    settled = memory[len(memory) // 2 :]
    assert max(settled) - min(settled) < 20_000


@pytest.mark.long
def test_an_hour(array_source, make_info, bench) -> None:
    threads = threading.active_count()
    check(*soak(array_source, make_info, bench, 1))
    assert threading.active_count() == threads


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_a_day(array_source, make_info, bench) -> None:
    check(*soak(array_source, make_info, bench, 24))
