"""Frames a second of the strip with two channels of ten million samples: `python window_frames.py`."""

from __future__ import annotations

import os
import sys
import time
from dataclasses import replace

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np

from crankfold.acquire import load_plugins, open_board, record
from crankfold.analysis import Capture
from crankfold.viewer.session import NOTHING_GIVEN, Answered, Caught, Judged, Opened, Readying, judge, question_of
from crankfold.viewer.window.main_window import Window
from crankfold.viewer.window.run import Silence, application

SAMPLES, FRAMES, SEED = 10_000_000, 300, 1
SIZE = (1366, 768)


def long_capture(short: Capture) -> Capture:
    """Return a capture made as long as wanted by a higher rate: the same crank, noise on every sample."""
    lot = np.random.default_rng(SEED)
    at = np.linspace(0, len(short.samples) - 1, SAMPLES)
    own = np.arange(len(short.samples))
    samples = np.column_stack([np.interp(at, own, short.samples[:, k]) + lot.normal(0.0, spread, SAMPLES)
                               for k, spread in ((0, 8.0), (1, 0.05))])
    return replace(short, samples=samples, rate_hz=short.rate_hz * SAMPLES / len(short.samples), gaps=(),
                   trigger_index=None)


def main() -> int:
    """Print frames a second for zooming and dragging."""
    running = application()
    settings = {"engine": "pump", "dead": "3", "sync": "waste-spark", "pace": "flat", "quiet": "1", "after": "0.5"}
    (short,) = record(open_board("virtual", settings, load_plugins(enabled=False)))
    question = question_of({**NOTHING_GIVEN, "firing_order": "1-3-4-2", "sync": "waste-spark:1"})
    told = judge(short, question)
    window = Window(Silence())
    window.resize(*SIZE)
    window.show()
    began_s = time.perf_counter()
    judged = Judged(long_capture(short), told.result, question, told.marks_s)
    made_s = time.perf_counter()
    for news in (Readying(live=True), Opened("benchmark"), Caught(1), Answered(1, judged)):
        window.take(news)
    strip, painted = window.page.strip, list[int]()
    running.processEvents()  # a window that was never exposed is not painted
    strip.repaint()
    print(f"{SAMPLES:,} samples in each of two channels; shown after {time.perf_counter() - made_s:.2f} s "
          f"(made in {made_s - began_s:.1f} s)")
    for what in ("whole", "zoom", "drag"):
        begin_s, begin_cpu_s = time.perf_counter(), time.process_time()
        for k in range(FRAMES):
            assert strip.window_ is not None
            turned = {"whole": strip.window_.entire(), "zoom": strip.window_.entire().zoomed(1.04 ** (k % 150), 2.5),
                      "drag": strip.window_.entire().zoomed(5.0, 1.0).panned(0.008 * k)}[what]
            strip.look_at(turned)
            strip.repaint()
            painted.append(strip._drawn.cacheKey() if strip._drawn is not None else 0)
        spent_s, cpu_s = time.perf_counter() - begin_s, time.process_time() - begin_cpu_s
        print(f"{what}: {FRAMES / spent_s:.0f} frames/s on this machine as busy as it is, "
              f"{FRAMES / cpu_s:.0f} by the processor's time ({1e3 * cpu_s / FRAMES:.1f} ms each)")
    window.close()
    if len(set(painted)) < len(painted) or 0 in painted:
        print("not every frame was painted")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
