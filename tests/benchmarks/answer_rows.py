"""Rows of the table from the capture to what people see."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
from measuring import Row, best_child_s, best_cpu_s, gain_of_two

from crankfold.acquire import Job, RingBuffer, load_plugins, open_board, record, save_capture
from crankfold.analysis import Capture, Channel, Engine, SyncSpec, analyse
from crankfold.viewer.batch import Planner, processes, run
from crankfold.viewer.batch.runner import Crew
from crankfold.viewer.picture import sheet_html
from crankfold.viewer.session import judge, question_of

ORDER = "1-3-4-2"
NOTHING = {"firing_order": ORDER, "intervals": None, "strokes": None, "engine_name": "", "engine": None, "rig": None,
           "clamp": None, "probe": None, "sync": None, "gauge": None, "misfire_codes": (), "low": 75.0, "dead": 15.0,
           "watch": None}
COMMAND = Path(sys.executable).with_name("crankfold")
BATCH = 64


@cache
def recorded(crank: str = "3.4", rate: str = "10000", **more: str) -> Capture:
    settings = {"engine": "pump", "dead": "3", "sync": "waste-spark", "pace": "flat", "quiet": "1", "after": "0.6",
                "crank": crank, "rate": rate, **more}
    (capture,) = record(open_board("virtual", settings, load_plugins()))
    return capture


def analysis_alone() -> Row:
    """Ten seconds of two channels; the same at a hundred times the rate, as a fast board would have sampled them."""
    slow, engine = recorded(crank="8.4"), Engine.parse(ORDER)
    sync = SyncSpec.parse("waste-spark:1", engine)
    place = np.arange(100 * len(slow.samples)) / 100.0
    rows = np.column_stack([np.interp(place, np.arange(len(slow.samples)), column) for column in slow.samples.T])
    fast = replace(slow, samples=rows, rate_hz=100.0 * slow.rate_hz, trigger_index=None)
    one, hundred = best_cpu_s(lambda: analyse(slow, engine, sync=sync), lambda: analyse(fast, engine, sync=sync),
                              repeats=4)
    return Row("analysis of 10 s, 2 channels", "the same at 10 kS/s", "<= 0.1 s; at 1 MS/s <= 1.3 x that",
               f"{one:.3f} s; at 1 MS/s {hundred / one:.2f} x", one <= 0.1 and hundred <= 1.3 * one)


def verdict_after_crank() -> Row:
    """A live virtual board: from the moment the starter lets go, by the capture's own start, to the verdict."""
    engine = Engine.parse(ORDER)
    analyse(recorded(), engine)
    settings = {"engine": "pump", "dead": "3", "quiet": "1.8", "crank": "2.5", "after": "2", "rate": "10000"}
    late = float("nan")
    for capture in record(open_board("virtual", settings, load_plugins())):
        found = analyse(capture, engine)
        assert found.cranking is not None
        assert capture.started_utc is not None
        late = (datetime.now(UTC) - capture.started_utc).total_seconds() - found.cranking.end_s
        break
    return Row("verdict after the crank ends, live", "the moment the starter lets go", "<= 0.5 s", f"{late:.2f} s",
               late <= 0.5)


def redraw() -> Row:
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from crankfold.viewer.window.plots import SHOWN_S, LiveTrace, StripView
    from crankfold.viewer.window.run import application

    running = application()
    channels = (Channel("current", "A", 0.1), Channel("sync", "V", 0.01))
    ring = RingBuffer(1_200_000, channels=2, dtype=np.int16)
    trace = LiveTrace(ring, tuple(enumerate(channels)), 1e6 / SHOWN_S)
    codes = np.random.default_rng(0).integers(-900, 900, (1_000_000, 2)).astype(np.int16)
    ring.append(codes)
    trace.look()
    news = codes[: round(len(codes) / SHOWN_S / 30.0)]
    view = StripView()
    view.resize(1500, 330)
    view.show()
    running.processEvents()

    def frame() -> None:
        ring.append(news)
        trace.look()
        view.show_live(tuple(trace.line(k) for k in range(2)), channels, SHOWN_S)
        view.repaint()

    drawn, extremes = best_cpu_s(frame, lambda: codes[:999_424].reshape(-1, 1024, 2).max(axis=1), repeats=40)
    view.close()
    return Row("redraw, 2 x 1 M points on the strip", "maxima of all of them once", "<= 5 ms a frame",
               f"{drawn * 1e3:.1f} ms ({drawn / extremes:.1f} x)", drawn <= 0.005)


def command_start() -> Row:
    ours, bare = best_child_s(lambda: _run(COMMAND, "--help"), lambda: _run(sys.executable, "-c", "pass"), repeats=7)
    return Row("`crankfold --help`", "the interpreter alone", "<= 150 ms",
               f"{ours * 1e3:.0f} ms ({ours / bare:.1f} x)", ours <= 0.150)


def whole_command() -> Row:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "crank.csv"
        capture = recorded()
        np.savetxt(path, np.column_stack([np.arange(len(capture.samples)) / capture.rate_hz, capture.samples]),
                   fmt="%.6f", delimiter=",", header="time (s),current (A),sync (kV)", comments="")
        about = ("--firing-order", ORDER, "--sync", "waste-spark:1", "--json", "-")
        ours, bare = best_child_s(lambda: _run(COMMAND, "analyse", path, *about),
                                  lambda: _run(sys.executable, "-c", "import scipy.signal"), repeats=4)
    return Row("whole `analyse` of 5 s x 10 kS/s", "interpreter + scipy.signal, 0.6 s where 1.0 is wanted",
               "<= 1.7 x it", f"{ours / bare:.2f} x, {ours:.2f} s", ours <= 1.7 * bare)


def sheet() -> Row:
    judged = judge(recorded(), question_of(NOTHING | {"sync": "waste-spark:1"}))
    job = Job()
    (taken,) = best_cpu_s(lambda: sheet_html(judged, job))
    page = sheet_html(judged, job)
    outside = "<script" in page or 'src="http' in page
    return Row("sheet, HTML with vector plots", "37 ms and 123 kB of a plotting library for one plot",
               "<= 60 ms, <= 300 kB, no scripts", f"{taken * 1e3:.0f} ms, {len(page) / 1e3:.0f} kB",
               taken <= 0.060 and len(page) <= 300_000 and not outside)


def batch() -> Row:
    """Workers at work: started before the clock runs, as two thousand captures make that time vanish."""
    with tempfile.TemporaryDirectory() as folder:
        for k in range(BATCH):
            save_capture(recorded(rate="5000").rescaled("current", 1.0 + 0.001 * k, "A"), Path(folder) / f"{k:03d}.h5")
        jobs = list(Planner(NOTHING, {}, load_plugins(), "").jobs([Path(folder)]))
        taken: dict[int, float] = {}
        gains = [gain_of_two()]
        for workers in (1, 2):
            with processes(workers) as crew:
                list(run(jobs[: 4 * workers], 4 * workers, lambda crew=crew: _kept(crew)))
                began = time.perf_counter()
                assert sum(map(len, run(jobs, BATCH, lambda crew=crew: _kept(crew)))) == BATCH
                taken[workers] = time.perf_counter() - began
                gains.append(gain_of_two())
    ratio, gain = taken[1] / taken[2], float(np.mean(gains))
    return Row(f"batch of {BATCH} captures, two workers", f"one worker; two plain busy processes gain {gain:.2f} x",
               ">= 1.8 x its speed, or 0.9 x that gain", f"{ratio:.2f} x, {taken[2] / BATCH * 1e3:.0f} ms a capture",
               ratio >= min(1.8, 0.9 * gain))


@contextmanager
def _kept(crew: Crew) -> Iterator[Crew]:
    yield crew


def _run(*command: object) -> None:
    subprocess.run([*map(str, command)], check=True, capture_output=True)


ROWS = (analysis_alone, verdict_after_crank, redraw, command_start, whole_command, sheet, batch)
