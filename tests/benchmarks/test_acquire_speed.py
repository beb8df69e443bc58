"""Ring, trigger and capture files against named references, as ratios within one run."""

from __future__ import annotations

import time

import h5py
import numpy as np
import pytest

from crankfold.acquire import RingBuffer, save_capture
from crankfold.acquire.files.storage import load_capture
from crankfold.analysis import Capture, Channel
from crankfold.analysis.signal.detector import CrankingDetector

FEED = 65_536

pytestmark = pytest.mark.slow


def best_s(call, times=7):
    """Return the shortest of several runs, seconds: the one least disturbed by whatever else the machine does."""
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        call()
        taken.append(time.perf_counter() - begun)
    return min(taken)


@pytest.fixture(scope="module")
def codes():
    return np.random.default_rng(0).integers(-5, 5, (4_000_000, 2)).astype(np.int16)


def test_ring_write_against_a_plain_copy(codes) -> None:
    """Writing through the ring costs no more than 1.5 times copying the same blocks into planar memory."""
    ring = RingBuffer(1_000_000, channels=2, dtype=np.int16)
    rows = np.zeros((2, FEED), np.int16)
    blocks = [codes[at : at + FEED] for at in range(0, len(codes) - FEED, FEED)]

    def plain():
        for block in blocks:
            rows[:] = block.T

    def through():
        for block in blocks:
            ring.append(block)

    ratio = best_s(through) / best_s(plain)
    print(f"ring / plain copy {ratio:.2f}")
    assert ratio < 1.5


def test_trigger_against_one_maximum_a_block(codes) -> None:
    """The trigger takes at most 6 times as long as one maximum of each block of 4,096 samples."""
    samples = np.ascontiguousarray(codes[:, 0])
    trigger = CrankingDetector(1e6, Channel("current", "A", 0.1, code_dtype="int16"))
    place = 0

    def fed():
        nonlocal place
        for at in range(0, len(samples), FEED):
            trigger.feed(place, samples[at : at + FEED])
            place += len(samples[at : at + FEED])

    def maxima():
        for block in samples[: len(samples) // 4096 * 4096].reshape(-1, 4096):
            block.max()

    taken = best_s(fed)
    ratio = taken / best_s(maxima)
    print(f"trigger / maxima {ratio:.2f}, {len(samples) / taken / 1e6:.0f} MS/s")
    assert ratio < 6.0


def test_saving_and_loading_against_packing_alone(tmp_path) -> None:
    """Saving 2 x 10 s x 100 kS/s takes at most 2.5 times packing the same codes, loading less than saving."""
    rng, at = np.random.default_rng(1), np.arange(1_000_000) / 1e5
    steps = np.column_stack([np.round((150 + 80 * np.sin(38 * at) + rng.normal(0, 1, len(at))) / 0.05),
                             np.round(rng.normal(0, 50, len(at)))])
    channels = (Channel("current", "A", 0.05, 0.0, (-32768, 32767), "int16"),
                Channel("sync", "V", 0.001, 0.0, (-32768, 32767), "int16"))
    capture = Capture(steps * [0.05, 0.001], 1e5, channels)
    codes = steps.astype(np.int16)

    def packed():
        with h5py.File("x", "w", driver="core", backing_store=False) as file:
            for column in range(2):
                file.create_dataset(str(column), data=codes[:, column], compression="gzip", compression_opts=1,
                                    shuffle=True, chunks=(65_536,))

    saved = best_s(lambda: save_capture(capture, tmp_path / "x.h5"))
    loaded = best_s(lambda: load_capture(tmp_path / "x.h5"))
    reference = best_s(packed)
    print(f"save / packing {saved / reference:.2f} ({saved * 1e3:.0f} ms), load / packing {loaded / reference:.2f}")
    assert saved < 2.5 * reference
    assert loaded < saved
